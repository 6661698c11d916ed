package correlate

import "time"

// placeUnderCause hangs a fresh alarm under a standing cause, or holds its
// telling: because an event excuses it, or because a cause may still show.
func (e *Engine) placeUnderCause(a *Alarm, p *Point) {
	if cause, ok := e.standingCause(a.Key, p); ok {
		e.emit(&Explained{On: On{a.Key}, By: cause})
		return
	}
	if until, by, ok := e.excused(p); ok {
		e.emit(&Held{On: On{a.Key}, Until: until, Why: "excused", By: by})
		return
	}
	if len(p.ExplainedBy) > 0 && p.Hold > 0 {
		e.emit(&Held{On: On{a.Key}, Until: e.r.At.Add(p.Hold), Why: "cause"})
	}
}

// standingCause returns the first standing alarm, in the order the point lists
// its causes, that explains k and is not itself explained by k.
func (e *Engine) standingCause(k Key, p *Point) (Key, bool) {
	for _, ref := range p.ExplainedBy {
		for _, cause := range e.instances[pointKey{ref.Site, ref.Point}] {
			a := e.st.Alarms[cause]
			if cause != k && ref.matches(cause) && a.Standing && !e.hangsUnder(cause, k) {
				return cause, true
			}
		}
	}
	return Key{}, false
}

// hangsUnder reports whether k is explained, at any remove, by root.
func (e *Engine) hangsUnder(k, root Key) bool {
	for steps := 0; steps < 64; steps++ {
		a := e.st.Alarms[k]
		if a == nil || a.Cause.IsZero() {
			return false
		}
		if a.Cause == root {
			return true
		}
		k = a.Cause
	}
	return true
}

// gatherConsequences hangs alarms that came before their cause under it, if
// they rose within their hold: the order of arrival must not matter.
func (e *Engine) gatherConsequences(cause *Alarm) {
	for _, at := range e.net.explain[Ref{Site: cause.Key.Site, Point: cause.Key.Point}] {
		p := e.net.Point(at)
		for _, k := range e.instances[pointKey{at.Site, at.Point}] {
			a := e.st.Alarms[k]
			if k == cause.Key || !a.Standing || !a.Cause.IsZero() || !p.explainedBy(cause.Key) || e.hangsUnder(cause.Key, k) {
				continue
			}
			if e.r.At.Sub(a.Raised) > p.Hold && a.HeldUntil.IsZero() {
				continue
			}
			e.emit(&Explained{On: On{k}, By: cause.Key})
			e.withdraw(a, "explained")
		}
	}
}

func (p *Point) explainedBy(cause Key) bool {
	for _, ref := range p.ExplainedBy {
		if ref.matches(cause) {
			return true
		}
	}
	return false
}

// releaseConsequences decides what becomes of the alarms that a cleared cause
// explained: another cause may explain them, else they have a hold to clear in
// before they are told on their own.
func (e *Engine) releaseConsequences(cause Key) {
	for _, k := range e.st.consequences(cause) {
		if p := e.net.Point(k); p != nil {
			e.released(e.st.Alarms[k], p)
		}
	}
}

// released decides about one alarm whose cause explains it no longer.
func (e *Engine) released(a *Alarm, p *Point) {
	if other, ok := e.standingCause(a.Key, p); ok {
		e.emit(&Explained{On: On{a.Key}, By: other})
		return
	}
	e.emit(&Unexplained{On: On{a.Key}, Until: e.r.At.Add(max(p.Hold, DefaultHold))})
}

// excused returns until when an event excuses the point's alarm, and which.
func (e *Engine) excused(p *Point) (until time.Time, by Key, ok bool) {
	for _, x := range p.ExcusedBy {
		for _, k := range e.occurred[pointKey{x.Event.Site, x.Event.Point}] {
			if !x.Event.matches(k) {
				continue
			}
			end := e.st.Events[k].Add(x.For)
			if !end.After(e.r.At) {
				continue
			}
			if !ok || end.After(until) || (end.Equal(until) && k.Compare(by) < 0) {
				until, by, ok = end, k, true
			}
		}
	}
	return until, by, ok
}

// happened records a momentary event and excuses what it excuses, also what
// rose a moment before it and has not been told yet.
func (e *Engine) happened(o *Observation, p *Point) {
	text := o.Text
	if text == "" {
		text = p.AlarmWord
	}
	if text == "" {
		text = p.Name
	}
	severity := o.Severity
	if severity == 0 {
		severity = p.Severity
	}
	e.emit(&Occurred{On: On{o.Key}, Text: text, Severity: severity})
	site := e.net.Site(o.Key.Site)
	for _, id := range sortedPoints(site) {
		q := site.Points[id]
		for _, x := range q.ExcusedBy {
			if !x.Event.matches(o.Key) {
				continue
			}
			for _, k := range e.instances[pointKey{site.ID, id}] {
				a := e.st.Alarms[k]
				if a.Standing && !a.Announced && a.Cause.IsZero() && !a.Acknowledged && e.r.OwnTime().Add(x.For).After(e.r.At) {
					e.emit(&Held{On: On{k}, Until: e.r.OwnTime().Add(x.For), Why: "excused", By: o.Key})
				}
			}
		}
	}
}
