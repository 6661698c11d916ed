package console

import (
	"errors"
	"net/http"
	"strings"
	"time"

	"example.net/standwatch/cmd/standwatch/access"
	"example.net/standwatch/cmd/standwatch/api"
	"example.net/standwatch/correlate"
)

// silencesPage lists everything of which nobody is told, or which cannot be
// known, with the time that is left of it.
type silencesPage struct {
	Problem   string
	May       bool // the reader may set and end silences
	Open      []silenceView
	Planned   []silenceView
	Shelved   []quietView
	Flapping  []quietView
	Held      []quietView
	Explained []quietView
	Doubtful  []doubtView
	Faults    []faultView
	Lengths   []shelfEnd
	Asked     silenceForm
}

// silenceView is a window or what is out of service.
type silenceView struct {
	ID          correlate.SilenceID
	Kind        string // "maintenance" or "out of service"
	Covers      string
	From, Until moment
	Reason, By  string
	Configured  bool
	Alarms      []link
	Severity    correlate.Severity // worst under it
}

// quietView is an alarm of which nobody is told for now.
type quietView struct {
	Alarm    link
	Since    moment
	Until    moment
	By, Why  string
	Count    int
	Severity correlate.Severity
}

// doubtView is a silent agent.
type doubtView struct {
	Agent        correlate.AgentID
	Site         link
	Alarm        link
	Since, Heard moment
}

// faultView is a derived point that cannot be computed.
type faultView struct {
	Point    string
	Why      string
	Failures int
	Since    moment
}

// silenceForm is what was asked for, so that a refused form keeps its words.
type silenceForm struct{ Kind, Covers, Reason string }

func silencesView(c clock, src source) silencesPage {
	s := api.SilencesOf(src.st, src.net, c.now, c.zone)
	page := silencesPage{Lengths: silenceLengths(), Asked: silenceForm{Kind: correlate.Maintenance.String()}}
	for _, v := range s.Silences {
		if v.Open {
			page.Open = append(page.Open, silenceOf(c, src, v))
		} else {
			page.Planned = append(page.Planned, silenceOf(c, src, v))
		}
	}
	for _, v := range s.Coming {
		page.Planned = append(page.Planned, silenceOf(c, src, v))
	}
	for _, list := range []struct {
		from []api.Quiet
		to   *[]quietView
	}{{s.Shelved, &page.Shelved}, {s.Flapping, &page.Flapping}, {s.Held, &page.Held}, {s.Explained, &page.Explained}} {
		for _, q := range list.from {
			*list.to = append(*list.to, quietView{Alarm: linkTo(src, q.Alarm), Since: c.at(q.Since), Until: c.at(q.Until), By: plain(q.By, 60), Why: plain(q.Why, api.MaxText), Count: q.Count, Severity: q.Severity})
		}
	}
	for _, d := range s.Doubtful {
		page.Doubtful = append(page.Doubtful, doubtView{Agent: d.Agent, Site: link{Text: siteName(src.net, d.Site), Href: "/sites/" + string(d.Site)}, Alarm: linkTo(src, d.Alarm), Since: c.at(d.Since), Heard: c.at(d.Heard)})
	}
	for _, f := range s.Faults {
		page.Faults = append(page.Faults, faultView{Point: siteName(src.net, f.Site) + ": " + string(f.Point), Why: plain(f.Why, 300), Failures: f.Failures, Since: c.at(f.Since)})
	}
	return page
}

func silenceOf(c clock, src source, s api.Silence) silenceView {
	v := silenceView{ID: s.ID, Kind: strings.ReplaceAll(s.Kind, "-", " "), From: c.at(s.From), Until: c.at(s.Until), Reason: plain(s.Reason, api.MaxText), By: plain(s.By, 60), Configured: s.Configured}
	var covers []string
	for _, scope := range s.Scopes {
		covers = append(covers, correlate.Scope(scope).String())
	}
	v.Covers = strings.Join(covers, ", ")
	for _, id := range s.Alarms {
		l := linkTo(src, id)
		v.Severity = max(v.Severity, l.Severity)
		v.Alarms = append(v.Alarms, l)
	}
	return v
}

