package correlate

import "time"

// ShiftTurn says that a shift begins: from here on other people watch. What
// stands at that moment is journaled with it, so that the story of a shift can
// be told from its first record on.
type ShiftTurn struct {
	Name string    `cbor:"1,keyasint"`
	From time.Time `cbor:"2,keyasint"` // as configured; the record's own time may be later, if the master was down
	To   time.Time `cbor:"3,keyasint"`
}

// Handover is a word that one shift leaves the next, or the next one's word
// that it was read.
type Handover struct {
	Read  bool   `cbor:"1,keyasint,omitempty"`
	Text  string `cbor:"2,keyasint,omitempty"` // empty when read
	Actor string `cbor:"3,keyasint"`
	Via   string `cbor:"4,keyasint"`
}

func (*ShiftTurn) input() {}
func (*Handover) input()  {}

// Stood is one alarm as it stood when a shift began.
type Stood struct {
	Key          Key       `cbor:"1,keyasint"`
	Severity     Severity  `cbor:"2,keyasint"`
	Text         string    `cbor:"3,keyasint,omitempty"`
	Raised       time.Time `cbor:"4,keyasint"`
	Acknowledged bool      `cbor:"5,keyasint,omitempty"`
	AckBy        string    `cbor:"6,keyasint,omitempty"`
	Announced    time.Time `cbor:"7,keyasint,omitzero"`  // when people could first be told of the episode
	Aside        string    `cbor:"8,keyasint,omitempty"` // why nobody is told: "shelved", "suppressed", "explained"
	Cleared      bool      `cbor:"9,keyasint,omitempty"` // over, but latched until it is taken
}

// The events of shifts. They are about no alarm.
type (
	// ShiftBegan says that a shift began, and what stood then.
	ShiftBegan struct {
		Name     string    `cbor:"1,keyasint"`
		From     time.Time `cbor:"2,keyasint"`
		To       time.Time `cbor:"3,keyasint"`
		Standing []Stood   `cbor:"4,keyasint,omitempty"`
	}
	// HandedOver is a word for the next shift. Shift and From name the one that
	// leaves it.
	HandedOver struct {
		Shift string    `cbor:"1,keyasint"`
		From  time.Time `cbor:"2,keyasint"`
		Text  string    `cbor:"3,keyasint"`
		Actor string    `cbor:"4,keyasint"`
		Via   string    `cbor:"5,keyasint"`
	}
	// HandoverRead says that somebody of the present shift read what was left.
	HandoverRead struct {
		Shift string    `cbor:"1,keyasint"`
		From  time.Time `cbor:"2,keyasint"`
		Actor string    `cbor:"3,keyasint"`
		Via   string    `cbor:"4,keyasint"`
	}
)

// Subject returns the zero Key: the event is about no alarm.
func (*ShiftBegan) Subject() Key { return Key{} }

// Subject returns the zero Key: the event is about no alarm.
func (*HandedOver) Subject() Key { return Key{} }

// Subject returns the zero Key: the event is about no alarm.
func (*HandoverRead) Subject() Key { return Key{} }

// Kind numbers; see [EventKinds].
func (*ShiftBegan) Kind() EventKind   { return 60 }
func (*HandedOver) Kind() EventKind   { return 61 }
func (*HandoverRead) Kind() EventKind { return 62 }

// ShiftState is the shift that watches, with what the one before left and what
// this one leaves. The zero value is no shift.
type ShiftState struct {
	Name   string    `cbor:"1,keyasint,omitempty"`
	From   time.Time `cbor:"2,keyasint,omitzero"`
	To     time.Time `cbor:"3,keyasint,omitzero"`
	Left   []Word    `cbor:"4,keyasint,omitempty"` // by the shift before
	ReadBy string    `cbor:"5,keyasint,omitempty"` // who of this shift read it
	ReadAt time.Time `cbor:"6,keyasint,omitzero"`
	Leaves []Word    `cbor:"7,keyasint,omitempty"` // for the next
}

// Word is one handover note.
type Word struct {
	At    time.Time `cbor:"1,keyasint"`
	Actor string    `cbor:"2,keyasint"`
	Text  string    `cbor:"3,keyasint"`
}

// shift decides about a turn. The same shift begins once.
func (e *Engine) shift(in *ShiftTurn) {
	if s := &e.st.Shift; s.Name == in.Name && s.From.Equal(in.From) {
		return
	}
	ev := &ShiftBegan{Name: in.Name, From: in.From, To: in.To}
	for _, a := range e.st.Board() {
		ev.Standing = append(ev.Standing, stoodOf(a))
	}
	e.emit(ev)
}

func stoodOf(a *Alarm) Stood {
	s := Stood{Key: a.Key, Severity: a.Severity, Text: a.Text, Raised: a.Raised, Acknowledged: a.Acknowledged, AckBy: a.AckBy, Announced: a.AnnouncedAt, Cleared: !a.Standing}
	switch {
	case a.Shelf != nil:
		s.Aside = "shelved"
	case a.silencedBy() != "":
		s.Aside = "suppressed"
	case !a.Cause.IsZero():
		s.Aside = "explained"
	}
	return s
}

// handover decides about a word between shifts.
func (e *Engine) handover(in *Handover) {
	s := &e.st.Shift
	switch {
	case s.Name == "":
		e.emit(&Refused{Why: "no shift has begun"})
	case in.Read && len(s.Left) == 0:
		e.emit(&Refused{Why: "the shift before left nothing to read"})
	case in.Read:
		e.emit(&HandoverRead{Shift: s.Name, From: s.From, Actor: in.Actor, Via: in.Via})
	case in.Text == "":
		e.emit(&Refused{Why: "a handover needs a text"})
	default:
		e.emit(&HandedOver{Shift: s.Name, From: s.From, Text: in.Text, Actor: in.Actor, Via: in.Via})
	}
}

// foldShift applies the events of shifts.
func (s *State) foldShift(r *Record, ev Event) {
	switch e := ev.(type) {
	case *ShiftBegan:
		s.Shift = ShiftState{Name: e.Name, From: e.From, To: e.To, Left: s.Shift.Leaves}
	case *HandedOver:
		s.Shift.Leaves = append(s.Shift.Leaves, Word{At: r.At, Actor: e.Actor, Text: e.Text})
	case *HandoverRead:
		s.Shift.ReadBy, s.Shift.ReadAt = e.Actor, r.At
	}
}
