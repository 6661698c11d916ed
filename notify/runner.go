package notify

import (
	"cmp"
	"context"
	"errors"
	"math/rand/v2"
	"slices"
	"sync"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/notify/text"

	"github.com/rs/zerolog"
)

// Defaults of a runner. The waits suit paging, where the next channel is a
// matter of minutes; the half hour that RFC 5321 section 4.5.4.1 suggests suits
// mail.
const (
	DefaultPerGateway  = 4
	DefaultAttempt     = 30 * time.Second
	DefaultFirstWait   = 5 * time.Second
	DefaultLongestWait = 2 * time.Minute
	DefaultGrace       = 5 * time.Second
)

// RunnerOptions are what a runner needs. A zero number means its default.
type RunnerOptions struct {
	Outbox      Outbox
	Channels    map[string]Channel // by the gateway's name; see [Runner.Use]
	PerGateway  int                // sends at once at one gateway that is not [Wide]
	Attempt     time.Duration      // longest one attempt may take
	FirstWait   time.Duration      // before the second attempt; doubles from there
	LongestWait time.Duration
	Grace       time.Duration              // for what is being sent when the runner is told to end
	Inbox       func(gateway string) Inbox // takes what comes back; nil: it is thrown away
	Now         func() time.Time
	Log         zerolog.Logger
}

// Runner sends what waits in the outbox. One Run at a time.
type Runner struct {
	o        RunnerOptions
	finished chan struct{} // buffered 1: a send has ended
	changed  chan struct{} // buffered 1: other channels are in force

	mu       sync.Mutex // guards what follows
	channels map[string]Channel
	gateways map[string]*gateway
	inFlight map[correlate.MessageID]bool
	reported map[correlate.MessageID]int // attempts known to be durable, while the outbox may not show them yet
}

// gateway is what the runner knows of one gateway.
type gateway struct {
	busy   int
	health GatewayHealth
	recent recent
	probed time.Time // when it was last looked at without need
}

// GatewayHealth says how a gateway fares.
type GatewayHealth struct {
	Gateway     string
	LastSuccess time.Time // zero: none since the runner began
	LastTry     time.Time
	Failures    int    // attempts without acceptance since the last success; a refusal of one message by a gateway that works is none
	LastAnswer  string // of the last attempt
	Accepted    uint64
	Temporary   uint64
	Permanent   uint64
	InFlight    int
	Recent      int       // of the last attempts, recentTries at most
	Failed      int       // how many of these failed
	ProbeFailed string    // why logging in failed when nothing was to be sent; empty when it did not
	Trouble     string    // why a [Line] cannot be used now; empty when it can
	Waiting     int       // messages that wait, those for later included
	Oldest      time.Time // when the oldest of those due was first to be sent; zero when none is due
}

// New returns a runner. It returns an error when a part is missing.
func New(o RunnerOptions) (*Runner, error) {
	if o.Outbox == nil || o.Now == nil {
		return nil, errors.New("a runner needs an outbox and a clock")
	}
	o.PerGateway = cmp.Or(o.PerGateway, DefaultPerGateway)
	o.Attempt = cmp.Or(o.Attempt, DefaultAttempt)
	o.FirstWait = cmp.Or(o.FirstWait, DefaultFirstWait)
	o.LongestWait = cmp.Or(o.LongestWait, DefaultLongestWait)
	o.Grace = cmp.Or(o.Grace, DefaultGrace)
	if o.PerGateway < 0 || o.Attempt < 0 || o.FirstWait < 0 || o.LongestWait < o.FirstWait || o.Grace < 0 {
		return nil, errors.New("the runner's numbers must not be negative, and the longest wait not shorter than the first")
	}
	r := &Runner{o: o, finished: make(chan struct{}, 1), changed: make(chan struct{}, 1), gateways: map[string]*gateway{},
		inFlight: map[correlate.MessageID]bool{}, reported: map[correlate.MessageID]int{}}
	r.Use(o.Channels)
	return r, nil
}

// Use puts other channels in force, from the next attempt on; channels must
// not be changed afterwards. What is known of a gateway that stays is kept. It
// may be called at any time.
func (r *Runner) Use(channels map[string]Channel) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.channels = channels
	for name, g := range r.gateways {
		if channels[name] == nil && g.busy == 0 {
			delete(r.gateways, name)
		}
	}
	for name := range channels {
		if r.gateways[name] == nil {
			r.gateways[name] = &gateway{health: GatewayHealth{Gateway: name}}
		}
	}
	select {
	case r.changed <- struct{}{}:
	default: // a wake-up is pending already
	}
}

func (r *Runner) channel(name string) Channel { return r.inForce()[name] }

// width is how many sends at once a gateway gets.
func (r *Runner) width(name string) int {
	if w, ok := r.channels[name].(Wide); ok {
		return w.Width()
	}
	return r.o.PerGateway
}

