package audit

import (
	"context"
	"errors"
	"fmt"
	"hash/fnv"
	"maps"
	"slices"
	"sync"
	"time"

	"github.com/rs/zerolog"

	"example.net/standwatch/correlate"
	"example.net/standwatch/receiver/rules"
)

// Bounds of asking. Own choices, no source.
const (
	// DefaultParallel is how many agents are asked at once.
	DefaultParallel = 16
	// causeGap is the least time between two audits of an agent that the
	// program itself gives cause for; personGap when somebody asks.
	causeGap  = 30 * time.Second
	personGap = time.Second
	// settle is waited after a cause, so that the rest of what an agent has to
	// say after a restart is heard first.
	settle = 2 * time.Second
	// After a start agents are asked one after the other, startApart each, but
	// within startSpread.
	startApart  = 20 * time.Millisecond
	startSpread = 30 * time.Second
	// Failed audits are tried again after retryFirst, doubled up to the agent's
	// own schedule or retryMost.
	retryFirst = time.Minute
	retryMost  = time.Hour
	// lateMost is how often an audit that newer reports overtook is repeated at
	// once; a remote that never stops talking must not be asked for ever.
	lateMost = 3
)

// RunnerOptions are what a [Runner] works with.
type RunnerOptions struct {
	// Submit makes an audit durable and returns what it led to.
	Submit func(context.Context, *correlate.Audit) ([]correlate.Event, error)
	// Where returns an agent's place in the network in force; Site nil: it is
	// there no more.
	Where    func(correlate.AgentID) rules.Where
	Targets  []*Target
	Parallel int // 0: DefaultParallel
	Now      func() time.Time
	Log      zerolog.Logger
}

// Request asks for an audit of one agent.
type Request struct {
	Agent correlate.AgentID
	Why   string
	Actor string        // who asks, when a person does
	Only  correlate.Key // one point instead of all; the zero Key: all
}

// ErrNotAsked is returned for an agent that nothing is configured to be asked
// of.
var ErrNotAsked = errors.New("nothing is configured that this agent is asked")

// Runner asks agents when it is time or cause. Its methods are safe for
// concurrent use.
type Runner struct {
	opts  RunnerOptions
	asker *Asker
	wake  chan struct{} // of 1: the plan changed

	mu     sync.Mutex // guards the rest
	agents map[correlate.AgentID]*asked
	tally  Tally
	busy   int
}

// asked is the plan of one agent.
type asked struct {
	target  *Target
	due     time.Time // of the next on schedule; zero: none
	want    *Request  // what was asked for; nil: nothing
	wantAt  time.Time // not before
	running bool
	began   time.Time // of the last audit
	lates   int       // audits in a row that were overtaken
	fails   int       // audits in a row that were not answered
	sources map[correlate.Key]Source
	whole   time.Time                  // when the questions were sent that sources and absent answer
	absent  map[correlate.PointID]bool // points whose alarms a table lists, read to its end
}

// Tally counts what a runner has done since its start.
type Tally struct {
	Asked, Answered, Failed uint64
	Raised, Cleared         uint64        // alarms found standing, and over
	Dropped                 uint64        // datagrams that were no answers to the open question
	Waiting, Running        int           // agents to be asked now, and being asked
	Took                    time.Duration // all audits together
}

// NewRunner returns a runner that asks nobody yet.
func NewRunner(o RunnerOptions) (*Runner, error) {
	if o.Parallel <= 0 {
		o.Parallel = DefaultParallel
	}
	if o.Submit == nil || o.Where == nil || o.Now == nil {
		return nil, errors.New("an audit runner needs Submit, Where and Now")
	}
	r := &Runner{opts: o, asker: NewAsker(o.Now), wake: make(chan struct{}, 1), agents: map[correlate.AgentID]*asked{}}
	return r, r.Use(o.Targets, nil)
}

// Use puts other targets in force and asks those agents that changed lists. It
// returns what cannot work about the targets, and then changes nothing.
func (r *Runner) Use(targets []*Target, changed []correlate.AgentID) error {
	var faults []error
	for _, t := range targets {
		faults = append(faults, t.Check())
	}
	if err := errors.Join(faults...); err != nil {
		return err
	}
	now := r.opts.Now()
	next := make(map[correlate.AgentID]*asked, len(targets))
	r.mu.Lock()
	for _, t := range targets {
		a := r.agents[t.Agent]
		if a == nil {
			a = &asked{}
		}
		a.target, a.sources, a.whole = t, nil, time.Time{} // the questions are others now
		a.due = r.schedule(a, now)
		next[t.Agent] = a
	}
	r.agents = next
	r.mu.Unlock()
	for _, id := range changed {
		// Agents of changed sites that are asked nothing need no word.
		_ = r.Ask(Request{Agent: id, Why: WhyConfig})
	}
	r.poke()
	return nil
}

