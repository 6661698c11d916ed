package console

import (
	"cmp"
	"maps"
	"net/http"
	"slices"
	"time"

	"example.net/standwatch/cmd/standwatch/access"
	"example.net/standwatch/cmd/standwatch/api"
	"example.net/standwatch/correlate"
)

// sitesPage lists all sites, by region.
type sitesPage struct{ Regions []regionView }

type regionView struct {
	Name  string
	Sites []siteLine
}

// siteLine is one site of the list.
type siteLine struct {
	ID       correlate.SiteID
	Name     string
	Worst    correlate.Severity // 0: nothing stands
	Standing int
	Untaken  int
	Doubtful bool
	Upstream string
	Heard    moment
	Points   int
}

// sitePage is one site with all that is known of it.
type sitePage struct {
	siteLine
	Region, Crew, Access, Caution string
	Tags                          []string
	UpstreamID                    correlate.SiteID
	LocalTime                     string // there, where it differs
	Located                       bool
	Latitude, Longitude           float64
	Links                         []outsideLink
	Cameras                       []cameraView
	Agents                        []agentLine
	Asked                         []askedLine
	Points                        []pointLine
	Below                         []siteLine // sites that hang on it
	Notes                         []noteLine // newest first
	MayAct                        bool
	Refused                       string // why a note was not written down
	Written                       string // and what it was to be
}

// noteLine is a note about a site, or about one of its alarms.
type noteLine struct {
	At    moment
	By    string
	Text  string
	About string // the point, for one about an alarm
	Alarm correlate.AlarmID
}

// agentLine is an agent with when it was last heard.
type agentLine struct {
	ID       correlate.AgentID
	Heard    moment
	From     string
	Arrivals uint64
	Owes     string // how often it owes a sign of life
	Silent   bool
}

// pointLine is one point, or one instance of it.
type pointLine struct {
	ID       correlate.PointID
	Name     string
	Instance string
	Kind     string
	Class    string
	Number   int
	State    string // "alarm", "normal", "in doubt", "never heard"
	Severity correlate.Severity
	Alarm    correlate.AlarmID
	Since    moment
	Value    string
	ValueAt  moment
	Level    string
	Gauge    *gauge
	Limits   string
	Trend    string // address of its chart
	Shelved  bool
}

// gauge places a reading among its limits, in percent of the drawing.
type gauge struct {
	At    share
	Zones []zone
}

// zone is a stretch beyond a limit.
type zone struct {
	X, Width share
	Severity correlate.Severity
}

func sitesView(c clock, src source) sitesPage {
	var page sitesPage
	boards := boardBySite(src.st)
	at := map[string]int{}
	for _, id := range src.net.Sites() {
		s := src.net.Site(id)
		i, ok := at[s.Region]
		if !ok {
			i = len(page.Regions)
			at[s.Region] = i
			page.Regions = append(page.Regions, regionView{Name: s.Region})
		}
		page.Regions[i].Sites = append(page.Regions[i].Sites, lineOf(c, src, s, boards[id]))
	}
	return page
}

func boardBySite(st *correlate.State) map[correlate.SiteID][]*correlate.Alarm {
	out := map[correlate.SiteID][]*correlate.Alarm{}
	for _, a := range st.Alarms {
		if a.OnBoard() {
			out[a.Key.Site] = append(out[a.Key.Site], a)
		}
	}
	return out
}

func lineOf(c clock, src source, s *correlate.Site, board []*correlate.Alarm) siteLine {
	l := siteLine{ID: s.ID, Name: siteName(src.net, s.ID), Standing: len(board), Doubtful: api.Doubtful(src.st, src.net, s), Points: len(s.Points)}
	if s.Upstream != "" {
		l.Upstream = siteName(src.net, s.Upstream)
	}
	for _, a := range board {
		l.Worst = max(l.Worst, a.Severity)
		if api.Untaken(a) {
			l.Untaken++
		}
	}
	var heard time.Time
	for _, id := range s.Agents {
		if a := src.st.Agents[id]; a != nil && a.Heard.After(heard) {
			heard = a.Heard
		}
	}
	l.Heard = c.at(heard)
	return l
}

