package console

import (
	"fmt"
	"time"

	"example.net/standwatch/cmd/standwatch/api"
	"example.net/standwatch/correlate"
	"example.net/standwatch/notify"
)

// dutyInputLine is inputLine for what people answer and what is done to
// rosters.
func dutyInputLine(input correlate.Input) historyLine {
	switch in := input.(type) {
	case *correlate.Reply:
		who := in.Person
		if who == "" {
			who = "nobody known, " + in.From
		}
		return historyLine{What: "answer", By: plain(who, 60), Text: plain("over "+in.Gateway+": "+notify.Unlinked(in.Text), 200)}
	case *correlate.RosterAct:
		return historyLine{What: "roster", By: plain(in.Actor, 60), Text: plain(in.Roster+" "+in.Person+" "+in.Why, 200)}
	}
	panic(fmt.Sprintf("console: unlisted input %T", input))
}

// dutyLine is callOutLine for the events of answers, rosters and digests.
func dutyLine(l *historyLine, ev correlate.Event, add func(string)) {
	switch e := ev.(type) {
	case *correlate.Passed:
		l.What, l.By = "not me", e.Actor
		add("passed on, by " + e.Via)
	case *correlate.StandInSet:
		l.What, l.By = "stand-in", e.StandIn.By
		add(api.StandInWords(e.StandIn, time.UTC) + " UTC. " + e.StandIn.Why)
	case *correlate.StandInEnded:
		l.What, l.By = "stand-in ended", e.By
		add(e.ID)
	case *correlate.Piled:
		l.What, l.By = "put aside for a digest", e.Person
		add(e.Purpose + ", " + e.Why)
	case *correlate.PileEmptied:
		l.What, l.By = "digest made", e.Person
	case *correlate.Proved:
		l.What = "proof due"
		add(e.Roster + " " + e.Nobody)
	}
}
