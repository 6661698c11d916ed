// Package rules turns a notification into observations: which point of which
// site it is about, whether it raises, clears or measures, how bad it is and
// what is said.
//
// Guarantee: a [Set] is immutable once compiled and safe for concurrent use;
// matching is a hash look-up on the notification's OID, then on its subtrees
// from the most specific up, and never fails: what no rule understands is
// returned as unmatched, with the reason.
//
// Memory: observations own their strings; nothing aliases the notification.
// The package does no I/O and reads no clock.
package rules

import (
	"fmt"
	"slices"
	"strings"

	"example.net/standwatch/correlate"
	"example.net/standwatch/receiver/snmp"
)

// Pos is where a rule is configured.
type Pos struct {
	File         string
	Line, Column int
}

// String returns file:line:column.
func (p Pos) String() string { return fmt.Sprintf("%s:%d:%d", p.File, p.Line, p.Column) }

// Problem is a mistake in a rule.
type Problem struct {
	Pos  Pos
	What string
	Mend string
}

// Spec is a rule as configured. Exactly one of On and Under is set.
type Spec struct {
	Pos     Pos
	Name    string
	On      string // dotted OID of the notification
	Under   string // root of a subtree of notifications
	Ignore  string // why it is matched on purpose and yields nothing
	Restart bool   // it says that the agent restarted
	Observe []Observe
}

// Observe describes one observation that a rule yields.
type Observe struct {
	Pos      Pos
	Point    Select // a point ID
	Instance Select // empty: the point's only one
	What     Select // a correlate.What word
	Severity Select // empty: the point's own
	Value    Select // for What value
	Text     string // with ${...}; empty: the point's words
	Actor    Select // for What acknowledge
	Optional bool   // yields nothing, without complaint, when its varbind is missing or maps to nothing
}

// Select says where a word comes from. Exactly one of Fixed, From, Index and
// Number is set, or none for an empty word.
type Select struct {
	Fixed     string
	From      string            // OID of a varbind: the value as text
	Index     string            // OID of a column: the index that follows it, dotted
	Number    string            // OID of a varbind: the point with that number in the site's point list
	Map       map[string]string // from the text found to the word meant
	Otherwise string            // the word for a text that Map lacks
}

// Empty reports whether nothing is selected.
func (s Select) Empty() bool {
	return s.Fixed == "" && s.From == "" && s.Index == "" && s.Number == ""
}

// Result is what the rules made of a notification.
type Result struct {
	Observations []correlate.Observation
	Rule         string // "file:line name" of the rule that matched
	Unmatched    string // why nothing came of it; empty when a rule matched
	Restart      bool   // the agent says that it restarted
}

// Set is a compiled set of rules.
type Set struct {
	exact  map[string]*rule
	under  map[string]*rule
	depths []int // lengths of the keys of under, longest first
	all    []*rule
}

type rule struct {
	spec    Spec
	label   string
	observe []observe
}

type observe struct {
	point, instance, what, severity, value, actor selector
	text                                          []piece
	optional                                      bool
}

type selector struct {
	spec Select
	oid  string // BER of From, Index or Number
}

// piece is a stretch of text, or a placeholder.
type piece struct {
	literal string
	oid     string // a varbind by OID
	word    string // "value", "instance", "point", "site", "agent"
}

// Compile makes the rules ready. It returns all problems at once; the set is
// usable if there are none.
func Compile(specs []Spec) (*Set, []Problem) {
	s := &Set{exact: map[string]*rule{}, under: map[string]*rule{}}
	var problems []Problem
	for i := range specs {
		problems = append(problems, s.add(specs[i])...)
	}
	for root := range s.under {
		if !slices.Contains(s.depths, len(root)) {
			s.depths = append(s.depths, len(root))
		}
	}
	slices.SortFunc(s.depths, func(a, b int) int { return b - a })
	return s, problems
}

func (s *Set) add(spec Spec) (problems []Problem) {
	bad := func(pos Pos, what, mend string) {
		problems = append(problems, Problem{pos, fmt.Sprintf("rule %q: %s", spec.Name, what), mend})
	}
	if (spec.On == "") == (spec.Under == "") {
		bad(spec.Pos, "needs either on or under", "give the notification's OID as on, or a subtree's root as under")
		return problems
	}
	oid, err := snmp.ParseOID(spec.On + spec.Under)
	if err != nil {
		bad(spec.Pos, err.Error(), "write the OID in dotted numbers, such as 1.3.6.1.6.3.1.1.5.3")
		return problems
	}
	if len(spec.Observe) == 0 && spec.Ignore == "" && !spec.Restart {
		bad(spec.Pos, "yields nothing", "list what it observes, or say with ignore why it is to be passed over")
	}
	r := &rule{spec: spec, label: fmt.Sprintf("%s:%d %s", spec.Pos.File, spec.Pos.Line, spec.Name)}
	for _, o := range spec.Observe {
		c, faults := compileObserve(o)
		for _, fault := range faults {
			bad(o.Pos, fault, "")
		}
		r.observe = append(r.observe, c)
	}
	table := s.exact
	keys := []string{string(oid)}
	if spec.Under != "" {
		table = s.under
	} else {
		keys = spellings(oid)
	}
	for _, key := range keys {
		if other := table[key]; other != nil {
			bad(spec.Pos, fmt.Sprintf("can never match: %s is claimed already by rule %q at %s", oid, other.spec.Name, other.spec.Pos), "remove one of the two")
			return problems
		}
		table[key] = r
	}
	s.all = append(s.all, r)
	return problems
}

