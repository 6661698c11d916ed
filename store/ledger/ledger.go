package ledger

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"github.com/rs/zerolog"

	"example.net/standwatch/correlate"
	"example.net/standwatch/store"
)

// ErrClosed is returned for inputs that come when the ledger has ended.
var ErrClosed = errors.New("the ledger has ended")

// Defaults of [Options].
const (
	DefaultMaxBatch = 4096
	DefaultQueueLen = 40_000 // 200 ms at 200,000 inputs a second
)

// Climber decides what call-outs do.
type Climber interface {
	// Climb decides, inside the commit, what call-outs do about the record's
	// input and events and about the call-outs that are due. It is pure; st
	// already contains the record's own events and must not be kept. The ledger
	// folds the events it returns.
	Climb(r *correlate.Record, st *correlate.State, due []correlate.CallOutID) []correlate.Event
}

// Options say what a ledger works with.
type Options struct {
	Store   *store.Store
	Network *correlate.Network
	Climber Climber          // nil: nobody is called out
	Now     func() time.Time // wall clock; nil means time.Now
	Log     zerolog.Logger
	// MaxBatch is the most inputs in one commit, QueueLen the most that wait
	// before Offer refuses. 0 means DefaultMaxBatch and DefaultQueueLen.
	MaxBatch int
	QueueLen int
	// A checkpoint is saved when CheckpointRecords records (0: 250,000) or
	// CheckpointEvery (0: ten minutes) have passed since the last.
	CheckpointRecords int
	CheckpointEvery   time.Duration
}

func (o *Options) fill() {
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.MaxBatch <= 0 {
		o.MaxBatch = DefaultMaxBatch
	}
	if o.QueueLen <= 0 {
		o.QueueLen = DefaultQueueLen
	}
	if o.CheckpointRecords <= 0 {
		o.CheckpointRecords = 250_000
	}
	if o.CheckpointEvery <= 0 {
		o.CheckpointEvery = 10 * time.Minute
	}
}

// Receipt says that an input is durable and what was decided about it.
type Receipt struct {
	Seq    correlate.Seq
	At     time.Time
	Events []correlate.Event // shared with all who hear of the record; read only
}

// Health is how the ledger does.
type Health struct {
	LastCommit time.Time     // wall clock of the last good commit; zero before the first
	Took       time.Duration // what it took
	Failures   int           // commits that failed since then
	Err        string        // why the last one failed; empty when it did not
	Queue      int           // inputs that wait
	QueueLen   int           // how many may
	Seq        correlate.Seq // newest durable record
	Due        time.Time     // when something may next be decided if nothing comes in; zero when nothing waits
}

// Ledger is the one writer.
type Ledger struct {
	opts  Options
	queue queue

	// Run's own.
	engine  *correlate.Engine
	climber Climber
	next    correlate.Seq // number of the next record
	behind  bool          // the engine must start again from the published state
	saver   saver

	mu      sync.RWMutex // guards st, net
	st      *correlate.State
	net     *correlate.Network
	current Climber // the climber that belongs to net; Run's own

	healthMu sync.Mutex // guards health
	health   Health

	followMu  sync.Mutex // guards followers
	followers map[chan struct{}]struct{}
}

// New loads the state of the store's journal. It returns the error that kept
// the journal from being read.
func New(opts Options) (*Ledger, error) {
	opts.fill()
	// Loading cannot be waited for by anything that might end it.
	st, err := opts.Store.State(context.Background())
	if err != nil {
		return nil, fmt.Errorf("load state: %w", err)
	}
	l := &Ledger{
		opts: opts, st: st, net: opts.Network, current: opts.Climber,
		followers: map[chan struct{}]struct{}{},
	}
	l.saver = saver{l: l, seq: opts.Store.Checkpointed(), at: opts.Now()}
	l.queue.init(opts.QueueLen)
	l.startAgain()
	return l, nil
}

// startAgain makes the engine go on from the published state.
func (l *Ledger) startAgain() {
	l.engine = correlate.NewEngine(l.net, l.st.Clone())
	l.climber = l.current
	l.next = l.st.Seq + 1
	l.behind = false
	l.noteDue()
}

// Submit hands in an input and waits until it is durable. It returns the error
// that kept it from being so, [ErrClosed], or ctx's error; after the latter the
// input may yet be decided.
func (l *Ledger) Submit(ctx context.Context, in correlate.Input) (Receipt, error) {
	return l.submit(ctx, item{in: in})
}