// schedule returns when an agent is next asked on schedule: at its own moment
// of each period, so that agents are spread and a restart does not move them.
func (r *Runner) schedule(a *asked, now time.Time) time.Time {
	every := a.target.Every
	if every <= 0 {
		return time.Time{}
	}
	h := fnv.New64a()
	_, _ = h.Write([]byte(a.target.Agent)) // a hash never fails
	offset := time.Duration(h.Sum64() % uint64(every))
	at := now.Truncate(every).Add(offset)
	for !at.After(now) {
		at = at.Add(every)
	}
	return at
}

func (r *Runner) poke() {
	select {
	case r.wake <- struct{}{}:
	default:
	}
}

// Ask asks for an audit and returns at once. What is asked for while one is
// waited for is merged with it: everything goes before a single point, a person
// before the program. It returns [ErrNotAsked] for an agent that is asked
// nothing.
func (r *Runner) Ask(q Request) error {
	now := r.opts.Now()
	r.mu.Lock()
	a := r.agents[q.Agent]
	if a == nil {
		r.mu.Unlock()
		return fmt.Errorf("agent %s: %w", q.Agent, ErrNotAsked)
	}
	at := r.notBefore(a, &q, now)
	if a.want == nil {
		a.want, a.wantAt = &q, at
	} else {
		a.want.merge(&q)
		if at.Before(a.wantAt) {
			a.wantAt = at
		}
	}
	r.mu.Unlock()
	r.poke()
	return nil
}

// notBefore returns when a request may be granted.
func (r *Runner) notBefore(a *asked, q *Request, now time.Time) time.Time {
	gap, wait := causeGap, settle
	switch {
	case q.Actor != "":
		gap, wait = personGap, 0
	case q.Why == WhyStart:
		h := fnv.New64a()
		_, _ = h.Write([]byte(q.Agent)) // a hash never fails
		spread := min(startSpread, time.Duration(1+len(r.agents))*startApart)
		wait = settle + time.Duration(h.Sum64()%uint64(spread))
	case q.Why == WhyLate:
		gap = 0
		if a.lates >= lateMost {
			gap = causeGap
		}
	}
	at := now.Add(wait)
	if free := a.began.Add(gap); !a.began.IsZero() && free.After(at) {
		return free
	}
	return at
}

func (q *Request) merge(o *Request) {
	if q.Only != o.Only {
		q.Only = correlate.Key{}
	}
	if o.Actor != "" && q.Actor == "" {
		q.Why, q.Actor = o.Why, o.Actor
	}
}

// Status says how an agent stands in the plan.
type Status struct {
	Questions []string  // what it is asked; none: nothing
	Running   bool      // it is being asked
	Waiting   bool      // it will be asked as soon as may be
	Next      time.Time // when on schedule; zero: never
}

// Status returns how an agent stands in the plan.
func (r *Runner) Status(id correlate.AgentID) Status {
	r.mu.Lock()
	defer r.mu.Unlock()
	a := r.agents[id]
	if a == nil {
		return Status{}
	}
	out := Status{Running: a.running, Waiting: a.want != nil, Next: a.due}
	for _, q := range a.target.Questions {
		out.Questions = append(out.Questions, q.Name())
	}
	return out
}

// Covers reports whether the last answer of an agent told the state of a point,
// and when it was asked. It is false when the agent has failed to answer since.
func (r *Runner) Covers(id correlate.AgentID, k correlate.Key) (at time.Time, ok bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	a := r.agents[id]
	if a == nil || a.fails > 0 || a.whole.IsZero() {
		return time.Time{}, false
	}
	_, read := a.sources[k]
	return a.whole, read || a.absent[k.Point]
}

// Tally returns what was done so far.
func (r *Runner) Tally() Tally {
	r.mu.Lock()
	defer r.mu.Unlock()
	t := r.tally
	t.Dropped, t.Running = r.asker.Dropped(), r.busy
	for _, a := range r.agents {
		if a.want != nil && !a.running {
			t.Waiting++
		}
	}
	return t
}

// longestSleep bounds how long the runner sleeps: timers do not follow steps of
// the wall clock.
const longestSleep = 5 * time.Second

// Run asks until ctx ends and every audit under way has.
func (r *Runner) Run(ctx context.Context) error {
	var under sync.WaitGroup
	defer under.Wait()
	timer := time.NewTimer(0)
	defer timer.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-r.wake:
		case <-timer.C:
		}
		for _, job := range r.begin() {
			under.Go(func() { r.run(ctx, job) })
		}
		timer.Reset(r.sleep())
	}
}

// job is one audit to be done.
type job struct {
	plan   *asked
	target *Target
	req    Request
	from   Source
}

