// Package forward hands alarms on to another manager: every rise, change of
// severity and clear, in the order of the journal.
//
// Guarantee: at least once. The forwarder follows the journal with a mark of its
// own, which moves, durably, only when the other manager's [Sender] has
// accepted all up to there. While it accepts nothing, nothing is skipped: the
// backlog grows and is told, and the send is tried again with growing waits. A
// mark that was never set, or that lies before what the journal still has,
// begins with all alarms that stand, marked as told again.
//
// It follows alarms, not call-outs: shelving, maintenance and flapping's rises
// and clears are the journal's business, and only what makes an alarm stand,
// change or end is handed on.
//
// Goroutines: [Forwarder.Run] is one; a Sender is used by it alone. It knows no
// protocol.
package forward

import (
	"cmp"
	"context"
	"errors"
	"math/rand/v2"
	"sync"
	"time"

	"github.com/rs/zerolog"

	"example.net/standwatch/correlate"
)

// Defaults of [Options].
const (
	DefaultFirstWait   = time.Second
	DefaultLongestWait = time.Minute
	DefaultAttempt     = 30 * time.Second
)

// Change is one fact about an alarm, for another manager.
type Change struct {
	Seq      correlate.Seq
	At       time.Time
	Key      correlate.Key
	Severity correlate.Severity // Cleared when it ended
	Text     string
	Worse    bool // it stood, and got worse
	Again    bool // told again: it stood already

	// What the configuration says about it; empty when it is not there any more.
	Site, Point, Class, Cause string
}

// Sender hands a change to another manager. It is used by one goroutine.
type Sender interface {
	// Send returns nil when the manager has the change, as far as the protocol
	// can tell, and an error without a secret in it when it is to be sent again.
	Send(ctx context.Context, c Change) error
	// Close ends what Send keeps open.
	Close()
}

// Journal is what is followed.
type Journal interface {
	Scan(ctx context.Context, from correlate.Seq, fn func(*correlate.Record) error) error
	First() correlate.Seq
	Last() correlate.Seq
	Mark(name string) (seq correlate.Seq, known bool, err error)
	SetMark(name string, seq correlate.Seq) error
}

// Board is the present state.
type Board interface {
	Read(fn func(st *correlate.State, net *correlate.Network))
}

// Options are what a forwarder needs. A zero number means its default.
type Options struct {
	Name        string // of the other manager; its mark is kept under it
	Journal     Journal
	Board       Board
	Wake        <-chan struct{} // signalled after a commit
	Sender      Sender
	AtLeast     correlate.Severity // less severe alarms are left out; zero is none
	FirstWait   time.Duration
	LongestWait time.Duration
	Attempt     time.Duration // longest one send may take
	Now         func() time.Time
	Log         zerolog.Logger
}

// Health is how a forwarder does.
type Health struct {
	Name     string
	Position correlate.Seq // done up to here
	Backlog  uint64        // records that wait
	Failures int           // sends that failed since the last good one
	Err      string        // of the last failure since then
	Sent     uint64
	Since    time.Time // of the first failure since then; zero without
}

// Forwarder hands alarms on to one manager.
type Forwarder struct {
	o       Options
	started bool       // the position is known
	mu      sync.Mutex // guards health
	health  Health
}

// New returns a forwarder. It reads nothing yet.
func New(o Options) (*Forwarder, error) {
	if o.Name == "" || o.Journal == nil || o.Board == nil || o.Sender == nil || o.Now == nil {
		return nil, errors.New("a forwarder needs a name, a journal, a board, a sender and a clock")
	}
	o.FirstWait = cmp.Or(o.FirstWait, DefaultFirstWait)
	o.LongestWait = cmp.Or(o.LongestWait, DefaultLongestWait)
	o.Attempt = cmp.Or(o.Attempt, DefaultAttempt)
	return &Forwarder{o: o, health: Health{Name: o.Name}}, nil
}

// Health returns how it does. It may be called at any time.
func (f *Forwarder) Health() Health {
	f.mu.Lock()
	defer f.mu.Unlock()
	h := f.health
	if last := f.o.Journal.Last(); last > h.Position {
		h.Backlog = uint64(last - h.Position)
	}
	return h
}

// recheck bounds how long a missed wake-up can matter.
const recheck = 10 * time.Second

// Run hands on until ctx ends.
func (f *Forwarder) Run(ctx context.Context) error {
	defer f.o.Sender.Close()
	for ctx.Err() == nil {
		wait := recheck
		if err := f.step(ctx); err != nil && ctx.Err() == nil {
			wait = f.failed(err)
		}
		timer := time.NewTimer(wait)
		select {
		case <-ctx.Done():
		case <-timer.C:
		case <-f.wake(wait):
		}
		timer.Stop()
	}
	return nil
}

// wake is the wake-up, or nothing while a failure is waited out.
func (f *Forwarder) wake(wait time.Duration) <-chan struct{} {
	if wait == recheck {
		return f.o.Wake
	}
	return nil
}

