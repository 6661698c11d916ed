package correlate

import (
	"slices"
	"strconv"
	"strings"
	"time"
)

// Actions of people who are called out, and on rosters.
const (
	ActPass       Action = 13 // "not me": the call-out goes on at once
	ActStandIn    Action = 14 // somebody stands in on a roster
	ActEndStandIn Action = 15 // a stand-in ends now, or does not begin
	ActProve      Action = 16 // the daily proof to whoever is on call
)

// Reply is what somebody said back over a gateway. It is journaled whether or
// not it was understood. Acts is what it asks for, one for each alarm; the
// climber says back what came of them, or Say when there are none.
type Reply struct {
	Gateway   string `cbor:"1,keyasint"`
	From      string `cbor:"2,keyasint"`           // the sender's address
	Person    string `cbor:"3,keyasint,omitempty"` // empty: the address is nobody's, and nothing is said back
	Text      string `cbor:"4,keyasint,omitempty"` // as it came, shortened
	Acts      []Act  `cbor:"5,keyasint,omitempty"`
	Say       string `cbor:"6,keyasint,omitempty"`
	Mute      bool   `cbor:"7,keyasint,omitempty"` // nothing is said back: the sender sends too much
	GatewayID string `cbor:"8,keyasint,omitempty"` // the gateway's own ID of what came in
	Code      string `cbor:"9,keyasint,omitempty"` // the code in it
}

// RosterAct is something done to a roster: somebody stands in, a stand-in
// ends, or those on call are sent the proof that the master lives.
type RosterAct struct {
	Action Action    `cbor:"1,keyasint"`
	Roster string    `cbor:"2,keyasint"`
	Person string    `cbor:"3,keyasint,omitempty"` // who stands in
	For    string    `cbor:"4,keyasint,omitempty"` // for whom; empty means whoever is on call
	From   time.Time `cbor:"5,keyasint,omitzero"`
	To     time.Time `cbor:"6,keyasint,omitzero"`
	ID     string    `cbor:"7,keyasint,omitempty"` // of the stand-in that ends
	Why    string    `cbor:"8,keyasint,omitempty"`
	Actor  string    `cbor:"9,keyasint,omitempty"`
	Via    string    `cbor:"10,keyasint,omitempty"`
}

func (*Reply) input()     {}
func (*RosterAct) input() {}

// StandIn is somebody in another's place for a while, as it was agreed while
// the master ran; those of the configuration are not among them.
type StandIn struct {
	ID     string    `cbor:"1,keyasint"`
	Roster string    `cbor:"2,keyasint"`
	Person string    `cbor:"3,keyasint"`
	For    string    `cbor:"4,keyasint,omitempty"` // empty means whoever is on call
	From   time.Time `cbor:"5,keyasint"`
	To     time.Time `cbor:"6,keyasint"`
	By     string    `cbor:"7,keyasint,omitempty"`
	Via    string    `cbor:"8,keyasint,omitempty"`
	Why    string    `cbor:"9,keyasint,omitempty"`
}

// Pile is what one person will be told in one digest at Due.
type Pile struct {
	Person string     `cbor:"1,keyasint"`
	Due    time.Time  `cbor:"2,keyasint"`
	Items  []PileItem `cbor:"3,keyasint"`
}

// PileItem is one telling that waits for a digest.
type PileItem struct {
	CallOut CallOutID `cbor:"1,keyasint"`
	Purpose string    `cbor:"2,keyasint"`
	Over    []string  `cbor:"3,keyasint,omitempty"` // gateways; none means the person's own order
	At      time.Time `cbor:"4,keyasint"`
}

