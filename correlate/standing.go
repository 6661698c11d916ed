package correlate

import "time"

// rise is a condition that has come, as an observation or a waited-out delay
// reports it.
type rise struct {
	Severity Severity
	Text     string
	Since    time.Time
	Audit    bool
	By       Seq // record of the report, when a delay lay between
	Measure  *Measure
	Own      bool // the severity is the one that the configuration gives the point
}

// arrival decides about a notification: the agent lives, and each observation
// in its order.
func (e *Engine) arrival(in *Arrival) {
	if in.RunAgain == 0 {
		e.heard(in)
	}
	for i := range in.Observations {
		e.observe(&in.Observations[i], in)
	}
}

// observe decides about one observation. in is nil when no notification
// carried it.
func (e *Engine) observe(o *Observation, in *Arrival) {
	p := e.pointOf(o.Key)
	if p == nil {
		e.emit(&Ignored{On: On{o.Key}, What: o.What, Why: "no such point"})
		return
	}
	if e.overtaken(o, in) {
		e.emit(&Ignored{On: On{o.Key}, What: o.What, Why: "late"})
		return
	}
	switch o.What {
	case Raise, Clear:
		if why := e.stale(e.lastOrder(o.Key), in, o.What); why != "" {
			e.emit(&Ignored{On: On{o.Key}, What: o.What, Why: why})
			return
		}
		if in != nil {
			e.remember(o.Key)
		}
		if o.What == Raise {
			e.conditionCame(o.Key, p, rise{Severity: o.Severity, Text: o.Text, Since: e.r.OwnTime(), Audit: o.Audit})
		} else {
			e.conditionWent(o.Key, p, o.Text, o.Audit)
		}
	case Value:
		e.measure(o, p, in)
	case Happened:
		e.happened(o, p)
	case Acknowledge:
		e.acknowledgedThere(o)
	case AliveSign:
		// The arrival itself was the sign.
	}
}

func (e *Engine) lastOrder(k Key) Order {
	if a := e.st.find(k); a != nil {
		return a.Order
	}
	return Order{}
}

// stale says why a report must not overturn what a newer one said: "late",
// "duplicate", or "" when it counts. Reports are ordered by the agent's own
// clock (sysUpTime and, in v3, snmpEngineBoots); how much wall time passed
// between them tells a wrapped counter (after 497 days, RFC 2578 section
// 7.1.8) and a rebooted agent from an old report.
func (e *Engine) stale(last Order, in *Arrival, what What) string {
	if in == nil || !last.Known || !in.HasUptime || in.Restart {
		return ""
	}
	if last.Boots != 0 && in.Boots != 0 && last.Boots != in.Boots {
		if in.Boots < last.Boots {
			return "late"
		}
		return ""
	}
	elapsed := e.r.OwnTime().Sub(last.At).Milliseconds() / 10
	uptime := int64(in.Uptime)
	drift := int64(int32(in.Uptime - last.Uptime - uint32(elapsed)))
	switch ahead := elapsed + drift; {
	case ahead > 0:
		return ""
	case ahead == 0 && last.What == what && duplicate(last, in):
		return "duplicate"
	case ahead == 0 || (uptime <= elapsed+rebootSlack):
		return ""
	}
	return "late"
}

// rebootSlack (in 1/100 s) allows for the receiver's clock when deciding that
// an agent's whole uptime fits since its last report, so that it rebooted.
const rebootSlack = 100

// duplicate reports whether in is the same report again: by another path, or
// sent again under the same request-id.
func duplicate(last Order, in *Arrival) bool {
	if hostOf(last.From) != hostOf(in.From) {
		return true
	}
	return last.ID != 0 && last.ID == in.RequestID
}

// hostOf cuts the port off an address:port text.
func hostOf(addr string) string {
	for i := len(addr) - 1; i >= 0; i-- {
		if addr[i] == ':' {
			return addr[:i]
		}
	}
	return addr
}

// conditionCame decides about a condition that is reported to be there.
func (e *Engine) conditionCame(k Key, p *Point, c rise) {
	c = e.worded(p, c)
	a := e.st.find(k)
	switch {
	case a != nil && a.Flapping:
		e.flapRise(a, p, c)
	case a != nil && a.Standing:
		e.cameAgain(a, c)
	case a != nil && a.Wait != nil && a.Wait.What == Raise:
		if a.Wait.Severity != c.Severity {
			e.emit(&Pending{On: On{k}, What: Raise, Since: a.Wait.Since, Due: a.Wait.Due, Severity: c.Severity, Text: c.Text, Audit: c.Audit, Measure: c.Measure, Own: c.Own})
		}
	case p.RaiseAfter > 0:
		e.emit(&Pending{On: On{k}, What: Raise, Since: c.Since, Due: e.dueAfter(c.Since, p.RaiseAfter), Severity: c.Severity, Text: c.Text, Audit: c.Audit, Measure: c.Measure, Own: c.Own})
	default:
		e.raise(k, c)
	}
}

// worded fills in what the report left to the point.
func (e *Engine) worded(p *Point, c rise) rise {
	if c.Severity == 0 {
		c.Severity, c.Own = p.Severity, true
	}
	if c.Severity == 0 || c.Severity == Cleared {
		c.Severity = Indeterminate
	}
	if c.Text == "" {
		c.Text = p.AlarmWord
	}
	if c.Text == "" {
		c.Text = p.Name
	}
	return c
}

