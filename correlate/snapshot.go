package correlate

import (
	"maps"
	"slices"
	"time"
)

// Snapshot is a state in a form that encodes the same way every time: lists in
// key order instead of maps.
type Snapshot struct {
	Fold     int             `cbor:"1,keyasint"` // FoldVersion of whoever made it
	Seq      Seq             `cbor:"2,keyasint"`
	At       time.Time       `cbor:"3,keyasint"`
	Started  time.Time       `cbor:"4,keyasint"`
	Hash     string          `cbor:"5,keyasint"`
	Forgot   time.Time       `cbor:"6,keyasint"`
	Alarms   []*Alarm        `cbor:"7,keyasint"`
	Readings []*Reading      `cbor:"8,keyasint"`
	Events   []LastEvent     `cbor:"9,keyasint"`
	Agents   []*AgentState   `cbor:"10,keyasint"`
	Engines  []*EngineClock  `cbor:"11,keyasint"`
	CallOuts []*CallOut      `cbor:"12,keyasint"`
	Messages []*Message      `cbor:"13,keyasint"`
	Newest   []CallOutID     `cbor:"14,keyasint"` // the newest call-out of each alarm that has one
	Flood    Flood           `cbor:"15,keyasint"`
	Silences []*Silence      `cbor:"16,keyasint"`
	Dealt    []Dealt         `cbor:"17,keyasint"`
	Derived  []*DerivedState `cbor:"18,keyasint"`
	StandIns []*StandIn      `cbor:"20,keyasint,omitempty"`
	Piles    []*Pile         `cbor:"21,keyasint,omitempty"`
	Proofs   []LastProof     `cbor:"22,keyasint,omitempty"`
	Audits   []*AuditState   `cbor:"25,keyasint"`
	Shift    ShiftState      `cbor:"40,keyasint,omitzero"`
}

// Dealt is up to when the occurrences of a configured window are over and done.
type Dealt struct {
	ID    SilenceID `cbor:"1,keyasint"`
	Until time.Time `cbor:"2,keyasint"`
}

// LastEvent is the newest momentary event of an entry point.
type LastEvent struct {
	Key Key       `cbor:"1,keyasint"`
	At  time.Time `cbor:"2,keyasint"`
}

// LastProof is when a roster was last sent the proof that the master lives.
type LastProof struct {
	Roster string    `cbor:"1,keyasint"`
	At     time.Time `cbor:"2,keyasint"`
}

// Snapshot returns the state as a snapshot that shares nothing with it.
func (s *State) Snapshot() *Snapshot {
	c := s.Clone()
	out := &Snapshot{Fold: FoldVersion, Seq: c.Seq, At: c.At, Started: c.Started, Hash: c.Hash, Forgot: c.forgot, Flood: c.Flood}
	byKey := func(a, b Key) int { return a.Compare(b) }
	for _, k := range slices.SortedFunc(maps.Keys(c.Alarms), byKey) {
		out.Alarms = append(out.Alarms, c.Alarms[k])
	}
	for _, k := range slices.SortedFunc(maps.Keys(c.Readings), byKey) {
		out.Readings = append(out.Readings, c.Readings[k])
	}
	for _, k := range slices.SortedFunc(maps.Keys(c.Events), byKey) {
		out.Events = append(out.Events, LastEvent{k, c.Events[k]})
	}
	for _, k := range slices.SortedFunc(maps.Keys(c.ByAlarm), byKey) {
		out.Newest = append(out.Newest, c.ByAlarm[k])
	}
	for _, k := range slices.SortedFunc(maps.Keys(c.Derived), byKey) {
		out.Derived = append(out.Derived, c.Derived[k])
	}
	for _, id := range slices.Sorted(maps.Keys(c.Dealt)) {
		out.Dealt = append(out.Dealt, Dealt{id, c.Dealt[id]})
	}
	out.Silences = inOrder(c.Silences)
	out.Agents = inOrder(c.Agents)
	out.Engines = inOrder(c.Engines)
	out.CallOuts = inOrder(c.CallOuts)
	out.Messages = inOrder(c.Messages)
	out.StandIns, out.Piles = inOrder(c.StandIns), inOrder(c.Piles)
	for _, id := range slices.Sorted(maps.Keys(c.Proofs)) {
		out.Proofs = append(out.Proofs, LastProof{id, c.Proofs[id]})
	}
	out.Audits = inOrder(c.Audits)
	out.Shift = c.Shift
	return out
}

func inOrder[K ~string, V any](m map[K]*V) []*V {
	var out []*V
	for _, k := range slices.Sorted(maps.Keys(m)) {
		out = append(out, m[k])
	}
	return out
}

// Restore returns the state that snap was taken of. The state owns what snap
// points to from then on.
func Restore(snap *Snapshot) *State {
	s := NewState()
	s.Seq, s.At, s.Started, s.Hash, s.forgot = snap.Seq, snap.At, snap.Started, snap.Hash, snap.Forgot
	s.Flood = snap.Flood
	for _, a := range snap.Alarms {
		s.Alarms[a.Key] = a
	}
	for _, r := range snap.Readings {
		s.Readings[r.Key] = r
	}
	for _, e := range snap.Events {
		s.Events[e.Key] = e.At
	}
	for _, a := range snap.Agents {
		s.Agents[a.ID] = a
	}
	for _, c := range snap.Engines {
		s.Engines[string(c.EngineID)] = c
	}
	for _, c := range snap.CallOuts {
		s.CallOuts[c.ID] = c
	}
	for _, m := range snap.Messages {
		s.Messages[m.ID] = m
	}
	for _, v := range snap.Silences {
		s.Silences[v.ID] = v
	}
	for _, d := range snap.Dealt {
		s.Dealt[d.ID] = d.Until
	}
	for _, d := range snap.Derived {
		s.Derived[d.Key] = d
	}
	s.Reindex()
	s.Shift = snap.Shift
	for _, a := range snap.Audits {
		s.Audits[a.Agent] = a
	}
	for _, id := range snap.Newest {
		if c := s.CallOuts[id]; c != nil {
			s.ByAlarm[c.Key] = id
		}
	}
	for _, in := range snap.StandIns {
		s.StandIns[in.ID] = in
	}
	for _, p := range snap.Piles {
		s.Piles[p.Person] = p
	}
	for _, p := range snap.Proofs {
		s.Proofs[p.Roster] = p.At
	}
	s.countSpent()
	return s
}
