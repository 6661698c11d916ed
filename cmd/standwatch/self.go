package main

import (
	"cmp"
	"context"
	"fmt"
	"time"

	"example.net/standwatch/configs"
	"example.net/standwatch/correlate"
	"example.net/standwatch/receiver"
)

// How often the master looks at itself, and how long a loss is shown after the
// last one.
const (
	selfEvery    = 5 * time.Second
	lossStands   = 5 * time.Minute
	gatewayFails = 3 // attempts in a row that make a gateway's fault
)

// selfWatch remembers what was last said about the site self, so that only
// changes are journaled.
type selfWatch struct {
	d        *daemon
	asks     machine
	standing map[correlate.Key]bool
	lost     map[string]uint64 // losses seen, by listener
	lossAt   time.Time         // by the steady scale, as the times below

	auditText string // last said of agents that do not answer

	commitErr string // of the last failed commit seen
	commitAt  time.Time

	looked   time.Time     // the last look, for steps of the clock
	counted  time.Time     // the same by the steady scale
	jump     time.Duration // of the last step
	jumpedAt time.Time

	slowFrom   time.Duration // a commit that takes longer is slow
	slowLooks  int           // looks in a row that found the last commit slow
	slowCommit time.Time     // the commit that the last of them found

	drifts driftWatch
	machineWatch
}

// newSelfWatch begins with what stands on the site self already.
func (d *daemon) newSelfWatch() *selfWatch {
	w := &selfWatch{d: d, asks: d.machine, standing: map[correlate.Key]bool{}, lost: map[string]uint64{}, slowFrom: commitSlow}
	d.ledger.Read(func(st *correlate.State, _ *correlate.Network) {
		for k, a := range st.Alarms {
			if k.Site == correlate.SiteSelf && a.Standing {
				w.standing[k] = true
			}
		}
	})
	return w
}

// watchSelf raises and clears the points of the site self until ctx ends.
func (d *daemon) watchSelf(ctx context.Context) error {
	w := d.newSelfWatch()
	ticker := time.NewTicker(cmp.Or(d.opts.Look, selfEvery))
	defer ticker.Stop()
	for {
		w.look(ctx)
		select {
		case <-ctx.Done():
			return nil
		case <-ticker.C:
		}
	}
}

// steady tells the time on a scale of its own, for stretches of time: whoever
// sets the clock does not make a fault last longer or end sooner.
func (w *selfWatch) steady() time.Time { return time.Time{}.Add(time.Hour + w.asks.count()) }

// say journals a fact about the site self if it is news.
func (w *selfWatch) say(ctx context.Context, point correlate.PointID, instance string, fault bool, text string) {
	w.sayAs(ctx, 0, point, instance, fault, text)
}

// sayAs is say with a severity in place of the point's own; 0 means that one.
func (w *selfWatch) sayAs(ctx context.Context, severity correlate.Severity, point correlate.PointID, instance string, fault bool, text string) {
	k := correlate.Key{Site: correlate.SiteSelf, Point: point, Instance: instance}
	if w.standing[k] == fault {
		return
	}
	what := correlate.Clear
	if fault {
		what = correlate.Raise
	} else {
		text, severity = "", 0
	}
	in := &correlate.Notice{Source: "self-watch", Observations: []correlate.Observation{{Key: k, What: what, Severity: severity, Text: text}}}
	if _, err := w.d.ledger.Submit(ctx, in); err != nil {
		// It is said again at the next look, when the journal may work.
		w.d.log.Error().Err(err).Str("point", string(point)).Msg(text)
		return
	}
	w.standing[k] = fault
}

func (w *selfWatch) look(ctx context.Context) {
	w.commits(ctx)
	w.slow(ctx)
	w.losses(ctx)
	w.disk(ctx)
	w.memory(ctx)
	w.synced(ctx)
	w.wrong(ctx)
	w.drift(ctx)
	w.queue(ctx)
	w.audits(ctx)
	w.clock(ctx)
	w.certificate(ctx)
	w.history(ctx)
	w.backup(ctx)
	w.gateways(ctx)
	w.watcher(ctx)
	w.forwards(ctx)
	for _, duty := range w.d.onCall(w.d.opts.Now()) {
		w.say(ctx, configs.SelfRoster, duty.Roster, len(duty.People) == 0, "Nobody is on call in the roster "+duty.Name)
	}
	fault := w.d.refused()
	w.say(ctx, configs.SelfConfig, "", fault != "", "The configuration on disk was not taken: "+fault)
}

