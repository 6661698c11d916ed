package console

import (
	"net/http"

	"example.net/standwatch/cmd/standwatch/api"
	"example.net/standwatch/correlate"
)

// askedLine is how asking an agent for its true state stands.
type askedLine struct {
	Agent     correlate.AgentID
	Questions []string
	State     string // "waiting", "asking" or ""
	Next      moment
	Asked     moment
	Answered  moment
	From      string
	Said      string // what the last answer brought
	Failure   string
	Failures  int
	Why, By   string
}

// askedOf returns how asking an agent stands, nil if nothing is asked of it.
func askedOf(c clock, src source, id correlate.AgentID) *askedLine {
	a := api.AskedOf(src.st, src.auditor, id, c.zone)
	if a == nil {
		return nil
	}
	l := &askedLine{Agent: id, Questions: a.Questions, Next: c.at(a.Next), Asked: c.at(a.Asked), Answered: c.at(a.Answered), From: a.From,
		Failure: plain(a.Failure, 400), Failures: a.Failures, Why: a.Why, By: plain(a.Operator, 60)}
	if a.State != "idle" {
		l.State = a.State
	}
	if l.Answered.Is() {
		l.Said = plain(api.AskedText(a), 400)
	}
	return l
}

// askedAgents lists the agents of a site that are asked something.
func askedAgents(c clock, src source, s *correlate.Site) (out []askedLine) {
	for _, id := range s.Agents {
		if l := askedOf(c, src, id); l != nil {
			out = append(out, *l)
		}
	}
	return out
}

// askSite answers POST /sites/{id}/ask: a form without fields.
func (s *server) askSite(w http.ResponseWriter, r *http.Request) error {
	id := correlate.SiteID(r.PathValue("id"))
	if err := s.ask(r, id, correlate.Key{}); err != nil {
		return err
	}
	http.Redirect(w, r, "/sites/"+string(id)+"#s-asked", http.StatusSeeOther)
	return nil
}

// askAlarm answers POST /alarms/{id}/ask: with a value of all, all that the
// remote is asked, else the point alone.
func (s *server) askAlarm(w http.ResponseWriter, r *http.Request) error {
	key, err := correlate.ParseAlarmID(correlate.AlarmID(r.PathValue("id")))
	if err != nil || !s.known(key) {
		return api.ErrNoSuchAlarm
	}
	r.Body = http.MaxBytesReader(w, r.Body, api.MaxBody)
	if err := r.ParseForm(); err != nil {
		return badRequest("the form cannot be read")
	}
	only := key
	if r.PostForm.Get("all") != "" {
		only = correlate.Key{}
	}
	if err := s.ask(r, key.Site, only); err != nil {
		return s.notDone(w, r, key, err)
	}
	http.Redirect(w, r, back(r.PostForm, key), http.StatusSeeOther)
	return nil
}

func (s *server) ask(r *http.Request, site correlate.SiteID, only correlate.Key) error {
	there := false
	s.Board.Read(func(_ *correlate.State, net *correlate.Network) { there = net.Site(site) != nil })
	switch {
	case !there:
		return notFound("there is no site of that name")
	case s.Auditor == nil:
		return problemOf(http.StatusConflict, api.ErrNothingToAsk.Error())
	}
	_, err := s.Auditor.Ask(site, "", only, s.Actor(r))
	return api.AskProblem(err)
}

// audited shows what was read when an agent was asked.
func (s *server) audited(e *evidenceView, in *correlate.Audit, key correlate.Key) {
	e.Came = "found by audit: agent " + string(in.Agent) + " was asked, " + in.Why
	if in.Actor != "" {
		e.Came = "found by audit: " + plain(in.Actor, 60) + " had agent " + string(in.Agent) + " asked"
	}
	e.Agent, e.Secure = in.Agent, in.Secure
	e.Trap = "Read from " + in.From
	if in.Failure != "" {
		e.Trap, e.Why = "Not answered", plain(in.Failure, 400)
	}
	c := clock{now: s.Now(), zone: s.Zone}
	for _, f := range in.Findings {
		if f.Observation.Key != key {
			continue
		}
		e.Facts = append(e.Facts, facts([]correlate.Observation{f.Observation}, key)...)
		e.Vars = append(e.Vars, variable{s.namedText(f.OID), "asked at " + c.at(f.Asked).Clock(), plain(f.Value, 400)})
	}
	for _, a := range in.Absent {
		if a.Point == key.Point && len(e.Facts) == 0 {
			e.Facts = append(e.Facts, factView{What: "clear, by audit", Text: "The agent's table of alarms, read to its end, does not have it any more."})
			e.Vars = append(e.Vars, variable{s.namedText(a.OID), "asked at " + c.at(a.Asked).Clock(), "no row of it"})
		}
	}
}
