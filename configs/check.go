package configs

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/notify"
	"example.net/standwatch/receiver/rules"
)

// maxListed is how many of a kind of finding are listed one by one.
const maxListed = 20

// Check looks at a good configuration for what is likely to be an oversight:
// holes in rosters between from and ahead later, points that no route tells,
// sites that nothing reports for. All it returns are findings.
func (c *Config) Check(from time.Time, ahead time.Duration) Problems {
	out := newCollector()
	out.sources = c.sources
	c.checkRosters(out, from, from.Add(ahead))
	c.checkTold(out)
	for _, w := range c.Network.Windows() {
		if _, _, comes := w.When(from); !comes {
			out.noteAt(Finding, posOf(w.ConfiguredAt), fmt.Sprintf("window %s is over and never comes again", w.ID), "remove it")
		}
	}
	c.checkPacks(out)
	for _, id := range c.Network.Sites() {
		site := c.Network.Site(id)
		at := c.sitePlaces[id]
		switch {
		case id == correlate.SiteSelf:
		case len(site.Points) == 0:
			out.noteAt(Finding, at, fmt.Sprintf("site %s has no points", id), "give it a template or points")
		case len(site.Agents) == 0:
			out.noteAt(Finding, at, fmt.Sprintf("site %s has no agent, so nothing reports for it", id), "add agents:, or leave the site out until its remote is there")
		}
	}
	return out.finished()
}

// checkPacks lists packs that speak only of points that no site has.
func (c *Config) checkPacks(out *collector) {
	there := map[string]bool{}
	for _, id := range c.Network.Sites() {
		for p := range c.Network.Site(id).Points {
			there[string(p)] = true
		}
	}
	for i, use := range c.uses {
		if slices.ContainsFunc(c.uses[:i], func(u text) bool { return u.V == use.V }) {
			continue // which is said of its own
		}
		points, some := map[string]bool{}, false
		for i := range c.specs {
			if s := &c.specs[i]; s.Pack == use.V {
				for _, p := range pointsOf(s) {
					points[p] = true
					some = some || p == "" || there[p]
				}
			}
		}
		if len(points) > 0 && !some {
			out.noteAt(Finding, use.At.pos(), fmt.Sprintf("no site has a point that the pack %s speaks of (%s), so what it knows will be kept as unmatched", use.V, strings.Join(slices.Sorted(maps.Keys(points)), ", ")),
				"give the sites concerned these points, best by a template")
		}
	}
}

// pointsOf lists the points that a rule names; "" stands for those it looks up
// and for the agent's own.
func pointsOf(s *rules.Spec) (out []string) {
	for i := range s.Observe {
		o := &s.Observe[i]
		switch {
		case o.Bits != nil && len(o.Bits.Points) > 0:
			out = append(out, slices.Collect(maps.Values(o.Bits.Points))...)
		case o.Bits != nil || o.PointBy != nil || strings.Contains(o.Point, "${"), o.Point == "":
			out = append(out, "")
		default:
			out = append(out, o.Point)
		}
	}
	return out
}

// checkRosters lists holes, and times with several people on call.
func (c *Config) checkRosters(out *collector, from, to time.Time) {
	at := map[string]notify.Pos{}
	zones := map[string]*time.Location{}
	for _, r := range c.book.Rosters {
		at[r.ID] = r.Pos
	}
	for _, r := range c.Plan.Rosters() {
		zones[r.ID] = r.Zone
	}
	listed := map[string]int{}
	for _, g := range c.Plan.Holes(from, to) {
		if listed[g.Roster]++; listed[g.Roster] > maxListed {
			continue
		}
		const layout = "Mon 2006-01-02 15:04 MST"
		when := fmt.Sprintf("from %s to %s", g.From.In(zones[g.Roster]).Format(layout), g.To.In(zones[g.Roster]).Format(layout))
		if len(g.People) == 0 {
			out.noteAt(Finding, Pos(at[g.Roster]), fmt.Sprintf("roster %s: nobody is on call %s", g.Roster, when), "add a turn or a stand-in")
			continue
		}
		out.noteAt(Finding, Pos(at[g.Roster]), fmt.Sprintf("roster %s: %s are on call at once %s", g.Roster, strings.Join(g.People, " and "), when), "if that is not meant, shorten one of the turns")
	}
}

// checkTold lists points that no route tells, alike ones of many sites in one
// finding.
func (c *Config) checkTold(out *collector) {
	type alike struct {
		at       string
		point    correlate.PointID
		severity correlate.Severity
	}
	sites := map[alike][]string{}
	own := false // faults of the master itself
	for _, u := range c.Plan.Untold() {
		if u.Key.Site == correlate.SiteSelf {
			own = true
			continue
		}
		p := c.Network.Point(u.Key)
		if p == nil {
			continue
		}
		k := alike{p.ConfiguredAt, u.Key.Point, u.Severity}
		sites[k] = append(sites[k], string(u.Key.Site))
	}
	if own {
		out.noteAt(Finding, Pos{File: peopleName}, "no route tells anybody of faults of the master itself (the points of the site self)",
			"add a route with sites: self, or one with board-only: yes if the board is enough")
	}
	keys := slices.SortedFunc(maps.Keys(sites), func(a, b alike) int {
		if n := strings.Compare(a.at, b.at); n != 0 {
			return n
		}
		return int(a.severity) - int(b.severity)
	})
	for _, k := range keys {
		where := "at " + sites[k][0]
		if n := len(sites[k]); n > 1 {
			where += " and " + others(n-1)
		}
		out.noteAt(Finding, posOf(k.at), fmt.Sprintf("point %s, %s: no route tells anybody of it (%s)", k.point, k.severity, where),
			"add a route, or one with board-only: yes if the board is enough")
	}
}

// others is "1 other site" or "7 other sites".
func others(n int) string {
	if n == 1 {
		return "1 other site"
	}
	return fmt.Sprintf("%d other sites", n)
}

// posOf reads file:line.
func posOf(at string) Pos {
	colon := strings.LastIndexByte(at, ':')
	if colon < 0 {
		return Pos{File: at}
	}
	line, wrong := parseInt(at[colon+1:])
	if wrong != nil {
		return Pos{File: at}
	}
	return Pos{File: at[:colon], Line: line}
}

// unused finds what is configured and nothing refers to.
func (c *compiler) unused(l *loader) {
	taken := map[string]bool{}
	communities, users := map[string]bool{}, map[string]bool{}
	for _, e := range c.byID {
		for _, use := range e.shape.Templates {
			taken[use.Use.V] = true
		}
		for _, a := range e.shape.Agents {
			noteWords(communities, a.V.Community)
			noteWords(users, a.V.User)
		}
	}
	for _, listener := range l.daemon.Traps.Listeners {
		noteWords(communities, listener.V.Community)
	}
	for _, name := range slices.Sorted(maps.Keys(c.templates)) {
		if !taken[name] {
			c.out.finding(c.templates[name].at, fmt.Sprintf("no site takes the template %s", name), "")
		}
	}
	for _, e := range l.daemon.Security.Communities {
		if !communities[e.Key] {
			c.out.finding(e.At, fmt.Sprintf("no agent and no listener uses the community %s", e.Key), "")
		}
	}
	for _, e := range l.daemon.Security.Users {
		if !users[e.Key] {
			c.out.finding(e.At, fmt.Sprintf("no agent uses the user %s; it may speak for every agent that names no user", e.Key), "name it at the agents that it is for")
		}
	}
}

func noteWords(into map[string]bool, words list[text]) {
	for _, w := range words {
		into[w.V] = true
	}
}
