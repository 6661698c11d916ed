package rules

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"

	"example.net/standwatch/correlate"
	"example.net/standwatch/receiver/mib"
	"example.net/standwatch/receiver/snmp"
)

// Options are what rules are compiled against.
type Options struct {
	Names   *mib.Names         // nil: the built-in table
	Network *correlate.Network // nil: points are not checked until notifications come
}

// rule is a compiled Spec.
type rule struct {
	spec    Spec
	label   string
	order   int
	when    *condition
	observe []observe

	matched atomic.Uint64
	faults  atomic.Uint64
}

// observe is a compiled Observe.
type observe struct {
	spec     *Observe
	each     *term
	bits     *bits
	point    []piece // nil when chosen, or when the agent's own alive point is meant
	fixed    correlate.PointID
	pointBy  *choice[correlate.PointID]
	instance []piece
	what     correlate.What
	whatBy   *choice[correlate.What]
	severity correlate.Severity
	grade    *choice[correlate.Severity]
	value    *term
	text     []piece
	actor    []piece
}

// bits is a compiled Bits.
type bits struct {
	of         *term
	points     map[int]correlate.PointID // nil when looked up
	first      int
	set, unset correlate.What // 0 says nothing
}

// nothing is the word for saying nothing on purpose; it compiles to the zero
// What.
const nothing = "nothing"

// compiler gathers what it finds wrong.
type compiler struct {
	names      *mib.Names
	network    *correlate.Network
	points     map[correlate.PointID]bool // all that some site has; nil: not known
	conditions conditions
	problems   []Problem
	rule       *Spec
	byNumber   bool
	byName     bool
}

func (c *compiler) bad(pos Pos, mend, format string, args ...any) {
	if pos.Line == 0 {
		pos = c.rule.Pos
	}
	what := fmt.Sprintf("rule %q: ", c.rule.Name) + fmt.Sprintf(format, args...)
	c.problems = append(c.problems, Problem{Pos: pos, What: what, Mend: mend})
}

// Compile makes rules ready to match. It returns every mistake it finds; the
// set, never nil, holds the rules that have none.
func Compile(specs []Spec, o Options) (*Set, []Problem) {
	if o.Names == nil {
		o.Names = mib.Standard()
	}
	c := &compiler{names: o.Names, network: o.Network, points: allPoints(o.Network)}
	c.conditions.names = o.Names
	s := &Set{names: o.Names, exact: map[snmp.OID][]*rule{}, under: map[snmp.OID][]*rule{}, other: map[snmp.OID]snmp.OID{}}
	for i := range specs {
		before := len(c.problems)
		r := c.compile(specs[i], i)
		keys := c.claims(r)
		if r.when != nil && len(c.problems) == before {
			c.never(r, keys)
		}
		if slices.ContainsFunc(c.problems[before:], func(p Problem) bool { return !p.Finding }) {
			continue
		}
		s.all = append(s.all, r)
		table := s.exact
		if r.subtree() {
			table = s.under
		}
		for _, key := range keys {
			table[key] = append(table[key], r)
		}
	}
	c.settle(s.exact)
	c.settle(s.under)
	s.finish()
	s.sites.index(o.Network, c.byNumber, c.byName)
	slices.SortStableFunc(c.problems, func(a, b Problem) int {
		return cmp.Or(cmp.Compare(a.Pos.File, b.Pos.File), cmp.Compare(a.Pos.Line, b.Pos.Line), cmp.Compare(a.Pos.Column, b.Pos.Column))
	})
	return s, c.problems
}

func allPoints(network *correlate.Network) map[correlate.PointID]bool {
	if network == nil {
		return nil
	}
	points := map[correlate.PointID]bool{}
	for _, id := range network.Sites() {
		for point := range network.Site(id).Points {
			points[point] = true
		}
	}
	return points
}