// cameAgain decides about a report of a condition that already stands.
func (e *Engine) cameAgain(a *Alarm, c rise) {
	if a.Wait != nil {
		e.emit(&PendingEnded{On: On{a.Key}})
	}
	if c.Severity != a.Severity {
		e.changeSeverity(a, c)
		return
	}
	text := ""
	if c.Text != a.Text {
		text = c.Text
	}
	e.emit(e.slabs.repeated(Repeated{On: On{a.Key}, Text: text}))
}

// changeSeverity keeps the alarm and, unless it got worse, its acknowledgement.
func (e *Engine) changeSeverity(a *Alarm, c rise) {
	worse := c.Severity > a.Severity
	e.emit(&Changed{On: On{a.Key}, Severity: c.Severity, Text: c.Text, Worse: worse, Measure: c.Measure, Own: c.Own})
	if worse && e.tellable(a) {
		e.tell(a, "worse")
	}
}

// raise begins an episode.
func (e *Engine) raise(k Key, c rise) {
	p := e.net.Point(k)
	if p == nil {
		e.closeAlarm(e.st.find(k), "point removed")
		return
	}
	merit := 0.0
	if p.Flap != nil {
		if a := e.st.find(k); a != nil {
			merit = p.Flap.Decay(a.Merit, e.since(a.MeritAt), false)
		}
		merit = p.Flap.Rise(merit)
	}
	e.emit(&Raised{On: On{k}, Severity: c.Severity, Text: c.Text, Since: c.Since, Merit: merit, Audit: c.Audit, By: c.By, Measure: c.Measure, Own: c.Own,
		OverCut: p.Flap != nil && !p.suppressesFlapping() && merit > p.Flap.Cut})
	a := e.st.find(k)
	why := "raised"
	if p.suppressesFlapping() && merit > p.Flap.Cut {
		e.emit(&FlapBegan{On: On{k}, Merit: merit, Due: e.r.OwnTime().Add(p.Flap.Until(merit, true))})
		why = "flapping"
	}
	e.suppress(a)
	e.placeUnderCause(a, p)
	e.holdBack(a)
	e.announce(a, why)
	e.gatherConsequences(a)
}

// suppressesFlapping reports whether flapping of the point is acted on. A
// regulated point's is only counted: suppression must neither hide it nor
// restart its clock.
func (p *Point) suppressesFlapping() bool { return p.Flap != nil && !p.FlapCount && !p.Regulated }

// conditionWent decides about a condition that is reported to be gone.
func (e *Engine) conditionWent(k Key, p *Point, text string, audit bool) {
	if text == "" {
		text = p.NormalWord
	}
	if text == "" {
		text = p.Name + ": normal"
	}
	a := e.st.find(k)
	switch {
	case a != nil && a.Flapping && a.Condition:
		e.flapFall(a, p)
	case a != nil && a.Standing && !a.Flapping:
		if a.Wait != nil {
			return
		}
		w := Wait{What: Clear, Since: e.r.OwnTime(), Due: e.dueAfter(e.r.OwnTime(), p.ClearAfter), Text: text, Audit: audit}
		if p.ClearAfter > 0 {
			e.emit(&Pending{On: On{k}, What: Clear, Since: w.Since, Due: w.Due, Text: text, Audit: audit})
			return
		}
		e.clear(a, w)
	case a != nil && a.Wait != nil && a.Wait.What == Raise:
		e.emit(&PendingEnded{On: On{k}})
	default:
		e.emit(&Ignored{On: On{k}, What: Clear, Why: IgnoredNotStanding})
	}
}

// clear ends an episode.
func (e *Engine) clear(a *Alarm, w Wait) {
	p := e.net.Point(a.Key)
	ev := &AlarmCleared{On: On{a.Key}, Text: w.Text, Since: w.Since, Audit: w.Audit, By: w.Seq}
	if p != nil {
		ev.Latch = p.Latch && !a.Acknowledged
		if p.Flap != nil {
			ev.Merit = p.Flap.Decay(a.Merit, e.since(a.MeritAt), true)
		}
	}
	e.emit(ev)
	e.releaseConsequences(a.Key)
}

// flapRise decides about a report of the condition while the alarm flaps.
func (e *Engine) flapRise(a *Alarm, p *Point, c rise) {
	if p.Flap == nil {
		e.settle(a)
		e.conditionCame(a.Key, p, c)
		return
	}
	if a.Condition {
		e.emit(&Repeated{On: On{a.Key}})
	} else {
		merit := p.Flap.Rise(p.Flap.Decay(a.Merit, e.since(a.MeritAt), false))
		e.emit(&FlapTurned{On: On{a.Key}, Standing: true, Merit: merit, Due: e.r.OwnTime().Add(p.Flap.Until(merit, true))})
	}
	if c.Severity != a.Severity {
		e.changeSeverity(a, c)
	}
}

// flapFall decides about the condition going while the alarm flaps.
func (e *Engine) flapFall(a *Alarm, p *Point) {
	if p.Flap == nil {
		e.emit(&FlapTurned{On: On{a.Key}})
		e.settle(a)
		return
	}
	merit := p.Flap.Decay(a.Merit, e.since(a.MeritAt), true)
	e.emit(&FlapTurned{On: On{a.Key}, Merit: merit, Due: e.r.OwnTime().Add(p.Flap.Until(merit, false))})
}

// settle ends flapping: the alarm goes on standing, or clears.
func (e *Engine) settle(a *Alarm) {
	standing := a.Condition
	e.emit(&FlapEnded{On: On{a.Key}, Standing: standing, Count: a.FlapCount})
	if standing {
		e.announce(a, "held")
		return
	}
	text := "settled"
	if p := e.net.Point(a.Key); p != nil && p.NormalWord != "" {
		text = p.NormalWord
	}
	e.clear(a, Wait{What: Clear, Since: e.r.At, Text: text})
}
