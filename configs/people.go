package configs

import (
	"fmt"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/notify"
)

// Shift is a named stretch of the day in the centre's time zone. From and To
// are minutes after midnight; To at or before From is on the next day.
type Shift struct {
	Name     string
	From, To int
}

func at(p place) notify.Pos { return notify.Pos(p.pos()) }

// bookOf turns people.yaml into what notify.NewPlan checks.
func bookOf(s *peopleFile) notify.Book {
	var b notify.Book
	for i := range s.People {
		b.People = append(b.People, personOf(&s.People[i]))
	}
	for i := range s.Rosters {
		b.Rosters = append(b.Rosters, rosterOf(&s.Rosters[i]))
	}
	for i := range s.Ladders {
		b.Ladders = append(b.Ladders, ladderOf(&s.Ladders[i]))
	}
	for i := range s.Routes {
		b.Routes = append(b.Routes, routeOf(&s.Routes[i]))
	}
	b.Flood = notify.FloodPace{Pos: at(s.Flood.Here), Digests: spansOf(s.Flood.Digests), Critical: spansOf(s.Flood.Critical)}
	return b
}

func spansOf(l list[span]) (out []time.Duration) {
	for _, s := range l {
		out = append(out, s.V)
	}
	return out
}

func personOf(e *entry[personShape]) notify.Person {
	p := notify.Person{Pos: at(e.At), ID: e.Key, Name: e.V.Name.or(wordsOf(e.Key)), Zone: e.V.TimeZone.V, Budget: e.V.Budget.V}
	for _, r := range e.V.Reach {
		p.Channels = append(p.Channels, notify.Address{Pos: at(r.Here), Gateway: r.Gateway.V, To: r.To.V})
	}
	for _, q := range e.V.Quiet {
		p.Quiet = append(p.Quiet, notify.Quiet{Pos: at(q.Here), Days: values(q.Days), From: q.From.V, To: q.To.V, Below: q.Below.V})
	}
	return p
}

func rosterOf(e *entry[rosterShape]) notify.Roster {
	r := notify.Roster{Pos: at(e.At), ID: e.Key, Name: e.V.Name.or(wordsOf(e.Key)), Zone: e.V.TimeZone.V, Proof: e.V.Proof.V}
	for _, t := range e.V.Turns {
		r.Turns = append(r.Turns, notify.Turn{Pos: at(t.Here), People: values(t.People), Start: t.Start.V, HandOver: t.HandOver.V, Every: t.Every.V,
			Interval: t.Interval.V, Rule: t.Rule.V, Lasts: t.Lasts.V, On: t.On.V, Except: t.Except.V})
	}
	for _, s := range e.V.StandIns {
		r.StandIns = append(r.StandIns, notify.StandIn{Pos: at(s.Here), Person: s.Person.V, For: s.For.V, From: s.From.V, To: s.To.V})
	}
	return r
}

func ladderOf(e *entry[ladderShape]) notify.Ladder {
	l := notify.Ladder{Pos: at(e.At), Name: e.Key, Rounds: e.V.Rounds.V, Then: e.V.Then.V, TellTaken: e.V.TellTaken.V}
	for _, r := range e.V.Rungs {
		rung := notify.Rung{Pos: at(r.Here), Channels: values(r.Over), Wait: r.Wait.V, Repeat: r.Repeat.V, AtLeast: r.AtLeast.V}
		for _, t := range r.Tell {
			rung.Whom = append(rung.Whom, notify.Target{Pos: at(t.Here), Person: t.Person.V, Roster: t.Roster.V})
		}
		l.Rungs = append(l.Rungs, rung)
	}
	return l
}

func routeOf(s *routeShape) notify.Route {
	r := notify.Route{Pos: at(s.Here), Name: s.Name.V, AtLeast: s.AtLeast.V, Tags: values(s.Tags), Regions: values(s.Regions), Classes: values(s.Classes),
		Causes: values(s.Causes), Ladder: s.Ladder.V, BoardOnly: s.BoardOnly.V}
	for _, id := range values(s.Sites) {
		r.Sites = append(r.Sites, correlate.SiteID(id))
	}
	for _, id := range values(s.Points) {
		r.Points = append(r.Points, correlate.PointID(id))
	}
	for _, h := range s.Hours {
		r.Hours = append(r.Hours, notify.Hours{Pos: at(h.Here), Days: values(h.Days), From: h.From.V, To: h.To.V, Zone: h.Zone.V, On: h.On.V, Except: h.Except.V})
	}
	return r
}

// shiftsOf returns the shifts; without any there is a day and a night.
func (c *compiler) shiftsOf(s entries[shiftShape]) []Shift {
	if len(s) == 0 {
		return []Shift{{Name: "day", From: 7 * 60, To: 19 * 60}, {Name: "night", From: 19 * 60, To: 7 * 60}}
	}
	var out []Shift
	for _, e := range s {
		from, ok := c.minutes(e.V.From, e.At)
		to, ok2 := c.minutes(e.V.To, e.At)
		if ok && ok2 {
			out = append(out, Shift{Name: e.Key, From: from, To: to})
		}
	}
	return out
}

func (c *compiler) minutes(t text, otherwise place) (int, bool) {
	if !t.Set {
		if t.At.src == nil {
			c.out.mistake(otherwise, "the shift needs a from and a to", `write {from: "07:00", to: "19:00"}`)
		}
		return 0, false
	}
	clock, err := time.Parse("15:04", t.V)
	if err != nil {
		c.out.mistake(t.At, fmt.Sprintf("%s is no time of day", quoted(t.V)), `write it as "07:00", in quotes`)
		return 0, false
	}
	return clock.Hour()*60 + clock.Minute(), true
}
