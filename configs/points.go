package configs

import (
	"fmt"
	"reflect"
	"strings"

	"example.net/standwatch/correlate"
	"example.net/standwatch/correlate/flap"
)

// over returns base with the fields of top that are given. Neither is changed.
func over(base, top *pointShape) *pointShape {
	if base == nil {
		return top
	}
	out := *base
	to, from := reflect.ValueOf(&out).Elem(), reflect.ValueOf(top).Elem()
	for i := range to.NumField() {
		if f := from.Field(i); f.Kind() == reflect.Pointer && !f.IsNil() {
			to.Field(i).Set(f)
		}
	}
	if base.Limits != nil && top.Limits != nil {
		out.Limits = base.Limits.under(top.Limits)
	}
	return &out
}

// under returns l with what top gives put over it, limit by limit.
func (l *limitsShape) under(top *limitsShape) *limitsShape {
	return &limitsShape{Here: top.Here, LowLow: l.LowLow.under(top.LowLow), Low: l.Low.under(top.Low), High: l.High.under(top.High), HighHigh: l.HighHigh.under(top.HighHigh)}
}

func (l *limitShape) under(top *limitShape) *limitShape {
	if l == nil || top == nil {
		if top != nil {
			return top
		}
		return l
	}
	out := *l
	if top.At.Set {
		out.At = top.At
	}
	if top.DeadBand.Set {
		out.DeadBand = top.DeadBand
	}
	if top.Severity.Set {
		out.Severity = top.Severity
	}
	return &out
}

// pointMaker builds one point from its merged shape.
type pointMaker struct {
	*compiler
	id    string
	shape *pointShape
	first place // of the point's key where it is given last
	words *words
}

func (m *pointMaker) fail(at place, what, mend string) {
	m.out.mistake(at, fmt.Sprintf("point %s: %s", m.id, what), mend)
}

// text returns a text of the shape with parameters filled in.
func (m *pointMaker) text(t *text) string {
	if t == nil || !t.Set {
		return ""
	}
	return strings.TrimSpace(m.filledText(t))
}

func valueOf[T any](v *val[T], fallback T) T {
	if v == nil {
		return fallback
	}
	return v.or(fallback)
}

// make builds the point without what refers to other points, and notes whatever
// is wrong with it.
func (m *pointMaker) make() *correlate.Point {
	s := m.shape
	p := &correlate.Point{
		ID: correlate.PointID(m.id), Kind: valueOf(s.Kind, correlate.Discrete), Name: m.text(s.Name),
		AlarmWord: m.text(s.Alarm), NormalWord: m.text(s.Normal), Class: m.text(s.Class), Severity: valueOf(s.Severity, 0),
		RaiseAfter: valueOf(s.RaiseAfter, m.defaults.raiseAfter), ClearAfter: valueOf(s.ClearAfter, m.defaults.clearAfter),
		Latch: valueOf(s.Latch, false), ReAlarm: valueOf(s.ReAlarm, m.defaults.reAlarm), Hold: valueOf(s.Hold, 0),
		Instructions: m.text(s.Instructions), Caution: m.text(s.Caution), Regulated: valueOf(s.Regulated, false),
		QuietClear: valueOf(s.QuietClear, false), ConfiguredAt: m.where(m.first),
	}
	if p.Name == "" {
		p.Name = wordsOf(m.id)
	}
	if s.ExplainedBy != nil && len(*s.ExplainedBy) > 0 {
		p.Hold = valueOf(s.Hold, m.defaults.hold)
	}
	m.number(p)
	m.cause(p)
	m.wiring(p)
	m.flap(p)
	m.analog(p)
	m.severity(p)
	m.rate(p)
	m.stuck(p)
	return p
}

func (m *pointMaker) number(p *correlate.Point) {
	n := m.shape.Number
	if n == nil || !n.Set {
		return
	}
	if n.V < 1 || n.V > 1<<31-1 {
		m.fail(n.At, fmt.Sprintf("%d is no point number", n.V), "numbers count from 1")
		return
	}
	p.Number = n.V
}

func (m *pointMaker) cause(p *correlate.Point) {
	if m.shape.Cause == nil {
		return
	}
	p.Cause = m.text(m.shape.Cause)
	if p.Cause == "" {
		return
	}
	if wrong := checkCause(p.Cause, m.causes); wrong != nil {
		m.fail(m.shape.Cause.At, wrong.what, wrong.mend)
	}
}

func wirings() map[string]correlate.Wiring {
	return map[string]correlate.Wiring{"open": correlate.NormallyOpen, "closed": correlate.NormallyClosed}
}

