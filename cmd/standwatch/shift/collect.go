package shift

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/store"
)

// Journal is what a report is read from. The store is one.
type Journal interface {
	History(store.Query) (store.Page, error)
	// ScanEvents calls fn for every record from one on, in order; it may leave
	// out the inputs.
	ScanEvents(ctx context.Context, from correlate.Seq, fn func(*correlate.Record) error) error
	First() correlate.Seq
}

// Options say how to read.
type Options struct {
	Now  time.Time
	Zone *time.Location
	// Network names sites and points and knows which are regulated; may be nil.
	Network *correlate.Network
	// May reports whether the reader may see a site; nil lets all be seen.
	May func(correlate.SiteID) bool
}

// late is how far beyond its end the journal is read for records whose clock
// stepped back.
const late = time.Minute

var errEnough = errors.New("the span is over")

// Collect reads the report of a span from the journal.
func Collect(ctx context.Context, j Journal, span Span, o Options) (*Report, error) {
	c := newCollector(span, o)
	from, err := c.begin(j)
	if err != nil {
		return nil, fmt.Errorf("find the begin of the report: %w", err)
	}
	err = j.ScanEvents(ctx, from, func(r *correlate.Record) error {
		if !r.At.Before(span.To.Add(late)) {
			return errEnough
		}
		if r.At.Before(span.To) {
			c.record(r)
		}
		return ctx.Err()
	})
	if err != nil && !errors.Is(err, errEnough) {
		return nil, fmt.Errorf("read the journal for the report: %w", err)
	}
	if err := c.notes(j); err != nil {
		return nil, fmt.Errorf("read what the shifts left each other: %w", err)
	}
	return c.finish(), nil
}

// collector holds what a report needs from record to record.
type collector struct {
	span Span
	o    Options
	out  *Report
	in   bool // the span has begun; before it, records only say what stands

	open    map[correlate.Key]*episode
	done    []*episode
	rises   map[correlate.Key][]time.Time // within the last minute
	chatter map[correlate.Key]int
	fleet   map[correlate.Key]int
	told    []told
	calls   map[correlate.CallOutID]*CallOut
	callIDs []correlate.CallOutID
	asides  map[string]*Aside
	asideAt []*Aside
	flaps   map[correlate.Key]*Flap
	flapAt  []*Flap
	flood   time.Time // since when there is one
	flooded time.Duration
	floods  int
}

// episode is an Episode that goes on, with what only counting needs.
type episode struct {
	Episode
	measured bool // taken before the span: its time to take is not of this report
}

type told struct {
	at       time.Time
	key      correlate.Key
	severity correlate.Severity
}

func newCollector(span Span, o Options) *collector {
	in := func(t time.Time) time.Time { return t.In(o.Zone) }
	return &collector{
		span: span, o: o,
		out:  &Report{Name: span.Name, Date: in(span.From).Format(time.DateOnly), From: in(span.From), To: in(span.To), Made: in(o.Now), Complete: !o.Now.Before(span.To)},
		open: map[correlate.Key]*episode{}, rises: map[correlate.Key][]time.Time{}, chatter: map[correlate.Key]int{}, fleet: map[correlate.Key]int{},
		calls: map[correlate.CallOutID]*CallOut{}, asides: map[string]*Aside{}, flaps: map[correlate.Key]*Flap{},
	}
}

// kindShiftBegan is the number of the event that lists what stands.
var kindShiftBegan = (*correlate.ShiftBegan)(nil).Kind()

// begin finds the newest list of what stood at or before the begin of the
// span, takes it in, and returns the record to read on from. The span's own
// list may have been journaled a little late, so the one before serves.
func (c *collector) begin(j Journal) (correlate.Seq, error) {
	page, err := j.History(store.Query{Kinds: []correlate.EventKind{kindShiftBegan}, To: c.span.From, Limit: 1})
	if err != nil {
		return 0, err
	}
	if len(page.Records) > 0 {
		r := page.Records[0]
		c.stood(r)
		return r.Seq + 1, nil
	}
	if j.First() > 1 {
		c.out.Partly = "The journal no longer holds what stood when this began; alarms that rose before are counted from when they are next heard of."
	}
	return j.First(), nil
}