// commits notes that the journal could not be written. While it cannot, the
// fact itself cannot be made durable: pages and readiness say so, and the
// alarm stands for a while from the first commit that works.
func (w *selfWatch) commits(ctx context.Context) {
	now := w.steady()
	if h := w.d.ledger.Health(); h.Failures > 0 {
		w.commitErr, w.commitAt = h.Err, now
		return
	}
	recent := !w.commitAt.IsZero() && now.Sub(w.commitAt) < lossStands
	w.say(ctx, configs.SelfCommit, "", recent, "The journal could not be written: "+w.commitErr)
}

// A commit that takes longer than commitSlow makes people wait, and so many
// looks in a row that find one are no accident. Judgement, no source: an ordinary
// disk takes some milliseconds.
const (
	commitSlow = time.Second
	slowLeast  = 3
)

// slow notes that commits take long, look after look.
func (w *selfWatch) slow(ctx context.Context) {
	h := w.d.ledger.Health()
	switch {
	case h.Took <= w.slowFrom:
		w.slowLooks = 0
	case !h.LastCommit.Equal(w.slowCommit):
		w.slowLooks++
	}
	w.slowCommit = h.LastCommit
	w.sayAs(ctx, correlate.Minor, configs.SelfCommit, "slow", w.slowLooks >= slowLeast, fmt.Sprintf("The journal is slow: the last commit took %s", h.Took.Round(time.Millisecond)))
}

// losses notes datagrams that were lost inside the master: dropped by the
// kernel, or refused because a queue was full.
func (w *selfWatch) losses(ctx context.Context) {
	now := w.steady()
	total := uint64(0)
	for _, l := range w.d.intake().Listeners {
		lost := l.KernelDropped + l.Refused[receiver.QueueFull.String()]
		if lost > w.lost[l.Name] {
			total += lost - w.lost[l.Name]
			w.lossAt = now
		}
		w.lost[l.Name] = lost
	}
	recent := !w.lossAt.IsZero() && now.Sub(w.lossAt) < lossStands
	w.say(ctx, configs.SelfIntake, "", recent, fmt.Sprintf("%d notifications were lost before they could be read", total))
}

// queue notes that inputs wait faster than they are made durable.
func (w *selfWatch) queue(ctx context.Context) {
	h := w.d.ledger.Health()
	w.say(ctx, configs.SelfQueue, "", h.Queue > h.QueueLen/2, fmt.Sprintf("%d of %d places in the queue before the journal are taken", h.Queue, h.QueueLen))
}

// clockTolerance is how far the wall clock may drift from the machine's own
// count between two looks; a disciplined clock is slewed by far less.
const clockTolerance = 2 * time.Second

// clock notes that the wall clock was set: it went another way than the time
// that has passed.
func (w *selfWatch) clock(ctx context.Context) {
	now, steady := w.d.opts.Now().Round(0), w.steady()
	if !w.looked.IsZero() {
		if jump := clockJump(now.Sub(w.looked), steady.Sub(w.counted)); jump != 0 {
			w.jump, w.jumpedAt = jump, steady
		}
	}
	w.looked, w.counted = now, steady
	recent := !w.jumpedAt.IsZero() && steady.Sub(w.jumpedAt) < lossStands
	w.say(ctx, configs.SelfClock, "", recent, fmt.Sprintf("The clock jumped by %s", w.jump.Round(time.Second)))
}

// clockJump returns by how much the wall clock was set while elapsed passed,
// or 0 when that is within tolerance.
func clockJump(wall, elapsed time.Duration) time.Duration {
	if jump := wall - elapsed; jump.Abs() > clockTolerance {
		return jump
	}
	return 0
}