func (c *compiler) compile(spec Spec, order int) *rule {
	r := &rule{spec: spec, order: order, label: fmt.Sprintf("%s:%d %s", spec.Pos.File, spec.Pos.Line, spec.Name)}
	c.rule = &r.spec
	if spec.Name == "" {
		c.bad(spec.Pos, "a name shows in explanations of alarms", "it has no name")
	}
	switch {
	case len(spec.Observe) == 0 && spec.Ignore == "" && !spec.Restart:
		c.bad(spec.Pos, "list what it observes, or say with ignore why it is to be passed over", "it yields nothing")
	case len(spec.Observe) > 0 && spec.Ignore != "":
		c.bad(spec.Pos, "leave out one of the two", "it both observes and ignores")
	}
	if spec.When != "" {
		when, flaw := c.conditions.compile(spec.When)
		if flaw != nil {
			c.bad(spec.At.of("when", spec.Pos), flaw.mend, "when: %s", flaw.what)
			c.problems[len(c.problems)-1].Part = Part{spec.When, flaw.line, flaw.column}
		}
		r.when = when
	}
	for i := range spec.Observe {
		r.observe = append(r.observe, c.observation(&r.spec.Observe[i]))
	}
	return r
}

// claims returns the identifiers that a rule is for.
func (c *compiler) claims(r *rule) []snmp.OID {
	given := 0
	for _, words := range []string{r.spec.On, r.spec.Under, r.spec.Enterprise} {
		if words != "" {
			given++
		}
	}
	if given != 1 {
		c.bad(r.spec.Pos, "name the notification as on, the root of a subtree as under, or the enterprise of a v1 trap", "it needs one of on, under and enterprise")
		return nil
	}
	if r.spec.Enterprise != "" {
		return c.enterprise(r)
	}
	var keys []snmp.OID
	pos := r.spec.At.of("on", r.spec.At.of("under", r.spec.Pos))
	for _, word := range strings.Fields(r.spec.On + " " + r.spec.Under) {
		oid, ok := c.names.Lookup(word)
		switch {
		case !ok:
			c.bad(pos, nameMend(c.names, word), "there is no notification named %q", word)
		case slices.Contains(keys, oid):
			c.bad(pos, "name it once", "%s is there twice", word)
		default:
			if o := c.names.Object(oid); o != nil && o.Class == mib.Variable && r.spec.On != "" {
				c.bad(pos, "name the notification that carries it", "%s is an object, not a notification", word)
			}
			keys = append(keys, oid)
		}
	}
	return keys
}

// enterprise returns what a rule for v1 traps is for: by RFC 3584 section 3.1 the
// enterprise, a zero and the specific number. Where a MIB knows the notification
// without the zero, it is that one, of which the other is only a spelling.
func (c *compiler) enterprise(r *rule) (keys []snmp.OID) {
	root, ok := c.names.Lookup(r.spec.Enterprise)
	if !ok {
		c.bad(r.spec.At.of("enterprise", r.spec.Pos), nameMend(c.names, r.spec.Enterprise), "there is no enterprise named %q", r.spec.Enterprise)
		return nil
	}
	if r.spec.Specific == "" {
		return []snmp.OID{root.Append(0)}
	}
	pos := r.spec.At.of("specific", r.spec.Pos)
	for _, word := range strings.Fields(r.spec.Specific) {
		n, err := strconv.ParseUint(word, 10, 31)
		if err != nil {
			c.bad(pos, "write the numbers that the MIB gives to its TRAP-TYPEs, such as specific: 3 4", "%q is no specific-trap number", word)
			continue
		}
		key := root.Append(0, uint32(n))
		if o := c.names.Object(root.Append(uint32(n))); o != nil && o.Class == mib.Notification {
			key = o.OID
		}
		if slices.Contains(keys, key) {
			c.bad(pos, "name it once", "specific %s is there twice", word)
			continue
		}
		keys = append(keys, key)
	}
	return keys
}

// subtree reports whether a rule is on all below its identifiers.
func (r *rule) subtree() bool {
	return r.spec.Under != "" || r.spec.Enterprise != "" && r.spec.Specific == ""
}