// stood takes in what stood when a shift began.
func (c *collector) stood(r *correlate.Record) {
	for _, ev := range r.Events {
		began, ok := ev.(*correlate.ShiftBegan)
		if !ok {
			continue
		}
		for _, s := range began.Standing {
			if !c.may(s.Key) || s.Cleared {
				continue
			}
			ep := c.episode(s.Key, s.Raised, s.Severity, s.Text)
			ep.Told, ep.TakenBy = c.at(s.Announced), s.AckBy
			if s.Acknowledged {
				ep.Taken = c.at(s.Raised) // some time before; not measured
				ep.measured = true
			}
			ep.Explained = s.Aside == "explained"
		}
	}
}

func (c *collector) may(k correlate.Key) bool { return c.o.May == nil || c.o.May(k.Site) }

func (c *collector) at(t time.Time) time.Time {
	if t.IsZero() {
		return t
	}
	return t.In(c.o.Zone)
}

// episode begins one.
func (c *collector) episode(k correlate.Key, raised time.Time, s correlate.Severity, text string) *episode {
	ep := &episode{Episode: Episode{Alarm: k.ID(), Key: k, Site: string(k.Site), Point: string(k.Point), Severity: s, Text: text, Raised: c.at(raised)}}
	if net := c.o.Network; net != nil {
		if site := net.Site(k.Site); site != nil {
			ep.Site = site.Name
		}
		if p := net.Point(k); p != nil {
			ep.Point, ep.Reported = p.Name, p.Regulated
		}
	}
	c.open[k] = ep
	return ep
}

// record takes in one record.
func (c *collector) record(r *correlate.Record) {
	if !c.in && !r.At.Before(c.span.From) {
		c.enter()
	}
	if c.in {
		c.out.Records++
		if c.out.First == 0 {
			c.out.First = uint64(r.Seq)
		}
		c.out.Last = uint64(r.Seq)
	}
	for _, ev := range r.Events {
		if k := ev.Subject(); !k.IsZero() && !c.may(k) {
			continue
		}
		c.event(r, ev)
	}
}

// enter marks what stands when the span begins.
func (c *collector) enter() {
	c.in = true
	for _, ep := range c.open {
		ep.Before = true
	}
	c.out.Began = len(c.open)
}

func (c *collector) event(r *correlate.Record, ev correlate.Event) {
	switch e := ev.(type) {
	case *correlate.Raised:
		c.raised(r, e)
	case *correlate.FlapTurned:
		if e.Standing {
			c.rise(e.Key, r.At)
		}
	case *correlate.Changed:
		if ep := c.open[e.Key]; ep != nil {
			ep.Severity, ep.Text = max(ep.Severity, e.Severity), e.Text
		}
	case *correlate.AlarmCleared:
		c.ended(e.Key, e.Since)
	case *correlate.Closed:
		c.ended(e.Key, r.At)
	case *correlate.Explained:
		if ep := c.open[e.Key]; ep != nil {
			ep.Explained = true
		}
	case *correlate.Unexplained:
		if ep := c.open[e.Key]; ep != nil {
			ep.Explained = false
		}
	case *correlate.Announced:
		c.announced(r, e)
	case *correlate.FloodBegan:
		c.flood = r.At
		c.floods += c.counts()
	case *correlate.FloodEnded:
		c.floodOver(r.At)
	case *correlate.FlapBegan:
		f := &Flap{Alarm: e.Key.ID(), From: c.at(r.At)}
		c.flaps[e.Key], c.flapAt = f, append(c.flapAt, f)
	case *correlate.FlapEnded:
		if f := c.flaps[e.Key]; f != nil {
			f.To, f.Rises = c.at(r.At), e.Count
			delete(c.flaps, e.Key)
		}
	default:
		c.people(r, ev)
	}
}

// counts is 1 within the span and 0 before it.
func (c *collector) counts() int {
	if c.in {
		return 1
	}
	return 0
}