func siteView(c clock, src source, s *correlate.Site) sitePage {
	boards := boardBySite(src.st)
	page := sitePage{siteLine: lineOf(c, src, s, boards[s.ID]), Region: s.Region, Crew: s.Crew, Access: s.Access, Caution: s.Caution, Tags: s.Tags,
		UpstreamID: s.Upstream, Located: s.Located, Latitude: s.Latitude, Longitude: s.Longitude, Links: outside(s.Links), Cameras: cameraViews(s), Points: pointLines(c, src, s), Asked: askedAgents(c, src, s)}
	if s.Zone != nil && offset(c.now.In(s.Zone)) != offset(c.now.In(c.zone)) {
		page.LocalTime = c.now.In(s.Zone).Format("15:04 MST")
	}
	for _, id := range s.Agents {
		if a := src.net.Agent(id); a != nil {
			page.Agents = append(page.Agents, agentOf(c, src.st, a))
		}
	}
	for _, id := range src.net.Sites() {
		if below := src.net.Site(id); below.Upstream == s.ID {
			page.Below = append(page.Below, lineOf(c, src, below, boards[id]))
		}
	}
	return page
}

func agentOf(c clock, st *correlate.State, a *correlate.Agent) agentLine {
	l := agentLine{ID: a.ID, Silent: api.Silent(st, a)}
	if a.Heartbeat > 0 {
		l.Owes = short(a.Heartbeat) + " + " + short(a.Grace)
	}
	if known := st.Agents[a.ID]; known != nil {
		l.Heard, l.From, l.Arrivals = c.at(known.Heard), known.From, known.Arrivals
	}
	return l
}

// pointLines lists a site's points: what stands first, then by number and name.
func pointLines(c clock, src source, s *correlate.Site) []pointLine {
	instances := map[correlate.PointID]map[string]bool{}
	note := func(k correlate.Key) {
		if k.Site != s.ID {
			return
		}
		if instances[k.Point] == nil {
			instances[k.Point] = map[string]bool{}
		}
		instances[k.Point][k.Instance] = true
	}
	for k, a := range src.st.Alarms {
		if a.Episodes > 0 {
			note(k)
		}
	}
	for k := range src.st.Readings {
		note(k)
	}
	doubtful := api.Doubtful(src.st, src.net, s)
	var out []pointLine
	for id, p := range s.Points {
		names := slices.Sorted(maps.Keys(instances[id]))
		if len(names) == 0 {
			names = []string{""}
		}
		for _, instance := range names {
			k := correlate.Key{Site: s.ID, Point: id, Instance: instance}
			asked := doubtful && api.KnownByAudit(src.st, src.net, src.auditor, k)
			l := pointOf(c, src.st, p, k, doubtful && !asked)
			if asked && l.State == "normal" {
				l.State = "normal when asked"
			}
			out = append(out, l)
		}
	}
	standing := func(l pointLine) int {
		if l.State == "alarm" {
			return 1
		}
		return 0
	}
	slices.SortFunc(out, func(a, b pointLine) int {
		return cmp.Or(cmp.Compare(standing(b), standing(a)), cmp.Compare(cmp.Compare(0, a.Number), cmp.Compare(0, b.Number)), cmp.Compare(a.Number, b.Number),
			cmp.Compare(a.Name, b.Name), cmp.Compare(a.ID, b.ID), cmp.Compare(a.Instance, b.Instance))
	})
	return out
}

func pointOf(c clock, st *correlate.State, p *correlate.Point, k correlate.Key, doubtful bool) pointLine {
	l := pointLine{ID: p.ID, Name: p.Name, Instance: plain(k.Instance, 60), Kind: p.Kind.String(), Class: p.Class, Number: p.Number, State: "normal", Limits: limitsText(p)}
	a := st.Alarms[k]
	if a != nil && a.Episodes > 0 {
		l.Alarm, l.Since, l.Shelved = k.ID(), c.at(a.Cleared), a.Shelf != nil
	}
	reading := st.Readings[k]
	if reading != nil {
		l.Value, l.ValueAt, l.Level, l.Gauge = valueText(p, reading.Value), c.at(reading.At), reading.Level, gaugeOf(p, reading.Value)
	}
	if p.Kind == correlate.Analog {
		l.Trend = trendHref(k)
	}
	switch {
	case a != nil && a.OnBoard():
		l.State, l.Severity, l.Since = "alarm", a.Severity, c.at(a.Raised)
	case doubtful && p.Kind != correlate.Alive:
		l.State = "in doubt"
	case p.Kind == correlate.Analog && reading == nil:
		l.State = "no value yet"
	case p.Kind == correlate.Entry:
		l.State = "no event yet"
		if at, ok := st.Events[k]; ok {
			l.State, l.Since = "last event", c.at(at)
		}
	}
	return l
}

func limitsText(p *correlate.Point) string {
	var parts []string
	for _, l := range []struct {
		word  string
		limit *correlate.Limit
	}{{"low-low", p.Limits.LowLow}, {"low", p.Limits.Low}, {"high", p.Limits.High}, {"high-high", p.Limits.HighHigh}} {
		if l.limit != nil {
			parts = append(parts, l.word+" "+valueText(p, l.limit.At))
		}
	}
	return list(parts)
}