// The events of answers, rosters and digests.
type (
	// Passed says that somebody who was called out said "not me".
	Passed struct {
		On
		Actor string `cbor:"2,keyasint"`
		Via   string `cbor:"3,keyasint"`
	}
	// StandInSet puts a stand-in in force.
	StandInSet struct {
		StandIn StandIn `cbor:"1,keyasint"`
	}
	// StandInEnded ends one at the record's time, or takes it back before.
	StandInEnded struct {
		ID  string `cbor:"1,keyasint"`
		By  string `cbor:"2,keyasint,omitempty"`
		Via string `cbor:"3,keyasint,omitempty"`
	}
	// Piled puts one telling aside for the person's next digest, at Due.
	Piled struct {
		On
		CallOut CallOutID `cbor:"2,keyasint"`
		Person  string    `cbor:"3,keyasint"`
		Purpose string    `cbor:"4,keyasint"`
		Over    []string  `cbor:"5,keyasint,omitempty"`
		Due     time.Time `cbor:"6,keyasint"`
		Why     string    `cbor:"7,keyasint"` // "budget", "flood" or "digest"
	}
	// PileEmptied says that a person's digest was made; Nth says which one of
	// the present flood it is, from 1, and is 0 when it is none of a flood.
	PileEmptied struct {
		Person string `cbor:"1,keyasint"`
		Nth    int    `cbor:"2,keyasint,omitempty"`
	}
	// Proved says that the proof to a roster is due; Nobody says why none went
	// out.
	Proved struct {
		Roster string `cbor:"1,keyasint"`
		Nobody string `cbor:"2,keyasint,omitempty"`
	}
)

// Subject returns the zero Key: these are about no alarm.
func (*StandInSet) Subject() Key { return Key{} }

// Subject returns the zero Key.
func (*StandInEnded) Subject() Key { return Key{} }

// Subject returns the zero Key.
func (*PileEmptied) Subject() Key { return Key{} }

// Subject returns the zero Key.
func (*Proved) Subject() Key { return Key{} }

// Kind numbers; see [EventKinds].
func (*Passed) Kind() EventKind       { return 46 }
func (*StandInSet) Kind() EventKind   { return 47 }
func (*StandInEnded) Kind() EventKind { return 48 }
func (*Piled) Kind() EventKind        { return 49 }
func (*PileEmptied) Kind() EventKind  { return 50 }
func (*Proved) Kind() EventKind       { return 51 }

// keepStandIns is how long a stand-in that has ended stays in state, for the
// roster page. The journal keeps it for ever.
const keepStandIns = 31 * 24 * time.Hour

// pilePrefix marks the identifier under which a pile comes due among the
// call-outs; no call-out's identifier has a colon.
const pilePrefix = "pile:"

// PileID is the identifier under which a person's pile comes due among the
// call-outs.
func PileID(person string) CallOutID { return CallOutID(pilePrefix + person) }

// PileOf returns whose pile an identifier of [PileID] means; ok is false for
// that of a call-out.
func PileOf(id CallOutID) (person string, ok bool) {
	return strings.CutPrefix(string(id), pilePrefix)
}

// reply decides about what somebody said back.
func (e *Engine) reply(in *Reply) {
	for i := range in.Acts {
		e.act(&in.Acts[i])
	}
}

// rosterAct decides about a roster.
func (e *Engine) rosterAct(in *RosterAct) {
	switch in.Action {
	case ActStandIn:
		if why := unfitStandIn(in, e.r.At); why != "" {
			e.emit(&Refused{Why: why})
			return
		}
		e.emit(&StandInSet{StandIn{ID: "s" + strconv.FormatUint(uint64(e.r.Seq), 10), Roster: in.Roster, Person: in.Person, For: in.For, From: in.From.UTC(), To: in.To.UTC(),
			By: in.Actor, Via: in.Via, Why: in.Why}})
	case ActEndStandIn:
		s := e.st.StandIns[in.ID]
		if s == nil || !s.To.After(e.r.At) {
			e.emit(&Refused{Why: "there is no such stand-in, or it is over"})
			return
		}
		e.emit(&StandInEnded{ID: in.ID, By: in.Actor, Via: in.Via})
	case ActProve:
		// The climber knows who is on call.
	default:
		e.emit(&Refused{Why: "the action is not known"})
	}
}

func unfitStandIn(in *RosterAct, now time.Time) string {
	switch {
	case in.Roster == "" || in.Person == "":
		return "a stand-in needs a roster and a person"
	case !in.To.After(in.From):
		return "a stand-in has to end after it begins"
	case !in.To.After(now):
		return "it would be over already"
	}
	return ""
}

// armPile keeps the time of a pile in the queue.
func (e *Engine) armPile(p *Pile) {
	if p != nil {
		e.due.push(dueEntry{At: p.Due, Kind: duePile, Name: p.Person})
	}
}

