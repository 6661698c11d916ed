package correlate

import (
	"maps"
	"slices"
	"time"
)

// FoldVersion changes whenever the fold of the same records would give another
// state. A checkpoint of another version is rebuilt from the journal.
const FoldVersion = 2

// State is all that is known at one point of the journal: the fold of every
// record up to Seq. It is changed only by [State.Fold] and its parts. Readers
// must not keep pointers into it beyond the time they were lent it.
type State struct {
	Seq      Seq
	At       time.Time // of the last record
	Started  time.Time // when the master last began to watch
	Hash     string    // configuration in force
	Alarms   map[Key]*Alarm
	Readings map[Key]*Reading
	Events   map[Key]time.Time // newest momentary event of an entry point
	Agents   map[AgentID]*AgentState
	Engines  map[string]*EngineClock // by engine ID octets
	CallOuts map[CallOutID]*CallOut
	Messages map[MessageID]*Message
	ByAlarm  map[Key]CallOutID // the newest call-out of an alarm, while kept
	Flood    Flood
	Silences map[SilenceID]*Silence  // that hold or are to come
	Dealt    map[SilenceID]time.Time // up to when the occurrences of a configured window are over and done
	Derived  map[Key]*DerivedState
	StandIns map[string]*StandIn
	Piles    map[string]*Pile     // by person
	Proofs   map[string]time.Time // the last proof to each roster
	Audits   map[AgentID]*AuditState
	Shift    ShiftState

	forgot time.Time          // when settled messages were last dropped
	spent  map[string][]spend // messages that count against budgets, by person; follows from Messages

	last *Alarm                      // the one that was looked at last, by whoever changes the state; see find
	path struct{ from, text string } // the same of senders' addresses; see pathOf

	// Indexes of Alarms, kept by the fold and no part of a snapshot.
	explains map[Key]map[Key]struct{}       // the alarms under each cause
	silenced map[SilenceID]map[Key]struct{} // the alarms under each silence
}

// NewState returns the state of an empty journal.
func NewState() *State {
	return &State{
		Alarms: map[Key]*Alarm{}, Readings: map[Key]*Reading{}, Events: map[Key]time.Time{},
		Agents: map[AgentID]*AgentState{}, Engines: map[string]*EngineClock{},
		CallOuts: map[CallOutID]*CallOut{}, Messages: map[MessageID]*Message{}, ByAlarm: map[Key]CallOutID{},
		StandIns: map[string]*StandIn{}, Piles: map[string]*Pile{}, Proofs: map[string]time.Time{}, spent: map[string][]spend{},
		Audits:   map[AgentID]*AuditState{},
		Silences: map[SilenceID]*Silence{}, Dealt: map[SilenceID]time.Time{}, Derived: map[Key]*DerivedState{},
		explains: map[Key]map[Key]struct{}{}, silenced: map[SilenceID]map[Key]struct{}{},
	}
}

// find returns the alarm of a key, or nil. A report looks at its alarm half a
// dozen times in a row, so the last one is remembered: it is for whoever changes
// the state, and not for readers, of which there may be several. Alarms are
// never taken out of the state.
func (s *State) find(k Key) *Alarm {
	if s.last != nil && s.last.Key == k {
		return s.last
	}
	a := s.Alarms[k]
	if a != nil {
		s.last = a
	}
	return a
}

// Board lists the alarms on the operator's board in key order.
func (s *State) Board() []*Alarm {
	var out []*Alarm
	for _, a := range s.Alarms {
		if a.OnBoard() {
			out = append(out, a)
		}
	}
	slices.SortFunc(out, func(a, b *Alarm) int { return a.Key.Compare(b.Key) })
	return out
}

// Consequences lists the alarms on the board that cause explains, in key order.
func (s *State) Consequences(cause Key) []*Alarm {
	var out []*Alarm
	for _, k := range s.consequences(cause) {
		if a := s.Alarms[k]; a.OnBoard() {
			out = append(out, a)
		}
	}
	return out
}

// consequences lists the alarms that name a cause, in key order.
func (s *State) consequences(cause Key) []Key {
	return slices.SortedFunc(maps.Keys(s.explains[cause]), Key.Compare)
}

// under lists the alarms under a silence, in key order.
func (s *State) under(id SilenceID) []Key {
	return slices.SortedFunc(maps.Keys(s.silenced[id]), Key.Compare)
}

// Under lists the alarms that stand under a silence, in key order.
func (s *State) Under(id SilenceID) []Key { return s.under(id) }