// step hands on all that is there.
func (f *Forwarder) step(ctx context.Context) error {
	if !f.started {
		if err := f.start(ctx); err != nil {
			return err
		}
		f.started = true
	}
	if f.position()+1 < f.o.Journal.First() {
		// What lay between is gone from the journal.
		f.o.Log.Warn().Str("to", f.o.Name).Uint64("seq", uint64(f.position())).Msg("the journal no longer has what was to be handed on; all that stands is told again")
		if err := f.again(ctx); err != nil {
			return err
		}
	}
	return f.follow(ctx)
}

func (f *Forwarder) position() correlate.Seq {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.health.Position
}

// start finds the position, or makes one.
func (f *Forwarder) start(ctx context.Context) error {
	seq, known, err := f.o.Journal.Mark(f.o.Name)
	switch {
	case err != nil:
		return err
	case !known || seq > f.o.Journal.Last():
		return f.again(ctx)
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	f.health.Position = seq
	return nil
}

// again hands on all that stands, and sets the mark to that moment.
func (f *Forwarder) again(ctx context.Context) error {
	var changes []Change
	var seq correlate.Seq
	f.o.Board.Read(func(st *correlate.State, net *correlate.Network) {
		seq = st.Seq
		for k, a := range st.Alarms {
			if a.Standing && a.Severity >= f.o.AtLeast {
				changes = append(changes, named(Change{Seq: a.LastSeq, At: a.Changed, Key: k, Severity: a.Severity, Text: a.Text, Again: true}, net))
			}
		}
	})
	for _, c := range changes {
		if err := f.send(ctx, c); err != nil {
			return err
		}
	}
	return f.mark(seq)
}

// keepMark is how many records may pass between two durable marks; what lies
// between is handed on again after a crash.
const keepMark = 256

// errSend ends a scan whose send failed.
type errSend struct{ error }

// follow hands on the records behind the mark.
func (f *Forwarder) follow(ctx context.Context) error {
	from := f.position() + 1
	if from > f.o.Journal.Last() {
		return nil
	}
	done, since := f.position(), 0
	err := f.o.Journal.Scan(ctx, from, func(r *correlate.Record) error {
		for _, c := range f.changes(r) {
			if err := f.send(ctx, c); err != nil {
				return errSend{err}
			}
			since++
		}
		done = r.Seq
		if since >= keepMark {
			since = 0
			return f.mark(done)
		}
		return nil
	})
	// What was accepted is kept even when a later send failed.
	return errors.Join(err, f.mark(done))
}

// mark keeps the position.
func (f *Forwarder) mark(seq correlate.Seq) error {
	if f.started && seq == f.position() {
		return nil
	}
	if err := f.o.Journal.SetMark(f.o.Name, seq); err != nil {
		return err
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	f.health.Position = seq
	return nil
}

// changes returns what a record says to another manager.
func (f *Forwarder) changes(r *correlate.Record) []Change {
	var out []Change
	for _, ev := range r.Events {
		c := Change{Seq: r.Seq, At: r.At, Key: ev.Subject()}
		switch ev := ev.(type) {
		case *correlate.Raised:
			c.Severity, c.Text = ev.Severity, ev.Text
		case *correlate.Changed:
			c.Severity, c.Text, c.Worse = ev.Severity, ev.Text, ev.Worse
		case *correlate.AlarmCleared:
			c.Severity, c.Text = correlate.Cleared, ev.Text
		case *correlate.Closed:
			c.Severity, c.Text = correlate.Cleared, "off the board: "+ev.Why
		default:
			continue
		}
		// A clear or change is handed on whatever the severity is now: it may
		// have been worse before.
		if _, rises := ev.(*correlate.Raised); rises && c.Severity < f.o.AtLeast {
			continue
		}
		out = append(out, c)
	}
	if len(out) > 0 {
		f.o.Board.Read(func(_ *correlate.State, net *correlate.Network) {
			for i := range out {
				out[i] = named(out[i], net)
			}
		})
	}
	return out
}

// named adds what the configuration says.
func named(c Change, net *correlate.Network) Change {
	if s := net.Site(c.Key.Site); s != nil {
		c.Site = s.Name
	}
	if p := net.Point(c.Key); p != nil {
		c.Point, c.Class, c.Cause = p.Name, p.Class, p.Cause
	}
	return c
}

func (f *Forwarder) send(ctx context.Context, c Change) error {
	attempt, cancel := context.WithTimeout(ctx, f.o.Attempt)
	defer cancel()
	if err := f.o.Sender.Send(attempt, c); err != nil {
		return err
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	f.health.Sent++
	f.health.Failures, f.health.Err, f.health.Since = 0, "", time.Time{}
	return nil
}

// failed notes a failure and returns how long to wait.
func (f *Forwarder) failed(err error) time.Duration {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.health.Failures == 0 {
		f.health.Since = f.o.Now()
		f.o.Log.Warn().Err(err).Str("to", f.o.Name).Msg("alarms cannot be handed on; they wait in the journal")
	}
	wait := min(f.o.FirstWait<<min(f.health.Failures, 16), f.o.LongestWait)
	f.health.Failures++
	f.health.Err = err.Error()
	return wait + time.Duration((rand.Float64()-0.5)/2*float64(wait))
}
