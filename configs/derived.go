package configs

import (
	"fmt"

	"example.net/standwatch/correlate"
	"example.net/standwatch/receiver/rules"
)

// derive compiles the condition of a derived point and notes what it looks at.
func (m *pointMaker) derive(p *correlate.Point, site *correlate.Site) {
	when := m.shape.When
	switch {
	case p.Kind == correlate.Derived && when == nil:
		m.fail(m.first, "a derived point needs a condition", `add when: 'stands["mains"] && !stands["generator-running"]', over points of its site`)
		return
	case p.Kind != correlate.Derived && when != nil:
		m.fail(when.At, "when is for derived points only", "make the kind derived, or remove it")
		return
	case when == nil || !when.Set:
		return
	}
	made, readings, wrong := m.derivations.Compile(m.text(when))
	if wrong != nil {
		wrong.Pos = rules.Pos(when.At.pos())
		m.out.noteAt(Mistake, m.out.exactly(*wrong), fmt.Sprintf("point %s: %s", m.id, wrong.What), wrong.Mend)
		return
	}
	p.Derive = made
	for i, s := range made.Of {
		ref := correlate.Ref{Site: site.ID, Point: s.Point, Instance: s.Instance}
		read := i >= len(made.Of)-len(readings)
		m.pending = append(m.pending, refCheck{at: when.At, site: site.ID, point: p.ID, ref: ref, read: read, looks: !read})
	}
}

// circles finds derived points of a site that look at each other in a circle.
func (c *compiler) circles(site *correlate.Site, at func(correlate.PointID) place) {
	_, loop := correlate.DerivedOrder(site)
	if loop == nil {
		return
	}
	c.out.mistake(at(loop[0]), fmt.Sprintf("site %s: derived points look at each other in a circle: %s", site.ID, correlate.LoopText(loop)), "a derived point cannot depend on itself; take one out of the circle")
	for _, id := range loop {
		site.Points[id].Derive = nil // so that the rest can be looked at
	}
}

func placeOfRate(r *rateShape) place {
	if r == nil {
		return place{}
	}
	return r.Here
}

func placeOfStuck(s *stuckShape) place {
	if s == nil {
		return place{}
	}
	return s.Here
}

// rate fills in how far a value may move.
func (m *pointMaker) rate(p *correlate.Point) {
	s := m.shape.Rate
	if s == nil || p.Kind != correlate.Analog {
		return
	}
	r := &correlate.RateLimit{Rise: s.Rise.or(0), Fall: s.Fall.or(0), Within: s.Within.or(0), DeadBand: s.DeadBand.or(0), Severity: s.Severity.or(p.Severity)}
	switch {
	case r.Rise < 0 || r.Fall < 0 || r.DeadBand < 0:
		m.fail(s.Here, "rise, fall and dead-band are written without a sign", "fall: 8 means that it may fall by 8")
	case r.Rise == 0 && r.Fall == 0:
		m.fail(s.Here, "a rate needs rise or fall", "write {rise: 8, within: 10m}")
	case r.Within <= 0:
		m.fail(s.Here, "a rate needs within", "write within what time it may move by that much, such as within: 10m")
	case r.DeadBand > 0 && (r.Rise > 0 && r.DeadBand >= r.Rise || r.Fall > 0 && r.DeadBand >= r.Fall):
		m.fail(s.Here, fmt.Sprintf("a dead band of %g would never let the alarm end", r.DeadBand), "it is smaller than rise and fall")
	default:
		p.Rate = r
	}
}

// stuck fills in when a value counts as stuck.
func (m *pointMaker) stuck(p *correlate.Point) {
	s := m.shape.Stuck
	if s == nil || p.Kind != correlate.Analog {
		return
	}
	switch {
	case s.After.or(0) <= 0:
		m.fail(s.Here, "stuck needs after", "write how long the same value is suspicious, such as after: 6h")
	case s.By.or(0) < 0:
		m.fail(s.By.At, "by cannot be negative", "write by how much readings may differ and still count as the same")
	default:
		p.Stuck = &correlate.StuckLimit{After: s.After.V, By: s.By.or(0), Severity: s.Severity.or(p.Severity)}
	}
}