// Reconfigure puts another network and climber in force, in one durable step
// with the record that says so. They stay as they were when it fails.
func (l *Ledger) Reconfigure(ctx context.Context, net *correlate.Network, climber Climber, in *correlate.Reconfigure) (Receipt, error) {
	return l.submit(ctx, item{in: in, swap: &swap{net, climber}})
}

type answer struct {
	receipt Receipt
	err     error
}

func (l *Ledger) submit(ctx context.Context, it item) (Receipt, error) {
	answered := make(chan answer, 1)
	it.done = func(r Receipt, err error) { answered <- answer{r, err} }
	if !l.queue.push(it) {
		return Receipt{}, ErrClosed
	}
	select {
	case a := <-answered:
		return a.receipt, a.err
	case <-ctx.Done():
		return Receipt{}, ctx.Err()
	}
}

// Offer hands in an input without ever waiting. It returns false when the queue
// is full or the ledger has ended, and done is then not called. Otherwise done
// is called once, after the commit or its failure, on the ledger's goroutine: it
// must be quick and must not call Submit or Reconfigure.
func (l *Ledger) Offer(in correlate.Input, done func(Receipt, error)) bool {
	return l.queue.offer(item{in: in, done: done})
}

// Read lends the committed state and the network that belongs to it. Neither
// may be kept or changed, and fn must be quick: commits wait for it.
func (l *Ledger) Read(fn func(st *correlate.State, net *correlate.Network)) {
	l.mu.RLock()
	defer l.mu.RUnlock()
	fn(l.st, l.net)
}

// Follow returns a channel that holds a wake-up after one or more commits.
// Whoever follows keeps a cursor into the journal; wake-ups carry nothing. The
// channel is never closed; cancel ends the wake-ups.
func (l *Ledger) Follow() (wake <-chan struct{}, cancel func()) {
	c := make(chan struct{}, 1)
	l.followMu.Lock()
	defer l.followMu.Unlock()
	l.followers[c] = struct{}{}
	return c, func() {
		l.followMu.Lock()
		defer l.followMu.Unlock()
		delete(l.followers, c)
	}
}

func (l *Ledger) wakeFollowers() {
	l.followMu.Lock()
	defer l.followMu.Unlock()
	for c := range l.followers {
		select {
		case c <- struct{}{}:
		default:
		}
	}
}

// Health returns how the ledger does.
func (l *Ledger) Health() Health {
	l.healthMu.Lock()
	h := l.health
	l.healthMu.Unlock()
	h.Queue, h.QueueLen = l.queue.len(), l.opts.QueueLen
	l.Read(func(st *correlate.State, _ *correlate.Network) { h.Seq = st.Seq })
	return h
}

func (l *Ledger) failed(err error) {
	l.healthMu.Lock()
	l.health.Failures++
	l.health.Err = err.Error()
	n := l.health.Failures
	l.healthMu.Unlock()
	if n == 1 {
		l.opts.Log.Error().Err(err).Msg("commit failed; nothing is acknowledged until commits work again")
	}
}

func (l *Ledger) failing() bool {
	l.healthMu.Lock()
	defer l.healthMu.Unlock()
	return l.health.Failures > 0
}

func (l *Ledger) committed(at time.Time, took time.Duration) {
	l.healthMu.Lock()
	n := l.health.Failures
	l.health.LastCommit, l.health.Took, l.health.Failures, l.health.Err = at, took, 0, ""
	l.healthMu.Unlock()
	if n > 0 {
		l.opts.Log.Info().Int("failures", n).Msg("commits work again")
	}
}

// batch is what one commit makes durable.
type batch struct {
	records []*correlate.Record
	items   []item
	of      []*correlate.Record // what each item came to; nil for a tick that decided nothing
	network *correlate.Network  // in force after it
	climber Climber
}

// decide applies everything that is due and then the items, in order.
func (l *Ledger) decide(items []item) *batch {
	if l.behind {
		l.startAgain()
	}
	b := &batch{items: items, of: make([]*correlate.Record, len(items))}
	if at, waiting := l.engine.NextDue(); waiting && !at.After(l.opts.Now()) {
		l.apply(b, &correlate.Tick{})
	}
	for i, it := range items {
		if it.swap != nil {
			l.engine.Use(it.swap.net)
			l.climber = it.swap.climber
		}
		b.of[i] = l.apply(b, it.in)
	}
	b.network, b.climber = l.engine.Network(), l.climber
	l.noteDue()
	return b
}

// noteDue lets others know when something may next be decided.
func (l *Ledger) noteDue() {
	due, _ := l.engine.NextDue()
	l.healthMu.Lock()
	l.health.Due = due
	l.healthMu.Unlock()
}

