package rules

import (
	"fmt"
	"unicode/utf8"

	"example.net/standwatch/correlate"
	"example.net/standwatch/receiver/mib"
	"example.net/standwatch/receiver/snmp"
)

// Where is what is known of a notification's origin.
type Where struct {
	Site  *correlate.Site
	Agent *correlate.Agent
}

// Result is what the rules made of a notification.
type Result struct {
	Observations []correlate.Observation
	Rule         string // "file:line name" of the rule that won, also if nothing came of it
	Unmatched    string // why nothing came of it; empty when something did, or on purpose
	Ignored      string // the reason a rule gave for making nothing of it
	Restart      bool   // the agent says that it restarted
	Lacks        *Lack  // the first point that a rule wanted and the site does not have
	Faults       int    // conditions that failed, and observations that could not be made
}

// Lack is a point that the winning rule needs and the site has not: by ID, or by
// number or name in its point list.
type Lack struct {
	Point  correlate.PointID
	Number int
	Name   string
}

// coldStart and warmStart as BER (RFC 3418).
const (
	coldStart = "\x2b\x06\x01\x06\x03\x01\x01\x05\x01"
	warmStart = "\x2b\x06\x01\x06\x03\x01\x01\x05\x02"
)

// Match returns what the rules make of a notification.
func (s *Set) Match(n *snmp.Notification, w Where) Result { return s.match(nil, n, w, nil) }

// Append is Match with the observations appended to dst.
func (s *Set) Append(dst []correlate.Observation, n *snmp.Notification, w Where) Result {
	return s.match(dst, n, w, nil)
}

func (s *Set) match(dst []correlate.Observation, n *snmp.Notification, w Where, tr *Trace) Result {
	res := Result{Observations: dst, Restart: string(n.TrapOID) == coldStart || string(n.TrapOID) == warmStart}
	if w.Site == nil {
		res.Unmatched = "unknown agent"
		return res
	}
	on, meant := s.on(n.TrapOID)
	sc := scene{n: n, w: w, names: s.names, sites: &s.sites, trace: tr, bit: -1, trap: meant}
	r := s.choose(on, &sc, &res)
	if r == nil {
		res.Unmatched = "no rule for " + s.names.Name(snmp.OID(n.TrapOID))
		return res
	}
	if tr == nil {
		r.matched.Add(1)
	}
	res.Rule, res.Ignored = r.label, r.spec.Ignore
	res.Restart = res.Restart || r.spec.Restart
	for i := range r.observe {
		sc.make(r, &r.observe[i], &res)
	}
	if sc.why != "" && len(res.Observations) == len(dst) {
		res.Unmatched = sc.why
	}
	return res
}

// choose returns the rule that wins, or nil.
func (s *Set) choose(on []*rule, sc *scene, res *Result) (winner *rule) {
	if len(on) == 1 && on[0].when == nil && sc.trace == nil {
		return on[0] // nearly every notification
	}
	s.candidates(on, sc.n.TrapOID, func(r *rule) bool {
		held := sc.holds(r, res)
		if held {
			winner = r
		}
		return held && sc.trace == nil
	})
	if sc.trace != nil {
		return sc.trace.first
	}
	return winner
}

// holds reports whether a rule's condition is true, and tells the trace.
func (sc *scene) holds(r *rule, res *Result) bool {
	if sc.trace != nil && sc.trace.first != nil {
		sc.trace.add("%s would have matched, too, but comes after", r.label)
		return false
	}
	if r.when != nil {
		held, err := r.when.holds(sc)
		if err != nil {
			sc.countFault(r, res)
			sc.note("%s gives way: its condition failed: %v", r.label, err)
			return false
		}
		if !held {
			sc.note("%s gives way: %s is false", r.label, r.when.written)
			return false
		}
	}
	if sc.trace != nil {
		sc.trace.first = r
		sc.trace.add("%s wins", r.label)
	}
	return true
}

// scene is one notification in the making of its observations.
type scene struct {
	n     *snmp.Notification
	w     Where
	names *mib.Names
	sites *siteLists
	trace *Trace
	trap  snmp.OID // the notification as its MIB spells it; empty: as it came

	o         correlate.Observation // in the making
	point     *correlate.Point
	instance  int    // octets of the text being built that are the instance
	index     []byte // of the varbind that an each is at
	bit       int    // -1 outside bits
	bitObject *mib.Object
	lacks     *Lack
	why       string // why the first observation that could not be made was not
}

