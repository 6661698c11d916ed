package ledger

import (
	"context"
	"sync"
	"time"

	"example.net/standwatch/correlate"
)

const (
	// longestWait bounds how long the loop sleeps: timers do not follow steps
	// of the wall clock, so it is looked at this often at least.
	longestWait = time.Second
	// After a failed commit the next is tried after backOff, doubled up to
	// longestBackOff, so that a full disk is not hammered.
	backOff        = 20 * time.Millisecond
	longestBackOff = time.Second
)

// Run decides and commits until ctx ends. Then it takes no more inputs, commits
// what was accepted, saves a checkpoint and returns nil. Inputs whose last
// commit fails are answered with that error. It must be called once.
func (l *Ledger) Run(ctx context.Context) error {
	var helpers sync.WaitGroup
	inner, stop := context.WithCancel(context.WithoutCancel(ctx))
	helpers.Go(func() {
		if err := l.opts.Store.Tend(inner); err != nil {
			l.opts.Log.Error().Err(err).Msg("upkeep of the journal ended")
		}
	})
	l.loop(ctx)
	l.drain()
	stop()
	l.saver.wait()
	helpers.Wait()
	l.saver.finish()
	return nil
}

func (l *Ledger) loop(ctx context.Context) {
	for wait := backOff; ctx.Err() == nil; {
		left, err := l.step()
		l.saver.startIfDue()
		switch {
		case err != nil:
			sleep(ctx, wait, nil)
			wait = min(2*wait, longestBackOff)
			continue
		case left == 0:
			sleep(ctx, l.untilDue(), l.queue.wake)
		}
		wait = backOff
	}
}

// step takes what waits and commits it. It returns how many inputs are left,
// and why the commit failed, which each input of it and Health are told too.
func (l *Ledger) step() (left int, err error) {
	items, left := l.queue.take(l.opts.MaxBatch)
	return left, l.commit(l.decide(items))
}

// untilDue returns how long nothing can be due, by the wall clock as it is now.
func (l *Ledger) untilDue() time.Duration {
	at, waiting := l.engine.NextDue()
	if !waiting {
		return longestWait
	}
	return min(max(at.Sub(l.opts.Now()), 0), longestWait)
}

// sleep waits for d, a wake-up or the end of ctx.
func sleep(ctx context.Context, d time.Duration, wake <-chan struct{}) {
	if d <= 0 {
		return
	}
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
	case <-wake:
	case <-t.C:
	}
}

// drain ends the queue and decides what it held.
func (l *Ledger) drain() {
	l.queue.close()
	for left := 1; left > 0; {
		// What cannot be committed is told to whoever handed it in.
		left, _ = l.step()
	}
}

// saver writes checkpoints beside the loop, one at a time.
type saver struct {
	l    *Ledger
	busy sync.WaitGroup

	mu  sync.Mutex // held while one is written; guards the rest
	seq correlate.Seq
	at  time.Time
}

// startIfDue begins to write a checkpoint of the published state, when enough
// has come since the last and none is being written.
func (s *saver) startIfDue() {
	if !s.mu.TryLock() {
		return
	}
	opts := &s.l.opts
	fresh := s.l.st.Seq - s.seq
	if fresh == 0 || (fresh < correlate.Seq(opts.CheckpointRecords) && opts.Now().Sub(s.at) < opts.CheckpointEvery) {
		s.mu.Unlock()
		return
	}
	s.busy.Go(func() {
		defer s.mu.Unlock()
		s.save()
	})
}

func (s *saver) wait() { s.busy.Wait() }

// finish writes the last checkpoint, unless it is there.
func (s *saver) finish() {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.l.st.Seq != s.seq {
		s.save()
	}
}

// save keeps a checkpoint. Without it the next start takes longer and nothing
// else, so a failure is logged and the next one is awaited. The caller holds mu.
func (s *saver) save() {
	s.l.mu.RLock()
	snap := s.l.st.Snapshot()
	s.l.mu.RUnlock()
	s.at = s.l.opts.Now()
	if err := s.l.opts.Store.SaveCheckpoint(snap); err != nil {
		s.l.opts.Log.Error().Err(err).Msg("the checkpoint was not saved")
		return
	}
	s.seq = snap.Seq
}
