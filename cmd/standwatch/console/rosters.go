package console

import (
	"errors"
	"net/http"
	"slices"
	"time"

	"example.net/standwatch/cmd/standwatch/access"
	"example.net/standwatch/cmd/standwatch/api"
	"example.net/standwatch/correlate"
	"example.net/standwatch/notify"
)

func (s *server) dutyRoutes() []route {
	return []route{
		{"GET /rosters", access.See, s.rosters},
		{"POST /rosters/{name}/stand-ins", access.ActLong, s.setStandIn},
		{"POST /rosters/{name}/stand-ins/{id}/end", access.ActLong, s.endStandIn},
		{"GET /alarms/{id}/explanation", access.See, s.explain},
	}
}

// rostersPage says who is on call now and in the next weeks, where nobody is or
// several are, and who stands in.
type rostersPage struct {
	Rosters []rosterView
	People  []personLink
	Problem string
	Weeks   int

	Calendars bool // their addresses are shown
}

type rosterView struct {
	ID, Name string
	Zone     string
	Now      []string
	Until    string
	Flaws    []flawView
	Turns    []turnView
	StandIns []standInView
	People   []personLink // who can stand in
}

type flawView struct{ What, From, To string }

type turnView struct {
	From, To string
	Who      []string
	StandIn  bool
	Hole     bool
	Now      bool
}

type standInView struct {
	ID, Who, For, From, To, By, Why string
	Over                            bool
}

type personLink struct{ ID, Name, Calendar string }

// rostersWeeks is how far the page looks ahead.
const rostersWeeks = 4

// rosterTime is how the page writes times: by the clock of the roster, whose
// zone stands beside its name.
const rosterTime = "Mon 2 Jan 15:04"

func rostersView(plan *notify.Plan, now time.Time, calendar func(person string) string) rostersPage {
	page := rostersPage{Weeks: rostersWeeks, Calendars: calendar != nil}
	for _, p := range plan.People() {
		link := personLink{ID: p.ID, Name: p.Name}
		if calendar != nil {
			link.Calendar = calendar(p.ID)
		}
		page.People = append(page.People, link)
	}
	for _, r := range plan.Rosters() {
		turns, _ := api.TurnsOf(plan, r.ID, now, now.Add(rostersWeeks*7*24*time.Hour)) // it is there: the plan has just listed it
		page.Rosters = append(page.Rosters, rosterOf(r, turns, now, page.People))
	}
	return page
}

func rosterOf(r notify.RosterView, turns api.Turns, now time.Time, people []personLink) rosterView {
	v := rosterView{ID: r.ID, Name: r.Name, Zone: r.Zone.String(), People: people}
	for i, t := range turns.Turns {
		turn := turnView{From: t.From.Format(rosterTime), To: t.To.Format(rosterTime), Who: namesOf(t.People), StandIn: t.StandIn, Hole: len(t.People) == 0, Now: i == 0}
		if i == 0 {
			v.Now, v.Until, turn.From = turn.Who, turn.To, "now"
		}
		switch {
		case turn.Hole:
			v.Flaws = append(v.Flaws, flawView{"Nobody is on call", turn.From, turn.To})
		case len(t.People) > 1:
			v.Flaws = append(v.Flaws, flawView{"Several are on call at once", turn.From, turn.To})
		}
		v.Turns = append(v.Turns, turn)
	}
	for _, in := range turns.StandIns {
		v.StandIns = append(v.StandIns, standInView{ID: in.ID, Who: in.Person, For: in.For, From: in.From.Format(rosterTime), To: in.To.Format(rosterTime), By: in.By, Why: in.Why, Over: !in.To.After(now)})
	}
	slices.Reverse(v.StandIns)
	return v
}

func namesOf(people []api.Person) (out []string) {
	for _, p := range people {
		out = append(out, p.Name)
	}
	return out
}

func (s *server) rosters(w http.ResponseWriter, r *http.Request) error {
	return s.showRosters(w, r, http.StatusOK, "")
}

func (s *server) showRosters(w http.ResponseWriter, r *http.Request, status int, problem string) error {
	calendar := s.Calendar
	if !access.May(r, access.ActLong) {
		calendar = nil // the address is the proof; supervisors hand it out
	}
	page := rostersView(s.Plan(), s.Now(), calendar)
	page.Problem = problem
	return s.render(w, r, status, "rosters", "Rosters", page)
}