func (sc *scene) note(format string, args ...any) {
	if sc.trace != nil {
		sc.trace.add(format, args...)
	}
}

// countFault counts what went wrong; a notification that is only explained does
// not count.
func (sc *scene) countFault(r *rule, res *Result) {
	res.Faults++
	if sc.trace == nil {
		r.faults.Add(1)
	}
}

// fault notes an observation that could not be made.
func (sc *scene) fault(r *rule, res *Result, why string) {
	sc.countFault(r, res)
	sc.note("no observation: %s", why)
	if sc.why == "" {
		sc.why = "rule " + r.label + ": " + why
	}
}

// make makes the observations of one entry of a rule.
func (sc *scene) make(r *rule, o *observe, res *Result) {
	if o.each == nil {
		sc.makeBits(r, o, res)
		return
	}
	found := false
	for i := range sc.n.Varbinds {
		name := sc.n.Varbinds[i].Name
		if len(name) > len(o.each.oid) && string(name[:len(o.each.oid)]) == string(o.each.oid) {
			found = true
			sc.index = name[len(o.each.oid):]
			sc.makeBits(r, o, res)
		}
	}
	sc.index = nil
	if !found {
		sc.fault(r, res, o.each.written+" is missing in the notification")
	}
}

func (sc *scene) makeBits(r *rule, o *observe, res *Result) {
	if o.bits == nil {
		sc.makeOne(r, o, res)
		return
	}
	v, ok := sc.varbind(o.bits.of)
	if !ok {
		sc.fault(r, res, o.bits.of.written+" is missing in the notification")
		return
	}
	sc.bitObject = o.bits.of.object
	made := len(res.Observations)
	ok = mib.EachBit(*v, func(bit int, on bool) bool {
		sc.bit = bit
		sc.makeBit(r, o, on, res)
		return true
	})
	sc.bit, sc.bitObject = -1, nil
	if !ok || made == len(res.Observations) {
		sc.fault(r, res, fmt.Sprintf("no bit of %s belongs to a point of site %s", o.bits.of.written, sc.w.Site.ID))
	}
}

// makeBit makes the observation of one bit. A bit without a point at this site
// is passed over; only one that is set is worth a word.
func (sc *scene) makeBit(r *rule, o *observe, on bool, res *Result) {
	what := o.bits.unset
	if on {
		what = o.bits.set
	}
	var p *correlate.Point
	if o.bits.points == nil {
		p = sc.sites.byNumber(sc.w.Site, o.bits.first+sc.bit)
	} else if id, ok := o.bits.points[sc.bit]; ok {
		p = sc.w.Site.Points[id]
	} else {
		return
	}
	switch {
	case p == nil && on:
		sc.fault(r, res, fmt.Sprintf("bit %d is set and site %s has no point for it", sc.bit, sc.w.Site.ID))
	case p == nil || what == 0:
		return
	default:
		sc.start(p)
		sc.o.What = what
		if sc.wired(r, res) {
			sc.complete(r, o, res)
		}
	}
}

// start begins an observation of a point.
func (sc *scene) start(p *correlate.Point) {
	sc.o = correlate.Observation{Key: correlate.Key{Site: sc.w.Site.ID}}
	sc.point, sc.instance = p, 0
	if p != nil {
		sc.o.Key.Point = p.ID
	}
}

func (sc *scene) makeOne(r *rule, o *observe, res *Result) {
	sc.start(nil)
	sc.o.What = o.what
	if o.whatBy != nil {
		what, why := o.whatBy.pick(sc)
		if why != "" {
			sc.fault(r, res, why)
			return
		}
		sc.o.What = what
	}
	if sc.o.What == 0 {
		sc.note("nothing, on purpose")
		return
	}
	if sc.o.What == correlate.AliveSign && o.fixed == "" && o.point == nil && o.pointBy == nil {
		sc.alive(r, res)
		return
	}
	p, why := sc.findPoint(o)
	if why != "" {
		if res.Lacks == nil {
			res.Lacks = sc.lacks
		}
		sc.fault(r, res, why)
		return
	}
	sc.point, sc.o.Key.Point = p, p.ID
	if sc.wired(r, res) {
		sc.complete(r, o, res)
	}
}