// settle orders the rules that claim the same identifier and reports those that
// can never match.
func (c *compiler) settle(table map[snmp.OID][]*rule) {
	reported := map[*rule]bool{}
	for _, oid := range slices.Sorted(maps.Keys(table)) {
		list := table[oid]
		slices.SortStableFunc(list, before)
		for i, r := range list {
			for _, earlier := range list[:i] {
				if (earlier.spec.Pack == "") != (r.spec.Pack == "") || reported[r] {
					continue // a person's own rule may overrule a pack's
				}
				c.rule = &r.spec
				switch {
				case earlier.when == nil:
					reported[r] = true
					c.bad(r.spec.Pos, "remove one of the two, or give this one a condition",
						"can never match: %s is claimed already by %s", c.names.Name(oid), earlier.label)
				case r.when != nil && earlier.spec.When == r.spec.When:
					reported[r] = true
					c.bad(r.spec.Pos, "remove one of the two",
						"can never match: %s is claimed already under the same condition by %s", c.names.Name(oid), earlier.label)
				}
			}
		}
	}
}

// before orders rules on the same identifier: own before packs', those with a
// condition before those without, then as they were given.
func before(a, b *rule) int {
	rank := func(r *rule) (n int) {
		if r.spec.Pack != "" {
			n += 2
		}
		if r.when == nil {
			n++
		}
		return n
	}
	return cmp.Or(cmp.Compare(rank(a), rank(b)), cmp.Compare(a.order, b.order))
}

func (c *compiler) observation(spec *Observe) observe {
	o := observe{spec: spec, each: c.term(spec.At.of("each", spec.Pos), "each", spec.Each), value: c.term(spec.At.of("value", spec.Pos), "value", spec.Value)}
	if o.each != nil && (o.each.oid == "" || o.each.part != partValue) {
		c.bad(spec.At.of("each", spec.Pos), "name a column of the notification", "each needs an object")
	}
	o.instance = c.text(spec.At.of("instance", spec.Pos), "instance", spec.Instance)
	o.text = c.text(spec.At.of("text", spec.Pos), "text", spec.Text)
	o.actor = c.text(spec.At.of("actor", spec.Pos), "actor", spec.Actor)
	c.severity(spec, &o)
	if spec.Bits != nil {
		c.bits(spec, &o)
		return o
	}
	c.what(spec, &o)
	c.point(spec, &o)
	if o.what == correlate.Value && o.value == nil {
		c.bad(spec.Pos, "name the varbind that carries the reading", "what value needs a value")
	}
	return o
}

func (c *compiler) term(pos Pos, field, written string) *term {
	if written == "" {
		return nil
	}
	t, fault, mend := compileTerm(written, c.names)
	if fault != "" {
		c.bad(pos, mend, "%s: %s", field, fault)
	}
	return t
}

func (c *compiler) text(pos Pos, field, written string) []piece {
	pieces, fault, mend := compileText(written, c.names)
	if fault != "" {
		c.bad(pos, mend, "%s: %s", field, fault)
	}
	return pieces
}

func (c *compiler) severity(spec *Observe, o *observe) {
	parse := func(word string) (correlate.Severity, string) {
		s, err := correlate.ParseSeverity(word)
		if err != nil {
			return 0, err.Error()
		}
		if s == correlate.Cleared {
			return 0, "nothing is raised with severity cleared; say what: clear"
		}
		return s, ""
	}
	if spec.Severity != "" {
		s, fault := parse(spec.Severity)
		if fault != "" {
			c.bad(spec.At.of("severity", spec.Pos), near(spec.Severity, "critical", "major", "minor", "warning", "indeterminate"), "%s", fault)
		}
		o.severity = s
	}
	if spec.SeverityBy != nil {
		o.grade = compileChoice(c, "severity-by", spec.SeverityBy, spec.Pos, parse)
		if spec.Severity != "" {
			c.bad(spec.Pos, "leave out one of the two", "it has both severity and severity-by")
		}
	}
}

// contactOpen and contactClosed stand in a rule for what an open or a closed
// contact means at its point. They are no observation's What.
const (
	contactOpen   correlate.What = 254
	contactClosed correlate.What = 255
)

