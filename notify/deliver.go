package notify

import (
	"slices"
	"strconv"
	"strings"

	"example.net/standwatch/correlate"
	"example.net/standwatch/notify/text"
)

// delivered decides about a gateway's answer.
func (c *climb) delivered(in *correlate.Delivery) {
	m := c.message(in.Message)
	if m == nil {
		return // settled so long ago that it is no longer kept
	}
	was := m.State
	state := settled(m, in)
	ev := &correlate.MessageTried{On: correlate.On{Key: m.Key}, Message: m.ID, State: state,
		Attempt: correlate.Attempt{At: c.r.At, Outcome: in.Outcome, Answer: in.Answer, GatewayID: in.GatewayID, InDoubt: in.InDoubt}}
	if state == correlate.MessageWaiting {
		ev.NotBefore = in.NotBefore
	}
	if in.Outcome == correlate.Handing {
		ev.NotBefore = m.NotBefore
	}
	c.emit(ev)
	o := c.callOut(m.CallOut)
	if len(m.Covers) > 0 && state == correlate.MessageFailed && was != correlate.MessageFailed {
		c.digestFailed(m)
	}
	if o == nil {
		return
	}
	switch {
	case state == correlate.MessageFailed && was != correlate.MessageFailed:
		c.fallBack(o, m)
	case was == correlate.MessageDropped && state == correlate.MessageAccepted:
		c.tooLate(o, m)
	}
}

// settled returns the state that an answer leaves a message in.
func settled(m *correlate.Message, in *correlate.Delivery) correlate.MessageState {
	switch in.Outcome {
	case correlate.Delivered:
		return correlate.MessageDelivered
	case correlate.Accepted:
		if m.State == correlate.MessageDelivered {
			return m.State // the receipt overtook the answer
		}
		return correlate.MessageAccepted
	case correlate.Permanent:
		if m.State == correlate.MessageDropped || m.State == correlate.MessageDelivered {
			return m.State
		}
		return correlate.MessageFailed
	}
	// A message whose next attempt would come too late has failed now.
	if m.State == correlate.MessageWaiting && !m.GiveUp.IsZero() && in.NotBefore.After(m.GiveUp) {
		return correlate.MessageFailed
	}
	return m.State
}

// fallBack stands in for a message that could not be delivered: by the
// person's next channel, or, when nobody has been told at this rung and nobody
// will be, by the next rung at once.
func (c *climb) fallBack(o *correlate.CallOut, m *correlate.Message) {
	purpose := text.Purpose(m.Purpose)
	open := o.State == correlate.CallOutOpen
	if purpose.Asks() && !open && o.State != correlate.CallOutExhausted {
		return // nobody needs to be asked any more
	}
	if purpose.Asks() && c.toldSince(o, m) {
		return // a newer message has taken its place
	}
	family := c.family(o, m)
	who := c.people[m.Person]
	if who != nil {
		for _, a := range who.Channels {
			if slices.ContainsFunc(family, func(f *correlate.Message) bool { return f.Person == who.ID && f.Channel == a.Gateway }) {
				continue
			}
			c.queue(o, c.standingIn(m, who, a, family))
			return
		}
	}
	if purpose.Asks() && open {
		c.goOn(o, m)
	}
}

// goOn takes a call-out to the next rung when m was the last hope of the step
// that it is on.
func (c *climb) goOn(o *correlate.CallOut, m *correlate.Message) {
	if visit(m.ID) != c.lastVisit(o) || slices.ContainsFunc(c.family(o, m), alive) {
		return
	}
	if l := c.ladders[o.Ladder]; l == nil || !l.Top(placeOf(o)) {
		c.next(o)
	}
}

// standingIn is the message that takes the place of m over another address.
func (c *climb) standingIn(m *correlate.Message, who *person, to Address, family []*correlate.Message) outgoing {
	root, _, _ := strings.Cut(string(m.ID), ".")
	used := 0
	for _, f := range family {
		if f.Person == who.ID {
			used++
		}
	}
	at := c.r.At
	if m.NotBefore.After(at) {
		at = m.NotBefore
	}
	return outgoing{
		telling: telling{who: who, over: []Address{to}, notBefore: at},
		id:      correlate.MessageID(root + "." + strconv.Itoa(used+1)), to: to, purpose: text.Purpose(m.Purpose),
		left: len(who.Channels) - used - 1, takenBy: c.takenBy(m),
	}
}

// takenBy returns who took the alarm, for a message that says so.
func (c *climb) takenBy(m *correlate.Message) string {
	if text.Purpose(m.Purpose) != text.Taken {
		return ""
	}
	if call := c.callOut(m.CallOut); call != nil {
		return call.TakenBy
	}
	return ""
}

// visit returns the part of a message's ID that all messages share which were
// caused by the same record, those that stand in for them included.
func visit(id correlate.MessageID) string {
	v, _, _ := strings.Cut(string(id), "-")
	return v
}

// family lists the messages of a call-out that were begun together with m.
func (c *climb) family(o *correlate.CallOut, m *correlate.Message) []*correlate.Message {
	var out []*correlate.Message
	for _, t := range o.Told {
		if visit(t.Message) != visit(m.ID) {
			continue
		}
		if f := c.message(t.Message); f != nil && f.Purpose == m.Purpose {
			out = append(out, f)
		}
	}
	return out
}

// lastVisit returns the visit that asked last for somebody to take the alarm.
func (c *climb) lastVisit(o *correlate.CallOut) string {
	for _, t := range slices.Backward(o.Told) {
		if m := c.message(t.Message); m != nil && text.Purpose(m.Purpose).Asks() {
			return visit(m.ID)
		}
	}
	return ""
}

// toldSince reports whether the person of m was asked again after m, by a later
// step.
func (c *climb) toldSince(o *correlate.CallOut, m *correlate.Message) bool {
	for _, t := range slices.Backward(o.Told) {
		switch f := c.message(t.Message); {
		case visit(t.Message) == visit(m.ID):
			return false
		case f != nil && t.Person == m.Person && text.Purpose(f.Purpose).Asks():
			return true
		}
	}
	return false
}

// alive reports whether a message has reached its person or still may.
func alive(m *correlate.Message) bool {
	return m.State == correlate.MessageWaiting || m.State == correlate.MessageAccepted || m.State == correlate.MessageDelivered
}

// tooLate tells a person what became of an alarm that was withdrawn while the
// gateway was already taking the message.
func (c *climb) tooLate(o *correlate.CallOut, m *correlate.Message) {
	who, point := c.people[m.Person], c.net.Point(m.Key)
	if who == nil || point == nil || o.State != correlate.CallOutCleared || point.QuietClear {
		return
	}
	// Somebody who was told before has been told of the clear already.
	for _, t := range o.Told {
		if f := c.message(t.Message); f != nil && t.Person == m.Person && text.Purpose(f.Purpose) == text.Cleared {
			return
		}
	}
	c.inform(o, who, correlate.Telling{Person: m.Person, Channel: m.Channel, Message: m.ID}, text.Cleared, "")
}
