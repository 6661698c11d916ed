package api

import (
	"fmt"
	"strings"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/notify"
)

// dutyInput is inputOf for what people answer and what is done to rosters.
func dutyInput(input correlate.Input) Input {
	switch in := input.(type) {
	case *correlate.Reply:
		return Input{Kind: "reply", Operator: in.Person, Via: in.Gateway, From: in.From, Text: notify.Unlinked(in.Text)}
	case *correlate.RosterAct:
		return Input{Kind: "roster", Operator: in.Actor, Via: in.Via, Source: in.Roster, Text: in.Why}
	}
	panic(fmt.Sprintf("api: unlisted input %T", input))
}

// dutyEvent is eventOf for the events of answers, rosters and digests.
func dutyEvent(out *Event, ev correlate.Event, zone *time.Location) {
	switch e := ev.(type) {
	case *correlate.Passed:
		out.Operator, out.Why = e.Actor, "not me"
	case *correlate.StandInSet:
		s := e.StandIn
		out.Operator, out.Until, out.Text, out.Why = s.By, in(zone, s.To), StandInWords(s, zone), s.Why
	case *correlate.StandInEnded:
		out.Operator, out.Text = e.By, "stand-in "+e.ID
	case *correlate.Piled:
		out.Operator, out.Text, out.Why, out.Until = e.Person, e.Purpose, e.Why, in(zone, e.Due)
	case *correlate.PileEmptied:
		out.Operator = e.Person
	case *correlate.Proved:
		out.Text, out.Why = e.Roster, e.Nobody
	}
}

// StandInWords says a stand-in in one line, times in zone.
func StandInWords(s correlate.StandIn, zone *time.Location) string {
	const layout = "Mon 2006-01-02 15:04"
	instead := s.For
	if instead == "" {
		instead = "whoever is on call"
	}
	return strings.Join([]string{s.Person, "for", instead, "on", s.Roster, "from", s.From.In(zone).Format(layout), "to", s.To.In(zone).Format(layout)}, " ")
}