// wiring notes how the contact is wired, for rules of remotes that report it
// open or closed, and tells whoever stands before the terminal block.
func (m *pointMaker) wiring(p *correlate.Point) {
	w := m.shape.Normally
	if w == nil || !w.Set {
		return
	}
	told := Wiring(w.V, p.Number)
	switch {
	case told == "":
		m.fail(w.At, "normally is "+quoted(w.V), DidYouMean(w.V, []string{"open", "closed"}))
		return
	case p.Kind != correlate.Discrete:
		m.fail(w.At, "only a discrete point is a contact that is normally open or closed", "remove normally, or make the kind discrete")
		return
	}
	p.Normally = wirings()[w.V]
	p.Instructions = strings.TrimSpace(p.Instructions + "\n" + told)
}

// Wiring is the line that "normally: open" or "normally: closed" adds to the
// instructions of a contact, 0 being one without a number; "" for other words.
func Wiring(normally string, number int) string {
	contact := "Contact"
	if number > 0 {
		contact = fmt.Sprintf("Contact %d", number)
	}
	switch normally {
	case "open":
		return contact + ", normally open: it closes in alarm."
	case "closed":
		return contact + ", normally closed: it opens in alarm."
	}
	return ""
}

func (m *pointMaker) flap(p *correlate.Point) {
	f := m.shape.Flap
	if f == nil {
		if p.Kind != correlate.Entry {
			p.Flap, p.FlapCount = m.defaults.flap, m.defaults.flapCount
		}
		return
	}
	p.Flap, p.FlapCount = m.flapSettings(f)
	if p.Flap != nil && p.Regulated && !p.FlapCount && f.flapKeys.Here.src != nil {
		m.fail(f.At, "a regulated point is never hidden by flap suppression", "write flap: count-only")
	}
}

// flapSettings returns what a flap shape means; the default settings are shared.
func (c *compiler) flapSettings(f *flapShape) (s *flap.Settings, countOnly bool) {
	switch f.Mode {
	case "off", "":
		return nil, false
	case "count-only":
		return c.flapDefault(), true
	}
	if f.flapKeys.Here.src == nil {
		return c.flapDefault(), false
	}
	set := *c.flapDefault()
	set.Cut, set.Reuse = f.Cut.or(set.Cut), f.Reuse.or(set.Reuse)
	set.HalfLifeClear, set.HalfLifeStand = f.HalfLifeClear.or(set.HalfLifeClear), f.HalfLifeStand.or(set.HalfLifeStand)
	set.MaxHold = f.MaxHold.or(set.MaxHold)
	if err := set.Check(); err != nil {
		c.out.mistake(f.At, "flap suppression cannot work: "+err.Error(), "the settings are those of RFC 2439 section 4.2; left out, each has a default that works with the others")
	}
	return &set, f.CountOnly.or(false)
}

func (c *compiler) flapDefault() *flap.Settings {
	if c.defaults.flap != nil {
		return c.defaults.flap
	}
	if c.plainFlap == nil {
		s := flap.Default()
		c.plainFlap = &s
	}
	return c.plainFlap
}

func (m *pointMaker) severity(p *correlate.Point) {
	switch {
	case p.Severity != 0:
	case p.Kind == correlate.Entry:
		p.Severity = correlate.Indeterminate
	case p.Kind == correlate.Analog && p.Limits == (correlate.Limits{}) && m.shape.Rate == nil && m.shape.Stuck == nil:
	case p.Kind == correlate.Analog && p.Limits == (correlate.Limits{}):
		p.Severity = correlate.Indeterminate
	case p.Kind == correlate.Analog:
		p.Severity = worst(p.Limits)
	case m.shape.Severity != nil:
		// It was given and is bad, which has been said.
	default:
		m.fail(m.first, "there is no severity", "add severity: one of "+strings.Join(severityWords(), ", "))
	}
}

func worst(l correlate.Limits) correlate.Severity {
	s := correlate.Indeterminate
	for _, limit := range []*correlate.Limit{l.LowLow, l.Low, l.High, l.HighHigh} {
		if limit != nil {
			s = max(s, limit.Severity)
		}
	}
	return s
}

