package configs

import (
	"cmp"
	"fmt"
	"maps"
	"net/url"
	"reflect"
	"slices"
	"strings"

	"example.net/standwatch/correlate"
)

// template is a point sheet. Points that come out the same at every site are
// built once and shared by all of them.
type template struct {
	at     place
	shape  *templateShape
	same   []bool // by index: built alike everywhere
	shared []*correlate.Point
}

func (c *compiler) addTemplates(list entries[templateShape]) {
	for i := range list {
		e := &list[i]
		if !c.id("a template", e.Key, e.At) {
			continue
		}
		if other := c.templates[e.Key]; other != nil {
			c.out.mistake(e.At, fmt.Sprintf("template %q is there twice", e.Key), "the other is at "+other.at.at()+"; rename one")
			continue
		}
		t := &template{at: e.At, shape: &e.V, same: make([]bool, len(e.V.Points)), shared: make([]*correlate.Point, len(e.V.Points))}
		for j, p := range e.V.Points {
			t.same[j] = !strings.Contains(p.Key, "{") && p.V.same()
		}
		c.templates[e.Key] = t
	}
}

// same reports whether a point refers to nothing that differs between sites.
func (p *pointShape) same() bool {
	if p.ExplainedBy != nil || p.ExcusedBy != nil || p.When != nil {
		return false
	}
	v := reflect.ValueOf(p).Elem()
	for i := range v.NumField() {
		if t, ok := v.Field(i).Interface().(*text); ok && t != nil && strings.Contains(t.V, "{") {
			return false
		}
	}
	return true
}

// filled returns a copy of the shape with its parameters filled in.
func (p *pointShape) filled(out *collector, w *words) *pointShape {
	if w == nil || p.same() {
		return p
	}
	cp := *p
	v := reflect.ValueOf(&cp).Elem()
	for i := range v.NumField() {
		if t, ok := v.Field(i).Interface().(*text); ok && t != nil {
			v.Field(i).Set(reflect.ValueOf(fillText(out, w, *t)))
		}
	}
	if p.ExplainedBy != nil {
		refs := slices.Clone(*p.ExplainedBy)
		for i := range refs {
			refs[i] = *fillText(out, w, refs[i])
		}
		cp.ExplainedBy = &refs
	}
	if p.ExcusedBy != nil {
		excuses := slices.Clone(*p.ExcusedBy)
		for i := range excuses {
			excuses[i].Event = *fillText(out, w, excuses[i].Event)
		}
		cp.ExcusedBy = &excuses
	}
	return &cp
}

func fillText(out *collector, w *words, t text) *text {
	t.V = w.fill(out, t.V, t.At)
	return &t
}

// declareSites makes the sites without their points, so that sites may name
// each other in any order.
func (c *compiler) declareSites(list entries[siteShape]) {
	for i := range list {
		e := &list[i]
		if !c.id("a site", e.Key, e.At) {
			continue
		}
		id := correlate.SiteID(e.Key)
		if other := c.byID[id]; other != nil {
			c.out.mistake(e.At, fmt.Sprintf("site %q is there twice", id), "the other is at "+other.at.at()+"; give one of them another ID")
			continue
		}
		site := c.siteOf(id, &e.V)
		c.sites = append(c.sites, site)
		c.byID[id] = &siteEntry{site: site, shape: &e.V, at: e.At}
	}
}

func (c *compiler) siteOf(id correlate.SiteID, s *siteShape) *correlate.Site {
	site := &correlate.Site{ID: id, Name: s.Name.or(wordsOf(string(id))), Region: s.Region.V, Crew: s.Crew.V, Zone: c.zone(s.TimeZone),
		Access: s.Access.V, Caution: s.Caution.V, Points: map[correlate.PointID]*correlate.Point{}}
	for _, t := range s.Tags {
		site.Tags = append(site.Tags, t.V)
	}
	if at := s.Coordinates; at != nil {
		site.Located, site.Latitude, site.Longitude = true, at.Latitude.V, at.Longitude.V
		if !at.Latitude.Set || !at.Longitude.Set {
			c.out.mistake(at.Here, "coordinates need a latitude and a longitude", "write {latitude: 40.01, longitude: -105.27}")
		}
		if at.Latitude.V < -90 || at.Latitude.V > 90 || at.Longitude.V < -180 || at.Longitude.V > 180 {
			c.out.mistake(at.Here, "the coordinates lie outside the world", "latitude is -90 to 90, longitude -180 to 180 degrees")
		}
	}
	for _, l := range s.Links {
		if link, ok := c.link(l, "http", "https", "ssh"); ok {
			site.Links = append(site.Links, link)
		}
	}
	for _, l := range s.Cameras {
		if link, ok := c.link(l, "http", "https"); ok {
			site.Cameras = append(site.Cameras, link)
		}
	}
	return site
}