// gaugeOf draws a reading among its limits, nil when there is none.
func gaugeOf(p *correlate.Point, v float64) *gauge {
	lims := p.Limits
	var at []float64
	for _, l := range []*correlate.Limit{lims.LowLow, lims.Low, lims.High, lims.HighHigh} {
		if l != nil {
			at = append(at, l.At)
		}
	}
	if len(at) == 0 {
		return nil
	}
	low, high := slices.Min(append(at, v)), slices.Max(append(at, v))
	pad := (high - low) * 0.25
	if pad == 0 {
		pad = 1
	}
	low, high = low-pad, high+pad
	x := func(value float64) share { return share(100 * (value - low) / (high - low)) }
	g := &gauge{At: x(v)}
	for _, z := range []struct {
		limit *correlate.Limit
		below bool
	}{{lims.Low, true}, {lims.LowLow, true}, {lims.High, false}, {lims.HighHigh, false}} {
		switch {
		case z.limit == nil:
		case z.below:
			g.Zones = append(g.Zones, zone{0, x(z.limit.At), z.limit.Severity})
		default:
			g.Zones = append(g.Zones, zone{x(z.limit.At), 100 - x(z.limit.At), z.limit.Severity})
		}
	}
	return g
}

func (s *server) sites(w http.ResponseWriter, r *http.Request) error {
	var page sitesPage
	if err := s.read(r, func(c clock, src source) { page = sitesView(c, src) }); err != nil {
		return err
	}
	return s.render(w, r, http.StatusOK, "sites", "Sites", page)
}

func (s *server) site(w http.ResponseWriter, r *http.Request) error {
	return s.showSite(w, r, http.StatusOK, "", "")
}

// showSite shows a site, and why a note about it was refused.
func (s *server) showSite(w http.ResponseWriter, r *http.Request, status int, refused, written string) error {
	var page *sitePage
	id := correlate.SiteID(r.PathValue("id"))
	notes, err := api.NotesOf(s.Journal, id, s.Zone)
	if err != nil {
		return err
	}
	err = s.read(r, func(c clock, src source) {
		if site := src.net.Site(id); site != nil {
			view := siteView(c, src, site)
			view.Notes = noteLines(c, src.net, notes)
			page = &view
		}
	})
	switch {
	case err != nil:
		return err
	case page == nil:
		return notFound("there is no site of that name")
	}
	page.MayAct, page.Refused, page.Written = access.May(r, access.Act), upperFirst(refused), written
	return s.render(w, r, status, "site", page.Name, page)
}

// notesFresh is how many notes are shown unfolded.
const notesFresh = 3

// NewNotes are the notes shown at once.
func (p *sitePage) NewNotes() []noteLine { return p.Notes[:min(len(p.Notes), notesFresh)] }

// OldNotes are those to be unfolded.
func (p *sitePage) OldNotes() []noteLine { return p.Notes[min(len(p.Notes), notesFresh):] }

func noteLines(c clock, net *correlate.Network, notes []api.SiteNote) (out []noteLine) {
	for _, n := range notes {
		l := noteLine{At: c.at(n.Time), By: plain(n.Operator, 60), Text: plain(n.Text, api.MaxText), Alarm: n.Alarm}
		if key, err := correlate.ParseAlarmID(n.Alarm); err == nil {
			l.About = string(key.Point)
			if p := net.Point(key); p != nil {
				l.About = p.Name
			}
		}
		out = append(out, l)
	}
	return out
}

// noteSite answers POST /sites/{id}/note.
func (s *server) noteSite(w http.ResponseWriter, r *http.Request) error {
	r.Body = http.MaxBytesReader(w, r.Body, api.MaxBody)
	if err := r.ParseForm(); err != nil {
		return badRequest("the form cannot be read")
	}
	id := correlate.SiteID(r.PathValue("id"))
	act, err := api.NewSiteNote(s.Board, id, correlate.Act{Actor: s.Actor(r), Via: "console", Text: r.PostForm.Get("text")}, s.Now())
	if err == nil {
		err = api.Do(r.Context(), s.Submit, act)
	}
	if err != nil {
		p, known := api.ProblemOf(err)
		if !known || p.Status == http.StatusNotFound {
			return err
		}
		return s.showSite(w, r, p.Status, p.Detail, r.PostForm.Get("text"))
	}
	http.Redirect(w, r, "/sites/"+string(id)+"#s-notes", http.StatusSeeOther)
	return nil
}
