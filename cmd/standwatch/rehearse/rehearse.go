package rehearse

import (
	"cmp"
	"errors"
	"slices"
	"strconv"
	"strings"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/receiver"
	"example.net/standwatch/store/ledger"
)

// Options say what is rehearsed.
type Options struct {
	Network *correlate.Network
	Climber ledger.Climber // nil: nobody is called out
	// Again says what the rules to be tried make of a kept notification. Its
	// [receiver.ErrSealed] leaves the observations as they were recorded; any other
	// error says that the notification would have been refused. It is called by
	// [Prepare] only.
	Again func(*correlate.Arrival) (*correlate.Arrival, error)
	// From and To bound what is compared: at or after From, before To. Zero means
	// the journal's begin and end.
	From, To time.Time
	Zone     *time.Location // in which hours are counted; nil means UTC
	// Fresh says that what is rehearsed was only captured: nothing was decided
	// about it, so that there is nothing to compare with.
	Fresh bool
}

// Prepared is a record with what the rules to be tried make of it.
type Prepared struct {
	Record *correlate.Record
	input  correlate.Input // nil: the record's own
	sealed bool
	why    string // why it would have been refused
}

// Prepare takes a record's notification through the rules to be tried. Unlike
// the rest it may be called from another goroutine, ahead of [Rehearsal.Feed].
func (o *Options) Prepare(r *correlate.Record) Prepared {
	p := Prepared{Record: r}
	in, ok := r.Input.(*correlate.Arrival)
	if !ok || r.At.Before(o.From) {
		return p
	}
	if len(in.Datagram) == 0 {
		p.sealed = true
		return p
	}
	again, err := o.Again(in)
	switch {
	case errors.Is(err, receiver.ErrSealed):
		p.sealed = true
	case err != nil:
		p.why = err.Error()
	default:
		p.input = again
	}
	return p
}

// Fresh is a captured notification with what the rules to be tried make of it,
// or why they would not hear it. Seq counts them.
func Fresh(seq correlate.Seq, at time.Time, in *correlate.Arrival, refused error) Prepared {
	p := Prepared{Record: &correlate.Record{Seq: seq, At: at, Input: &correlate.Arrival{}}}
	if refused != nil {
		p.sealed, p.why = errors.Is(refused, receiver.ErrSealed), refused.Error()
		return p
	}
	p.Record.Input, p.input = in, in
	return p
}

// Rehearsal goes through a journal.
type Rehearsal struct {
	opts   Options
	before *correlate.State // as it was, until the stretch begins
	engine *correlate.Engine
	clock  time.Time     // of the engine: never back
	last   time.Time     // of the last record, for the end
	seq    correlate.Seq // newest of the rehearsed records
	names  map[string]string
	ran    map[correlate.Seq]bool // records that came to nothing then and to something now
	queued []waiting              // messages that no gateway has yet, the next first
	was    *tally
	would  *tally
	spoke  map[correlate.Ref]bool
	count  Counts
}

// waiting is a message until its gateway may have it.
type waiting struct {
	id correlate.MessageID
	at time.Time
}

// New returns a rehearsal that begins with an empty journal; whoever feeds it
// begins with the oldest record there is.
func New(o Options) *Rehearsal {
	if o.Zone == nil {
		o.Zone = time.UTC
	}
	return &Rehearsal{opts: o, before: correlate.NewState(), names: map[string]string{}, ran: map[correlate.Seq]bool{},
		was: newTally(o.Zone), would: newTally(o.Zone), spoke: map[correlate.Ref]bool{}}
}

// Feed takes the next record. It returns false when nothing that follows
// counts any more.
func (r *Rehearsal) Feed(p Prepared) bool {
	rec := p.Record
	if r.engine == nil && rec.At.Before(r.opts.From) {
		r.before.Fold(rec)
		return true
	}
	if !r.opts.To.IsZero() && !rec.At.Before(r.opts.To) {
		return false
	}
	if r.engine == nil {
		r.begin(rec.At)
	}
	r.last = rec.At
	r.count.Records++
	if !r.opts.Fresh {
		r.was.note(rec)
	}
	r.until(rec.At)
	if in := r.input(p); in != nil {
		r.decide(in)
		r.rename(rec)
	}
	return true
}

// begin puts the configuration to be tried in force over the state as it was.
func (r *Rehearsal) begin(at time.Time) {
	r.count.From, r.clock, r.seq = at, at, r.before.Seq
	standing := r.before.Seq > 0
	r.was.stand(r.before)
	r.would.stand(r.before)
	for _, m := range r.before.Waiting() {
		r.wait(m)
	}
	r.engine = correlate.NewEngine(r.opts.Network, r.before)
	if standing {
		r.decide(&correlate.Reconfigure{Hash: r.opts.Network.Hash(), Summary: "rehearsed"})
	}
}

// stuck bounds how many rounds of what is due are decided within one instant,
// so that a due time that comes again at once cannot keep a rehearsal for ever.
const stuck = 1000

// until decides everything that is due up to a time.
func (r *Rehearsal) until(at time.Time) {
	for rounds := 0; ; rounds++ {
		due, ok := r.engine.NextDue()
		if len(r.queued) > 0 && (!ok || !r.queued[0].at.After(due)) {
			if r.queued[0].at.After(at) {
				break
			}
			r.deliver()
			continue
		}
		if !ok || due.After(at) {
			break
		}
		if due.After(r.clock) {
			r.clock, rounds = due, 0
		}
		if rounds >= stuck {
			r.clock, rounds = r.clock.Add(time.Millisecond), 0
		}
		r.decide(&correlate.Tick{})
	}
	if at.After(r.clock) {
		r.clock = at
	}
}

