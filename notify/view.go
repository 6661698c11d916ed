package notify

import (
	"cmp"
	"slices"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/notify/ical"
	"example.net/standwatch/notify/roster"
)

// PersonView is a person as pages show one.
type PersonView struct {
	ID       string
	Name     string
	Channels []Address
}

// RosterView is a roster as pages show one.
type RosterView struct {
	ID   string
	Name string
	Zone *time.Location
}

// LadderView is a ladder as pages show one, step by step; the numbers of the
// steps are those of correlate.CallOut.Rung.
type LadderView struct {
	Name   string
	Rounds int
	Steps  []StepView
}

// StepView is one step of a ladder.
type StepView struct {
	Rung     int // of the configuration, from 0
	Again    int // 0 for the first telling, then the count of repeats
	Whom     []Target
	Channels []string // none means each person's own order
	Wait     time.Duration
}

// Gap is a time in which not exactly one person of a roster is on call.
type Gap struct {
	Roster   string
	From, To time.Time
	People   []string // none for a hole, several for a double
}

// Untold is a severity of a point that no route tells at any hour.
type Untold struct {
	Key      correlate.Key
	Severity correlate.Severity
}

// Stretch is a time in which the same people are on call.
type Stretch = roster.Stretch

// People lists everybody in the order of the book.
func (p *Plan) People() []PersonView {
	out := make([]PersonView, 0, len(p.book.People))
	for i := range p.book.People {
		out = append(out, viewPerson(&p.book.People[i]))
	}
	return out
}

// Person returns one person; ok is false when there is none of that ID.
func (p *Plan) Person(id string) (v PersonView, ok bool) {
	who := p.people[id]
	if who == nil {
		return PersonView{}, false
	}
	return viewPerson(who.Person), true
}

func viewPerson(p *Person) PersonView {
	return PersonView{ID: p.ID, Name: p.Name, Channels: p.Channels}
}

// Rosters lists the rosters in the order of the book.
func (p *Plan) Rosters() []RosterView {
	out := make([]RosterView, 0, len(p.book.Rosters))
	for _, r := range p.book.Rosters {
		out = append(out, RosterView{ID: r.ID, Name: r.Name, Zone: p.rosters[r.ID].Zone()})
	}
	return out
}

// Ladders lists the ladders in the order of the book.
func (p *Plan) Ladders() []LadderView {
	out := make([]LadderView, 0, len(p.book.Ladders))
	for _, b := range p.book.Ladders {
		l := p.ladders[b.Name]
		v := LadderView{Name: b.Name, Rounds: l.Rounds}
		for _, s := range l.Steps {
			step := StepView{Rung: s.Rung, Again: s.Again, Channels: s.Over, Wait: s.Wait}
			for _, t := range s.Whom {
				step.Whom = append(step.Whom, Target{Person: t.Person, Roster: t.Roster})
			}
			v.Steps = append(v.Steps, step)
		}
		out = append(out, v)
	}
	return out
}

// Routes lists the routes in the order in which they are tried.
func (p *Plan) Routes() []Route { return p.book.Routes }

// OnCall returns who of a roster is on call at an instant: nobody in a hole,
// and nobody when there is no roster of that ID.
func (p *Plan) OnCall(rosterID string, at time.Time) []PersonView {
	r := p.roster(rosterID)
	if r == nil {
		return nil
	}
	var out []PersonView
	for _, id := range r.On(at) {
		out = append(out, viewPerson(p.people[id].Person))
	}
	return out
}

// Turns lists who of a roster is on call from one instant to another, without
// gaps: a stretch without people is a hole. It is empty when there is no such
// roster.
func (p *Plan) Turns(rosterID string, from, to time.Time) []Stretch {
	r := p.roster(rosterID)
	if r == nil || !to.After(from) {
		return nil
	}
	return r.Stretches(from, to)
}

// Holes lists the holes and doubles of every roster between two instants, in
// the order of the book and then of time.
func (p *Plan) Holes(from, to time.Time) []Gap {
	var out []Gap
	for _, b := range p.book.Rosters {
		if !to.After(from) {
			break
		}
		for _, s := range p.roster(b.ID).Flaws(from, to) {
			out = append(out, Gap{Roster: b.ID, From: s.From, To: s.To, People: s.People})
		}
	}
	return out
}

// Calendar returns the turns of a person between two instants as an iCalendar
// document made at stamp; ok is false when there is no such person. host makes
// the events' identifiers unique (RFC 5545 section 3.8.4.7).
func (p *Plan) Calendar(personID, host string, from, to, stamp time.Time) (calendar []byte, ok bool) {
	who := p.people[personID]
	if who == nil {
		return nil, false
	}
	var turns []ical.Turn
	for _, b := range p.book.Rosters {
		for _, s := range p.Turns(b.ID, from, to) {
			if !slices.Contains(s.People, personID) {
				continue
			}
			turns = append(turns, ical.Turn{UID: b.ID + "." + personID + "." + s.From.UTC().Format("20060102T150405Z") + "@" + host,
				From: s.From, To: s.To, Summary: "On call: " + cmp.Or(b.Name, b.ID)})
		}
	}
	return ical.Calendar(cmp.Or(who.Name, who.ID), turns, stamp), true
}