// link checks an address that pages offer, or that the console fetches.
func (c *compiler) link(l linkShape, schemes ...string) (correlate.WebLink, bool) {
	known := strings.Join(schemes[:len(schemes)-1], ", ") + " or " + schemes[len(schemes)-1]
	u, err := url.Parse(l.URL.V)
	switch {
	case !l.URL.Set:
		c.out.mistake(l.Here, "the link has no url", "write url: and a "+known+" address")
		return correlate.WebLink{}, false
	case !sshName(u) && !c.noLogin(l.URL, "whoever follows the link logs in there"):
		return correlate.WebLink{}, false
	case err != nil || u.Host == "" || !slices.Contains(schemes, u.Scheme):
		c.out.mistake(l.URL.At, quoted(l.URL.V)+" is no address that a page may offer", "write a "+known+" address, such as https://remote.example.net/")
		return correlate.WebLink{}, false
	}
	return correlate.WebLink{Name: l.Name.or(u.Host), URL: l.URL.V}, true
}

// sshName reports whether an address says, before its host, only as whom to log
// in to a shell.
func sshName(u *url.URL) bool {
	if u == nil || u.Scheme != "ssh" {
		return false
	}
	_, password := u.User.Password()
	return !password
}

// buildSites gives the declared sites their upstream, points and agents.
func (c *compiler) buildSites() {
	for _, site := range c.sites {
		e := c.byID[site.ID]
		c.upstream(e)
		c.points(e)
	}
	c.loops()
	for _, r := range c.later {
		c.checkRef(r)
	}
	c.later = nil
	c.reportRefs()
	for _, site := range c.sites {
		c.siteAgents(c.byID[site.ID])
	}
}

// addPoints lays point lists that stand outside their sites over them.
func (c *compiler) addPoints(lists entries[pointEntries]) {
	for _, l := range lists {
		e := c.byID[correlate.SiteID(l.Key)]
		if e == nil {
			c.out.mistake(l.At, "points: there is no site "+quoted(l.Key), DidYouMean(l.Key, c.siteIDs()))
			continue
		}
		e.shape.Points = append(e.shape.Points, l.V...)
	}
}

// sitePlaces is where each site is configured.
func (c *compiler) sitePlaces() map[correlate.SiteID]Pos {
	out := make(map[correlate.SiteID]Pos, len(c.byID))
	for id, e := range c.byID {
		out[id] = e.at.pos()
	}
	return out
}

func (c *compiler) siteIDs() []string {
	ids := make([]string, len(c.sites))
	for i, s := range c.sites {
		ids[i] = string(s.ID)
	}
	return ids
}

func (c *compiler) upstream(e *siteEntry) {
	up := e.shape.Upstream
	if !up.Set || up.V == "" {
		return
	}
	if c.byID[correlate.SiteID(up.V)] == nil {
		c.out.mistake(up.At, fmt.Sprintf("upstream: there is no site %s", quoted(up.V)), DidYouMean(up.V, c.siteIDs()))
		return
	}
	e.site.Upstream = correlate.SiteID(up.V)
}

// loops finds sites whose transport hangs on themselves, and cuts them so that
// the rest can be checked.
func (c *compiler) loops() {
	for _, site := range c.sites {
		path := []string{string(site.ID)}
		for at := site.Upstream; at != "" && len(path) <= len(c.sites); at = c.byID[at].site.Upstream {
			path = append(path, string(at))
			if at == site.ID {
				c.out.mistake(c.byID[site.ID].shape.Upstream.At, "the transport tree has a loop: "+strings.Join(path, " hangs on "), "remove the upstream of the site where the transport begins")
				site.Upstream = ""
				break
			}
		}
	}
}

// layer is a point of a site while its templates and own points are laid over
// each other.
type layer struct {
	shape *pointShape
	words *words // nil: filled in already
	at    place
	from  *template // nil: more than one layer, or the site's own
	index int
}

type layers struct {
	c     *compiler
	site  *siteEntry
	by    map[string]*layer
	order []string
}

func (c *compiler) points(e *siteEntry) {
	l := &layers{c: c, site: e, by: map[string]*layer{}}
	params := map[string]bool{}
	all := c.builtIn(e.site)
	for i := range e.shape.Templates {
		use := &e.shape.Templates[i]
		t := c.templates[use.Use.V]
		if t == nil {
			if use.Use.Set {
				c.out.mistake(use.Use.At, "there is no template "+quoted(use.Use.V), c.templateMend(use.Use.V))
			}
			continue
		}
		w := c.wordsFor(e, use, t, params)
		maps.Copy(all, w.values)
		for j := range t.shape.Points {
			l.put(&t.shape.Points[j], w, t, j)
		}
	}
	c.checkWith(e.shape.With, params, e.at)
	for _, p := range e.shape.With {
		all[p.Key] = p.V.V
	}
	own := &words{values: all}
	for j := range e.shape.Points {
		l.put(&e.shape.Points[j], own, nil, j)
	}
	l.build()
}

