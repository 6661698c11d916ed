package console

import (
	"cmp"
	"net/http"
	"slices"

	"example.net/standwatch/cmd/standwatch/api"
	"example.net/standwatch/correlate"
)

// wallPage is what a screen on the wall shows: nothing to press, legible from
// across a room, one panel for each region.
type wallPage struct {
	Said    sentence
	Regions []wallRegion
	Calm    []string // regions where nothing stands
}

type wallRegion struct {
	Name     string
	Sites    int // all that it has
	Troubled int
	Standing int
	Untaken  int
	Doubtful []string // sites of which nothing was heard in time
	Lines    []wallLine
	More     int
	worst    correlate.Severity
}

// wallLine is one alarm that stands by itself.
type wallLine struct {
	ID       correlate.AlarmID
	Site     string
	What     string
	Severity correlate.Severity
	Untaken  bool
	Who      string
	Since    moment
	Explains int
}

// wallLines is how many alarms a panel shows, the worst and oldest first.
const wallLines = 8

func wallView(c clock, src source) wallPage {
	page := wallPage{Said: sentenceOf(c, src)}
	regions := map[string]*wallRegion{}
	of := func(id correlate.SiteID) *wallRegion {
		name := "No region"
		if s := src.net.Site(id); s != nil {
			name = cmp.Or(s.Region, name)
		}
		if id == correlate.SiteSelf {
			name = siteName(src.net, id)
		}
		if regions[name] == nil {
			regions[name] = &wallRegion{Name: name}
		}
		return regions[name]
	}
	for _, id := range src.net.Sites() {
		r := of(id)
		r.Sites++
		if s := src.net.Site(id); id != correlate.SiteSelf && api.Doubtful(src.st, src.net, s) {
			r.Doubtful = append(r.Doubtful, siteName(src.net, id))
		}
	}
	under, own := map[correlate.Key]int{}, []*correlate.Alarm{}
	for _, a := range src.st.Alarms {
		if !a.OnBoard() || a.Shelf != nil {
			continue
		}
		if top := topCause(src.st, a); top != nil {
			under[top.Key]++
			continue
		}
		own = append(own, a)
	}
	slices.SortFunc(own, api.WorstFirst)
	troubled := map[correlate.SiteID]bool{}
	for _, a := range own {
		r := of(a.Key.Site)
		r.Standing++
		r.worst = max(r.worst, a.Severity)
		if api.Untaken(a) {
			r.Untaken++
		}
		if !troubled[a.Key.Site] {
			troubled[a.Key.Site] = true
			r.Troubled++
		}
		if len(r.Lines) == wallLines {
			r.More++
			continue
		}
		r.Lines = append(r.Lines, wallLine{ID: a.Key.ID(), Site: siteName(src.net, a.Key.Site), What: pointWords(src.net, a), Severity: a.Severity, Untaken: api.Untaken(a),
			Who: plain(a.AckBy, 30), Since: c.at(a.Raised), Explains: under[a.Key]})
	}
	for _, r := range regions {
		if r.Standing == 0 && len(r.Doubtful) == 0 {
			page.Calm = append(page.Calm, r.Name)
			continue
		}
		page.Regions = append(page.Regions, *r)
	}
	slices.Sort(page.Calm)
	slices.SortFunc(page.Regions, func(a, b wallRegion) int {
		return cmp.Or(cmp.Compare(b.worst, a.worst), cmp.Compare(b.Untaken, a.Untaken), cmp.Compare(a.Name, b.Name))
	})
	return page
}

func (s *server) wall(w http.ResponseWriter, r *http.Request) error {
	var page wallPage
	if err := s.read(r, func(c clock, src source) { page = wallView(c, src) }); err != nil {
		return err
	}
	return s.render(w, r, http.StatusOK, "wall", "Wall", page)
}
