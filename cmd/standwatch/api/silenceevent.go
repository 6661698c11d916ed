package api

import (
	"fmt"
	"strings"
	"time"

	"example.net/standwatch/correlate"
)

func silenceInput(input correlate.Input) Input {
	switch in := input.(type) {
	case *correlate.SetSilence:
		return Input{Kind: "set-silence", Operator: in.Actor, Via: in.Via, Text: in.Reason}
	case *correlate.EndSilence:
		return Input{Kind: "end-silence", Operator: in.Actor, Via: in.Via, Text: in.Text}
	}
	switch input.(type) {
	case *correlate.ShiftTurn, *correlate.Handover:
		return shiftInput(input)
	}
	return dutyInput(input)
}

// silenceEvent fills in an event of a silence, a flood or a derived point.
func silenceEvent(out *Event, ev correlate.Event, zone *time.Location) {
	of := func(s *correlate.Silence) {
		out.Silence, out.Operator, out.Text, out.Until = s.ID, s.By, s.Reason, in(zone, s.Until)
		out.Why = s.Kind.String() + ": " + scopeWords(s.Scopes)
	}
	switch e := ev.(type) {
	case *correlate.ShiftBegan, *correlate.HandedOver, *correlate.HandoverRead:
		shiftEvent(out, ev, zone)
	case *correlate.SilenceSet:
		of(&e.Silence)
	case *correlate.SilenceBegan:
		of(&e.Silence)
	case *correlate.SilenceEnded:
		out.Silence, out.Operator, out.Text, out.Why = e.ID, e.Actor, e.Text, e.Why
	case *correlate.Suppressed:
		out.Silence, out.Why, out.Until = e.By, e.What.String(), in(zone, e.Until)
	case *correlate.FloodBegan:
		out.Times = e.Count
	case *correlate.FloodEnded:
		out.Times, out.Why = e.Count, fmt.Sprintf("since %s", in(zone, e.Since).Format(time.RFC3339))
	case *correlate.Computed:
		out.Text, out.Why = e.Err, map[bool]string{true: "holds", false: "does not hold"}[e.Holds]
	}
}

func scopeWords(scopes []correlate.Scope) string {
	var words []string
	for _, s := range scopes {
		words = append(words, s.String())
	}
	return strings.Join(words, ", ")
}