// Whats lists the words that say what a notification tells of a point: those of
// observations; open and closed, which the point's wiring turns into raise or
// clear; and nothing.
func Whats() []string { return append(correlate.Whats(), "open", "closed", nothing) }

func parseWhat(word string) (correlate.What, string) {
	switch word {
	case nothing:
		return 0, ""
	case "open":
		return contactOpen, ""
	case "closed":
		return contactClosed, ""
	}
	w, ok := correlate.ParseWhat(word)
	if !ok {
		return 0, fmt.Sprintf("unknown what %q (known: %s)", word, strings.Join(Whats(), ", "))
	}
	return w, ""
}

// wired checks that a point that is always the same says how it is wired, at
// every site that has it, if a rule reports it open or closed.
func (c *compiler) wired(pos Pos, id correlate.PointID, whats ...correlate.What) {
	if id == "" || c.network == nil || !slices.ContainsFunc(whats, func(w correlate.What) bool { return w == contactOpen || w == contactClosed }) {
		return
	}
	for _, site := range c.network.Sites() {
		if p := c.network.Site(site).Points[id]; p != nil && p.Normally == 0 {
			c.bad(pos, "write normally: open or normally: closed at the point, or map to raise and clear",
				"it reports point %s open or closed, and at site %s (%s) it is not said how the contact is wired", id, site, p.ConfiguredAt)
			return
		}
	}
}

func (c *compiler) what(spec *Observe, o *observe) {
	switch {
	case spec.What != "" && spec.WhatBy != nil:
		c.bad(spec.Pos, "leave out one of the two", "it has both what and what-by")
	case spec.WhatBy != nil:
		o.whatBy = compileChoice(c, "what-by", spec.WhatBy, spec.Pos, parseWhat)
	case spec.What == "" && spec.Value != "":
		o.what = correlate.Value
	case spec.What == "":
		c.bad(spec.Pos, "say what: raise, clear, event, ... or what-by", "an observation lacks its what")
	default:
		what, fault := parseWhat(spec.What)
		if fault != "" {
			c.bad(spec.At.of("what", spec.Pos), near(spec.What, Whats()...), "%s", fault)
		}
		o.what = what
	}
}

func (c *compiler) point(spec *Observe, o *observe) {
	switch {
	case spec.Point != "" && spec.PointBy != nil:
		c.bad(spec.Pos, "leave out one of the two", "it has both point and point-by")
	case spec.PointBy != nil:
		o.pointBy = compileChoice(c, "point-by", spec.PointBy, spec.Pos, func(word string) (correlate.PointID, string) {
			return c.pointID(word)
		})
	case strings.Contains(spec.Point, "${"):
		o.point = c.text(spec.At.of("point", spec.Pos), "point", spec.Point)
	case spec.Point != "":
		id, fault := c.pointID(spec.Point)
		if fault != "" {
			c.bad(spec.At.of("point", spec.Pos), c.pointMend(spec.Point), "point: %s", fault)
		}
		o.fixed = id
		whats := []correlate.What{o.what}
		if o.whatBy != nil {
			whats = append(whats, o.whatBy.all()...)
		}
		c.wired(spec.Pos, id, whats...)
	case o.what != correlate.AliveSign:
		c.bad(spec.Pos, "name the point, or choose it with point-by", "an observation lacks its point")
	}
}

// pointID checks a point's ID: that it can be one and that some site has it. A
// pack may speak of points that nobody has.
func (c *compiler) pointID(word string) (correlate.PointID, string) {
	if !correlate.ValidID(word) {
		return "", fmt.Sprintf("%q cannot be a point's ID", word)
	}
	if c.points != nil && c.rule.Pack == "" && !c.points[correlate.PointID(word)] {
		return "", fmt.Sprintf("no site has a point %q", word)
	}
	return correlate.PointID(word), ""
}

func (c *compiler) pointMend(word string) string {
	ids := make([]string, 0, len(c.points))
	for id := range c.points {
		ids = append(ids, string(id))
	}
	slices.Sort(ids)
	return near(word, ids...)
}

// near suggests the nearest of some words, or nothing.
func near(word string, known ...string) string {
	if best := mib.Nearest(word, known); best != "" {
		return "did you mean " + best + "?"
	}
	return ""
}