// Waiting lists the messages that have yet to be handed to a gateway, in the
// order they were queued.
func (s *State) Waiting() []*Message {
	var out []*Message
	for _, m := range s.Messages {
		if m.State == MessageWaiting {
			out = append(out, m)
		}
	}
	slices.SortFunc(out, func(a, b *Message) int {
		if c := a.Queued.Compare(b.Queued); c != 0 {
			return c
		}
		return compareText(a.ID, b.ID)
	})
	return out
}

// Clone returns a deep copy that shares nothing mutable.
func (s *State) Clone() *State {
	c := *s
	c.last, c.path = nil, struct{ from, text string }{}
	c.Alarms = make(map[Key]*Alarm, len(s.Alarms))
	for k, a := range s.Alarms {
		c.Alarms[k] = a.Clone()
	}
	c.Readings = clonePointers(s.Readings)
	for _, m := range c.Readings {
		m.Past = slices.Clone(m.Past)
	}
	c.Events = maps.Clone(s.Events)
	c.Agents = clonePointers(s.Agents)
	for _, a := range c.Agents {
		a.Paths = slices.Clone(a.Paths)
	}
	c.Engines = clonePointers(s.Engines)
	c.CallOuts = make(map[CallOutID]*CallOut, len(s.CallOuts))
	for k, v := range s.CallOuts {
		c.CallOuts[k] = v.Clone()
	}
	c.Messages = make(map[MessageID]*Message, len(s.Messages))
	for k, v := range s.Messages {
		c.Messages[k] = v.Clone()
	}
	c.ByAlarm = maps.Clone(s.ByAlarm)
	c.Flood.Recent, c.Flood.Told = slices.Clone(s.Flood.Recent), slices.Clone(s.Flood.Told)
	c.Silences = make(map[SilenceID]*Silence, len(s.Silences))
	for id, v := range s.Silences {
		c.Silences[id] = v.Clone()
	}
	c.Dealt = maps.Clone(s.Dealt)
	c.Derived = clonePointers(s.Derived)
	c.Reindex()
	c.StandIns = clonePointers(s.StandIns)
	c.Piles = make(map[string]*Pile, len(s.Piles))
	for k, p := range s.Piles {
		c.Piles[k] = p.Clone()
	}
	c.Proofs = maps.Clone(s.Proofs)
	c.spent = make(map[string][]spend, len(s.spent))
	for k, v := range s.spent {
		c.spent[k] = slices.Clone(v)
	}
	c.Audits = clonePointers(s.Audits)
	c.Shift.Left, c.Shift.Leaves = slices.Clone(s.Shift.Left), slices.Clone(s.Shift.Leaves)
	return &c
}

// Reindex builds the indexes of the alarms anew, for whoever made up the state
// by hand.
func (s *State) Reindex() {
	s.explains, s.silenced = map[Key]map[Key]struct{}{}, map[SilenceID]map[Key]struct{}{}
	for k, a := range s.Alarms {
		join(s.explains, a.Cause, k)
		join(s.silenced, a.silencedBy(), k)
	}
}

func clonePointers[K comparable, V any](m map[K]*V) map[K]*V {
	out := make(map[K]*V, len(m))
	for k, v := range m {
		c := *v
		out[k] = &c
	}
	return out
}

// Clone returns a deep copy.
func (a *Alarm) Clone() *Alarm {
	c := *a
	if a.Shelf != nil {
		shelf := *a.Shelf
		c.Shelf = &shelf
	}
	if a.Wait != nil {
		wait := *a.Wait
		c.Wait = &wait
	}
	if a.Suppressed != nil {
		suppression := *a.Suppressed
		c.Suppressed = &suppression
	}
	c.StatusChanges = slices.Clone(a.StatusChanges)
	c.OperatorChanges = slices.Clone(a.OperatorChanges)
	return &c
}

// Clone returns a deep copy.
func (c *CallOut) Clone() *CallOut {
	d := *c
	d.Told, d.Passed = slices.Clone(c.Told), slices.Clone(c.Passed)
	return &d
}

// Clone returns a deep copy.
func (m *Message) Clone() *Message {
	d := *m
	d.Attempts, d.Covers = slices.Clone(m.Attempts), slices.Clone(m.Covers)
	return &d
}

func compareText[T ~string](a, b T) int {
	switch {
	case a < b:
		return -1
	case a > b:
		return 1
	}
	return 0
}
