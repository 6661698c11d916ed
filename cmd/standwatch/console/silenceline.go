package console

import (
	"strings"

	"example.net/standwatch/correlate"
)

func silenceInputLine(input correlate.Input) historyLine {
	switch in := input.(type) {
	case *correlate.SetSilence:
		return historyLine{What: "silence asked for", By: plain(in.Actor, 60), Text: plain(in.Reason, 200)}
	case *correlate.EndSilence:
		return historyLine{What: "end of a silence asked for", By: plain(in.Actor, 60), Text: plain(string(in.ID), 80)}
	case *correlate.ShiftTurn:
		return historyLine{What: "shift", Text: plain(in.Name, 60)}
	case *correlate.Handover:
		return historyLine{What: "handover", By: plain(in.Actor, 60), Text: plain(in.Text, 200)}
	}
	return dutyInputLine(input)
}

// silenceLine words an event of a silence, a flood or a derived point.
func silenceLine(l *historyLine, ev correlate.Event, add func(string)) {
	of := func(what string, s *correlate.Silence) {
		l.What, l.By, l.Text = what+map[correlate.SilenceKind]string{correlate.OutOfService: " (out of service)", correlate.Maintenance: " (maintenance)"}[s.Kind], s.By, scopeText(s.Scopes)
		add(s.Reason)
	}
	switch e := ev.(type) {
	case *correlate.ShiftBegan:
		l.What, l.Text = "shift begins", plain(e.Name, 60)
		add(count(len(e.Standing), "alarm stands", "alarms stand"))
	case *correlate.HandedOver:
		l.What, l.By, l.Text = "handover", e.Actor, plain(e.Text, 200)
	case *correlate.HandoverRead:
		l.What, l.By, l.Text = "handover read", e.Actor, plain(e.Shift, 60)
	case *correlate.SilenceSet:
		of("silence set", &e.Silence)
	case *correlate.SilenceBegan:
		of("silence began", &e.Silence)
	case *correlate.SilenceEnded:
		l.What, l.By, l.Text = "silence ended", e.Actor, scopeText(e.Scopes)
		add(e.Why)
		add(e.Text)
	case *correlate.Suppressed:
		l.What = "suppressed"
		add(e.What.String() + ", nobody is told")
	case *correlate.Unsuppressed:
		l.What = "no longer suppressed"
	case *correlate.FloodBegan:
		l.What, l.Text = "flood began", count(e.Count, "new alarm", "new alarms")+" within ten minutes"
	case *correlate.FloodEnded:
		l.What, l.Text = "flood ended", count(e.Count, "alarm was told", "alarms were told")+" in it"
	case *correlate.Computed:
		if e.Err != "" {
			l.What = "cannot be computed"
			add(e.Err)
			return
		}
		l.What = map[bool]string{true: "computed: holds", false: "computed: does not hold"}[e.Holds]
	}
}

func scopeText(scopes []correlate.Scope) string {
	var words []string
	for _, s := range scopes {
		words = append(words, s.String())
	}
	return strings.Join(words, ", ")
}
