package notify

import (
	"slices"
	"strconv"
	"strings"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/notify/ladder"
	"example.net/standwatch/notify/text"
)

func bottom() ladder.Place { return ladder.Bottom() }

func placeOf(o *correlate.CallOut) ladder.Place { return ladder.Place{Step: o.Rung, Round: o.Round} }

// open begins a call-out. told are those who were told of this episode before.
func (c *climb) open(k correlate.Key, ladderName string, purpose text.Purpose, told []correlate.Telling) {
	n := c.opened
	c.opened++
	c.emit(&correlate.CallOutOpened{CallOut: correlate.CallOut{
		ID: callOutID(c.r.Seq, n), Key: k, Opened: c.r.At, Ladder: ladderName, Rung: -1, Code: c.code(n),
		State: correlate.CallOutOpen, Told: slices.Clone(told),
	}})
	c.reach(c.newest(k), bottom(), purpose)
}

// next takes an open call-out one step up, or ends it at the top.
func (c *climb) next(o *correlate.CallOut) {
	l := c.ladders[o.Ladder]
	if l == nil {
		c.elsewhere(o)
		return
	}
	place, ok := l.Next(placeOf(o))
	if !ok {
		if then := c.then[o.Ladder]; then != "" {
			c.emit(&correlate.CallOutEnded{On: correlate.On{Key: o.Key}, CallOut: o.ID, State: correlate.CallOutWithdrawn})
			c.drop(o, "the ladder "+then+" follows", func(*correlate.Message) bool { return true })
			c.open(o.Key, then, text.Again, o.Told)
			return
		}
		c.emit(&correlate.CallOutEnded{On: correlate.On{Key: o.Key}, CallOut: o.ID, State: correlate.CallOutExhausted})
		c.tellTold(o, text.Exhausted, "")
		return
	}
	c.reach(o, place, text.Raised)
}

// elsewhere goes on with a call-out whose ladder is no longer configured: by
// the route that its alarm takes now.
func (c *climb) elsewhere(o *correlate.CallOut) {
	c.end(o, correlate.CallOutWithdrawn, "", "the ladder "+o.Ladder+" is no longer configured")
	s, ok := c.alarmSubject(o.Key)
	if !ok {
		return
	}
	if r := c.route(s, c.r.At); r != nil && !r.BoardOnly {
		c.open(o.Key, r.Ladder, text.Raised, o.Told)
	}
}

// reach puts a call-out on a step and tells whoever is to be told there. A
// step at which nobody can be told is passed at once, except for the last of a
// round: going round a ladder that tells nobody would end the call-out within
// an instant, and a hole in a roster ends by itself.
func (c *climb) reach(o *correlate.CallOut, at ladder.Place, purpose text.Purpose) {
	l := c.ladders[o.Ladder]
	s, ok := c.alarmSubject(o.Key)
	if !ok {
		return
	}
	s.passed = o.Passed
	for {
		step, ok := l.At(at)
		if !ok {
			return
		}
		tellings, nobody := c.tellings(step, s, c.r.At)
		pass := len(tellings) == 0 && !l.Top(at)
		why := make([]string, len(tellings))
		for i := range tellings {
			t := &tellings[i]
			if due, aside := c.aside(t.who, o.Key, t.notBefore); aside != "" {
				t.notBefore, why[i] = due, aside
			}
		}
		due := c.r.At
		if !pass {
			due = earliest(tellings, c.r.At).Add(step.Wait)
		}
		c.emit(&correlate.RungReached{On: correlate.On{Key: o.Key}, CallOut: o.ID, Rung: at.Step, Round: at.Round, Due: due, Nobody: nobody})
		for i, t := range tellings {
			if why[i] != "" {
				c.putAside(o, t, purpose, why[i])
				continue
			}
			c.tell(o, t, purpose)
		}
		if !pass {
			return
		}
		at, _ = l.Next(at)
	}
}