// people takes in what people did, and were told.
func (c *collector) people(r *correlate.Record, ev correlate.Event) {
	switch e := ev.(type) {
	case *correlate.Acked:
		c.taken(r, e)
	case *correlate.Noted:
		done := Action{Who: e.Actor, Via: e.Via, What: "noted", Alarm: e.Key.ID(), Text: e.Text}
		if e.Key.Point == "" {
			done.What, done.Alarm, done.Text = "noted of a site", "", string(e.Key.Site)+": "+e.Text
		}
		c.act(r, done)
	case *correlate.Shelved:
		c.act(r, Action{Who: e.Actor, Via: e.Via, What: "put aside", Alarm: e.Key.ID(), Text: e.Reason, Until: c.at(e.Until)})
		c.aside(string(e.Key.ID()), Aside{What: "shelved", Of: string(e.Key.ID()), By: e.Actor, Reason: e.Reason, From: c.at(r.At), Until: c.at(e.Until)})
	case *correlate.Unshelved:
		if e.Actor != "time" {
			c.act(r, Action{Who: e.Actor, Via: e.Via, What: "brought back", Alarm: e.Key.ID()})
		}
		c.asideOver(string(e.Key.ID()), r.At)
	case *correlate.SilenceBegan:
		s := &e.Silence
		c.aside("silence "+string(s.ID), Aside{What: s.Kind.String(), Of: scopes(s), By: s.By, Reason: s.Reason, From: c.at(r.At), Until: c.at(s.Until)})
	case *correlate.SilenceEnded:
		if e.Actor != "" {
			c.act(r, Action{Who: e.Actor, Via: e.Via, What: "ended " + e.What.String(), Text: e.Text})
		}
		c.asideOver("silence "+string(e.ID), r.At)
	case *correlate.SilenceSet:
		s := &e.Silence
		c.act(r, Action{Who: s.By, Via: s.Via, What: s.Kind.String(), Text: scopes(s) + ": " + s.Reason, Until: c.at(s.Until)})
	case *correlate.AccountChanged:
		c.act(r, Action{Who: e.Actor, What: e.What.String(), Text: e.Account + " " + e.Text})
	case *correlate.Configured:
		c.act(r, Action{Who: e.Actor, What: "configured", Text: e.Summary})
	case *correlate.Passed:
		c.act(r, Action{Who: e.Actor, What: "passed on", Alarm: e.Key.ID()})
	case *correlate.HandoverRead:
		if c.in {
			c.out.ReadBy, c.out.ReadAt = e.Actor, c.at(r.At)
		}
	default:
		c.callOut(r, ev)
	}
}

func scopes(s *correlate.Silence) string {
	var out []string
	for _, scope := range s.Scopes {
		out = append(out, scope.String())
	}
	return strings.Join(out, ", ")
}

// raised begins an episode.
func (c *collector) raised(r *correlate.Record, e *correlate.Raised) {
	c.episode(e.Key, e.Since, e.Severity, e.Text)
	c.rise(e.Key, r.At)
	if c.in {
		c.out.Rose++
	}
}

// Of a point that rises so often within chatterSpan it is said that it
// chatters; an episode that is over within fleetSpan is fleeting. Common
// findings are made at these figures; no standard that could be read fixes them.
const (
	chatterSpan  = time.Minute
	chatterRises = 3
	fleetSpan    = time.Minute
)

func (c *collector) rise(k correlate.Key, at time.Time) {
	times := slices.DeleteFunc(c.rises[k], func(t time.Time) bool { return at.Sub(t) > chatterSpan })
	times = append(times, at)
	if len(times) >= chatterRises && c.in {
		c.chatter[k]++
	}
	c.rises[k] = times
}

// ended ends an episode. Before the span it is forgotten, within it counted.
func (c *collector) ended(k correlate.Key, at time.Time) {
	ep := c.open[k]
	if ep == nil {
		return
	}
	delete(c.open, k)
	if !c.in {
		return
	}
	ep.Cleared = c.at(at)
	c.out.Cleared++
	if ep.Cleared.Sub(ep.Raised) < fleetSpan {
		c.fleet[k]++
	}
	c.done = append(c.done, ep)
}

func (c *collector) announced(r *correlate.Record, e *correlate.Announced) {
	ep := c.open[e.Key]
	if ep == nil || !ep.Told.IsZero() {
		return
	}
	ep.Told = c.at(r.At)
	if c.in {
		c.told = append(c.told, told{r.At, e.Key, ep.Severity})
	}
}

func (c *collector) taken(r *correlate.Record, e *correlate.Acked) {
	if ep := c.open[e.Key]; ep != nil && ep.Taken.IsZero() {
		ep.Taken, ep.TakenBy, ep.measured = c.at(r.At), e.Actor, !c.in
	}
	c.act(r, Action{Who: e.Actor, Via: e.Via, What: "took", Alarm: e.Key.ID(), Text: e.Text})
}

func (c *collector) act(r *correlate.Record, a Action) {
	if c.in {
		a.At = c.at(r.At)
		c.out.Actions = append(c.out.Actions, a)
	}
}

func (c *collector) aside(id string, a Aside) {
	c.asides[id] = &a
	c.asideAt = append(c.asideAt, &a)
}

