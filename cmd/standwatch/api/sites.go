package api

import (
	"fmt"
	"maps"
	"net/http"
	"slices"
	"time"

	"example.net/standwatch/correlate"
)

// SiteList is the answer to GET /sites.
type SiteList struct {
	Sites []Site `json:"site"`
}

// Site is a site with how it fares. Points and Agents are there only when one
// site is asked for.
type Site struct {
	ID       correlate.SiteID   `json:"id"`
	Name     string             `json:"name"`
	Region   string             `json:"region,omitempty"`
	Crew     string             `json:"crew,omitempty"`
	Tags     []string           `json:"tag,omitempty"`
	Zone     string             `json:"zone,omitempty"`
	Upstream correlate.SiteID   `json:"upstream,omitempty"`
	Access   string             `json:"access,omitempty"`
	Caution  string             `json:"caution,omitempty"`
	Standing int                `json:"standing"`
	Untaken  int                `json:"untaken"`
	Worst    correlate.Severity `json:"worst,omitzero"`
	Doubtful bool               `json:"doubtful"` // all agents that owe a sign of life are silent
	Points   []Point            `json:"point,omitempty"`
	Agents   []Agent            `json:"agent,omitempty"`
	Notes    []SiteNote         `json:"note,omitempty"` // newest first, of one site only
}

// Point is a point with its alarms and last value, one for each instance.
type Point struct {
	ID       correlate.PointID  `json:"id"`
	Name     string             `json:"name"`
	Kind     string             `json:"kind"`
	Severity correlate.Severity `json:"severity,omitzero"` // configured
	Number   int                `json:"number,omitempty"`
	Unit     string             `json:"unit,omitempty"`
	States   []PointState       `json:"state,omitempty"`
}

// PointState is what is known of one instance of a point.
type PointState struct {
	Instance string            `json:"instance,omitempty"`
	Alarm    correlate.AlarmID `json:"alarm,omitempty"`
	Standing bool              `json:"standing"`
	Value    *float64          `json:"value,omitempty"`
	At       time.Time         `json:"at,omitzero"`
	Level    string            `json:"level,omitempty"`
}

// Agent is an agent with when it was last heard.
type Agent struct {
	ID       correlate.AgentID `json:"id"`
	Heard    time.Time         `json:"heard,omitzero"`
	From     string            `json:"from,omitempty"`
	Arrivals uint64            `json:"arrivals"`
	Silent   bool              `json:"silent"`
	OwesSign string            `json:"owes-sign-every,omitempty"` // heartbeat plus grace, as a Go duration
	Audit    *Asked            `json:"audit,omitempty"`
}

func (s *server) sites(w http.ResponseWriter, r *http.Request) error {
	p := params(r)
	if p.err != nil {
		return p.err
	}
	out := SiteList{Sites: []Site{}}
	s.Board.Read(func(st *correlate.State, net *correlate.Network) {
		boards := map[correlate.SiteID][]*correlate.Alarm{}
		for _, a := range st.Board() {
			boards[a.Key.Site] = append(boards[a.Key.Site], a)
		}
		for _, id := range net.Sites() {
			out.Sites = append(out.Sites, siteOf(st, net, net.Site(id), boards[id]))
		}
	})
	return writeJSON(w, out)
}

func (s *server) site(w http.ResponseWriter, r *http.Request) error {
	if p := params(r); p.err != nil {
		return p.err
	}
	id := correlate.SiteID(r.PathValue("id"))
	var out Site
	found := false
	s.Board.Read(func(st *correlate.State, net *correlate.Network) {
		site := net.Site(id)
		if site == nil {
			return
		}
		found = true
		var board []*correlate.Alarm
		for _, a := range st.Board() {
			if a.Key.Site == id {
				board = append(board, a)
			}
		}
		out = siteOf(st, net, site, board)
		out.Points = s.points(st, site)
		out.Agents = s.agents(st, net, site)
	})
	if !found {
		return problem(http.StatusNotFound, fmt.Sprintf("there is no site %q", id))
	}
	var err error
	if out.Notes, err = NotesOf(s.Journal, id, s.Zone); err != nil {
		return err
	}
	return writeJSON(w, out)
}