// analog fills in what an analog point has, and refuses it for any other.
func (m *pointMaker) analog(p *correlate.Point) {
	s := m.shape
	if p.Kind != correlate.Analog {
		for _, key := range []struct {
			name  string
			given bool
			at    place
		}{
			{"unit", s.Unit != nil, placeOf(s.Unit)}, {"scale", s.Scale != nil, placeOf(s.Scale)}, {"offset", s.Offset != nil, placeOf(s.Offset)},
			{"decimals", s.Decimals != nil, placeOf(s.Decimals)}, {"limits", s.Limits != nil, limitsPlace(s.Limits)}, {"plausible", s.Plausible != nil, rangePlace(s.Plausible)},
			{"rate", s.Rate != nil, placeOfRate(s.Rate)}, {"stuck", s.Stuck != nil, placeOfStuck(s.Stuck)},
		} {
			if key.given {
				m.fail(key.at, key.name+" is for analog points only", "make the kind analog, or remove it")
			}
		}
		return
	}
	p.Unit, p.Scale, p.Offset = m.text(s.Unit), valueOf(s.Scale, 1), valueOf(s.Offset, 0)
	p.Decimals = valueOf(s.Decimals, 1)
	if p.Scale == 0 {
		m.fail(s.Scale.At, "scale cannot be 0", "write what one raw unit is worth, such as 0.1")
	}
	if p.Decimals < 0 || p.Decimals > 9 {
		m.fail(s.Decimals.At, "decimals are 0 to 9", "")
		p.Decimals = 1
	}
	m.limits(p)
	m.plausible(p)
}

func placeOf[T any](v *val[T]) place {
	if v == nil {
		return place{}
	}
	return v.At
}

func limitsPlace(l *limitsShape) place {
	if l == nil {
		return place{}
	}
	return l.Here
}

func rangePlace(r *rangeShape) place {
	if r == nil {
		return place{}
	}
	return r.Here
}

// limits fills in the limits, which must rise from low-low to high-high.
func (m *pointMaker) limits(p *correlate.Point) {
	s := m.shape.Limits
	if s == nil {
		return
	}
	var below *correlate.Limit
	var belowName string
	for _, l := range []struct {
		name  string
		shape *limitShape
		into  **correlate.Limit
	}{
		{correlate.LevelLowLow, s.LowLow, &p.Limits.LowLow}, {correlate.LevelLow, s.Low, &p.Limits.Low},
		{correlate.LevelHigh, s.High, &p.Limits.High}, {correlate.LevelHighHigh, s.HighHigh, &p.Limits.HighHigh},
	} {
		limit := m.limit(p, l.name, l.shape)
		if limit == nil {
			continue
		}
		*l.into = limit
		if below != nil && below.At >= limit.At {
			m.fail(l.shape.At.At, fmt.Sprintf("the %s limit of %g must be above the %s limit of %g", l.name, limit.At, belowName, below.At),
				"limits rise from low-low over low and high to high-high; for a -48 V plant low-low is the most negative unless the scale turns the sign")
		}
		below, belowName = limit, l.name
	}
}

func (m *pointMaker) limit(p *correlate.Point, name string, s *limitShape) *correlate.Limit {
	if s == nil {
		return nil
	}
	if !s.At.Set {
		m.fail(s.Here, "the "+name+" limit has no at", "write at: and the value")
		return nil
	}
	out := &correlate.Limit{At: s.At.V, DeadBand: s.DeadBand.or(0), Severity: s.Severity.or(p.Severity)}
	if out.DeadBand < 0 {
		m.fail(s.DeadBand.At, "a dead band cannot be negative", "write by how much the value must be back inside")
	}
	if out.Severity == 0 {
		m.fail(s.Here, "the "+name+" limit has no severity, nor has the point", "add severity: one of "+strings.Join(severityWords(), ", "))
	}
	return out
}

func (m *pointMaker) plausible(p *correlate.Point) {
	s := m.shape.Plausible
	if s == nil {
		return
	}
	if s.Min.Set {
		p.PlausibleMin = &s.Min.V
	}
	if s.Max.Set {
		p.PlausibleMax = &s.Max.V
	}
	if s.Min.Set && s.Max.Set && s.Min.V >= s.Max.V {
		m.fail(s.Here, fmt.Sprintf("the plausible range runs from %g up to %g", s.Min.V, s.Max.V), "min must be below max")
		return
	}
	for _, l := range []*correlate.Limit{p.Limits.LowLow, p.Limits.Low, p.Limits.High, p.Limits.HighHigh} {
		if l != nil && (s.Min.Set && l.At <= s.Min.V || s.Max.Set && l.At >= s.Max.V) {
			m.fail(s.Here, fmt.Sprintf("the limit at %g lies outside the plausible range and could never be passed", l.At), "widen the range or move the limit")
		}
	}
}