// spellings returns the keys under which a notification's OID may arrive. A v1
// trap is translated to enterprise.0.specific (RFC 3584 section 3.1), so a
// notification defined without the zero (UPS-MIB, the old BGP4 and OSPF traps)
// comes with it in v1 and without it in v2.
func spellings(oid snmp.OID) []string {
	arcs := oid.Arcs()
	keys := []string{string(oid)}
	if n := len(arcs); n > 3 && arcs[n-2] != 0 && !oid.Under(snmpTraps) {
		withZero := append(slices.Clone(arcs[:n-1]), 0, arcs[n-1])
		keys = append(keys, string(snmp.MakeOID(withZero...)))
	}
	return keys
}

var snmpTraps = snmp.MustOID("1.3.6.1.6.3.1.1.5")

func compileObserve(o Observe) (c observe, faults []string) {
	sel := func(name string, s Select, ok func(string) bool) selector {
		out, fault := compileSelect(name, s, ok)
		faults = append(faults, fault...)
		return out
	}
	anything := func(string) bool { return true }
	c.point = sel("point", o.Point, correlate.ValidID)
	c.instance = sel("instance", o.Instance, anything)
	c.what = sel("what", o.What, func(w string) bool { _, ok := correlate.ParseWhat(w); return ok })
	c.severity = sel("severity", o.Severity, func(w string) bool { _, err := correlate.ParseSeverity(w); return err == nil })
	c.value = sel("value", o.Value, anything)
	c.actor = sel("actor", o.Actor, anything)
	c.optional = o.Optional
	if o.Point.Empty() || o.What.Empty() {
		faults = append(faults, "an observation needs a point and a what")
	}
	if o.What.Fixed == correlate.Value.String() && o.Value.Empty() {
		faults = append(faults, "what value needs a value")
	}
	text, err := compileText(o.Text)
	if err != nil {
		faults = append(faults, err.Error())
	}
	c.text = text
	return c, faults
}

func compileSelect(name string, s Select, ok func(string) bool) (out selector, faults []string) {
	out.spec = s
	words := []string{s.Fixed, s.Otherwise}
	for _, w := range s.Map {
		words = append(words, w)
	}
	for _, w := range words {
		if w != "" && !ok(w) {
			faults = append(faults, fmt.Sprintf("%q cannot be a %s", w, name))
		}
	}
	if dotted := s.From + s.Index + s.Number; dotted != "" {
		oid, err := snmp.ParseOID(dotted)
		if err != nil {
			faults = append(faults, name+": "+err.Error())
		}
		out.oid = string(oid)
	}
	return out, faults
}

func compileText(text string) ([]piece, error) {
	var pieces []piece
	for text != "" {
		before, rest, found := strings.Cut(text, "${")
		if before != "" {
			pieces = append(pieces, piece{literal: before})
		}
		if !found {
			break
		}
		name, after, closed := strings.Cut(rest, "}")
		if !closed {
			return nil, fmt.Errorf("text %q: a ${ is not closed", text)
		}
		switch name {
		case "value", "instance", "point", "site", "agent":
			pieces = append(pieces, piece{word: name})
		default:
			oid, err := snmp.ParseOID(name)
			if err != nil {
				return nil, fmt.Errorf("text: ${%s} is neither value, instance, point, site, agent nor an OID", name)
			}
			pieces = append(pieces, piece{oid: string(oid)})
		}
		text = after
	}
	return pieces, nil
}

// Where is what a notification's origin is known to be.
type Where struct {
	Site  *correlate.Site
	Agent *correlate.Agent
}

// Match returns what the rules make of a notification from an agent.
func (s *Set) Match(n *snmp.Notification, w Where) Result {
	r := s.find(n.TrapOID)
	if r == nil {
		return Result{Unmatched: "no rule for " + snmp.OID(n.TrapOID).String()}
	}
	res := Result{Rule: r.label, Restart: r.spec.Restart}
	for i := range r.observe {
		o, why := r.observe[i].build(n, w)
		switch {
		case why == "":
			o.Rule = r.label
			res.Observations = append(res.Observations, o)
		case !r.observe[i].optional:
			res.Unmatched = r.label + ": " + why
		}
	}
	if len(res.Observations) > 0 {
		res.Unmatched = ""
	}
	return res
}