// wired turns an open or closed contact into what it means at its point.
func (sc *scene) wired(r *rule, res *Result) bool {
	if sc.o.What != contactOpen && sc.o.What != contactClosed {
		return true
	}
	means := sc.point.Normally.Means(sc.o.What == contactClosed)
	if means == 0 {
		sc.fault(r, res, fmt.Sprintf("point %s of site %s does not say whether its contact is normally open or closed", sc.point.ID, sc.w.Site.ID))
		return false
	}
	sc.o.What = means
	return true
}

// alive yields the agent's own alive point. An agent without one has told that
// it lives by its notification alone.
func (sc *scene) alive(r *rule, res *Result) {
	if sc.w.Agent == nil || sc.w.Agent.Point == "" {
		sc.note("a sign of life of an agent without an alive point")
		return
	}
	sc.o.Key, sc.o.Rule = sc.w.Agent.AliveKey(), r.label
	res.Observations = append(res.Observations, sc.o)
	if sc.trace != nil {
		sc.trace.add("alive: %s", sc.o.Key)
	}
}

func (sc *scene) findPoint(o *observe) (*correlate.Point, string) {
	id := o.fixed
	switch {
	case o.pointBy != nil && o.pointBy.lookup != lookupNone:
		return o.pointBy.lookUp(sc)
	case o.pointBy != nil:
		chosen, why := o.pointBy.pick(sc)
		if why != "" {
			return nil, why
		}
		id = chosen
	case o.point != nil:
		text, missing := sc.appendText(nil, o.point)
		if missing != nil {
			return nil, missing.written + " is missing in the notification"
		}
		id = correlate.PointID(text)
	}
	p := sc.w.Site.Points[id]
	if p == nil {
		sc.lacks = &Lack{Point: id}
		return nil, fmt.Sprintf("site %s has no point %q", sc.w.Site.ID, id)
	}
	return p, ""
}

// longestText bounds an observation's text, in octets.
const longestText = 2000

// complete fills in what an observation says besides its point and what, and
// adds it. The instance, text and actor are cut from one string.
func (sc *scene) complete(r *rule, o *observe, res *Result) {
	if why := sc.measure(o); why != "" {
		sc.fault(r, res, why)
		return
	}
	var space [256]byte
	buf, missing := sc.appendText(space[:0], o.instance)
	if missing != nil {
		sc.fault(r, res, "instance: "+missing.written+" is missing in the notification")
		return
	}
	instance := len(buf)
	sc.instance = instance
	buf, _ = sc.appendText(buf, o.text)
	buf = cut(buf, instance+longestText)
	text := len(buf)
	buf, _ = sc.appendText(buf, o.actor)
	all := string(buf)
	sc.o.Key.Instance, sc.o.Text, sc.o.Actor, sc.o.Rule = all[:instance], all[instance:text], all[text:], r.label
	if sc.o.What == correlate.Acknowledge && sc.o.Actor == "" {
		sc.o.Actor = "at " + sc.w.Site.Name
	}
	res.Observations = append(res.Observations, sc.o)
	if sc.trace != nil { // spares the plain case the boxing of arguments
		sc.trace.add("%s %s", sc.o.What, sc.o.Key)
	}
}

// cut shortens text to at most n octets, at a rune's beginning.
func cut(text []byte, n int) []byte {
	if len(text) <= n {
		return text
	}
	for n > 0 && !utf8.RuneStart(text[n]) {
		n--
	}
	return text[:n]
}

// measure fills in the reading and the severity.
func (sc *scene) measure(o *observe) (why string) {
	if o.value != nil {
		v, ok := sc.number(o.value)
		if !ok && sc.o.What == correlate.Value {
			return o.value.written + " is missing in the notification or no number"
		}
		sc.o.Value = v
	}
	if sc.o.What == correlate.Value && o.value == nil {
		return "a value without a reading"
	}
	if sc.o.What == correlate.Clear {
		return "" // how bad it is was a matter of the raise
	}
	sc.o.Severity = o.severity
	if o.grade != nil {
		sc.o.Severity, why = o.grade.pick(sc)
	}
	return why
}
