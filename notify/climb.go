package notify

import (
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/notify/text"
)

// Climb decides what becomes of call-outs and messages by a record's input and
// events and by the call-outs that are due at its time. st already contains
// the record's own events; it is read, never changed. The same plan, record
// and state give the same events. The cost follows what the record and due are
// about, not how many call-outs are open, but for two searches that are made
// only where they can find something: for the alarms a cause explains, and for
// a free code when one record opens more than 64 call-outs.
func (p *Plan) Climb(r *correlate.Record, st *correlate.State, due []correlate.CallOutID) []correlate.Event {
	c := &climb{Plan: p.As(st), r: r, st: st}
	if in, ok := r.Input.(*correlate.Delivery); ok {
		c.delivered(in)
	}
	for _, ev := range r.Events {
		c.heard(ev)
	}
	switch in := r.Input.(type) {
	case *correlate.Reply:
		c.replied(in)
	case *correlate.RosterAct:
		if in.Action == correlate.ActProve {
			c.prove(in.Roster)
		}
	}
	for _, id := range due {
		if person, ok := correlate.PileOf(id); ok {
			c.empty(person)
			continue
		}
		c.due(id)
	}
	return c.events
}

// climb is the work on one record.
type climb struct {
	*Plan
	r      *correlate.Record
	st     *correlate.State
	events []correlate.Event

	// drawn holds copies of the call-outs and messages that this record has
	// changed so far; nil until there is one. Reading it before st makes each
	// decision see the ones before it.
	drawn  *correlate.State
	opened int             // call-outs opened by this record
	queued int             // tellings begun by this record
	codes  map[string]bool // long codes in use; nil until they are needed

	inFlood bool            // what is decided about was announced within a flood
	emptied map[string]bool // people whose piles this record has emptied; nil until there is one
}

// heard decides about one event of the record.
func (c *climb) heard(ev correlate.Event) {
	switch e := ev.(type) {
	case *correlate.Announced:
		c.announced(e)
	case *correlate.Acked:
		c.taken(e)
	case *correlate.Passed:
		c.passed(e)
	case *correlate.AlarmCleared:
		c.cleared(e.Key)
	case *correlate.Withdrawn:
		c.end(c.newest(e.Key), correlate.CallOutWithdrawn, "", e.Why)
	case *correlate.Closed:
		c.end(c.newest(e.Key), correlate.CallOutWithdrawn, "", e.Why)
	case *correlate.FloodEnded:
		c.floodOver()
	case *correlate.FlapBegan:
		if o := c.newest(e.Key); o != nil && o.State == correlate.CallOutOpen {
			c.tellTold(o, text.Flapping, "")
		}
	case *correlate.FlapEnded:
		// One that settled to normal is cleared by the next event.
		if o := c.newest(e.Key); e.Standing && o != nil && c.thisEpisode(o) {
			c.tellTold(o, text.Settled, "")
		}
	}
}

// emit adds an event to what is decided and to what the rest of the record's
// decisions see.
func (c *climb) emit(ev correlate.Event) {
	c.events = append(c.events, ev)
	c.draw().FoldEvent(c.r, ev)
}

func (c *climb) draw() *correlate.State {
	if c.drawn == nil {
		c.drawn = correlate.NewState()
	}
	return c.drawn
}

// callOut returns a copy of a call-out that sees this record's decisions, or
// nil if there is none.
func (c *climb) callOut(id correlate.CallOutID) *correlate.CallOut {
	if c.drawn != nil {
		if o := c.drawn.CallOuts[id]; o != nil {
			return o
		}
	}
	o := c.st.CallOuts[id]
	if o == nil {
		return nil
	}
	o = o.Clone()
	c.draw().CallOuts[id] = o
	return o
}

// message is the same for a message.
func (c *climb) message(id correlate.MessageID) *correlate.Message {
	if c.drawn != nil {
		if m := c.drawn.Messages[id]; m != nil {
			return m
		}
	}
	m := c.st.Messages[id]
	if m == nil {
		return nil
	}
	m = m.Clone()
	c.draw().Messages[id] = m
	return m
}

// newest returns the newest call-out of an alarm, or nil.
func (c *climb) newest(k correlate.Key) *correlate.CallOut {
	if c.drawn != nil {
		if id, ok := c.drawn.ByAlarm[k]; ok {
			return c.callOut(id)
		}
	}
	if id, ok := c.st.ByAlarm[k]; ok {
		return c.callOut(id)
	}
	return nil
}

// thisEpisode reports whether a call-out is about the episode in which its
// alarm is now, or was last.
func (c *climb) thisEpisode(o *correlate.CallOut) bool {
	a := c.st.Alarms[o.Key]
	return a != nil && o.State != correlate.CallOutCleared && !o.Opened.Before(a.Raised)
}

