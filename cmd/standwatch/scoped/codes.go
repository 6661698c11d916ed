package scoped

import (
	"maps"

	"example.net/standwatch/correlate"
	"example.net/standwatch/notify"
)

// What takes an alarm by message is for those who may take it on the console
// too. This file leaves it out for everybody else.

// hushed is the state without codes as it was at one record. All who share a
// view share it, since a state may hold thousands of messages and every open
// page asks after every commit.
type hushed struct {
	seq      correlate.Seq
	net      *correlate.Network
	callOuts map[correlate.CallOutID]*correlate.CallOut
	messages map[correlate.MessageID]*correlate.Message
}

// hush returns a state as those see it who may only look: it shares with st
// all but what has codes in it.
func (v *View) hush(st *correlate.State, net *correlate.Network) *correlate.State {
	out := *st
	v.mu.Lock()
	defer v.mu.Unlock()
	if v.quiet.seq != st.Seq || v.quiet.net != net {
		v.quiet = hushed{st.Seq, net, maps.Clone(st.CallOuts), maps.Clone(st.Messages)}
		for id, o := range st.CallOuts {
			v.quiet.callOuts[id] = hushCallOut(o)
		}
		for id, m := range st.Messages {
			v.quiet.messages[id] = hushMessage(m)
		}
	}
	out.CallOuts, out.Messages = v.quiet.callOuts, v.quiet.messages
	return &out
}

func hushCallOut(o *correlate.CallOut) *correlate.CallOut {
	c := *o
	c.Code = ""
	return &c
}

func hushMessage(m *correlate.Message) *correlate.Message {
	c := *m
	c.Subject, c.Body, c.Code = notify.Uncoded(m.Subject), notify.Uncoded(m.Body), ""
	c.Attempts = make([]correlate.Attempt, len(m.Attempts))
	for i, a := range m.Attempts {
		a.Answer = notify.Uncoded(a.Answer) // a gateway may say back what it was given
		c.Attempts[i] = a
	}
	return &c
}

// alone returns a message as somebody sees it who sees the site of its key and
// perhaps no other: an answer names the code that was sent in, and that may be a
// digest's, which takes alarms of other sites too.
func alone(m *correlate.Message) *correlate.Message {
	if m.Purpose == notify.PurposeAnswer {
		return hushMessage(m)
	}
	return m
}

// hushEvent returns an event without codes; most have none and are returned as
// they are.
func hushEvent(ev correlate.Event) correlate.Event {
	switch e := ev.(type) {
	case *correlate.CallOutOpened:
		return &correlate.CallOutOpened{CallOut: *hushCallOut(&e.CallOut)}
	case *correlate.MessageQueued:
		return &correlate.MessageQueued{Message: *hushMessage(&e.Message)}
	case *correlate.MessageTried:
		if answer := notify.Uncoded(e.Attempt.Answer); answer != e.Attempt.Answer {
			c := *e
			c.Attempt.Answer = answer
			return &c
		}
	}
	return ev
}

// hushInput returns an input without codes; most have none and are returned as
// they are.
func hushInput(in correlate.Input) correlate.Input {
	switch in := in.(type) {
	case *correlate.Reply:
		c := *in
		c.Text, c.Say, c.Code = notify.Uncoded(in.Text), notify.Uncoded(in.Say), ""
		if in.Code != "" {
			c.Text = notify.CodeGone // however it was written
		}
		return &c
	case *correlate.Delivery:
		c := *in
		c.Answer = notify.Uncoded(in.Answer)
		return &c
	}
	return in
}

// hushRecord returns a record without codes.
func hushRecord(r *correlate.Record) *correlate.Record {
	out := *r
	out.Input = hushInput(r.Input)
	out.Events = make([]correlate.Event, len(r.Events))
	for i, ev := range r.Events {
		out.Events[i] = hushEvent(ev)
	}
	return &out
}
