package console

import (
	"context"
	"sync"
	"time"

	"example.net/standwatch/cmd/standwatch/api"
	"example.net/standwatch/correlate"
	"example.net/standwatch/store"
)

// Bounds of what is remembered of repeats. Own choice, no source.
const (
	tracesOnce   = 2000 // records looked back at, and read forward at once
	tracesPerKey = 120  // newest repeats of one alarm that are drawn
)

// traces remembers when alarms were raised again, which state only counts. It
// follows the journal when it is asked, so it costs nothing while nobody looks.
type traces struct {
	mu    sync.Mutex // guards seq, byKey
	seq   correlate.Seq
	byKey map[correlate.Key][]time.Time // oldest first
}

// upTo reads the journal up to last.
func (t *traces) upTo(ctx context.Context, j api.Journal, last correlate.Seq) error {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.byKey == nil || last < t.seq || last-t.seq > tracesOnce {
		return t.lookBack(j, last)
	}
	records, err := api.Gather(ctx, j, t.seq, last, tracesOnce)
	if err != nil {
		return err
	}
	for _, rec := range records {
		t.add(rec)
	}
	t.seq = last
	return nil
}

func (t *traces) lookBack(j api.Journal, last correlate.Seq) error {
	t.byKey, t.seq = map[correlate.Key][]time.Time{}, last
	page, err := j.History(store.Query{Kinds: []correlate.EventKind{(*correlate.Repeated).Kind(nil), (*correlate.FlapTurned).Kind(nil)}, Limit: tracesOnce, Before: last + 1})
	if err != nil {
		return err
	}
	for i := len(page.Records) - 1; i >= 0; i-- {
		t.add(page.Records[i])
	}
	return nil
}

func (t *traces) add(rec *correlate.Record) {
	for _, ev := range rec.Events {
		again := false
		switch e := ev.(type) {
		case *correlate.Repeated:
			again = true
		case *correlate.FlapTurned:
			again = e.Standing
		}
		if !again {
			continue
		}
		times := append(t.byKey[ev.Subject()], rec.At)
		if len(times) > tracesPerKey {
			times = times[len(times)-tracesPerKey:]
		}
		t.byKey[ev.Subject()] = times
	}
}

// of returns the known repeats of an alarm since its episode began.
func (t *traces) of(a *correlate.Alarm) []time.Time {
	t.mu.Lock()
	defer t.mu.Unlock()
	all := t.byKey[a.Key]
	for i, at := range all {
		if at.After(a.Raised) {
			return append([]time.Time(nil), all[i:]...)
		}
	}
	return nil
}