// earliest is when the first of some tellings may be sent: at, unless all wait
// for the end of quiet hours. A rung's wait begins then, since nobody can take
// what he has not been told.
func earliest(tellings []telling, at time.Time) time.Time {
	var first time.Time
	for _, t := range tellings {
		if first.IsZero() || t.notBefore.Before(first) {
			first = t.notBefore
		}
	}
	if first.Before(at) {
		return at
	}
	return first
}

// telling is one person to be told, over one or more channels at once.
type telling struct {
	who       *person
	over      []Address
	notBefore time.Time
}

// tellings works out whom a step tells at an instant; nobody says why when
// there is no one.
func (p *Plan) tellings(step ladder.Step, s subject, at time.Time) (out []telling, nobody string) {
	var why []string
	if int(s.severity) < step.AtLeast {
		return nil, "the rung is for " + correlate.Severity(step.AtLeast).String() + " alarms and worse"
	}
	for _, t := range step.Whom {
		ids := []string{t.Person}
		if t.Roster != "" {
			if ids = p.roster(t.Roster).On(at); len(ids) == 0 {
				why = append(why, "nobody is on call in roster "+t.Roster)
			}
		}
		for _, id := range ids {
			who := p.people[id]
			var over []Address
			if who != nil {
				over = who.reachable(step.Over, s.broken)
			}
			switch {
			case who == nil:
				why = append(why, id+" is nobody in the book any more")
			case slices.Contains(s.passed, id):
				why = append(why, id+" said it is not for them")
			case slices.ContainsFunc(out, func(x telling) bool { return x.who == who }):
			case len(over) == 0:
				why = append(why, id+" has no address at "+strings.Join(step.Over, " or "))
			default:
				out = append(out, telling{who, over, who.awake(s.severity, at)})
			}
		}
	}
	if len(out) > 0 {
		return out, ""
	}
	return nil, strings.Join(why, "; ")
}

// over returns the person's addresses at the gateways, in the gateways' order;
// the first of the person's own when no gateway is named.
func (w *person) over(gateways []string) []Address {
	if len(gateways) == 0 {
		return w.Channels[:1]
	}
	var out []Address
	for _, g := range gateways {
		if a, ok := w.at(g); ok {
			out = append(out, a)
		}
	}
	return out
}

// at returns the person's address at a gateway.
func (w *person) at(gateway string) (Address, bool) {
	i := slices.IndexFunc(w.Channels, func(a Address) bool { return a.Gateway == gateway })
	if i < 0 {
		return Address{}, false
	}
	return w.Channels[i], true
}

// awake returns when a person may be told of an alarm of a severity: now, or
// when the quiet hours that wish it otherwise have ended.
func (w *person) awake(s correlate.Severity, at time.Time) time.Time {
	// Windows may follow each other; each is left once.
	for range len(w.quiet) + 1 {
		until := at
		for _, q := range w.quiet {
			if end, in := q.ends(at, w.zone); in && s < q.below && end.After(until) {
				until = end
			}
		}
		if until.Equal(at) {
			break
		}
		at = until
	}
	return at
}

// messageID names the next message that this record begins.
func (c *climb) messageID() correlate.MessageID {
	id := correlate.MessageID("m" + strconv.FormatUint(uint64(c.r.Seq), 10) + "-" + strconv.Itoa(c.queued))
	c.queued++
	return id
}

// tell queues the messages of one telling. An earlier one that the gateway has
// not taken yet says the same and is withdrawn: after an outage nobody gets a
// row of them.
func (c *climb) tell(o *correlate.CallOut, t telling, purpose text.Purpose) {
	for _, a := range t.over {
		c.drop(o, "a newer one says it", func(m *correlate.Message) bool { return m.Person == t.who.ID && m.Channel == a.Gateway })
		c.queue(o, outgoing{id: c.messageID(), to: a, telling: t, purpose: purpose, left: len(t.who.Channels) - len(t.over)})
	}
}