// deliver lets a gateway take the next message, unless it was withdrawn.
func (r *Rehearsal) deliver() {
	next := r.queued[0]
	r.queued = r.queued[1:]
	if next.at.After(r.clock) {
		r.clock = next.at
	}
	if m := r.engine.State().Messages[next.id]; m != nil && m.State == correlate.MessageWaiting {
		r.decide(&correlate.Delivery{Message: next.id, Outcome: correlate.Accepted})
	}
}

// wait keeps a message until its gateway may have it.
func (r *Rehearsal) wait(m *correlate.Message) {
	w := waiting{m.ID, m.NotBefore}
	i, _ := slices.BinarySearchFunc(r.queued, w.at, func(q waiting, at time.Time) int { return cmp.Or(q.at.Compare(at), -1) })
	r.queued = slices.Insert(r.queued, i, w)
}

// decide lets engine and climber decide about one input at the present time.
func (r *Rehearsal) decide(in correlate.Input) {
	rec := &correlate.Record{Seq: r.seq + 1, At: r.clock, Input: in}
	if !ledger.Decide(r.engine, r.opts.Climber, rec) {
		return
	}
	r.seq++
	r.would.note(rec)
	r.hear(rec)
	for _, ev := range rec.Events {
		if q, ok := ev.(*correlate.MessageQueued); ok {
			r.wait(&q.Message)
		}
	}
}

// hear notes which points were spoken of.
func (r *Rehearsal) hear(rec *correlate.Record) {
	spoke := func(k correlate.Key) { r.spoke[correlate.Ref{Site: k.Site, Point: k.Point}] = true }
	switch in := rec.Input.(type) {
	case *correlate.Arrival:
		for i := range in.Observations {
			spoke(in.Observations[i].Key)
		}
	case *correlate.Notice:
		for i := range in.Observations {
			spoke(in.Observations[i].Key)
		}
	case *correlate.Audit:
		for i := range in.Findings {
			spoke(in.Findings[i].Observation.Key)
		}
	}
	for _, ev := range rec.Events {
		if k := ev.Subject(); !k.IsZero() {
			spoke(k)
		}
	}
}

// input is what the rehearsal decides about in a record's place; nil for
// nothing: time passes by itself, gateways take what they are given, and what
// would have been understood at once need not be run again.
func (r *Rehearsal) input(p Prepared) correlate.Input {
	switch in := p.Record.Input.(type) {
	case *correlate.Tick, *correlate.Delivery, *correlate.Reconfigure:
		return nil
	case *correlate.Arrival:
		return r.arrival(p, in)
	case *correlate.EndSilence:
		c := *in
		c.ID = correlate.SilenceID(r.named(string(in.ID)))
		return &c
	case *correlate.RosterAct:
		c := *in
		c.ID = r.named(in.ID)
		return &c
	}
	return p.Record.Input
}

func (r *Rehearsal) arrival(p Prepared, in *correlate.Arrival) correlate.Input {
	if in.RunAgain != 0 && r.ran[in.RunAgain] {
		r.count.RunAgain++
		return nil
	}
	r.count.Notifications++
	switch {
	case p.sealed:
		r.count.Sealed++
		if r.opts.Fresh {
			return nil // what it says was never known
		}
		return in
	case p.why != "":
		r.count.Refused++
		return nil
	}
	again, ok := p.input.(*correlate.Arrival)
	if !ok {
		return in
	}
	if in.Unmatched != "" && again.Unmatched == "" {
		r.ran[p.Record.Seq] = true
	}
	return again
}

// rename notes what the engine called something that it names after the record
// that made it, so that what ends it later finds it.
func (r *Rehearsal) rename(was *correlate.Record) {
	switch was.Input.(type) {
	case *correlate.SetSilence:
		r.names["hand."+number(was.Seq)] = "hand." + number(r.seq)
	case *correlate.RosterAct:
		r.names["s"+number(was.Seq)] = "s" + number(r.seq)
	}
}

func (r *Rehearsal) named(id string) string {
	if now, ok := r.names[id]; ok {
		return now
	}
	return id
}

func number(seq correlate.Seq) string { return strconv.FormatUint(uint64(seq), 10) }

// End returns the result. It reaches to the last record: what would have been
// due later has not really happened yet either.
func (r *Rehearsal) End() *Result {
	if r.engine == nil {
		return &Result{}
	}
	r.count.To = r.last
	return r.result()
}

// silentPoints lists the points of the configuration that nothing was heard
// of. A point that is alive or derived speaks only when something is wrong, and
// the master's own site is left out.
func (r *Rehearsal) silentPoints() []string {
	var out []string
	for _, id := range r.opts.Network.Sites() {
		if id == correlate.SiteSelf {
			continue
		}
		for _, p := range r.opts.Network.Site(id).Points {
			if p.Kind != correlate.Alive && p.Kind != correlate.Derived && !r.spoke[correlate.Ref{Site: id, Point: p.ID}] {
				out = append(out, string(id)+"/"+string(p.ID))
			}
		}
	}
	slices.SortFunc(out, strings.Compare)
	return out
}
