package api

import (
	"errors"
	"fmt"
	"net/http"
	"strings"
	"time"

	"example.net/standwatch/correlate"
)

// ErrNothingToAsk is returned when nothing is configured that the agents of a
// site, or the one that is meant, are asked.
var ErrNothingToAsk = errors.New("nothing is configured that these agents are asked")

// Auditor asks agents for their true state.
type Auditor interface {
	// Ask asks the agents of a site as soon as may be, or the one that is named,
	// for everything or for one point. It returns those that will be asked, or
	// an error that wraps ErrNothingToAsk.
	Ask(site correlate.SiteID, agent correlate.AgentID, only correlate.Key, actor string) ([]correlate.AgentID, error)
	// Plan says how an agent stands in the plan of asking.
	Plan(agent correlate.AgentID) AuditPlan
	// Covers reports whether the last answer of an agent told the state of a
	// point, and when it was asked.
	Covers(agent correlate.AgentID, k correlate.Key) (at time.Time, ok bool)
}

// AuditPlan is how an agent stands in the plan of asking.
type AuditPlan struct {
	Questions []string  // what it is asked; none: nothing
	Waiting   bool      // it will be asked as soon as may be
	Running   bool      // it is being asked
	Next      time.Time // when on schedule; zero: never
}

// Asked is how asking an agent stands, and how it went the last time.
type Asked struct {
	Questions []string  `json:"question,omitempty"`
	State     string    `json:"state"` // "idle", "waiting" or "asking"
	Next      time.Time `json:"next,omitzero"`
	Asked     time.Time `json:"asked,omitzero"`
	Answered  time.Time `json:"answered,omitzero"`
	From      string    `json:"from,omitempty"`
	Failure   string    `json:"failure,omitempty"`
	Failures  int       `json:"failures,omitempty"` // in a row
	Trouble   string    `json:"trouble,omitempty"`
	Read      int       `json:"read,omitempty"`
	Raised    int       `json:"raised,omitempty"`
	Cleared   int       `json:"cleared,omitempty"`
	Why       string    `json:"why,omitempty"`
	Operator  string    `json:"operator,omitempty"`
}

// AskRequest is the body of POST /sites/{id}/ask. All of it may be left out.
type AskRequest struct {
	Agent    correlate.AgentID `json:"agent,omitempty"`
	Point    correlate.PointID `json:"point,omitempty"`
	Instance string            `json:"instance,omitempty"`
}

// AskReply lists the agents that will be asked.
type AskReply struct {
	Agents []AskedAgent `json:"agent"`
}

// AskedAgent is an agent with how asking it stands.
type AskedAgent struct {
	ID    correlate.AgentID `json:"id"`
	Audit Asked             `json:"audit"`
}

// AskedOf returns how asking an agent stands, nil if nothing is asked of it.
func AskedOf(st *correlate.State, auditor Auditor, id correlate.AgentID, zone *time.Location) *Asked {
	if auditor == nil {
		return nil
	}
	plan := auditor.Plan(id)
	if len(plan.Questions) == 0 {
		return nil
	}
	out := &Asked{Questions: plan.Questions, State: "idle", Next: in(zone, plan.Next)}
	switch {
	case plan.Running:
		out.State = "asking"
	case plan.Waiting:
		out.State = "waiting"
	}
	if a := st.Audits[id]; a != nil {
		out.Asked, out.Answered, out.From = in(zone, a.Asked), in(zone, a.Answered), a.From
		out.Failure, out.Failures, out.Trouble = a.Failure, a.Failures, a.Trouble
		out.Read, out.Raised, out.Cleared, out.Why, out.Operator = a.Read, a.Raised, a.Cleared, a.Why, a.Actor
	}
	return out
}

// KnownByAudit reports whether a point's state is known although the agents of
// its site are silent: one of them has told it since, when it was asked.
func KnownByAudit(st *correlate.State, net *correlate.Network, auditor Auditor, k correlate.Key) bool {
	site := net.Site(k.Site)
	if auditor == nil || site == nil {
		return false
	}
	for _, id := range site.Agents {
		at, ok := auditor.Covers(id, k)
		if agent := net.Agent(id); ok && agent != nil {
			silence := st.Alarms[agent.AliveKey()]
			if silence == nil || at.After(silence.Raised) {
				return true
			}
		}
	}
	return false
}

// askSite answers POST /sites/{id}/ask.
func (s *server) askSite(w http.ResponseWriter, r *http.Request) error {
	var body AskRequest
	if err := readBody(w, r, &body); err != nil {
		return err
	}
	only := correlate.Key{}
	if body.Point != "" {
		only = correlate.Key{Site: correlate.SiteID(r.PathValue("id")), Point: body.Point, Instance: body.Instance}
	}
	return s.ask(w, r, correlate.SiteID(r.PathValue("id")), body.Agent, only)
}

// askAlarm answers POST /alarms/{id}/ask: the alarm's point is read now.
func (s *server) askAlarm(w http.ResponseWriter, r *http.Request) error {
	key, err := s.alarmKey(r)
	if err != nil {
		return err
	}
	return s.ask(w, r, key.Site, "", key)
}

func (s *server) ask(w http.ResponseWriter, r *http.Request, site correlate.SiteID, agent correlate.AgentID, only correlate.Key) error {
	fault := ""
	s.Board.Read(func(_ *correlate.State, net *correlate.Network) {
		switch {
		case net.Site(site) == nil:
			fault = fmt.Sprintf("there is no site %q", site)
		case !only.IsZero() && net.Point(only) == nil:
			fault = fmt.Sprintf("site %q has no point %q", site, only.Point)
		}
	})
	if fault != "" {
		return problem(http.StatusNotFound, fault)
	}
	if s.Auditor == nil {
		return problem(http.StatusConflict, ErrNothingToAsk.Error())
	}
	agents, err := s.Auditor.Ask(site, agent, only, s.Actor(r))
	if err != nil {
		return AskProblem(err)
	}
	reply := AskReply{Agents: []AskedAgent{}}
	s.Board.Read(func(st *correlate.State, _ *correlate.Network) {
		for _, id := range agents {
			if a := AskedOf(st, s.Auditor, id, s.Zone); a != nil {
				reply.Agents = append(reply.Agents, AskedAgent{id, *a})
			}
		}
	})
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(http.StatusAccepted)
	return writeJSON(w, reply)
}

// AskProblem says in HTTP why an agent will not be asked.
func AskProblem(err error) error {
	if errors.Is(err, ErrNothingToAsk) {
		return problem(http.StatusConflict, err.Error())
	}
	return err
}

// AuditedText says in words how asking an agent went.
func AuditedText(e *correlate.Audited) string {
	if e.Failure != "" {
		return "not answered: " + e.Failure
	}
	return auditText(e.Read, e.Raised, e.Cleared, e.Late, e.Trouble)
}

// AskedText says in words what the last answer of an agent brought.
func AskedText(a *Asked) string {
	return auditText(a.Read, a.Raised, a.Cleared, 0, a.Trouble)
}

func auditText(read, raised, cleared, late int, trouble string) string {
	parts := []string{fmt.Sprintf("%d states and values read", read)}
	if read == 1 {
		parts[0] = "1 state or value read"
	}
	for _, part := range []struct {
		n    int
		text string
	}{{raised, "found standing"}, {cleared, "found over"}, {late, "overtaken by newer reports"}} {
		if part.n > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", part.n, part.text))
		}
	}
	text := strings.Join(parts, ", ")
	if trouble != "" {
		text += "; but " + trouble
	}
	return text
}