// outgoing is a message about to be queued.
type outgoing struct {
	telling
	id      correlate.MessageID
	to      Address
	purpose text.Purpose
	left    int // channels of the person that are left if this one fails
	takenBy string
}

func (c *climb) queue(o *correlate.CallOut, m outgoing) {
	f := c.facts(o, m.purpose, m.takenBy, m.who.ID)
	f.Hears = c.hears[m.to.Gateway]
	out := correlate.Message{
		ID: m.id, CallOut: o.ID, Key: o.Key, Purpose: string(m.purpose), Person: m.who.ID, Channel: m.to.Gateway, Address: m.to.To,
		Queued: c.r.At, NotBefore: m.notBefore, GiveUp: m.notBefore.Add(c.patience(o, m)),
		State: correlate.MessageWaiting, Severity: f.Severity, Rung: o.Rung,
	}
	if c.gateways[m.to.Gateway] == KindMail {
		out.Subject, out.Body = text.Subject(f), text.Body(f)
	} else {
		out.Body = text.Short(f)
	}
	c.emit(&correlate.MessageQueued{Message: out})
}

// patience is how long one channel is tried before the next: an equal share of
// what is left of the rung's wait, so that every channel gets its turn within
// it.
func (c *climb) patience(o *correlate.CallOut, m outgoing) time.Duration {
	if m.left <= 0 {
		return lastChannel
	}
	rest := o.Due.Sub(m.notBefore)
	if !m.purpose.Asks() || rest <= 0 {
		rest = 10 * time.Minute
	}
	return max(rest/time.Duration(m.left+1), time.Second)
}

// tellTold sends one message to each person who has been told of the alarm,
// over the channel that reached them last.
func (c *climb) tellTold(o *correlate.CallOut, purpose text.Purpose, takenBy string) {
	for _, t := range c.reached(o) {
		who := c.people[t.Person]
		if who == nil || (takenBy != "" && (takenBy == who.ID || takenBy == who.Name)) {
			continue
		}
		c.inform(o, who, t, purpose, takenBy)
	}
}

// inform tells one person what became of an alarm: by a digest, if a digest
// told them of it.
func (c *climb) inform(o *correlate.CallOut, who *person, told correlate.Telling, purpose text.Purpose, takenBy string) {
	gateway, byDigest := told.Channel, false
	if m := c.message(told.Message); m != nil {
		byDigest = len(m.Covers) > 0
	}
	to, ok := who.at(gateway)
	if !ok {
		to = who.Channels[0]
	}
	severity := correlate.Severity(0)
	if a := c.st.Alarms[o.Key]; a != nil {
		severity = a.Severity
	}
	t := telling{who: who, over: []Address{to}, notBefore: who.awake(severity, c.r.At)}
	due, why := c.aside(who, o.Key, t.notBefore)
	if why == "" && byDigest {
		due, why = c.r.At.Add(gatherNews), asideDigest
	}
	if why != "" {
		t.notBefore = due
		c.putAside(o, t, purpose, why)
		return
	}
	c.queue(o, outgoing{id: c.messageID(), to: to, telling: t, purpose: purpose, left: len(who.Channels) - 1, takenBy: takenBy})
}

// reached lists, for each person told of the alarm and in the order of first
// telling, the last telling that a gateway took. A message that is no longer
// in state was settled long ago; it counts as taken.
func (c *climb) reached(o *correlate.CallOut) []correlate.Telling {
	var out []correlate.Telling
	for _, t := range o.Told {
		m := c.message(t.Message)
		if m != nil && m.State != correlate.MessageAccepted && m.State != correlate.MessageDelivered {
			continue
		}
		i := slices.IndexFunc(out, func(x correlate.Telling) bool { return x.Person == t.Person })
		if i < 0 {
			out = append(out, t)
		} else {
			out[i] = t
		}
	}
	return out
}