func (s *Set) find(oid []byte) *rule {
	if r := s.exact[string(oid)]; r != nil {
		return r
	}
	for _, n := range s.depths {
		if n <= len(oid) {
			if r := s.under[string(oid[:n])]; r != nil {
				return r
			}
		}
	}
	return nil
}

// Rules lists the labels of all rules in order.
func (s *Set) Rules() []string {
	out := make([]string, len(s.all))
	for i, r := range s.all {
		out[i] = r.label
	}
	return out
}

func (c *observe) build(n *snmp.Notification, w Where) (o correlate.Observation, why string) {
	point, why := c.point.pick(n, w)
	if why != "" {
		return o, "point: " + why
	}
	what, why := c.what.pick(n, w)
	if why != "" {
		return o, "what: " + why
	}
	instance, why := c.instance.pick(n, w)
	if why != "" {
		return o, "instance: " + why
	}
	severity, why := c.severity.pick(n, w)
	if why != "" {
		return o, "severity: " + why
	}
	o.Key = correlate.Key{Site: w.Site.ID, Point: correlate.PointID(point), Instance: instance}
	p := w.Site.Points[o.Key.Point]
	if p == nil {
		return o, fmt.Sprintf("site %s has no point %q", w.Site.ID, point)
	}
	o.What, _ = correlate.ParseWhat(what)
	o.Severity, _ = correlate.ParseSeverity(severity)
	o.Actor, _ = c.actor.pick(n, w)
	if o.What == correlate.Value {
		v, ok := c.value.number(n)
		if !ok {
			return o, "the value is no number"
		}
		o.Value = v
	}
	o.Text = c.render(n, w, &o, p)
	return o, ""
}

// varbind returns the first varbind whose name is oid or lies below it.
func varbind(n *snmp.Notification, oid string) (snmp.Varbind, bool) {
	for _, v := range n.Varbinds {
		if len(v.Name) >= len(oid) && string(v.Name[:len(oid)]) == oid {
			return v, true
		}
	}
	return snmp.Varbind{}, false
}

func (s *selector) pick(n *snmp.Notification, w Where) (word, why string) {
	if s.oid == "" {
		return s.spec.Fixed, ""
	}
	v, ok := varbind(n, s.oid)
	if !ok {
		return "", "varbind " + s.spec.From + s.spec.Index + s.spec.Number + " is missing"
	}
	if s.spec.Index != "" {
		return s.mapped(dotted(snmp.OID(v.Name).Rest(snmp.OID(s.oid))))
	}
	if s.spec.Number == "" {
		return s.mapped(v.Text(""))
	}
	number, ok := v.Int()
	if !ok {
		return "", "the point number is no number"
	}
	for id, p := range w.Site.Points {
		if p.Number != 0 && int64(p.Number) == number {
			return string(id), ""
		}
	}
	return "", fmt.Sprintf("site %s has no point number %d", w.Site.ID, number)
}

func (s *selector) mapped(text string) (word, why string) {
	if s.spec.Map == nil {
		return text, ""
	}
	if word, ok := s.spec.Map[text]; ok {
		return word, ""
	}
	if s.spec.Otherwise != "" {
		return s.spec.Otherwise, ""
	}
	return "", fmt.Sprintf("%q is not in the map", text)
}

func (s *selector) number(n *snmp.Notification) (float64, bool) {
	v, ok := varbind(n, s.oid)
	if !ok || s.oid == "" {
		return 0, false
	}
	return v.Float()
}

func dotted(arcs []uint32) string {
	parts := make([]string, len(arcs))
	for i, a := range arcs {
		parts[i] = fmt.Sprint(a)
	}
	return strings.Join(parts, ".")
}

func (c *observe) render(n *snmp.Notification, w Where, o *correlate.Observation, p *correlate.Point) string {
	if len(c.text) == 0 {
		return ""
	}
	var b strings.Builder
	for _, piece := range c.text {
		switch {
		case piece.oid != "":
			if v, ok := varbind(n, piece.oid); ok {
				b.WriteString(v.Text(""))
			}
		case piece.word == "value":
			b.WriteString(p.FormatValue(p.Engineering(o.Value)))
		case piece.word == "instance":
			b.WriteString(o.Key.Instance)
		case piece.word == "point":
			b.WriteString(p.Name)
		case piece.word == "site":
			b.WriteString(w.Site.Name)
		case piece.word == "agent" && w.Agent != nil:
			b.WriteString(string(w.Agent.ID))
		default:
			b.WriteString(piece.literal)
		}
	}
	return b.String()
}
