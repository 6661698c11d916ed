package notify_test

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/notify"

	"github.com/rs/zerolog"
)

// fromThen lets the crew's roster begin before the time at which a synctest
// bubble begins, 2000-01-01.
func fromThen(b *notify.Book) { b.Rosters[0].Turns[0].Start = "1999-12-27" }

// outbox keeps an engine and a plan behind a lock, as the ledger does.
type outbox struct {
	mu   sync.Mutex // guards w and what is below wake
	w    *world
	wake chan struct{}

	broken int      // reports that fail from now on
	seen   []string // what was reported

	lags  bool // what is shown is one report behind
	shown []correlate.Message
}

func newOutbox(w *world) *outbox { return &outbox{w: w, wake: make(chan struct{}, 1)} }

func (o *outbox) Waiting() []correlate.Message {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.lags && o.shown != nil {
		out := o.shown
		o.shown = nil
		return out
	}
	return o.waiting()
}

func (o *outbox) waiting() []correlate.Message {
	var out []correlate.Message
	for _, m := range o.w.engine.State().Waiting() {
		out = append(out, *m.Clone())
	}
	return out
}

func (o *outbox) Wake() <-chan struct{} { return o.wake }

func (o *outbox) Report(_ context.Context, d *correlate.Delivery) error {
	o.mu.Lock()
	defer o.mu.Unlock()
	if d.Outcome == correlate.Handing {
		o.submit(d)
		return nil
	}
	if o.broken > 0 {
		o.broken--
		return errors.New("disk full")
	}
	o.shown = o.waiting()
	o.submit(d)
	o.seen = append(o.seen, fmt.Sprintf("%s %s %s", d.Message, d.Outcome, d.Answer))
	return nil
}

func (o *outbox) submit(in correlate.Input) {
	o.w.at = time.Now()
	o.w.apply(in)
	select {
	case o.wake <- struct{}{}:
	default:
	}
}

func (o *outbox) locked(fn func()) {
	o.mu.Lock()
	defer o.mu.Unlock()
	fn()
}

// script is a gateway that answers as it is told to.
type script struct {
	mu      sync.Mutex // guards what follows
	answers []notify.Result
	sent    []string
	busy    int
	most    int
	takes   time.Duration
}

func (s *script) Send(ctx context.Context, m correlate.Message) notify.Result {
	s.mu.Lock()
	s.busy++
	s.most = max(s.most, s.busy)
	s.sent = append(s.sent, string(m.ID))
	answer := notify.Result{Outcome: correlate.Accepted, Answer: "250 ok"}
	if len(s.answers) > 0 {
		answer, s.answers = s.answers[0], s.answers[1:]
	}
	takes := s.takes
	s.mu.Unlock()
	defer func() { s.mu.Lock(); s.busy--; s.mu.Unlock() }()
	select {
	case <-ctx.Done():
		return notify.Result{Outcome: correlate.Temporary, Answer: "no answer in time"}
	case <-time.After(takes):
		return answer
	}
}

func run(t *testing.T, o *outbox, channels map[string]notify.Channel, scene func(r *notify.Runner)) {
	t.Helper()
	r, err := notify.New(notify.RunnerOptions{Outbox: o, Channels: channels, PerGateway: 2, Now: time.Now, Log: zerolog.Nop()})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- r.Run(ctx) }()
	scene(r)
	cancel()
	if err := <-done; err != nil {
		t.Errorf("run: %v", err)
	}
}

// TestRunnerRetries: a gateway that is busy twice, wishing for a minute the
// second time, gets the same message under the same ID until it takes it.
func TestRunnerRetries(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o := newOutbox(newWorld(t, fromThen))
		o.locked(func() { o.submit(raised("mains")) })
		sms := &script{answers: []notify.Result{{Outcome: correlate.Temporary, Answer: "busy"}, {Outcome: correlate.Temporary, Answer: "429", RetryAfter: time.Minute}}}
		began := time.Now()
		run(t, o, map[string]notify.Channel{"sms": sms, "mail": &script{}}, func(r *notify.Runner) {
			time.Sleep(10 * time.Second)
			synctest.Wait()
			h := r.Health()
			if h[1].Gateway != "sms" || h[1].Failures != 2 || h[1].LastAnswer != "429" || h[1].Waiting != 1 {
				t.Errorf("health: got %+v", h[1])
			}
			time.Sleep(2 * time.Minute)
			synctest.Wait()
			if h := r.Health()[1]; h.Failures != 0 || h.LastSuccess.Sub(began) < time.Minute || h.Waiting != 0 || h.Accepted != 1 || h.Temporary != 2 {
				t.Errorf("health after success: got %+v", h)
			}
		})
		if want := []string{"m1-0 temporary busy", "m1-0 temporary 429", "m1-0 accepted 250 ok"}; !slices.Equal(o.seen, want) {
			t.Errorf("got %q, want %q", o.seen, want)
		}
	})
}