func (c *collector) asideOver(id string, at time.Time) {
	if a := c.asides[id]; a != nil {
		a.Ended = c.at(at)
		delete(c.asides, id)
	}
}

func (c *collector) floodOver(at time.Time) {
	if c.flood.IsZero() {
		return
	}
	if from := later(c.flood, c.span.From); at.After(from) {
		c.flooded += at.Sub(from)
	}
	c.flood = time.Time{}
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

func (c *collector) callOut(r *correlate.Record, ev correlate.Event) {
	switch e := ev.(type) {
	case *correlate.CallOutOpened:
		if c.in {
			call := &CallOut{Alarm: e.CallOut.Key.ID(), Opened: c.at(r.At), Ladder: e.CallOut.Ladder, State: correlate.CallOutOpen.String()}
			if ep := c.open[e.CallOut.Key]; ep != nil {
				call.Text = ep.Text
			}
			c.calls[e.CallOut.ID], c.callIDs = call, append(c.callIDs, e.CallOut.ID)
		}
	case *correlate.RungReached:
		if call := c.calls[e.CallOut]; call != nil {
			call.Rung, call.Rounds = max(call.Rung, e.Rung+1), max(call.Rounds, e.Round+1)
		}
	case *correlate.MessageQueued:
		if call := c.calls[e.Message.CallOut]; call != nil {
			call.Messages++
			if !slices.Contains(call.Told, e.Message.Person) {
				call.Told = append(call.Told, e.Message.Person)
			}
		}
	case *correlate.CallOutEnded:
		if call := c.calls[e.CallOut]; call != nil {
			call.State, call.TakenBy, call.Ended = e.State.String(), e.By, c.at(r.At)
		}
	}
}

// kindHandedOver is the number of the event that carries a handover note.
var kindHandedOver = (*correlate.HandedOver)(nil).Kind()

// mostNotes bounds the handover notes of one shift that are shown.
const mostNotes = 50

// notes reads what this shift leaves and what the one before left it.
func (c *collector) notes(j Journal) error {
	if c.span.Name == "" {
		return nil
	}
	var err error
	if c.out.Leaves, _, err = c.noted(j, c.span.From, c.span.To); err != nil {
		return err
	}
	left, from, err := c.noted(j, c.span.From.Add(-36*time.Hour), c.span.From)
	if err != nil || len(left) == 0 {
		return err
	}
	// Only those of the shift just before.
	c.out.Left, _, err = c.noted(j, from, c.span.From)
	return err
}

// noted lists the notes of a stretch and when the shift of the newest began.
func (c *collector) noted(j Journal, from, to time.Time) (out []Note, began time.Time, err error) {
	page, err := j.History(store.Query{Kinds: []correlate.EventKind{kindHandedOver}, From: from, To: to, Limit: mostNotes})
	if err != nil {
		return nil, began, err
	}
	for _, r := range slices.Backward(page.Records) {
		for _, ev := range r.Events {
			if e, ok := ev.(*correlate.HandedOver); ok {
				out, began = append(out, Note{At: c.at(r.At), Who: e.Actor, Text: e.Text}), e.From
			}
		}
	}
	return out, began, nil
}

// finish makes the lists and figures.
func (c *collector) finish() *Report {
	if !c.in {
		c.enter()
	}
	end := c.span.To
	if c.o.Now.Before(end) {
		end = c.o.Now
	}
	c.floodOver(end)
	out := c.out
	all := slices.Clone(c.done)
	for _, ep := range c.open {
		ep.Standing = true
		out.Ended++
		if ep.Taken.IsZero() && !ep.Explained {
			out.Untaken++
		}
		all = append(all, ep)
	}
	slices.SortFunc(all, func(a, b *episode) int { return cmp.Or(a.Raised.Compare(b.Raised), a.Key.Compare(b.Key)) })
	for _, ep := range all {
		out.Episodes = append(out.Episodes, ep.Episode)
		if ep.Reported {
			out.Regular = append(out.Regular, ep.Episode)
		}
	}
	out.Times = timesOf(all)
	for _, id := range c.callIDs {
		out.CallOuts = append(out.CallOuts, *c.calls[id])
	}
	for _, a := range c.asideAt {
		if a.Ended.IsZero() || a.Ended.After(c.span.From) {
			out.Aside = append(out.Aside, *a)
		}
	}
	for _, f := range c.flapAt {
		if f.To.IsZero() || f.To.After(c.span.From) {
			out.Flaps = append(out.Flaps, *f)
		}
	}
	out.Quality = c.quality(all, end)
	return out
}
