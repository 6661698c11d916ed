package api

import (
	"cmp"
	"fmt"
	"net/http"
	"slices"
	"time"

	"example.net/standwatch/cmd/standwatch/access"
	"example.net/standwatch/correlate"
	"example.net/standwatch/notify"
)

// Turns is the answer to GET /rosters/{name}/turns: who is on call from From to
// To, without gaps; a turn without people is a hole, one with several a double.
type Turns struct {
	Roster   string    `json:"roster"`
	Name     string    `json:"name"`
	From     time.Time `json:"from"`
	To       time.Time `json:"to"`
	Turns    []Turn    `json:"turn"`
	StandIns []StandIn `json:"stand-in"`
}

// Turn is a time in which the same people are on call.
type Turn struct {
	From    time.Time `json:"from"`
	To      time.Time `json:"to"`
	People  []Person  `json:"people"`
	StandIn bool      `json:"stands-in,omitempty"`
}

// StandIn is one that was agreed while the master ran.
type StandIn struct {
	ID     string    `json:"id"`
	Roster string    `json:"roster"`
	Person string    `json:"person"`
	For    string    `json:"for,omitempty"`
	From   time.Time `json:"from"`
	To     time.Time `json:"to"`
	By     string    `json:"by,omitempty"`
	Via    string    `json:"via,omitempty"`
	Why    string    `json:"why,omitempty"`
}

// StandInRequest is the body of POST /rosters/{name}/stand-ins. Times are RFC
// 3339, or "2026-12-24 18:00" by the roster's clock; without For the person
// stands in for whoever is on call.
type StandInRequest struct {
	Person string `json:"person"`
	For    string `json:"for,omitempty"`
	From   string `json:"from"`
	To     string `json:"to"`
	Why    string `json:"why,omitempty"`
}

// turnsAhead is how far turns are listed when nothing is said, and at most.
const (
	turnsAhead   = 4 * 7 * 24 * time.Hour
	turnsAtMost  = 366 * 24 * time.Hour
	wordsAtMost  = 200
	standInsLast = 366 * 24 * time.Hour
)

func (s *server) dutyRoutes() []route {
	return []route{
		{"GET", "/rosters/{name}/turns", access.See, s.handle(s.turns)},
		{"POST", "/rosters/{name}/stand-ins", access.ActLong, s.handle(s.standIn)},
		{"POST", "/rosters/{name}/stand-ins/{id}/end", access.ActLong, s.handle(s.endStandIn)},
		{"GET", "/alarms/{id}/explanation", access.See, s.handle(s.explanation)},
		{"GET", "/would-tell", access.See, s.handle(s.wouldTell)},
	}
}

func (s *server) turns(w http.ResponseWriter, r *http.Request) error {
	p := params(r, "from", "to")
	from, to := p.time("from"), p.time("to")
	if p.err != nil {
		return p.err
	}
	if from.IsZero() {
		from = s.Now()
	}
	if to.IsZero() {
		to = from.Add(turnsAhead)
	}
	if !to.After(from) || to.Sub(from) > turnsAtMost {
		return problem(http.StatusBadRequest, "to has to come after from, by a year at most")
	}
	out, ok := TurnsOf(s.Plan(), r.PathValue("name"), from, to)
	if !ok {
		return problem(http.StatusNotFound, fmt.Sprintf("there is no roster %q", r.PathValue("name")))
	}
	return writeJSON(w, out)
}

// TurnsOf lists the turns of a roster, times in its zone; ok is false when there
// is none of that ID.
func TurnsOf(plan *notify.Plan, roster string, from, to time.Time) (out Turns, ok bool) {
	i := slices.IndexFunc(plan.Rosters(), func(v notify.RosterView) bool { return v.ID == roster })
	if i < 0 {
		return Turns{}, false
	}
	view := plan.Rosters()[i]
	out = Turns{Roster: view.ID, Name: view.Name, From: from.In(view.Zone), To: to.In(view.Zone), Turns: []Turn{}, StandIns: []StandIn{}}
	for _, t := range plan.Turns(roster, from, to) {
		turn := Turn{From: t.From.In(view.Zone), To: t.To.In(view.Zone), StandIn: t.StandIn, People: []Person{}}
		for _, id := range t.People {
			person, _ := plan.Person(id) // an ID alone says who, if the name is gone
			turn.People = append(turn.People, Person{ID: id, Name: cmp.Or(person.Name, id)})
		}
		out.Turns = append(out.Turns, turn)
	}
	for _, in := range plan.StandIns(roster) {
		if in.To.After(from) && in.From.Before(to) {
			out.StandIns = append(out.StandIns, standInOf(in, view.Zone))
		}
	}
	return out, true
}

