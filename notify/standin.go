package notify

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/notify/roster"
)

// As returns the plan with the stand-ins that a state has. They are copied; the
// state may change afterwards. Those of people or rosters that are no longer
// there are left out.
func (p *Plan) As(st *correlate.State) *Plan {
	if len(st.StandIns) == 0 {
		return p
	}
	now := *p
	now.covers = nil
	for _, in := range st.StandIns {
		if p.people[in.Person] != nil && p.rosters[in.Roster] != nil {
			now.covers = append(now.covers, *in)
		}
	}
	slices.SortFunc(now.covers, func(a, b correlate.StandIn) int {
		// "s9" was agreed before "s10".
		return cmp.Or(cmp.Compare(len(a.ID), len(b.ID)), strings.Compare(a.ID, b.ID))
	})
	return &now
}

// StandIns lists those of a roster that were agreed while the plan was in
// force, oldest first.
func (p *Plan) StandIns(rosterID string) (out []correlate.StandIn) {
	for _, in := range p.covers {
		if in.Roster == rosterID {
			out = append(out, in)
		}
	}
	return out
}

// roster returns a roster with the stand-ins in force, or nil.
func (p *Plan) roster(id string) *roster.Roster {
	r := p.rosters[id]
	if r == nil || len(p.covers) == 0 {
		return r
	}
	var covers []roster.Cover
	for _, in := range p.covers {
		if in.Roster == id {
			covers = append(covers, roster.Cover{Person: in.Person, For: in.For, From: in.From, To: in.To})
		}
	}
	return r.With(covers)
}

// CheckStandIn says what is wrong with a stand-in that somebody wants to set,
// beside its times; "" when nothing is.
func (p *Plan) CheckStandIn(rosterID, person, instead string) string {
	switch {
	case p.rosters[rosterID] == nil:
		return "there is no roster " + rosterID
	case p.people[person] == nil:
		return "there is nobody called " + person
	case instead != "" && p.people[instead] == nil:
		return "there is nobody called " + instead
	case instead == person:
		return person + " cannot stand in for themselves"
	}
	return ""
}

// RosterTime reads a time that somebody wrote for a roster: RFC 3339, or
// "2026-12-24 18:00" by the roster's clock.
func (p *Plan) RosterTime(rosterID, text string) (time.Time, error) {
	zone := p.zone
	if r := p.rosters[rosterID]; r != nil {
		zone = r.Zone()
	}
	return roster.Instant(text, zone)
}