// Health returns how each gateway fares, in order of name. It may be called at
// any time.
func (r *Runner) Health() []GatewayHealth {
	r.mu.Lock()
	defer r.mu.Unlock()
	var out []GatewayHealth
	for _, g := range r.gateways {
		h := g.health
		h.InFlight, h.Recent, h.Failed = g.busy, len(g.recent), g.recent.failed()
		if line, ok := r.channels[h.Gateway].(Line); ok {
			h.Trouble = line.Trouble()
		}
		out = append(out, h)
	}
	slices.SortFunc(out, func(a, b GatewayHealth) int { return cmp.Compare(a.Gateway, b.Gateway) })
	return out
}

// shortestAttempt is what an attempt gets that begins just before its message
// is given up.
const shortestAttempt = 5 * time.Second

// settle is how long the runner leaves the outbox alone after each look: in a
// storm of commits one look does for many.
const settle = 10 * time.Millisecond

// pause waits, or until ctx ends.
func pause(ctx context.Context, d time.Duration) {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-ctx.Done():
	case <-timer.C:
	}
}

// recheck bounds how long the runner trusts a timer: timers do not follow a
// step of the wall clock.
const recheck = 15 * time.Second

// Run runs the lines and sends until ctx ends, then waits for what is being
// sent, for the grace at most, ends the lines and returns nil. What was not reported by then is still waiting in
// the outbox and is sent again by the next run, under the same ID.
func (r *Runner) Run(ctx context.Context) error {
	sending, stop := context.WithCancel(context.WithoutCancel(ctx))
	defer stop()
	var sends sync.WaitGroup
	up, hangUp := context.WithCancel(context.WithoutCancel(ctx))
	defer hangUp()
	held := lines{running: map[string]running{}}
	for ctx.Err() == nil {
		held.tend(up, r.inForce(), r.o.Inbox)
		wait := r.dispatch(func(m correlate.Message) {
			sends.Go(func() { r.attempt(sending, m) })
		})
		r.probe(func(name string, p Prober) {
			sends.Go(func() { r.probed(sending, name, p) })
		})
		timer := time.NewTimer(wait)
		select {
		case <-ctx.Done():
		case <-r.o.Outbox.Wake():
		case <-r.finished:
		case <-r.changed:
		case <-timer.C:
		}
		timer.Stop()
		pause(ctx, settle)
	}
	grace := time.AfterFunc(r.o.Grace, stop)
	defer grace.Stop()
	sends.Wait()
	held.end()
	return nil
}

// inForce returns the channels, which nobody changes.
func (r *Runner) inForce() map[string]Channel {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.channels
}

// dispatch starts every send that may be started now, the most severe first,
// and returns how long nothing else is to do.
func (r *Runner) dispatch(start func(correlate.Message)) time.Duration {
	waiting := r.o.Outbox.Waiting()
	now := r.o.Now()
	// The outbox's order, first queued first, holds among equals.
	slices.SortStableFunc(waiting, func(a, b correlate.Message) int { return cmp.Compare(b.Severity, a.Severity) })
	r.mu.Lock()
	defer r.mu.Unlock()
	r.forget(waiting)
	r.count(waiting, now)
	next := recheck
	for _, m := range waiting {
		if r.inFlight[m.ID] || tries(&m) < r.reported[m.ID] {
			continue
		}
		if wait := m.NotBefore.Sub(now); wait > 0 {
			next = min(next, wait)
			continue
		}
		g := r.gateways[m.Channel]
		if g == nil {
			g = &gateway{health: GatewayHealth{Gateway: m.Channel}}
			r.gateways[m.Channel] = g
		}
		if g.busy >= r.width(m.Channel) {
			continue // finished wakes us
		}
		g.busy++
		r.inFlight[m.ID] = true
		start(m)
	}
	return next
}

// forget drops what is remembered of messages that no longer wait.
func (r *Runner) forget(waiting []correlate.Message) {
	if len(r.reported) == 0 {
		return
	}
	still := make(map[correlate.MessageID]int, len(r.reported))
	for _, m := range waiting {
		if n, ok := r.reported[m.ID]; ok && tries(&m) < n {
			still[m.ID] = n
		}
	}
	r.reported = still
}

// count brings the queue figures of the gateways up to date.
func (r *Runner) count(waiting []correlate.Message, now time.Time) {
	for _, g := range r.gateways {
		g.health.Waiting, g.health.Oldest = 0, time.Time{}
	}
	for _, m := range waiting {
		g := r.gateways[m.Channel]
		if g == nil {
			continue
		}
		g.health.Waiting++
		first := m.Queued
		if len(m.Attempts) == 0 {
			first = m.NotBefore
		}
		if !m.NotBefore.After(now) && (g.health.Oldest.IsZero() || first.Before(g.health.Oldest)) {
			g.health.Oldest = first
		}
	}
}