// apply decides one input. It returns nil for a tick that decided nothing,
// which leaves no record.
func (l *Ledger) apply(b *batch, in correlate.Input) *correlate.Record {
	r := &correlate.Record{Seq: l.next, At: l.opts.Now().UTC(), Input: in}
	if !Decide(l.engine, l.climber, r) {
		return nil
	}
	b.records = append(b.records, r)
	l.next++
	return r
}

// Decide lets the engine and then the climber, which may be nil, decide about a
// record whose Seq, At and Input are set; the engine's state then contains what
// both decided. It returns false for a tick that decided nothing, which leaves
// no record. It is pure, so that a rehearsal decides as the ledger does.
func Decide(e *correlate.Engine, c Climber, r *correlate.Record) bool {
	e.Apply(r)
	due := e.DueCallOuts()
	if _, tick := r.Input.(*correlate.Tick); tick && len(r.Events) == 0 && len(due) == 0 {
		return false
	}
	if c != nil {
		e.Extend(r, c.Climb(r, e.State(), due))
	}
	return true
}

// commit makes the batch durable and publishes it, or fails it whole.
func (l *Ledger) commit(b *batch) error {
	began := time.Now() // of a duration, so the monotonic clock
	if err := l.makeDurable(b); err != nil {
		l.behind = true
		if errors.Is(err, store.ErrRecord) && len(b.items) > 1 {
			return l.commitSingly(b.items)
		}
		l.failed(err)
		for _, it := range b.items {
			it.answer(Receipt{}, err)
		}
		return err
	}
	if len(b.records) > 0 {
		l.committed(l.opts.Now(), time.Since(began))
		l.publish(b)
	}
	for i, it := range b.items {
		var receipt Receipt
		if r := b.of[i]; r != nil {
			receipt = Receipt{Seq: r.Seq, At: r.At, Events: r.Events}
		}
		it.answer(receipt, nil)
	}
	return nil
}

// makeDurable appends the batch. An empty one after a failure tries whether
// commits work again.
func (l *Ledger) makeDurable(b *batch) error {
	if len(b.records) > 0 {
		return l.opts.Store.Append(b.records)
	}
	if l.failing() {
		if err := l.opts.Store.Settle(); err != nil {
			return err
		}
		l.committed(l.opts.Now(), 0)
	}
	return nil
}

// commitSingly commits each item by itself, so that one that cannot be written
// down does not take the others with it.
func (l *Ledger) commitSingly(items []item) error {
	var errs []error
	for _, it := range items {
		errs = append(errs, l.commit(l.decide([]item{it})))
	}
	return errors.Join(errs...)
}

func (l *Ledger) publish(b *batch) {
	l.mu.Lock()
	for _, r := range b.records {
		l.st.Fold(r)
	}
	l.net, l.current = b.network, b.climber
	l.mu.Unlock()
	l.wakeFollowers()
}

// item is an input that waits.
type item struct {
	in   correlate.Input
	swap *swap // with a Reconfigure
	done func(Receipt, error)
}

type swap struct {
	net     *correlate.Network
	climber Climber
}

func (it *item) answer(r Receipt, err error) {
	if it.done != nil {
		it.done(r, err)
	}
}

// queue holds the inputs that wait, in order.
type queue struct {
	wake chan struct{} // of 1: something waits, or it was closed

	mu     sync.Mutex // guards the rest
	items  []item
	limit  int
	closed bool
}

func (q *queue) init(limit int) { q.wake, q.limit = make(chan struct{}, 1), limit }

// push adds an item whatever waits; false means that the queue is closed.
func (q *queue) push(it item) bool { return q.add(it, false) }

// offer adds an item unless the queue is full or closed.
func (q *queue) offer(it item) bool { return q.add(it, true) }

func (q *queue) add(it item, bounded bool) bool {
	q.mu.Lock()
	defer q.mu.Unlock()
	if q.closed || (bounded && len(q.items) >= q.limit) {
		return false
	}
	q.items = append(q.items, it)
	select {
	case q.wake <- struct{}{}:
	default:
	}
	return true
}

// take returns up to most items and how many are left.
func (q *queue) take(most int) (items []item, left int) {
	q.mu.Lock()
	defer q.mu.Unlock()
	if len(q.items) <= most {
		items, q.items = q.items, nil
		return items, 0
	}
	items = slices.Clone(q.items[:most])
	q.items = slices.Delete(q.items, 0, most)
	return items, len(q.items)
}

func (q *queue) len() int {
	q.mu.Lock()
	defer q.mu.Unlock()
	return len(q.items)
}

func (q *queue) close() {
	q.mu.Lock()
	defer q.mu.Unlock()
	q.closed = true
}
