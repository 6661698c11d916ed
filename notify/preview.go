package notify

import (
	"time"

	"example.net/standwatch/correlate"
)

// Preview is who would be told of an alarm, and when, if nobody took it.
type Preview struct {
	Route     string // name of the route; empty when none matches and nobody would be told
	BoardOnly bool
	Ladder    string
	Steps     []PreviewStep
	Ends      time.Time // when the call-out would give up; zero without a ladder
	Then      string    // the ladder that follows; empty when none does
}

// PreviewStep is one step of the climb.
type PreviewStep struct {
	At     time.Time
	Step   int // as in correlate.CallOut.Rung
	Round  int
	Told   []PreviewTold
	Nobody string // why nobody would be told
}

// PreviewTold is one message that would be sent.
type PreviewTold struct {
	Person  string
	Name    string
	Channel string
	Address string
	At      time.Time // later than the step's when quiet hours hold it
}

// Preview works out who would be told, and when, if an alarm of that severity
// rose at that instant and nobody took it. Every message is taken to arrive.
func (p *Plan) Preview(k correlate.Key, severity correlate.Severity, at time.Time) Preview {
	s, ok := p.subject(k, severity)
	if !ok {
		return Preview{}
	}
	r := p.route(s, at)
	if r == nil {
		return Preview{}
	}
	out := Preview{Route: r.Name, BoardOnly: r.BoardOnly, Ladder: r.Ladder}
	if r.BoardOnly {
		return out
	}
	l := p.ladders[r.Ladder]
	for place, more := bottom(), true; more; place, more = l.Next(place) {
		step, _ := l.At(place)
		tellings, nobody := p.tellings(step, s, at)
		v := PreviewStep{At: at, Step: place.Step, Round: place.Round, Nobody: nobody}
		for _, t := range tellings {
			for _, a := range t.over {
				v.Told = append(v.Told, PreviewTold{t.who.ID, t.who.Name, a.Gateway, a.To, t.notBefore})
			}
		}
		out.Steps = append(out.Steps, v)
		if len(tellings) > 0 || l.Top(place) {
			at = earliest(tellings, at).Add(step.Wait)
		}
	}
	out.Ends, out.Then = at, p.then[r.Ladder]
	return out
}
