package configs

import (
	"fmt"
	"strings"

	"example.net/standwatch/correlate"
)

// refCheck is a reference to a point, to be looked up once the points are there.
type refCheck struct {
	at    place
	site  correlate.SiteID // where it is written
	point correlate.PointID
	ref   correlate.Ref
	event bool // it must be an entry point
	read  bool // it must be an analog point
	looks bool // it must be a point whose alarm can stand
}

const refMend = "write point, upstream/point or site/point, with :instance behind it if one is meant"

// refs fills in what refers to other points. A reference upstream is left out
// at a site that hangs on none.
func (m *pointMaker) refs(p *correlate.Point, site *correlate.Site) {
	m.derive(p, site)
	if m.shape.ExplainedBy != nil {
		for i := range *m.shape.ExplainedBy {
			if ref, ok := m.ref(&(*m.shape.ExplainedBy)[i], p, site, false); ok {
				if p.ExplainedBy == nil { // nil when nothing is left: the same however it came about
					p.ExplainedBy = make([]correlate.Ref, 0, len(*m.shape.ExplainedBy)-i)
				}
				p.ExplainedBy = append(p.ExplainedBy, ref)
			}
		}
	}
	if m.shape.ExcusedBy == nil {
		return
	}
	for i := range *m.shape.ExcusedBy {
		x := &(*m.shape.ExcusedBy)[i]
		if !x.Event.Set || !x.For.Set || x.For.V == 0 {
			m.fail(x.Here, "an excuse needs an event and for how long", "write {event: entry, for: 10m}")
			continue
		}
		if ref, ok := m.ref(&x.Event, p, site, true); ok {
			p.ExcusedBy = append(p.ExcusedBy, correlate.Excuse{Event: ref, For: x.For.V})
		}
	}
}

func (m *pointMaker) ref(t *text, p *correlate.Point, site *correlate.Site, event bool) (correlate.Ref, bool) {
	word := m.filledText(t)
	if !t.Set || word == "" {
		return correlate.Ref{}, false
	}
	ref := correlate.Ref{Site: site.ID}
	rest := word
	if before, after, found := strings.Cut(word, "/"); found {
		ref.Site, rest = correlate.SiteID(before), after
	}
	point, instance, _ := strings.Cut(rest, ":")
	ref.Point, ref.Instance = correlate.PointID(point), instance
	if ref.Site == "upstream" {
		if ref.Site = site.Upstream; ref.Site == "" {
			return ref, false
		}
	}
	if !correlate.ValidID(string(ref.Site)) || !correlate.ValidID(point) {
		m.fail(t.At, quoted(word)+" names no point", refMend)
		return ref, false
	}
	if ref.Site == site.ID {
		ref.Site = site.ID // the site's own string, not one per reference
	}
	if ref.Site == site.ID && ref.Point == p.ID && ref.Instance == "" {
		m.fail(t.At, "the point cannot refer to itself", refMend)
		return ref, false
	}
	check := refCheck{at: t.At, site: site.ID, point: p.ID, ref: ref, event: event}
	if ref.Site == site.ID {
		m.pending = append(m.pending, check)
	} else {
		m.later = append(m.later, check)
	}
	return ref, true
}

func (m *pointMaker) filledText(t *text) string {
	if m.words == nil {
		return t.V
	}
	return m.words.fill(m.out, t.V, t.At)
}

// checkRef looks a reference up. One that stands in a template fails at many
// sites; it is reported for the first, with the number of the others.
func (c *compiler) checkRef(r refCheck) {
	fail := func(what, mend string) {
		if c.badRefs[r.at] == nil {
			c.badRefs[r.at] = &badRef{what: what, mend: mend, site: r.site}
			c.badOrder = append(c.badOrder, r.at)
			return
		}
		if bad := c.badRefs[r.at]; bad.site != r.site {
			bad.site = r.site
			bad.more++
		}
	}
	target := c.byID[r.ref.Site]
	if target == nil {
		fail(fmt.Sprintf("point %s: there is no site %s", r.point, quoted(string(r.ref.Site))), DidYouMean(string(r.ref.Site), c.siteIDs()))
		return
	}
	p := target.site.Points[r.ref.Point]
	switch {
	case p == nil:
		var ids []string
		for id := range target.site.Points {
			ids = append(ids, string(id))
		}
		fail(fmt.Sprintf("point %s: site %s has no point %s", r.point, r.ref.Site, quoted(string(r.ref.Point))), DidYouMean(string(r.ref.Point), ids))
	case r.read && p.Kind != correlate.Analog:
		fail(fmt.Sprintf("point %s: value is of analog points; %s is %s", r.point, r.ref.Point, p.Kind), "ask stands[...] of it, or name an analog point")
	case r.looks && p.Kind == correlate.Entry:
		fail(fmt.Sprintf("point %s: an entry point never stands, so stands of %s is never true", r.point, r.ref.Point), "name another point")
	case r.event && p.Kind != correlate.Entry:
		fail(fmt.Sprintf("point %s: it can be excused by an entry point only; %s is %s", r.point, r.ref.Point, p.Kind), "name a point of kind entry")
	}
}

// badRef is a reference that leads nowhere, at one site and perhaps more.
type badRef struct {
	what, mend string
	site       correlate.SiteID // the last it was found at
	more       int
}

func (c *compiler) reportRefs() {
	for _, at := range c.badOrder {
		bad := c.badRefs[at]
		if bad.more > 0 {
			bad.what += ", and the like at " + others(bad.more)
		}
		c.out.mistake(at, bad.what, bad.mend)
	}
}