// pileDue lists a pile as due.
func (e *Engine) pileDue(entry dueEntry) {
	p := e.st.Piles[entry.Name]
	if id := PileID(entry.Name); p != nil && p.Due.Equal(entry.At) && !slices.Contains(e.dueCallOuts, id) {
		e.dueCallOuts = append(e.dueCallOuts, id)
	}
}

func (s *State) foldDuty(r *Record, ev Event) {
	switch e := ev.(type) {
	case *Passed:
		if c := s.CallOuts[s.ByAlarm[e.Key]]; c != nil && c.State == CallOutOpen && !slices.Contains(c.Passed, e.Actor) {
			c.Passed = append(c.Passed, e.Actor)
		}
	case *StandInSet:
		in := e.StandIn
		s.StandIns[in.ID] = &in
	case *StandInEnded:
		s.endStandIn(e.ID, r.At)
	case *Piled:
		p := s.Piles[e.Person]
		if p == nil {
			p = &Pile{Person: e.Person}
			s.Piles[e.Person] = p
		}
		p.Due = e.Due
		p.Items = append(p.Items, PileItem{CallOut: e.CallOut, Purpose: e.Purpose, Over: e.Over, At: r.At})
	case *PileEmptied:
		delete(s.Piles, e.Person)
		if e.Nth > 0 {
			s.Flood.digested(e.Person, e.Nth, r.At)
		}
	case *Proved:
		s.Proofs[e.Roster] = r.At
	}
}

func (s *State) endStandIn(id string, at time.Time) {
	switch in := s.StandIns[id]; {
	case in == nil:
	case !in.From.Before(at):
		delete(s.StandIns, id)
	case in.To.After(at):
		in.To = at
	}
}

// spend is one message that counts against a person's budget.
type spend struct {
	at time.Time
	id MessageID
}

// BudgetSpan is the time over which a person's messages are counted.
const BudgetSpan = time.Hour

// spends counts a message about call-outs. Answers to replies and proofs have
// no call-out and are free.
func (s *State) spends(m *Message) {
	if m.CallOut == "" && len(m.Covers) == 0 {
		return
	}
	list := s.spent[m.Person]
	old := 0
	for old < len(list) && m.Queued.Sub(list[old].at) >= BudgetSpan {
		old++
	}
	s.spent[m.Person] = append(slices.Clip(list[old:]), spend{m.Queued, m.ID})
}

// spares takes a message back that never left.
func (s *State) spares(m *Message) {
	s.spent[m.Person] = slices.DeleteFunc(slices.Clone(s.spent[m.Person]), func(x spend) bool { return x.id == m.ID })
}

// Spent returns how many messages about call-outs a person was sent within
// BudgetSpan before now, those that wait included, and when the first of them
// stops counting (zero when there is none). Its cost is that of the count.
func (s *State) Spent(person string, now time.Time) (n int, frees time.Time) {
	for _, x := range s.spent[person] {
		if now.Sub(x.at) < BudgetSpan {
			if n == 0 {
				frees = x.at.Add(BudgetSpan)
			}
			n++
		}
	}
	return n, frees
}

// countSpent works the budgets out anew from the messages that are kept.
func (s *State) countSpent() {
	s.spent = map[string][]spend{}
	var recent []*Message
	for _, m := range s.Messages {
		if m.State != MessageDropped && s.At.Sub(m.Queued) < BudgetSpan {
			recent = append(recent, m)
		}
	}
	slices.SortFunc(recent, func(a, b *Message) int {
		if c := a.Queued.Compare(b.Queued); c != 0 {
			return c
		}
		return compareText(a.ID, b.ID)
	})
	for _, m := range recent {
		s.spends(m)
	}
}

// forgetStandIns drops those that ended long ago.
func (s *State) forgetStandIns(now time.Time) {
	for id, in := range s.StandIns {
		if now.Sub(in.To) > keepStandIns {
			delete(s.StandIns, id)
		}
	}
}

// Clone returns a deep copy.
func (p *Pile) Clone() *Pile {
	c := *p
	c.Items = slices.Clone(p.Items)
	return &c
}