// linkTo leads to an alarm.
func linkTo(src source, id correlate.AlarmID) link {
	key, err := correlate.ParseAlarmID(id)
	if a := src.st.Alarms[key]; err == nil && a != nil {
		return *alarmLink(src.net, a)
	}
	return link{Text: string(id), Href: alarmHref(id)}
}

// silenceLengths are the lengths offered; the engine bounds them all.
func silenceLengths() []shelfEnd {
	return append(shelfEnds(), shelfEnd{"720h", "30 days"})
}

func (s *server) silences(w http.ResponseWriter, r *http.Request) error {
	return s.showSilences(w, r, http.StatusOK, "", silenceForm{Kind: correlate.Maintenance.String()})
}

func (s *server) showSilences(w http.ResponseWriter, r *http.Request, status int, problem string, asked silenceForm) error {
	var page silencesPage
	if err := s.read(r, func(c clock, src source) { page = silencesView(c, src) }); err != nil {
		return err
	}
	page.Problem, page.Asked, page.May = problem, asked, access.May(r, access.Act)
	return s.render(w, r, status, "silences", "Silences", page)
}

// setSilence answers the form that makes a silence.
func (s *server) setSilence(w http.ResponseWriter, r *http.Request) error {
	if err := parseForm(w, r); err != nil {
		return err
	}
	form := r.PostForm
	q := api.SilenceRequest{Kind: form.Get("kind"), Reason: form.Get("text"), Scopes: scopesIn(form.Get("covers"))}
	if at := form.Get("from"); at != "" {
		from, err := time.ParseInLocation("2006-01-02T15:04", at, s.Zone)
		if err != nil {
			return badRequest("the beginning cannot be read")
		}
		q.From = from
	}
	begin := s.Now()
	if q.From.After(begin) {
		begin = q.From
	}
	q.Until = until(form, begin, s.Zone)
	input, err := api.NewSilence(q, r, s.Actor(r), "console")
	if err == nil {
		_, err = api.DoSilence(r.Context(), s.Submit, input)
	}
	return s.silenceDone(w, r, err, silenceForm{q.Kind, form.Get("covers"), q.Reason})
}

// endSilence answers the form that ends one.
func (s *server) endSilence(w http.ResponseWriter, r *http.Request) error {
	if err := parseForm(w, r); err != nil {
		return err
	}
	input := &correlate.EndSilence{ID: correlate.SilenceID(r.PathValue("id")), Actor: s.Actor(r), Via: "console", Text: api.PlainText(r.PostForm.Get("text"))}
	_, err := api.DoSilence(r.Context(), s.Submit, input)
	return s.silenceDone(w, r, err, silenceForm{Kind: correlate.Maintenance.String()})
}

func (s *server) silenceDone(w http.ResponseWriter, r *http.Request, err error, asked silenceForm) error {
	if err == nil {
		http.Redirect(w, r, "/silences", http.StatusSeeOther)
		return nil
	}
	p, known := api.ProblemOf(err)
	if !known {
		return err
	}
	return s.showSilences(w, r, p.Status, p.Detail, asked)
}

func parseForm(w http.ResponseWriter, r *http.Request) error {
	r.Body = http.MaxBytesReader(w, r.Body, api.MaxBody)
	err := r.ParseForm()
	var tooBig *http.MaxBytesError
	switch {
	case errors.As(err, &tooBig):
		return err
	case err != nil:
		return badRequest("the form cannot be read")
	}
	return nil
}

// scopesIn reads what people write and what the page shows: site, site/point,
// site/point:instance, "agent name", "tag name" and "tag name/point", with
// commas between several.
func scopesIn(text string) (out []api.Scope) {
	for part := range strings.SplitSeq(text, ",") {
		part = strings.TrimSpace(part)
		if part == "" {
			continue
		}
		var s api.Scope
		head, point, _ := strings.Cut(part, "/")
		id, instance, _ := strings.Cut(point, ":")
		s.Point, s.Instance = correlate.PointID(id), instance
		switch kind, name, found := strings.Cut(head, " "); {
		case found && kind == "agent":
			s.Agent = correlate.AgentID(strings.TrimSpace(name))
		case found && kind == "tag":
			s.Tag = strings.TrimSpace(name)
		default:
			s.Site = correlate.SiteID(head)
		}
		out = append(out, s)
	}
	return out
}