// TestRunnerMovesOn: a hanging gateway loses the message to the next channel
// within the rung's wait, and a gateway that is not configured at once.
func TestRunnerMovesOn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o := newOutbox(newWorld(t, fromThen))
		began := time.Now()
		o.locked(func() { o.submit(raised("mains")) })
		mail := &script{}
		run(t, o, map[string]notify.Channel{"sms": &script{takes: time.Hour}, "mail": mail}, func(*notify.Runner) {
			time.Sleep(10 * time.Minute)
			synctest.Wait()
		})
		if !slices.Equal(mail.sent, []string{"m1-0.2"}) {
			t.Errorf("mail got %q", mail.sent)
		}
		m := o.w.engine.State().Messages["m1-0.2"]
		if took := m.Attempts[0].At.Sub(began); took > 5*time.Minute+5*time.Second {
			t.Errorf("fell back after %s, want within half of the rung's ten minutes", took)
		}

		o = newOutbox(newWorld(t, fromThen))
		o.locked(func() { o.submit(raised("mains")) })
		run(t, o, map[string]notify.Channel{"mail": mail}, func(*notify.Runner) { time.Sleep(time.Second); synctest.Wait() })
		if want := []string{"m1-0 permanent no gateway sms is configured", "m1-0.2 accepted 250 ok"}; !slices.Equal(o.seen, want) {
			t.Errorf("got %q, want %q", o.seen, want)
		}
	})
}

// TestRunnerReportsUntilDurable: a message that was taken is not sent again
// because a commit failed.
func TestRunnerReportsUntilDurable(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o := newOutbox(newWorld(t, fromThen))
		o.locked(func() { o.submit(raised("mains")) })
		o.broken = 5
		sms := &script{}
		run(t, o, map[string]notify.Channel{"sms": sms}, func(*notify.Runner) { time.Sleep(time.Minute); synctest.Wait() })
		if len(sms.sent) != 1 || !slices.Equal(o.seen, []string{"m1-0 accepted 250 ok"}) {
			t.Errorf("sent %q, reported %q", sms.sent, o.seen)
		}
	})
}

// TestRunnerEnds: what is being sent when the runner has to end gets the grace
// and no more, and is sent again, under the same ID, by the next run.
func TestRunnerEnds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o := newOutbox(newWorld(t, fromThen))
		o.locked(func() { o.submit(raised("mains")) })
		sms := &script{takes: time.Hour}
		channels := map[string]notify.Channel{"sms": sms}
		began := time.Now()
		run(t, o, channels, func(*notify.Runner) { synctest.Wait() })
		if took := time.Since(began); took != notify.DefaultGrace {
			t.Errorf("ended after %s, want %s", took, notify.DefaultGrace)
		}
		sms.takes = 0
		run(t, o, channels, func(*notify.Runner) { time.Sleep(time.Minute); synctest.Wait() })
		if !slices.Equal(sms.sent, []string{"m1-0", "m1-0"}) {
			t.Errorf("got %q, want the same message twice", sms.sent)
		}
	})
}

// TestRunnerBound: never more than two at once at one gateway, the most severe
// first, and every one sent once.
func TestRunnerBound(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o := newOutbox(newWorld(t, func(b *notify.Book) {
			b.People[2].Quiet = nil
			b.Routes = []notify.Route{{Name: "all", Ladder: "calm"}}
		}))
		o.locked(func() {
			for _, p := range []correlate.PointID{"door", "quiet", "mains"} {
				o.submit(raised(p))
			}
		})
		mail := &script{takes: time.Second}
		run(t, o, map[string]notify.Channel{"mail": mail}, func(*notify.Runner) { time.Sleep(time.Minute); synctest.Wait() })
		if mail.most != 2 {
			t.Errorf("%d at once, want 2", mail.most)
		}
		first := slices.Clone(mail.sent)
		slices.Sort(first[:min(2, len(first))])
		if want := []string{"m2-0", "m3-0", "m1-0"}; !slices.Equal(first, want) {
			t.Errorf("got %q, want %q", mail.sent, want)
		}
	})
}

func raised(p correlate.PointID) correlate.Input {
	return &correlate.Notice{Source: "test", Observations: []correlate.Observation{{Key: key(p), What: correlate.Raise}}}
}