func (c *compiler) builtIn(s *correlate.Site) map[string]string {
	return map[string]string{"site": string(s.ID), "site-name": s.Name, "region": s.Region, "crew": s.Crew, "upstream": string(s.Upstream)}
}

// templateMend suggests a template that there is.
func (c *compiler) templateMend(name string) string {
	known := slices.DeleteFunc(slices.Collect(maps.Keys(c.templates)), func(t string) bool { return t == string(correlate.SiteSelf) })
	return cmp.Or(DidYouMean(name, known), "templates stand under templates: in a file below "+sitesFolder)
}

// wordsFor gathers the parameters of one use of a template, and notes in params
// which there are.
func (c *compiler) wordsFor(e *siteEntry, use *useShape, t *template, params map[string]bool) *words {
	w := &words{values: c.builtIn(e.site), missing: map[string]bool{}}
	own := map[string]bool{}
	for _, p := range t.shape.Parameters {
		params[p.Key], own[p.Key] = true, true
		given := use.With.get(p.Key)
		if given == nil {
			given = e.shape.With.get(p.Key)
		}
		switch {
		case given != nil:
			w.values[p.Key] = given.V
		case p.V.Set:
			w.values[p.Key] = p.V.V
		default:
			w.missing[p.Key] = true
			c.out.mistake(use.Use.At, fmt.Sprintf("template %s needs a value for {%s}", use.Use.V, p.Key), fmt.Sprintf("add with: {%s: ...} to the site, or a default to the template", p.Key))
		}
	}
	c.checkWith(use.With, own, use.Use.At)
	return w
}

func (c *compiler) checkWith(with entries[text], params map[string]bool, at place) {
	for _, w := range with {
		if !params[w.Key] {
			c.out.mistake(w.At, fmt.Sprintf("no template that is taken here has a parameter %s", quoted(w.Key)), DidYouMean(w.Key, slices.Collect(maps.Keys(params))))
		}
	}
}

// put lays a point over what there is of it so far.
func (l *layers) put(e *entry[*pointShape], w *words, t *template, index int) {
	if e.V == nil {
		return
	}
	id := w.fill(l.c.out, e.Key, e.At)
	below := l.by[id]
	if valueOf(e.V.Remove, false) {
		if below == nil {
			l.c.out.mistake(e.At, fmt.Sprintf("point %s cannot be removed: no template of this site has it", id), DidYouMean(id, l.order))
		}
		delete(l.by, id)
		return
	}
	if below == nil {
		if !l.c.id("a point", id, e.At) {
			return
		}
		l.by[id] = &layer{shape: e.V, words: w, at: e.At, from: t, index: index}
		l.order = append(l.order, id)
		return
	}
	shape := over(below.shape.filled(l.c.out, below.words), e.V.filled(l.c.out, w))
	l.by[id] = &layer{shape: shape, at: e.At}
}

// build makes the points of the site, shared ones where possible.
func (l *layers) build() {
	numbers := map[int]string{}
	for _, id := range l.order {
		at := l.by[id]
		if at == nil || l.site.site.Points[correlate.PointID(id)] != nil {
			continue
		}
		p := l.point(id, at)
		l.site.site.Points[p.ID] = p
		if other := numbers[p.Number]; p.Number != 0 && other != "" {
			l.c.out.mistake(at.shape.Number.At, fmt.Sprintf("points %s and %s both have number %d in the point list of one site", other, id, p.Number), "give one of them another number")
		}
		numbers[p.Number] = id
	}
	l.c.circles(l.site.site, func(id correlate.PointID) place { return l.by[string(id)].at })
	for _, r := range l.c.pending {
		l.c.checkRef(r)
	}
	l.c.pending = l.c.pending[:0]
}

func (l *layers) point(id string, at *layer) *correlate.Point {
	if at.from != nil && at.from.same[at.index] {
		if p := at.from.shared[at.index]; p != nil {
			return p
		}
	}
	m := &pointMaker{compiler: l.c, id: id, shape: at.shape, first: at.at, words: at.words}
	p := m.make()
	m.refs(p, l.site.site)
	if at.from != nil && at.from.same[at.index] {
		at.from.shared[at.index] = p
	}
	return p
}
