package audit

import (
	"maps"
	"slices"

	"example.net/standwatch/correlate"
)

// Reasons for asking, as the journal and the pages say them.
const (
	WhySchedule = "on schedule"
	WhyStart    = "the master started"
	WhyRestart  = "the agent restarted"
	WhySilence  = "its silence ended"
	WhyGap      = "notifications were missed"
	WhyConfig   = "its configuration changed"
	WhyLate     = "it spoke while it was asked"
	WhyAsked    = "somebody asked"
	WhyFailed   = "it did not answer"
)

// Cause says that an agent is to be asked, and why.
type Cause struct {
	Agent correlate.AgentID
	Why   string
}

// Watch reads out of committed records when agents are to be asked because
// something may have been missed. It is used by one goroutine.
type Watch struct {
	boots    map[string]uint32            // by engine ID octets
	sequence map[correlate.AgentID]uint32 // the count in the newest notification
}

// NewWatch returns a watch that goes on from what is known of engines.
func NewWatch(engines map[string]*correlate.EngineClock) *Watch {
	w := &Watch{boots: map[string]uint32{}, sequence: map[correlate.AgentID]uint32{}}
	for id, c := range engines {
		w.boots[id] = c.Boots
	}
	return w
}

// Causes returns which agents a record gives cause to ask.
func (w *Watch) Causes(r *correlate.Record, net *correlate.Network) (out []Cause) {
	switch in := r.Input.(type) {
	case *correlate.Arrival:
		if why := w.arrived(in); why != "" {
			out = append(out, Cause{in.Agent, why})
		}
	case *correlate.Start:
		clear(w.sequence)
		for _, site := range net.Sites() {
			for _, id := range net.Site(site).Agents {
				out = append(out, Cause{id, WhyStart})
			}
		}
	}
	for _, ev := range r.Events {
		switch e := ev.(type) {
		case *correlate.AlarmCleared:
			if !e.Audit {
				out = append(out, silenceEnded(e.Key, net)...)
			}
		case *correlate.FlapTurned:
			if !e.Standing {
				out = append(out, silenceEnded(e.Key, net)...)
			}
		case *correlate.Audited:
			if e.Late > 0 {
				out = append(out, Cause{e.Agent, WhyLate})
			}
		}
	}
	return out
}

// arrived says why a notification gives cause to ask its sender, or "".
func (w *Watch) arrived(in *correlate.Arrival) (why string) {
	if in.Agent == "" || in.RunAgain != 0 {
		return ""
	}
	if in.Restart {
		why = WhyRestart
	}
	if len(in.EngineID) > 0 && in.Version == "v3" {
		known, before := w.boots[string(in.EngineID)]
		if before && in.Boots > known {
			why = WhyRestart
		}
		w.boots[string(in.EngineID)] = max(known, in.Boots)
	}
	if in.HasSequence {
		last, before := w.sequence[in.Agent]
		// Numbers wrap at 2^32. A step back is a reordered notification or a
		// count that began anew, which comes with a restart.
		step := in.Sequence - last
		if before && step > 1 && step < 1<<31 && why == "" {
			why = WhyGap
		}
		if !before || step < 1<<31 || in.Restart {
			w.sequence[in.Agent] = in.Sequence
		}
	}
	return why
}

// silenceEnded returns the agents whose alive point a key is.
func silenceEnded(k correlate.Key, net *correlate.Network) (out []Cause) {
	p, site := net.Point(k), net.Site(k.Site)
	if p == nil || p.Kind != correlate.Alive {
		return nil
	}
	for _, id := range site.Agents {
		if a := net.Agent(id); a != nil && a.Heartbeat > 0 && a.AliveKey() == k {
			out = append(out, Cause{id, WhySilence})
		}
	}
	return out
}

// Agents lists the agents of targets in order.
func Agents(targets map[correlate.AgentID]*Target) []correlate.AgentID {
	return slices.Sorted(maps.Keys(targets))
}