// TestRunnerUse: a reload that brings the missing gateway and takes another
// away.
func TestRunnerUse(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o := newOutbox(newWorld(t, fromThen))
		sms := &script{}
		run(t, o, map[string]notify.Channel{"mail": &script{}}, func(r *notify.Runner) {
			synctest.Wait()
			r.Use(map[string]notify.Channel{"sms": sms})
			o.locked(func() { o.submit(raised("mains")) })
			time.Sleep(time.Second)
			synctest.Wait()
			if h := r.Health(); len(h) != 1 || h[0].Gateway != "sms" || h[0].Accepted != 1 {
				t.Errorf("health: got %+v", h)
			}
		})
		if !slices.Equal(sms.sent, []string{"m1-0"}) {
			t.Errorf("got %q", sms.sent)
		}
	})
}

// TestRunnerLag: a look at the outbox that does not show yet what was reported
// must not send a message again.
func TestRunnerLag(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o := newOutbox(newWorld(t, fromThen))
		o.lags = true
		o.locked(func() { o.submit(raised("mains")) })
		sms := &script{}
		run(t, o, map[string]notify.Channel{"sms": sms}, func(*notify.Runner) { time.Sleep(time.Minute); synctest.Wait() })
		if !slices.Equal(sms.sent, []string{"m1-0"}) {
			t.Errorf("got %q, want one", sms.sent)
		}
	})
}

// TestRunnerGivesUpInTime: an attempt that may last long ends when its message
// is given up, so that the next channel gets its turn.
func TestRunnerGivesUpInTime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		o := newOutbox(newWorld(t, fromThen))
		began := time.Now()
		o.locked(func() { o.submit(raised("mains")) })
		channels := map[string]notify.Channel{"sms": &script{takes: time.Hour}, "mail": &script{}}
		r, err := notify.New(notify.RunnerOptions{Outbox: o, Channels: channels, Attempt: time.Hour, Now: time.Now, Log: zerolog.Nop()})
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithTimeout(t.Context(), 9*time.Minute)
		defer cancel()
		if err := r.Run(ctx); err != nil {
			t.Error(err)
		}
		m := o.w.engine.State().Messages["m1-0.2"]
		if m == nil || m.Queued.Sub(began) != 5*time.Minute || m.State != correlate.MessageAccepted {
			t.Errorf("got %+v, want it sent after five minutes", m)
		}
	})
}

// copies is a gateway that answers once in doubt and then well, and keeps what
// it was sent.
type copies struct {
	mu   sync.Mutex // guards sent
	sent []string
}

func (c *copies) Send(_ context.Context, m correlate.Message) notify.Result {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.sent = append(c.sent, m.Body)
	if len(c.sent) == 1 {
		return notify.Result{Outcome: correlate.Temporary, Answer: "no answer in time; it may have been taken", InDoubt: true}
	}
	return notify.Result{Outcome: correlate.Accepted}
}

// TestCopiesAreMarked: a second copy that must be is marked as one, whether the
// gateway broke off or the master ended in the midst of handing it over.
func TestCopiesAreMarked(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t, fromThen)
		w.at = time.Now()
		o := newOutbox(w)
		w.raise("mains")
		gateway := &copies{}
		run(t, o, map[string]notify.Channel{"sms": gateway}, func(*notify.Runner) { time.Sleep(time.Minute) })
		if n := len(gateway.sent); n != 2 || !strings.HasPrefix(gateway.sent[0], "CRITICAL") || gateway.sent[1] != "COPY "+gateway.sent[0] {
			t.Errorf("sent %q", gateway.sent)
		}
		if got := w.engine.State().Messages["m1-0"].Attempts; len(got) != 2 || !got[0].InDoubt || got[1].Outcome != correlate.Accepted {
			t.Errorf("attempts %+v", got)
		}
	})
	synctest.Test(t, func(t *testing.T) {
		w := newWorld(t, fromThen)
		w.at = time.Now()
		o := newOutbox(w)
		w.raise("mains")
		w.apply(&correlate.Delivery{Message: "m1-0", Outcome: correlate.Handing}) // and then the end
		gateway := &copies{sent: []string{"by the run before"}}
		run(t, o, map[string]notify.Channel{"sms": gateway}, func(*notify.Runner) { time.Sleep(time.Minute) })
		if n := len(gateway.sent); n != 2 || !strings.HasPrefix(gateway.sent[1], "COPY CRITICAL") {
			t.Errorf("sent %q", gateway.sent)
		}
	})
}
