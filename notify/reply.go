package notify

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"example.net/standwatch/correlate"
	"example.net/standwatch/notify/answer"
)

// Heard is what came in over a gateway.
type Heard struct {
	Gateway   string
	From      string // the sender's address there
	Text      string
	Hint      string // where the code may stand if the text has none: a mail's subject
	GatewayID string // the gateway's own ID of what came in; may be empty
}

// maxHeard bounds how much of a reply is journaled, in octets.
const maxHeard = 500

// Reply reads what came in: the code of a call-out or digest, from an address
// of somebody who was told of it, takes the alarm or passes it on. Anything
// else changes nothing and is answered, except for strangers, who get no
// answer: their address may be forged. st is read only. What it asks for may
// still be refused when it is applied, if somebody was faster; the climber
// says so then.
func (p *Plan) Reply(st *correlate.State, h Heard) *correlate.Reply {
	in := &correlate.Reply{Gateway: h.Gateway, From: h.From, Text: shortened(h.Text), GatewayID: h.GatewayID}
	who := p.byAddress(h.Gateway, h.From)
	if who == nil {
		return in
	}
	in.Person = who.ID
	said := answer.Read(h.Text, codeAlphabet)
	switch hint, ok := answer.Parse(h.Hint, codeAlphabet); {
	case h.Hint == "":
		said.Take = said.Take || (said.Code != "" && !said.Pass) // a short message is nothing but its words
	case said.Code == "" && ok && (said.Take || said.Pass):
		said.Code = hint
	}
	if said.Code == "" || !(said.Take || said.Pass) {
		in.Say = "Not understood. Answer with the code alone to take it, like " + spell(1, 5) + ", or NO and the code if it is not for you."
		return in
	}
	in.Code = said.Code
	action := correlate.ActAcknowledge
	if said.Pass {
		action = correlate.ActPass
	}
	in.Acts, in.Say = p.asks(st, said.Code, who, correlate.Act{Action: action, Actor: who.ID, Via: h.Gateway})
	return in
}

// Press is the reply of somebody who pressed a button on the page that a link
// opened: it asks for one call-out and is answered by the page.
func (p *Plan) Press(st *correlate.State, id correlate.CallOutID, person string, action correlate.Action) *correlate.Reply {
	in := &correlate.Reply{Gateway: ViaLink, From: ViaLink, Person: person, Mute: true}
	o, who := st.CallOuts[id], p.people[person]
	if m := st.Messages[correlate.MessageID(id)]; m != nil && who != nil && len(m.Covers) > 0 {
		in.Code = m.Code
		in.Acts, in.Say = p.asks(st, m.Code, who, correlate.Act{Action: action, Actor: person, Via: ViaLink})
		return in
	}
	if o == nil || who == nil {
		in.Say = "There is nothing to take here any more."
		return in
	}
	in.Code = o.Code
	if in.Say = p.over(st, o, person, ViaLink); in.Say == "" {
		in.Acts = []correlate.Act{{Key: o.Key, Action: action, Actor: person, Via: ViaLink}}
	}
	return in
}

// ViaLink is by what somebody answered who followed a link.
const ViaLink = "link"

// asks returns what a code asks for, or what to say instead.
func (p *Plan) asks(st *correlate.State, code string, who *person, act correlate.Act) (acts []correlate.Act, say string) {
	if o := byCode(st, code); o != nil && toldOf(o, who.ID) {
		if say = p.over(st, o, who.ID, act.Via); say != "" {
			return nil, say
		}
		act.Key = o.Key
		return []correlate.Act{act}, ""
	}
	digest := digestByCode(st, code, who.ID)
	if digest == nil {
		return nil, code + " is not the code of any alarm you were told of."
	}
	for _, id := range digest.Covers {
		if o := st.CallOuts[id]; o != nil && p.over(st, o, who.ID, act.Via) == "" {
			act.Key = o.Key
			acts = append(acts, act)
		}
	}
	if len(acts) == 0 {
		return nil, code + ": none of these is left to take."
	}
	return acts, ""
}

func toldOf(o *correlate.CallOut, person string) bool {
	return slices.ContainsFunc(o.Told, func(t correlate.Telling) bool { return t.Person == person })
}

// over says why a call-out cannot be taken any more, or "".
func (p *Plan) over(st *correlate.State, o *correlate.CallOut, person, via string) string {
	a := st.Alarms[o.Key]
	switch {
	case o.State == correlate.CallOutTaken && o.TakenBy == person:
		return "You have " + o.Code + " already."
	case o.State == correlate.CallOutTaken:
		return fmt.Sprintf("%s was taken by %s%s.", o.Code, p.nameOf(o.TakenBy), p.clock(o))
	case o.State == correlate.CallOutCleared:
		return o.Code + " has cleared; there is nothing to take."
	case o.State == correlate.CallOutWithdrawn:
		return o.Code + " was withdrawn; there is nothing to take."
	case st.ByAlarm[o.Key] != o.ID || a == nil:
		return o.Code + " is an old code; a newer message has the one that counts."
	case a.Acknowledged && a.AckBy != person:
		return fmt.Sprintf("%s was taken by %s.", o.Code, p.nameOf(a.AckBy))
	case slices.Contains(o.Passed, person) && o.State == correlate.CallOutOpen && via == ViaLink:
		return "You passed " + o.Code + " on, and this link was for once. To take it after all, answer with its code or use the console."
	}
	return ""
}