// attempt makes one attempt at a message and reports it.
func (r *Runner) attempt(ctx context.Context, m correlate.Message) {
	result, tried := r.send(ctx, m)
	if tried {
		r.note(m.Channel, result)
	}
	d := &correlate.Delivery{Message: m.ID, Outcome: result.Outcome, Answer: result.Answer, GatewayID: result.GatewayID, InDoubt: result.InDoubt && result.Outcome == correlate.Temporary}
	if result.Outcome == correlate.Temporary {
		d.NotBefore = r.o.Now().Add(r.wait(m, result))
	}
	durable := r.report(ctx, d)
	r.mu.Lock()
	delete(r.inFlight, m.ID)
	r.gateways[m.Channel].busy--
	if durable {
		r.reported[m.ID] = tries(&m) + 1
	}
	r.mu.Unlock()
	select {
	case r.finished <- struct{}{}:
	default: // a wake-up is pending already
	}
}

// send makes the attempt; tried is false when there was nothing to try.
func (r *Runner) send(ctx context.Context, m correlate.Message) (result Result, tried bool) {
	ch := r.channel(m.Channel)
	if ch == nil {
		return Result{Outcome: correlate.Permanent, Answer: "no gateway " + m.Channel + " is configured"}, false
	}
	longest := r.o.Attempt
	if !m.GiveUp.IsZero() {
		left := m.GiveUp.Sub(r.o.Now())
		if left < 0 {
			return Result{Outcome: correlate.Permanent, Answer: "not accepted within its time"}, false
		}
		// A gateway that hangs must not keep the message from the next channel.
		longest = min(longest, max(left, shortestAttempt))
	}
	r.begin(ctx, m)
	attempt, cancel := context.WithTimeout(ctx, longest)
	defer cancel()
	result = ch.Send(attempt, marked(m))
	if attempt.Err() != nil {
		result.InDoubt = true
	}
	if result.Outcome != correlate.Accepted && result.Outcome != correlate.Permanent {
		result.Outcome = correlate.Temporary
	}
	r.o.Log.Info().Str("message", string(m.ID)).Str("gateway", m.Channel).Str("alarm", m.Key.String()).
		Stringer("outcome", result.Outcome).Str("answer", result.Answer).Msg("message tried")
	return result, true
}

// beginPatience is how long an attempt waits for the journal to know of it.
const beginPatience = 2 * time.Second

// begin journals that an attempt begins, so that one that the end of the master
// cuts short is known to be in doubt. When the journal cannot be written the
// message goes out all the same: people must be told then too.
func (r *Runner) begin(ctx context.Context, m correlate.Message) {
	ctx, cancel := context.WithTimeout(ctx, beginPatience)
	defer cancel()
	if err := r.o.Outbox.Report(ctx, &correlate.Delivery{Message: m.ID, Outcome: correlate.Handing}); err != nil {
		r.o.Log.Warn().Err(err).Str("message", string(m.ID)).Msg("the beginning of an attempt is not recorded")
	}
}

// tries counts the attempts at a message that came to something.
func tries(m *correlate.Message) int {
	n := len(m.Attempts)
	if n > 0 && m.Attempts[n-1].Outcome == correlate.Handing {
		n--
	}
	return n
}

// marked marks a message as a copy if an earlier attempt at it may have
// succeeded all the same: at the start of the subject, or of a short text.
func marked(m correlate.Message) correlate.Message {
	doubt := func(a correlate.Attempt) bool { return a.InDoubt || a.Outcome == correlate.Handing }
	switch {
	case !slices.ContainsFunc(m.Attempts, doubt):
	case m.Subject != "":
		m.Subject = text.Copy(m.Subject)
	default:
		m.Body = text.Copy(m.Body)
	}
	return m
}

func (r *Runner) note(name string, result Result) {
	r.mu.Lock()
	defer r.mu.Unlock()
	h := &r.gateways[name].health
	h.LastTry, h.LastAnswer = r.o.Now(), result.Answer
	r.gateways[name].recent = r.gateways[name].recent.with(result.Outcome == correlate.Temporary)
	switch result.Outcome {
	case correlate.Accepted:
		h.LastSuccess, h.Failures, h.ProbeFailed = h.LastTry, 0, ""
		h.Accepted++
	case correlate.Permanent:
		h.Failures++
		h.Permanent++
	default:
		h.Failures++
		h.Temporary++
	}
}

// wait is how long to leave a message after a temporary failure: doubling from
// one attempt to the next, spread by a quarter either way so that what failed
// together is not tried together, and no shorter than the gateway wishes.
func (r *Runner) wait(m correlate.Message, result Result) time.Duration {
	wait := r.o.FirstWait
	for range m.Attempts {
		if wait *= 2; wait >= r.o.LongestWait {
			wait = r.o.LongestWait
			break
		}
	}
	wait += time.Duration((rand.Float64() - 0.5) / 2 * float64(wait))
	return max(wait, result.RetryAfter)
}

// report hands a delivery in until it is durable or the runner has to end. A
// message that a gateway took must not be sent again because a commit failed.
func (r *Runner) report(ctx context.Context, d *correlate.Delivery) bool {
	for wait := 100 * time.Millisecond; ; wait = min(2*wait, 5*time.Second) {
		err := r.o.Outbox.Report(ctx, d)
		if err == nil {
			return true
		}
		r.o.Log.Error().Err(err).Str("message", string(d.Message)).Msg("delivery not recorded")
		if pause(ctx, wait); ctx.Err() != nil {
			return false
		}
	}
}