// begin takes what is due, as far as there is room, the longest due first.
func (r *Runner) begin() []job {
	now := r.opts.Now()
	r.mu.Lock()
	defer r.mu.Unlock()
	var ready []*asked
	for _, id := range slices.Sorted(maps.Keys(r.agents)) {
		if a := r.agents[id]; !a.running && a.ready(now) {
			ready = append(ready, a)
		}
	}
	slices.SortStableFunc(ready, func(a, b *asked) int { return a.at().Compare(b.at()) })
	var jobs []job
	for _, a := range ready {
		if r.busy >= r.opts.Parallel {
			break
		}
		r.busy++
		jobs = append(jobs, r.take(a, now))
	}
	return jobs
}

func (a *asked) ready(now time.Time) bool {
	return a.want != nil && !a.wantAt.After(now) || !a.due.IsZero() && !a.due.After(now)
}

// at is when the agent is next to be asked; a far time if never.
func (a *asked) at() time.Time {
	switch {
	case a.want == nil && a.due.IsZero():
		return time.Unix(1<<40, 0)
	case a.want == nil || !a.due.IsZero() && a.due.Before(a.wantAt):
		return a.due
	}
	return a.wantAt
}

func (r *Runner) take(a *asked, now time.Time) job {
	j := job{plan: a, target: a.target, req: Request{Agent: a.target.Agent, Why: WhySchedule}}
	if a.want != nil && !a.wantAt.After(now) {
		j.req, a.want = *a.want, nil
		if !a.due.IsZero() && !a.due.After(now) {
			j.req.Only = correlate.Key{} // all of it is due anyway
		}
	}
	if j.req.Only.IsZero() {
		a.due = r.schedule(a, now)
	} else {
		j.from = a.sources[j.req.Only]
	}
	a.running, a.began = true, now
	return j
}

// sleep returns how long nothing is due.
func (r *Runner) sleep() time.Duration {
	now := r.opts.Now()
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.busy >= r.opts.Parallel {
		return longestSleep // the end of one pokes
	}
	next := now.Add(longestSleep)
	for _, a := range r.agents {
		if at := a.at(); !a.running && at.Before(next) {
			next = at
		}
	}
	return max(next.Sub(now), time.Millisecond)
}

// run does one audit and hands in the result.
func (r *Runner) run(ctx context.Context, j job) {
	var res *Result
	var out *correlate.Audited
	where := r.opts.Where(j.req.Agent)
	if where.Site != nil {
		res = r.asker.Ask(ctx, j.target, where, j.req.Only, j.from)
		if ctx.Err() == nil {
			res.Audit.Why, res.Audit.Actor = j.req.Why, j.req.Actor
			out = r.submit(ctx, res.Audit)
		}
	}
	r.done(j, res, out)
	r.poke()
}

func (r *Runner) submit(ctx context.Context, in *correlate.Audit) *correlate.Audited {
	events, err := r.opts.Submit(ctx, in)
	if err != nil {
		r.opts.Log.Error().Err(err).Str("agent", string(in.Agent)).Msg("an audit could not be journaled")
		return nil
	}
	for _, ev := range events {
		if a, ok := ev.(*correlate.Audited); ok {
			return a
		}
	}
	return nil
}

// done enters the result into the plan.
func (r *Runner) done(j job, res *Result, out *correlate.Audited) {
	now := r.opts.Now()
	r.mu.Lock()
	defer r.mu.Unlock()
	a := j.plan
	r.busy--
	a.running = false
	if res == nil || out == nil {
		return // the program ends, or the journal cannot be written
	}
	r.tally.Asked++
	r.tally.Took += res.Audit.Took
	r.tally.Raised += uint64(out.Raised)
	r.tally.Cleared += uint64(out.Cleared)
	if out.Failure != "" {
		r.tally.Failed++
		a.fails++
		a.again(now, WhyFailed, retryAfter(a.fails, a.target.Every))
		return
	}
	r.tally.Answered++
	a.fails = 0
	if j.req.Only.IsZero() && a.target == j.target {
		a.sources, a.whole, a.absent = res.Sources, res.Audit.Asked, map[correlate.PointID]bool{}
		for _, gone := range res.Audit.Absent {
			a.absent[gone.Point] = true
		}
	}
	a.lates++
	if out.Late == 0 {
		a.lates = 0
	}
	if res.Again {
		a.again(now, WhyRestart, causeGap)
	}
}

// again asks for another audit unless one is asked for already.
func (a *asked) again(now time.Time, why string, after time.Duration) {
	if a.want != nil || !a.due.IsZero() && a.due.Before(now.Add(after)) {
		return
	}
	a.want, a.wantAt = &Request{Agent: a.target.Agent, Why: why}, now.Add(after)
}

// retryAfter returns how long after the n-th failure in a row an agent is asked
// again.
func retryAfter(n int, every time.Duration) time.Duration {
	most := retryMost
	if every > 0 {
		most = min(every, most)
	}
	after := retryFirst
	for range n - 1 {
		if after >= most {
			break
		}
		after *= 2
	}
	return min(after, most)
}