// clock is " at 03:12" in the site's time, for a call-out that has ended.
func (p *Plan) clock(o *correlate.CallOut) string {
	if o.Ended.IsZero() {
		return ""
	}
	zone := p.zone
	if s := p.net.Site(o.Key.Site); s != nil && s.Zone != nil {
		zone = s.Zone
	}
	return " at " + o.Ended.In(zone).Format("15:04")
}

func shortened(s string) string {
	s = strings.ToValidUTF8(strings.TrimSpace(s), "")
	if len(s) > maxHeard {
		s = strings.ToValidUTF8(s[:maxHeard], "") + "..."
	}
	return s
}

// replied says back what came of a reply.
func (c *climb) replied(in *correlate.Reply) {
	who := c.people[in.Person]
	if who == nil || in.Mute || c.gateways[in.Gateway] == "" {
		return
	}
	say := in.Say
	if len(in.Acts) > 0 {
		say = c.outcome(in, c.r.Events)
	}
	if say == "" {
		return
	}
	to, ok := who.at(in.Gateway)
	if !ok {
		return
	}
	key := correlate.Key{}
	if len(in.Acts) > 0 {
		key = in.Acts[0].Key
	}
	id := c.messageID()
	m := correlate.Message{ID: id, Key: key, Purpose: PurposeAnswer, Person: who.ID, Channel: in.Gateway, Address: to.To,
		Body: say, Queued: c.r.At, NotBefore: c.r.At, GiveUp: c.r.At.Add(answerPatience), State: correlate.MessageWaiting}
	if c.gateways[in.Gateway] == KindMail {
		m.Subject, m.Body = say, say+"\n"
	}
	c.emit(&correlate.MessageQueued{Message: m})
}

// Outcome says what came of a reply, given the events of its record.
func (p *Plan) Outcome(in *correlate.Reply, events []correlate.Event) string {
	if len(in.Acts) == 0 {
		return in.Say
	}
	return p.outcome(in, events)
}

func (p *Plan) outcome(in *correlate.Reply, events []correlate.Event) string {
	done, refused := 0, ""
	for _, act := range in.Acts {
		if why := refusal(act.Key, events); why != "" {
			refused = cmp.Or(refused, in.Code+": "+p.inNames(why)+".")
			continue
		}
		done++
	}
	what := "You have taken "
	if in.Acts[0].Action == correlate.ActPass {
		what = "Passed on: "
	}
	switch {
	case done == 0:
		return refused
	case len(in.Acts) == 1:
		return what + in.Code + ", " + p.about(in.Acts[0].Key) + "."
	case refused == "":
		return fmt.Sprintf("%sall %d of %s.", what, done, in.Code)
	}
	return fmt.Sprintf("%s%d of %d of %s. Not the rest: %s", what, done, len(in.Acts), in.Code, refused)
}

// refusal returns why acting on an alarm was refused, or "".
func refusal(k correlate.Key, events []correlate.Event) string {
	for _, ev := range events {
		if e, is := ev.(*correlate.Refused); is && e.Key == k {
			return e.Why
		}
	}
	return ""
}

// inNames writes the person in "it was taken by north-a" as people are called.
func (p *Plan) inNames(why string) string {
	const by = " taken by "
	before, who, ok := strings.Cut(why, by)
	if !ok {
		return why
	}
	return before + by + p.nameOf(who)
}

// about is "Mains failed at Harrow Knoll".
func (p *Plan) about(k correlate.Key) string {
	what, where := string(k.Point), string(k.Site)
	if s := p.net.Site(k.Site); s != nil && s.Name != "" {
		where = s.Name
	}
	if point := p.net.Point(k); point != nil {
		what = cmp.Or(point.AlarmWord, point.Name, what)
	}
	if k.Instance != "" {
		what += " (" + k.Instance + ")"
	}
	return what + " at " + where
}

func (p *Plan) byAddress(gateway, from string) *person {
	for i := range p.book.People {
		who := p.people[p.book.People[i].ID]
		if a, ok := who.at(gateway); ok && p.gateways[gateway].same(a.To, from) {
			return who
		}
	}
	return nil
}

// same reports whether two addresses are one: telephone numbers by their
// digits, since gateways leave the sign out; mail addresses whatever their
// case.
func (k Kind) same(a, b string) bool {
	switch k.carries() {
	case telephone:
		return digits(a) == digits(b)
	case mailAddress:
		return strings.EqualFold(a, b)
	}
	return a == b
}

func digits(number string) string {
	return strings.TrimPrefix(strings.NewReplacer(" ", "", "-", "", "+", "").Replace(number), "00")
}

// nameOf returns how a person is called; an actor that is no person of the
// book is called what the journal calls him.
func (p *Plan) nameOf(id string) string {
	if who := p.people[id]; who != nil && who.Name != "" {
		return who.Name
	}
	return id
}

// byCode returns the call-out with a code: the open one, else the newest.
func byCode(st *correlate.State, code string) *correlate.CallOut {
	var found *correlate.CallOut
	for _, o := range st.CallOuts {
		if o.Code != code {
			continue
		}
		newer := found == nil || (found.State != correlate.CallOutOpen && (o.Opened.After(found.Opened) || (o.Opened.Equal(found.Opened) && o.ID > found.ID)))
		if o.State == correlate.CallOutOpen || newer {
			found = o
		}
	}
	return found
}

// digestByCode returns the newest digest with a code that a person got.
func digestByCode(st *correlate.State, code, person string) *correlate.Message {
	var found *correlate.Message
	for _, m := range st.Messages {
		if m.Code == code && m.Person == person && (found == nil || m.Queued.After(found.Queued) || (m.Queued.Equal(found.Queued) && m.ID > found.ID)) {
			found = m
		}
	}
	return found
}