func siteOf(st *correlate.State, net *correlate.Network, site *correlate.Site, board []*correlate.Alarm) Site {
	out := Site{ID: site.ID, Name: site.Name, Region: site.Region, Crew: site.Crew, Tags: site.Tags, Upstream: site.Upstream,
		Access: site.Access, Caution: site.Caution, Doubtful: Doubtful(st, net, site)}
	if site.Zone != nil {
		out.Zone = site.Zone.String()
	}
	for _, a := range board {
		out.Standing++
		out.Worst = max(out.Worst, a.Severity)
		if Untaken(a) {
			out.Untaken++
		}
	}
	return out
}

// Doubtful reports whether nothing can be known of a site: it has agents that
// owe a sign of life, and all of those are silent.
func Doubtful(st *correlate.State, net *correlate.Network, site *correlate.Site) bool {
	owing, silent := 0, 0
	for _, id := range site.Agents {
		if a := net.Agent(id); a != nil && a.Allowed() > 0 {
			owing++
			if Silent(st, a) {
				silent++
			}
		}
	}
	return owing > 0 && owing == silent
}

// Silent reports whether the alarm of an agent's silence stands.
func Silent(st *correlate.State, a *correlate.Agent) bool {
	alarm := st.Alarms[a.AliveKey()]
	return alarm != nil && alarm.Standing
}

func (s *server) points(st *correlate.State, site *correlate.Site) []Point {
	states := map[correlate.PointID]map[string]*PointState{}
	at := func(k correlate.Key) *PointState {
		if states[k.Point] == nil {
			states[k.Point] = map[string]*PointState{}
		}
		if states[k.Point][k.Instance] == nil {
			states[k.Point][k.Instance] = &PointState{Instance: k.Instance}
		}
		return states[k.Point][k.Instance]
	}
	for k, a := range st.Alarms {
		if k.Site == site.ID && a.Episodes > 0 {
			ps := at(k)
			ps.Alarm, ps.Standing = k.ID(), a.Standing
		}
	}
	for k, reading := range st.Readings {
		if k.Site == site.ID {
			ps := at(k)
			ps.Value, ps.At, ps.Level = &reading.Value, in(s.Zone, reading.At), reading.Level
		}
	}
	var out []Point
	for _, id := range slices.Sorted(maps.Keys(site.Points)) {
		p := site.Points[id]
		point := Point{ID: id, Name: p.Name, Kind: p.Kind.String(), Severity: p.Severity, Number: p.Number, Unit: p.Unit}
		for _, instance := range slices.Sorted(maps.Keys(states[id])) {
			ps := *states[id][instance]
			if ps.Value != nil {
				v := *ps.Value // State lends; a copy leaves
				ps.Value = &v
			}
			point.States = append(point.States, ps)
		}
		out = append(out, point)
	}
	return out
}

func (s *server) agents(st *correlate.State, net *correlate.Network, site *correlate.Site) (out []Agent) {
	for _, id := range site.Agents {
		agent := net.Agent(id)
		if agent == nil {
			continue
		}
		a := Agent{ID: id, Silent: Silent(st, agent)}
		if allowed := agent.Allowed(); allowed > 0 {
			a.OwesSign = allowed.String()
		}
		if known := st.Agents[id]; known != nil {
			a.Heard, a.From, a.Arrivals = in(s.Zone, known.Heard), known.From, known.Arrivals
		}
		a.Audit = AskedOf(st, s.Auditor, id, s.Zone)
		out = append(out, a)
	}
	return out
}

// RosterList is the answer to GET /rosters.
type RosterList struct {
	At      time.Time `json:"at"`
	Rosters []Duty    `json:"roster"`
}

func (s *server) rosters(w http.ResponseWriter, r *http.Request) error {
	p := params(r, "at")
	at := p.time("at")
	if p.err != nil {
		return p.err
	}
	if at.IsZero() {
		at = s.Now()
	}
	return writeJSON(w, RosterList{At: in(s.Zone, at), Rosters: s.duties(at)})
}

func (s *server) roster(w http.ResponseWriter, r *http.Request) error {
	p := params(r, "at")
	at := p.time("at")
	if p.err != nil {
		return p.err
	}
	if at.IsZero() {
		at = s.Now()
	}
	for _, d := range s.duties(at) {
		if d.Roster == r.PathValue("name") {
			return writeJSON(w, d)
		}
	}
	return problem(http.StatusNotFound, fmt.Sprintf("there is no roster %q", r.PathValue("name")))
}

func (s *server) duties(at time.Time) []Duty {
	out := []Duty{}
	for _, d := range s.OnCall(at) {
		d.Until = in(s.Zone, d.Until)
		if d.People == nil {
			d.People = []Person{}
		}
		out = append(out, d)
	}
	return out
}
