package correlate

import (
	"maps"
	"slices"
	"time"
)

// heard notes that an agent lives: its silence, if it stands, is over, and its
// clock starts anew.
func (e *Engine) heard(in *Arrival) {
	agent := e.net.Agent(in.Agent)
	if agent == nil || agent.Heartbeat == 0 {
		return
	}
	k := agent.AliveKey()
	if a := e.st.Alarms[k]; a != nil && (a.Standing || a.Wait != nil) {
		if p := e.net.Point(k); p != nil && (a.Condition || !a.Flapping) {
			e.conditionWent(k, p, "", false)
		}
	}
	e.watch(agent)
}

// watchAgents starts the clock of every agent that owes a sign of life.
func (e *Engine) watchAgents() {
	for _, id := range e.net.silence {
		if agent := e.net.Agent(id); agent.Heartbeat > 0 {
			e.watch(agent)
		}
	}
}

// silentAt returns when the agent will have been silent too long. Before the
// master began to watch nothing could be heard, so the clock starts there.
func (e *Engine) silentAt(agent *Agent) time.Time {
	from := e.st.Started
	if s := e.st.Agents[agent.ID]; s != nil && s.Heard.After(from) {
		from = s.Heard
	}
	return from.Add(agent.Allowed())
}

func (e *Engine) watch(agent *Agent) {
	if e.st.Started.IsZero() {
		return
	}
	if _, queued := e.watched[agent.ID]; queued {
		return
	}
	at := e.silentAt(agent)
	e.watched[agent.ID] = at
	e.due.push(dueEntry{At: at, Kind: dueAgent, Name: string(agent.ID)})
}

// agentDue decides whether an agent has been silent too long.
func (e *Engine) agentDue(id AgentID, queued time.Time) {
	if !e.watched[id].Equal(queued) {
		return
	}
	delete(e.watched, id)
	agent := e.net.Agent(id)
	if agent == nil || agent.Heartbeat == 0 {
		return
	}
	if e.silentAt(agent).After(e.r.At) {
		e.watch(agent)
		return
	}
	k := agent.AliveKey()
	p := e.net.Point(k)
	if p == nil {
		return
	}
	if a := e.st.Alarms[k]; a != nil && a.Standing && a.Condition {
		return
	}
	text := p.AlarmWord
	if text == "" {
		text = "Silent"
	}
	e.conditionCame(k, p, rise{Text: text + ": nothing heard for " + agent.Allowed().String(), Since: e.r.At})
}

func sortedPoints(site *Site) []PointID { return slices.Sorted(maps.Keys(site.Points)) }