// announced decides about leave to tell people of an alarm.
func (c *climb) announced(e *correlate.Announced) {
	s, ok := c.alarmSubject(e.Key)
	if !ok {
		return
	}
	r := c.route(s, c.r.At)
	if r == nil || r.BoardOnly {
		return
	}
	purpose := purposeOf(e.Why)
	c.inFlood = e.Flood
	o := c.newest(e.Key)
	switch {
	case o == nil || !c.thisEpisode(o):
		c.open(e.Key, r.Ladder, purpose, nil)
	case o.State != correlate.CallOutOpen:
		c.open(e.Key, r.Ladder, purpose, o.Told)
	case purpose != text.Worse:
		// It is climbing already.
	case o.Ladder == r.Ladder:
		c.drop(o, worse, func(*correlate.Message) bool { return true })
		c.askAnew(o)
		c.reach(o, bottom(), purpose)
	default:
		c.end(o, correlate.CallOutWithdrawn, "", worse)
		c.open(e.Key, r.Ladder, purpose, o.Told)
	}
}

// worse is why a message is withdrawn when a more urgent one takes its place.
const worse = "it got worse"

func purposeOf(why string) text.Purpose {
	switch why {
	case "flapping":
		return text.Flapping
	case "worse":
		return text.Worse
	case "again":
		return text.Again
	}
	return text.Raised
}

func (c *climb) alarmSubject(k correlate.Key) (subject, bool) {
	a := c.st.Alarms[k]
	if a == nil {
		return subject{}, false
	}
	s, ok := c.subject(k, a.Severity)
	s.broken = c.broken()
	return s, ok
}

// taken decides about an acknowledgement.
func (c *climb) taken(e *correlate.Acked) {
	o := c.newest(e.Key)
	if o == nil {
		return
	}
	wasOpen := o.State == correlate.CallOutOpen
	c.end(o, correlate.CallOutTaken, e.Actor, "taken")
	if wasOpen && c.told[o.Ladder] && c.standing(e.Key) {
		c.tellTold(o, text.Taken, e.Actor)
	}
}

func (c *climb) standing(k correlate.Key) bool {
	a := c.st.Alarms[k]
	return a != nil && a.Standing
}

// cleared decides about the end of an episode.
func (c *climb) cleared(k correlate.Key) {
	o := c.newest(k)
	if o == nil || !c.thisEpisode(o) {
		return
	}
	c.end(o, correlate.CallOutCleared, o.TakenBy, "cleared")
	if p := c.net.Point(k); p != nil && !p.QuietClear {
		c.tellTold(o, text.Cleared, "")
	}
}

// end ends a call-out, if it is open, and withdraws what still waits for it. A
// taken, exhausted or withdrawn call-out whose alarm clears becomes a cleared
// one, so that it is not taken for one of a later episode. by is who took it.
func (c *climb) end(o *correlate.CallOut, state correlate.CallOutState, by, why string) {
	if o == nil {
		return
	}
	if o.State == correlate.CallOutOpen || (state == correlate.CallOutCleared && o.State != state) {
		c.emit(&correlate.CallOutEnded{On: correlate.On{Key: o.Key}, CallOut: o.ID, State: state, By: by})
	}
	c.drop(o, why, func(*correlate.Message) bool { return true })
}

// drop withdraws those messages of a call-out that ask somebody to take the
// alarm, still wait and are picked.
func (c *climb) drop(o *correlate.CallOut, why string, pick func(*correlate.Message) bool) {
	for _, t := range o.Told {
		m := c.message(t.Message)
		if m != nil && m.State == correlate.MessageWaiting && text.Purpose(m.Purpose).Asks() && !c.asksForOthers(m, o) && pick(m) {
			c.emit(&correlate.MessageWithdrawn{On: correlate.On{Key: o.Key}, Message: m.ID, Why: why})
		}
	}
}

// asksForOthers reports whether a message is a digest that is about another
// call-out too which nobody has taken.
func (c *climb) asksForOthers(m *correlate.Message, o *correlate.CallOut) bool {
	for _, id := range m.Covers {
		if other := c.peek(id); id != o.ID && other != nil && other.State == correlate.CallOutOpen {
			return true
		}
	}
	return false
}

// due decides about a call-out that nobody took in time.
func (c *climb) due(id correlate.CallOutID) {
	o := c.callOut(id)
	if o == nil || o.State != correlate.CallOutOpen || o.Due.IsZero() || o.Due.After(c.r.At) {
		return
	}
	c.next(o)
}

// lastChannel is how long a message is tried over the last channel there is:
// judgement, no source. While the alarm stands it is worth telling; a message
// for one that no longer stands is withdrawn.
const lastChannel = 4 * time.Hour
