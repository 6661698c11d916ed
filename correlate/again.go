package correlate

import "time"

// RunAgainHold is how long nobody is told of what was run again, so that the
// raise and the clear of something long over are both decided before anybody
// is called out. Own choice, no source.
const RunAgainHold = 10 * time.Second

// OwnTime is the time that the record speaks of: for a notification that is run
// again the time it came first, else the record's.
func (r *Record) OwnTime() time.Time {
	if in, ok := r.Input.(*Arrival); ok && in.RunAgain != 0 && !in.Came.IsZero() {
		return in.Came
	}
	return r.At
}

// since is the time from ago to the record's own time, never negative.
func (e *Engine) since(ago time.Time) time.Duration { return max(0, e.r.OwnTime().Sub(ago)) }

// dueAfter is when a condition that is there since a time has held for wait.
func (e *Engine) dueAfter(since time.Time, wait time.Duration) time.Time {
	due := since.Add(wait)
	if hold := e.r.At.Add(RunAgainHold); e.runsAgain() && due.Before(hold) {
		return hold
	}
	return due
}

func (e *Engine) runsAgain() bool {
	in, ok := e.r.Input.(*Arrival)
	return ok && in.RunAgain != 0
}

// overtaken reports whether what is run again is older than what is known by
// now, which it must not overturn.
func (e *Engine) overtaken(o *Observation, in *Arrival) bool {
	if in == nil || in.RunAgain == 0 {
		return false
	}
	if o.Late {
		return true
	}
	own, a := e.r.OwnTime(), e.st.Alarms[o.Key]
	switch o.What {
	case Raise, Clear:
		return a != nil && a.newest().After(own)
	case Acknowledge:
		return a != nil && a.Raised.After(own)
	case Value:
		r := e.st.Readings[o.Key]
		return r != nil && r.At.After(own)
	}
	return false
}

// newest is when something was last reported of the alarm's condition.
func (a *Alarm) newest() time.Time {
	at := a.Order.At
	for _, t := range []time.Time{a.Raised, a.Cleared, a.LastSeen, a.MeritAt} {
		if t.After(at) {
			at = t
		}
	}
	if a.Wait != nil && a.Wait.Since.After(at) {
		at = a.Wait.Since
	}
	return at
}

// holdBack keeps an alarm that was run again quiet for [RunAgainHold], unless
// it is quiet already.
func (e *Engine) holdBack(a *Alarm) {
	until := e.r.At.Add(RunAgainHold)
	if e.runsAgain() && a.Cause.IsZero() && a.HeldUntil.Before(until) {
		e.emit(&Held{On: On{a.Key}, Until: until, Why: "run again"})
	}
}
