package correlate

// slabLen is how many of a kind are allocated at once. What is carved from one
// slab lives until the last of it is dropped: a few milliseconds of records,
// since records are let go once they are committed and published.
const slabLen = 64

// slabs give the engine what nearly every record needs, repeats above all, so
// that a storm of them costs the collector little. Whoever gets something from
// a slab owns it as if it had been allocated by itself.
type slabs struct {
	repeats []Repeated
	lists   []Event // each of one place; a record with more events gets a list of its own
}

// repeated returns a copy of the event on the heap.
func (s *slabs) repeated(e Repeated) *Repeated {
	if len(s.repeats) == 0 {
		s.repeats = make([]Repeated, slabLen)
	}
	out := &s.repeats[0]
	s.repeats = s.repeats[1:]
	*out = e
	return out
}

// add appends an event to a record.
func (s *slabs) add(r *Record, ev Event) {
	if r.Events == nil {
		if len(s.lists) == 0 {
			s.lists = make([]Event, slabLen)
		}
		r.Events, s.lists = s.lists[:0:1], s.lists[1:]
	}
	r.Events = append(r.Events, ev)
}

// place is what a key leads to, so that a report needs one look and not three.
type place struct {
	point *Point
	alarm *Alarm
}

// pointOf returns the point of a key, or nil, and has the state remember the
// alarm that will be looked at next.
func (e *Engine) pointOf(k Key) *Point {
	at, known := e.places[k]
	switch {
	case !known:
		at = place{e.net.Point(k), e.st.find(k)}
		if at.point == nil {
			return nil // keys are made up by senders; only real ones are remembered
		}
	case at.alarm == nil:
		at.alarm = e.st.find(k)
	default:
		e.st.last = at.alarm
		return at.point
	}
	if !known || at.alarm != nil {
		e.places[k] = at
	}
	return at.point
}

// life is what the name of an agent leads to: with every trap one look, and not
// one for the agent and one for an alarm that hardly ever stands.
type life struct {
	agent *Agent
	alive *Alarm // of its silence; nil as long as it has never been silent
}

// lifeOf returns an agent and the alarm of its silence; nil when there is none.
func (e *Engine) lifeOf(id AgentID) (*Agent, *Alarm) {
	l, known := e.lives[id]
	if !known {
		if l.agent = e.net.Agent(id); l.agent == nil {
			return nil, nil
		}
		l.alive = e.st.Alarms[l.agent.AliveKey()]
		e.lives[id] = l
	}
	return l.agent, l.alive
}

// firstOf notes that a key has got its alarm.
func (e *Engine) firstOf(k Key) {
	index(e.instances, k)
	for _, id := range e.net.reporting[k] {
		delete(e.lives, id)
	}
}