func (c *compiler) bits(spec *Observe, o *observe) {
	b := spec.Bits
	pos := cmp.Or(b.Pos, spec.Pos)
	if spec.Point != "" || spec.PointBy != nil || spec.What != "" || spec.WhatBy != nil || spec.Value != "" {
		c.bad(pos, "bits say which point and what by themselves", "bits go without point, what and value")
	}
	o.bits = &bits{of: c.term(pos, "bits", b.Of), first: b.First}
	if b.Of == "" {
		c.bad(pos, "name the varbind as of", "bits of what?")
	}
	o.bits.set = c.bitWhat(pos, b.Set, correlate.Raise)
	o.bits.unset = c.bitWhat(pos, b.Unset, correlate.Clear)
	if (b.Lookup == "") == (len(b.Points) == 0) || (b.Lookup != "" && b.Lookup != "number") {
		c.bad(pos, "map bits to points, or say lookup: number", "bits need either points or a lookup by number")
	}
	c.byNumber = c.byNumber || b.Lookup == "number"
	c.bitPoints(pos, b, o.bits)
}

func (c *compiler) bitWhat(pos Pos, word string, usual correlate.What) correlate.What {
	if word == "" {
		return usual
	}
	what, fault := parseWhat(word)
	if fault != "" {
		c.bad(pos, near(word, Whats()...), "bits: %s", fault)
	}
	return what
}

func (c *compiler) bitPoints(pos Pos, b *Bits, out *bits) {
	if out.of == nil || len(b.Points) == 0 {
		return
	}
	out.points = map[int]correlate.PointID{}
	for _, key := range slices.Sorted(maps.Keys(b.Points)) {
		id, fault := c.pointID(b.Points[key])
		if fault != "" {
			c.bad(pos, c.pointMend(b.Points[key]), "bits: %s", fault)
		}
		bit, err := strconv.Atoi(key)
		if err != nil {
			bit = -1
			if n, ok := out.of.number(key); ok {
				bit = int(n)
			}
		}
		if bit < 0 || bit > 65535 {
			c.bad(pos, "number bits from 0, or name them as the MIB does", "bits: %q is no bit of %s", key, b.Of)
			continue
		}
		out.points[bit] = id
		c.wired(pos, id, out.set, out.unset)
	}
}

// compileChoice compiles a Choice whose words parse reads.
func compileChoice[T any](c *compiler, field string, spec *Choice, at Pos, parse func(string) (T, string)) *choice[T] {
	pos := cmp.Or(spec.Pos, at)
	out := &choice[T]{of: c.term(pos, field, spec.Of), numbers: map[int64]T{}, texts: map[string]T{}, oids: map[snmp.OID]T{}}
	look, ok := parseLookup(spec.Lookup)
	_, points := any(out).(*choice[correlate.PointID])
	switch {
	case !ok || (look != lookupNone && !points):
		c.bad(pos, "points are looked up by number or name", "%s: there is no lookup %q", field, spec.Lookup)
	case (look == lookupNone) == (len(spec.Map) == 0):
		c.bad(pos, "map values to words", "%s needs a map (or, for a point, a lookup)", field)
	}
	out.lookup = look
	c.byNumber = c.byNumber || look == lookupNumber
	c.byName = c.byName || look == lookupName
	if spec.Of == "" {
		c.bad(pos, "name the term as of", "%s of what?", field)
	}
	if spec.Other != "" {
		word, fault := parse(spec.Other)
		if fault != "" {
			c.bad(pos, "", "%s: %s", field, fault)
		}
		out.other, out.hasElse = word, true
	}
	if out.of == nil {
		return out
	}
	for _, key := range slices.Sorted(maps.Keys(spec.Map)) {
		word, fault := parse(spec.Map[key])
		if fault != "" {
			c.bad(pos, "", "%s: %s", field, fault)
		}
		if fault, mend := out.enter(key, word, c.names); fault != "" {
			c.bad(pos, mend, "%s: %s", field, fault)
		}
	}
	return out
}
