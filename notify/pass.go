package notify

import (
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/notify/text"
)

// PurposeAnswer is what a message is for that answers a reply.
const PurposeAnswer = "answer"

// answerPatience is how long an answer to a reply is worth sending: whoever
// waits for it has called by then. Judgement, no source.
const answerPatience = 15 * time.Minute

// passed decides about somebody's "not me": the call-out goes on at once. At
// the very top it stays, and waits for the others who were told.
func (c *climb) passed(e *correlate.Passed) {
	o := c.newest(e.Key)
	if o == nil || o.State != correlate.CallOutOpen {
		return
	}
	c.drop(o, e.Actor+" passed it on", func(m *correlate.Message) bool { return m.Person == e.Actor })
	l := c.ladders[o.Ladder]
	if l == nil {
		c.elsewhere(o)
		return
	}
	if place, ok := l.Next(placeOf(o)); ok {
		c.reach(o, place, text.Raised)
	}
}

// askAnew lets those be asked again who said "not me", because it got worse.
func (c *climb) askAnew(o *correlate.CallOut) {
	if len(o.Passed) > 0 {
		c.emit(&correlate.RungReached{On: correlate.On{Key: o.Key}, CallOut: o.ID, Rung: o.Rung, Round: o.Round, Due: o.Due, Anew: true})
	}
}
