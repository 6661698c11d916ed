package correlate

import (
	"net/netip"
	"strings"
	"time"
)

// heard notes that an agent lives: its silence, if it stands, is over, and its
// clock starts anew.
func (e *Engine) heard(in *Arrival) {
	agent, a := e.lifeOf(in.Agent)
	if agent == nil {
		return
	}
	e.heardBy(agent, e.st.pathOf(in.From))
	if a != nil && (a.Standing || a.Wait != nil) {
		k := a.Key
		if p := e.net.Point(k); p != nil && (a.Condition || !a.Flapping) {
			e.conditionWent(k, p, "", false)
		}
	}
	if agent.Heartbeat > 0 {
		e.watch(agent)
	}
}

// watchAgents starts the clock of every agent that owes a sign of life.
func (e *Engine) watchAgents() {
	for _, id := range e.net.silence {
		agent := e.net.Agent(id)
		if agent.Heartbeat > 0 {
			e.watch(agent)
		}
		e.watchPaths(agent)
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

// PathOf returns the address of an address:port text, in the form that
// [Agent.Paths] have; "" when it is none.
func PathOf(from string) string {
	at, err := netip.ParseAddrPort(from)
	if err != nil {
		return ""
	}
	var buf [64]byte
	text := at.Addr().Unmap().AppendTo(buf[:0])
	if host := strings.Trim(hostOf(from), "[]"); host == string(text) {
		return host // as nearly all are written: nothing is allocated
	}
	return string(text)
}

// pathOf is [PathOf]. The address of one arrival is asked for twice in a row, so
// the last one is remembered.
func (s *State) pathOf(from string) string {
	if s.path.from != from {
		s.path.from, s.path.text = from, PathOf(from)
	}
	return s.path.text
}

// longSilence is the time without a sign after which an agent has to be heard
// again before its single paths are judged anew. Own choice.
const longSilence = 10 * time.Minute

// pathWatch names the clock of one path.
type pathWatch struct {
	agent AgentID
	path  string
}

// heardBy notes that an agent was heard over one of its paths.
func (e *Engine) heardBy(agent *Agent, path string) {
	if agent.PathAllowed == 0 {
		return
	}
	k := agent.PathKey(path)
	if a := e.st.Alarms[k]; a.reportedThere() {
		if p := e.net.Point(k); p != nil {
			e.conditionWent(k, p, "", false)
		}
	}
	e.watchPaths(agent)
}

// watchPaths starts the clock of every path of an agent.
func (e *Engine) watchPaths(agent *Agent) {
	if agent.PathAllowed == 0 || e.st.Started.IsZero() || e.st.Agents[agent.ID] == nil {
		return
	}
	for _, path := range agent.Paths {
		w := pathWatch{agent.ID, path}
		if _, queued := e.watchedPaths[w]; queued {
			continue
		}
		if at := e.pathSilentAt(agent, path); at.After(e.st.At) || !e.st.Alarms[agent.PathKey(path)].reportedThere() {
			e.watchedPaths[w] = at
			e.due.push(dueEntry{At: at, Kind: duePath, Key: Key{Instance: path}, Name: string(agent.ID)})
		}
	}
}

// pathSilentAt returns when a path will have been silent too long. The clock
// starts anew when the master begins to watch and when the agent as a whole
// comes back.
func (e *Engine) pathSilentAt(agent *Agent, path string) time.Time {
	s := e.st.Agents[agent.ID]
	return later(later(e.st.Started, s.Back), s.heardOver(path)).Add(agent.PathAllowed)
}

// pathDue decides whether a path has been silent too long while the agent is
// heard by another. A silence of the whole agent is the alive point's business;
// the clock starts again with the next sign.
func (e *Engine) pathDue(id AgentID, path string, queued time.Time) {
	w := pathWatch{id, path}
	if !e.watchedPaths[w].Equal(queued) {
		return
	}
	delete(e.watchedPaths, w)
	agent, s := e.net.Agent(id), e.st.Agents[id]
	if agent == nil || agent.PathAllowed == 0 || s == nil {
		return
	}
	k := agent.PathKey(path)
	p := e.net.Point(k)
	switch {
	case p == nil || e.st.Alarms[k].reportedThere():
	case e.pathSilentAt(agent, path).After(e.r.At):
		e.watchPaths(agent)
	case s.Heard.Add(agent.PathAllowed).After(e.r.At):
		text := p.AlarmWord
		if text == "" {
			text = "Path silent"
		}
		e.conditionCame(k, p, rise{Text: text + ": nothing heard from " + path + " for " + agent.PathAllowed.String() + ", though the agent is heard by another path", Since: e.r.At})
	}
}