func standInOf(in correlate.StandIn, zone *time.Location) StandIn {
	return StandIn{in.ID, in.Roster, in.Person, in.For, in.From.In(zone), in.To.In(zone), in.By, in.Via, in.Why}
}

// NewStandIn checks what somebody wants and returns the input for it. The error
// wraps [ErrBadAction].
func NewStandIn(plan *notify.Plan, roster string, want StandInRequest, now time.Time) (*correlate.RosterAct, error) {
	bad := func(what string) (*correlate.RosterAct, error) { return nil, fmt.Errorf("%w: %s", ErrBadAction, what) }
	if what := plan.CheckStandIn(roster, want.Person, want.For); what != "" {
		return bad(what)
	}
	from, err := plan.RosterTime(roster, want.From)
	if err != nil {
		return bad("from: " + err.Error())
	}
	to, err := plan.RosterTime(roster, want.To)
	if err != nil {
		return bad("to: " + err.Error())
	}
	why := PlainText(want.Why)
	switch {
	case !to.After(from):
		return bad("it has to end after it begins")
	case !to.After(now):
		return bad("it would be over already")
	case to.Sub(from) > standInsLast:
		return bad("it may last a year at most")
	case len(why) > wordsAtMost:
		return bad("the reason is longer than 200 characters")
	}
	return &correlate.RosterAct{Action: correlate.ActStandIn, Roster: roster, Person: want.Person, For: want.For, From: from, To: to, Why: why}, nil
}

func (s *server) standIn(w http.ResponseWriter, r *http.Request) error {
	var want StandInRequest
	if err := readBody(w, r, &want); err != nil {
		return err
	}
	roster := r.PathValue("name")
	if _, ok := TurnsOf(s.Plan(), roster, s.Now(), s.Now().Add(time.Minute)); !ok {
		return problem(http.StatusNotFound, fmt.Sprintf("there is no roster %q", roster))
	}
	in, err := NewStandIn(s.Plan(), roster, want, s.Now())
	if err != nil {
		return err
	}
	in.Actor, in.Via = s.Actor(r), "api"
	set, err := s.onRoster(r, in)
	if err != nil {
		return err
	}
	w.Header().Set("Location", base+"/rosters/"+roster+"/turns")
	return writeJSON(w, set)
}

func (s *server) endStandIn(w http.ResponseWriter, r *http.Request) error {
	roster, id := r.PathValue("name"), r.PathValue("id")
	if !slices.ContainsFunc(s.Plan().StandIns(roster), func(in correlate.StandIn) bool { return in.ID == id }) {
		return problem(http.StatusNotFound, fmt.Sprintf("the roster %q has no stand-in %q", roster, id))
	}
	before := slices.Clone(s.Plan().StandIns(roster))
	if _, err := s.onRoster(r, &correlate.RosterAct{Action: correlate.ActEndStandIn, Roster: roster, ID: id, Actor: s.Actor(r), Via: "api"}); err != nil {
		return err
	}
	i := slices.IndexFunc(before, func(in correlate.StandIn) bool { return in.ID == id })
	ended := before[i]
	if now := s.Now(); ended.To.After(now) {
		ended.To = now
	}
	return writeJSON(w, standInOf(ended, s.Zone))
}

// onRoster makes an act on a roster durable and returns the stand-in that it
// set, if it did.
func (s *server) onRoster(r *http.Request, in *correlate.RosterAct) (set StandIn, err error) {
	events, err := s.Submit(r.Context(), in)
	if err != nil {
		return StandIn{}, fmt.Errorf("submit an act on the roster %s: %w", in.Roster, err)
	}
	for _, ev := range events {
		switch e := ev.(type) {
		case *correlate.Refused:
			return StandIn{}, problem(http.StatusConflict, e.Why)
		case *correlate.StandInSet:
			set = standInOf(e.StandIn, s.Zone)
		}
	}
	return set, nil
}