// setStandIn answers POST /rosters/{name}/stand-ins.
func (s *server) setStandIn(w http.ResponseWriter, r *http.Request) error {
	if err := s.form(w, r); err != nil {
		return err
	}
	get := r.PostForm.Get
	want := api.StandInRequest{Person: get("person"), For: get("for"), From: localTime(get("from")), To: localTime(get("to")), Why: get("why")}
	in, err := api.NewStandIn(s.Plan(), r.PathValue("name"), want, s.Now())
	return s.rosterDone(w, r, in, err)
}

// endStandIn answers POST /rosters/{name}/stand-ins/{id}/end.
func (s *server) endStandIn(w http.ResponseWriter, r *http.Request) error {
	return s.rosterDone(w, r, &correlate.RosterAct{Action: correlate.ActEndStandIn, Roster: r.PathValue("name"), ID: r.PathValue("id")}, nil)
}

// rosterDone makes an act on a roster durable and shows the page, with what
// kept it from being done.
func (s *server) rosterDone(w http.ResponseWriter, r *http.Request, in *correlate.RosterAct, err error) error {
	var events []correlate.Event
	if err == nil {
		in.Actor, in.Via = s.Actor(r), "console"
		events, err = s.Submit(r.Context(), in)
	}
	for _, ev := range events {
		if refused, ok := ev.(*correlate.Refused); ok {
			return s.showRosters(w, r, http.StatusConflict, refused.Why)
		}
	}
	switch {
	case errors.Is(err, api.ErrBadAction):
		return s.showRosters(w, r, http.StatusUnprocessableEntity, err.Error())
	case err != nil:
		return err
	}
	http.Redirect(w, r, "/rosters", http.StatusSeeOther)
	return nil
}

// form reads a form that is not too long.
func (s *server) form(w http.ResponseWriter, r *http.Request) error {
	r.Body = http.MaxBytesReader(w, r.Body, api.MaxBody)
	if err := r.ParseForm(); err != nil {
		var tooBig *http.MaxBytesError
		if errors.As(err, &tooBig) {
			return err
		}
		return badRequest("the form cannot be read")
	}
	return nil
}

// localTime turns what a browser's field for a local time sends, 2026-12-24T18:00,
// into the form that rosters are written in.
func localTime(text string) string {
	if at, err := time.Parse("2006-01-02T15:04", text); err == nil {
		return at.Format("2006-01-02 15:04")
	}
	return text
}

// explanationPage is everything the journal has about an alarm, and who would
// be told if it rose at a time.
type explanationPage struct {
	ID      correlate.AlarmID
	About   string
	Steps   []explainedStep
	Would   *api.WouldTell
	At      string
	Problem string
}

type explainedStep struct {
	At   moment
	Seq  correlate.Seq
	What string
	Text string
}

// explain answers GET /alarms/{id}/explanation.
func (s *server) explain(w http.ResponseWriter, r *http.Request) error {
	key, err := correlate.ParseAlarmID(correlate.AlarmID(r.PathValue("id")))
	if err != nil {
		return api.ErrNoSuchAlarm
	}
	page := explanationPage{ID: key.ID(), At: r.URL.Query().Get("at")}
	if s.known(key) {
		e, err := api.ExplainOn(s.Board, s.Journal, key, s.Zone)
		if err != nil {
			return err
		}
		c := clock{s.Now(), s.Zone}
		for _, step := range e.Steps {
			page.Steps = append(page.Steps, explainedStep{c.at(step.Time), step.Seq, step.What, plain(step.Text, 600)})
		}
	}
	at, err := api.Moment(page.At, s.Now(), s.Zone)
	if err != nil {
		page.Problem = err.Error()
	}
	s.Board.Read(func(_ *correlate.State, net *correlate.Network) {
		page.About = string(key.Site) + ", " + string(key.Point)
		if p := net.Point(key); p != nil {
			page.About = p.Name + " at " + siteName(net, key.Site)
		}
		if page.Problem != "" {
			return
		}
		would, err := api.WouldTellOf(s.Plan(), net, key, 0, at)
		if err != nil {
			page.Problem = err.Error()
			return
		}
		page.Would = &would
	})
	return s.render(w, r, http.StatusOK, "explanation", "Explanation of "+page.About, page)
}
