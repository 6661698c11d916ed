package correlate

import "time"

// Event is something that was decided. Events are the only thing that changes
// state and the only thing that others may act on. The set is closed; each
// kind has a fixed number, listed in [EventKinds] and written to disk.
type Event interface {
	// Kind returns the fixed number of the event's kind.
	Kind() EventKind
	// Subject returns the alarm the event is about; the zero Key when it is
	// about none.
	Subject() Key
}

// EventKind numbers the kinds of event. Never renumber.
type EventKind uint8

// On is embedded by every event that is about one alarm.
type On struct {
	Key Key `cbor:"1,keyasint"`
}

// Subject returns the key.
func (o On) Subject() Key { return o.Key }

// The events of an alarm's life.
type (
	// Raised begins an episode: the alarm stands from now.
	Raised struct {
		On
		Severity Severity  `cbor:"2,keyasint"`
		Text     string    `cbor:"3,keyasint"`
		Since    time.Time `cbor:"4,keyasint"` // when the condition began, before any delay
		Merit    float64   `cbor:"5,keyasint,omitempty"`
		Audit    bool      `cbor:"6,keyasint,omitempty"`
		By       Seq       `cbor:"7,keyasint,omitempty"` // record of the report, when a delay lay between
		Measure  *Measure  `cbor:"8,keyasint,omitempty"`
		OverCut  bool      `cbor:"9,keyasint,omitempty"`  // suppression would have begun or gone on, but is only counted
		Own      bool      `cbor:"10,keyasint,omitempty"` // the severity is the one that the configuration gives the point
	}
	// Repeated says that a standing alarm was raised again: counted, refreshed.
	Repeated struct {
		On
		Text string `cbor:"2,keyasint,omitempty"` // set when it changed
	}
	// Changed says that a standing alarm has another severity or text. Worse
	// asks for acknowledgement again. Configured: not since it was reported, but
	// since the configuration gives the point another severity.
	Changed struct {
		On
		Severity   Severity `cbor:"2,keyasint"`
		Text       string   `cbor:"3,keyasint"`
		Worse      bool     `cbor:"4,keyasint,omitempty"`
		Measure    *Measure `cbor:"5,keyasint,omitempty"`
		Own        bool     `cbor:"6,keyasint,omitempty"` // as in Raised
		Configured bool     `cbor:"7,keyasint,omitempty"`
	}
	// AlarmCleared ends an episode.
	AlarmCleared struct {
		On
		Text  string    `cbor:"2,keyasint"`
		Since time.Time `cbor:"3,keyasint"` // when the condition went, before any delay
		Audit bool      `cbor:"4,keyasint,omitempty"`
		Merit float64   `cbor:"5,keyasint,omitempty"`
		Latch bool      `cbor:"6,keyasint,omitempty"` // it stays on the board until acknowledged
		By    Seq       `cbor:"7,keyasint,omitempty"` // record of the report, when a delay lay between
	}
	// Acked says that somebody took the alarm.
	Acked struct {
		On
		Actor string `cbor:"2,keyasint"`
		Via   string `cbor:"3,keyasint"`
		Text  string `cbor:"4,keyasint,omitempty"`
	}
	// Noted adds an operator's note to an alarm, or, where its key has no point,
	// to a site. A site's notes are read from the journal and are no part of the
	// state.
	Noted struct {
		On
		Actor string `cbor:"2,keyasint"`
		Via   string `cbor:"3,keyasint"`
		Text  string `cbor:"4,keyasint"`
	}
	// Shelved puts the alarm aside until a time.
	Shelved struct {
		On
		Actor  string    `cbor:"2,keyasint"`
		Via    string    `cbor:"3,keyasint"`
		Reason string    `cbor:"4,keyasint"`
		Until  time.Time `cbor:"5,keyasint"`
	}
	// Unshelved brings it back, by hand or because its time is over (Actor "time").
	Unshelved struct {
		On
		Actor string `cbor:"2,keyasint"`
		Via   string `cbor:"3,keyasint,omitempty"`
	}
	// FlapBegan says that the alarm rises and clears too often to be told.
	FlapBegan struct {
		On
		Merit float64   `cbor:"2,keyasint"`
		Due   time.Time `cbor:"3,keyasint"` // when it will have settled if nothing more comes
	}
	// FlapEnded says that it settled. Standing is what it settled to.
	FlapEnded struct {
		On
		Standing bool `cbor:"2,keyasint,omitempty"`
		Count    int  `cbor:"3,keyasint"` // rises while it flapped
	}
	// FlapTurned is a rise or clear while flapping: counted, not told.
	FlapTurned struct {
		On
		Standing bool      `cbor:"2,keyasint,omitempty"`
		Merit    float64   `cbor:"3,keyasint"`
		Due      time.Time `cbor:"4,keyasint"`
	}
	// Explained hangs the alarm under its cause.
	Explained struct {
		On
		By Key `cbor:"2,keyasint"`
	}
	// Unexplained says that the cause is gone while the alarm still stands; it
	// is told on its own after a hold, at Until.
	Unexplained struct {
		On
		Until time.Time `cbor:"2,keyasint"`
	}
	// Held says that nobody is told of the alarm before Until, and why:
	// "cause" (a cause may still show) or "excused" (By excuses it).
	Held struct {
		On
		Until time.Time `cbor:"2,keyasint"`
		Why   string    `cbor:"3,keyasint"`
		By    Key       `cbor:"4,keyasint,omitzero"`
	}
	// Pending says that a condition changed and has to hold until Due.
	Pending struct {
		On
		What     What      `cbor:"2,keyasint"` // Raise or Clear
		Since    time.Time `cbor:"3,keyasint"`
		Due      time.Time `cbor:"4,keyasint"`
		Severity Severity  `cbor:"5,keyasint,omitempty"`
		Text     string    `cbor:"6,keyasint,omitempty"`
		Audit    bool      `cbor:"7,keyasint,omitempty"`
		Measure  *Measure  `cbor:"8,keyasint,omitempty"`
		Own      bool      `cbor:"9,keyasint,omitempty"` // as in Raised
	}
	// PendingEnded says that it did not hold.
	PendingEnded struct {
		On
	}
	// Announced says that people may be told of the alarm from now on. Why is
	// "raised", "flapping", "worse", "again" (re-alarm), "unshelved", "held" or
	// "unsuppressed" (the silence over it is over).
	// Again is when it will be asked anew if nobody takes it; zero for never.
	// Flood says that it was told within a flood: call-outs put it into a digest
	// by cause and site instead of a message of its own. Nothing is dropped.
	Announced struct {
		On
		Why   string    `cbor:"2,keyasint"`
		Again time.Time `cbor:"3,keyasint,omitzero"`
		Flood bool      `cbor:"4,keyasint,omitempty"`
	}
	// Withdrawn says that people are no longer to be told, and why:
	// "shelved", "explained", "suppressed", "closed".
	Withdrawn struct {
		On
		Why string `cbor:"2,keyasint"`
	}
	// Measured is a reading in engineering units. Level is the limit it is
	// beyond: "", "low", "low-low", "high", "high-high" or "implausible". Keep
	// says that it is kept for the rate of change, Moved that it left what it was
	// still around.
	Measured struct {
		On
		Value float64 `cbor:"2,keyasint"`
		Level string  `cbor:"3,keyasint,omitempty"`
		Keep  bool    `cbor:"4,keyasint,omitempty"`
		Moved bool    `cbor:"5,keyasint,omitempty"`
	}
	// Occurred is a momentary event of an entry point.
	Occurred struct {
		On
		Text     string   `cbor:"2,keyasint"`
		Severity Severity `cbor:"3,keyasint,omitempty"`
	}
	// Ignored says that an observation changed nothing, and why: "late",
	// "duplicate", "not standing", "no such point".
	Ignored struct {
		On
		What What   `cbor:"2,keyasint"`
		Why  string `cbor:"3,keyasint"`
	}
	// Refused says that an operator's action could not be done, and why.
	Refused struct {
		On
		Why string `cbor:"2,keyasint"`
	}
	// Closed takes an alarm off the board for a reason other than its clearing:
	// "point removed", "no longer watched".
	Closed struct {
		On
		Why string `cbor:"2,keyasint"`
	}
)

// The events of a call-out. They are decided by the climber, not the engine.
type (
	// CallOutOpened begins a call-out.
	CallOutOpened struct {
		CallOut CallOut `cbor:"1,keyasint"`
	}
	// RungReached says that a call-out reached a rung and when the next is due;
	// a zero Due means that none follows.
	RungReached struct {
		On
		CallOut CallOutID `cbor:"2,keyasint"`
		Rung    int       `cbor:"3,keyasint"`
		Round   int       `cbor:"4,keyasint"`
		Due     time.Time `cbor:"5,keyasint,omitzero"`
		Nobody  string    `cbor:"6,keyasint,omitempty"` // why nobody could be told here
		Anew    bool      `cbor:"7,keyasint,omitempty"` // those who said "not me" are asked again: it got worse
	}
	// MessageQueued puts a message into the outbox.
	MessageQueued struct {
		Message Message `cbor:"1,keyasint"`
	}
	// CallOutEnded ends a call-out.
	CallOutEnded struct {
		On
		CallOut CallOutID    `cbor:"2,keyasint"`
		State   CallOutState `cbor:"3,keyasint"`
		By      string       `cbor:"4,keyasint,omitempty"`
	}
	// MessageTried records a gateway's answer and the state it leaves.
	MessageTried struct {
		On
		Message   MessageID    `cbor:"2,keyasint"`
		State     MessageState `cbor:"3,keyasint"`
		Attempt   Attempt      `cbor:"4,keyasint"`
		NotBefore time.Time    `cbor:"5,keyasint,omitzero"`
	}
	// MessageWithdrawn says that a waiting message is no longer needed.
	MessageWithdrawn struct {
		On
		Message MessageID `cbor:"2,keyasint"`
		Why     string    `cbor:"3,keyasint"`
	}
)

// Subject returns the alarm the call-out is for.
func (e *CallOutOpened) Subject() Key { return e.CallOut.Key }

// Subject returns the alarm the message is about.
func (e *MessageQueued) Subject() Key { return e.Message.Key }

// Kind numbers; see [EventKinds].
func (*Raised) Kind() EventKind           { return 1 }
func (*Repeated) Kind() EventKind         { return 2 }
func (*Changed) Kind() EventKind          { return 3 }
func (*AlarmCleared) Kind() EventKind     { return 4 }
func (*Acked) Kind() EventKind            { return 5 }
func (*Noted) Kind() EventKind            { return 6 }
func (*Shelved) Kind() EventKind          { return 7 }
func (*Unshelved) Kind() EventKind        { return 8 }
func (*FlapBegan) Kind() EventKind        { return 9 }
func (*FlapEnded) Kind() EventKind        { return 10 }
func (*FlapTurned) Kind() EventKind       { return 11 }
func (*Explained) Kind() EventKind        { return 12 }
func (*Unexplained) Kind() EventKind      { return 13 }
func (*Held) Kind() EventKind             { return 14 }
func (*Pending) Kind() EventKind          { return 15 }
func (*PendingEnded) Kind() EventKind     { return 16 }
func (*Announced) Kind() EventKind        { return 17 }
func (*Withdrawn) Kind() EventKind        { return 18 }
func (*Measured) Kind() EventKind         { return 19 }
func (*Occurred) Kind() EventKind         { return 20 }
func (*Ignored) Kind() EventKind          { return 21 }
func (*Refused) Kind() EventKind          { return 22 }
func (*Closed) Kind() EventKind           { return 23 }
func (*CallOutOpened) Kind() EventKind    { return 40 }
func (*RungReached) Kind() EventKind      { return 41 }
func (*MessageQueued) Kind() EventKind    { return 42 }
func (*CallOutEnded) Kind() EventKind     { return 43 }
func (*MessageTried) Kind() EventKind     { return 44 }
func (*MessageWithdrawn) Kind() EventKind { return 45 }

// EventKinds describes every kind of event: its number, its word in the API,
// and how to make an empty one to decode into.
var EventKinds = map[EventKind]struct {
	Word string
	New  func() Event
}{
	1: {"raised", func() Event { return new(Raised) }}, 2: {"repeated", func() Event { return new(Repeated) }},
	3: {"changed", func() Event { return new(Changed) }}, 4: {"cleared", func() Event { return new(AlarmCleared) }},
	5: {"acknowledged", func() Event { return new(Acked) }}, 6: {"noted", func() Event { return new(Noted) }},
	7: {"shelved", func() Event { return new(Shelved) }}, 8: {"unshelved", func() Event { return new(Unshelved) }},
	9: {"flapping", func() Event { return new(FlapBegan) }}, 10: {"settled", func() Event { return new(FlapEnded) }},
	11: {"turned", func() Event { return new(FlapTurned) }}, 12: {"explained", func() Event { return new(Explained) }},
	13: {"unexplained", func() Event { return new(Unexplained) }}, 14: {"held", func() Event { return new(Held) }},
	15: {"pending", func() Event { return new(Pending) }}, 16: {"pending-ended", func() Event { return new(PendingEnded) }},
	17: {"announced", func() Event { return new(Announced) }}, 18: {"withdrawn", func() Event { return new(Withdrawn) }},
	19: {"measured", func() Event { return new(Measured) }}, 20: {"occurred", func() Event { return new(Occurred) }},
	21: {"ignored", func() Event { return new(Ignored) }}, 22: {"refused", func() Event { return new(Refused) }},
	23: {"closed", func() Event { return new(Closed) }},
	24: {"silence-set", func() Event { return new(SilenceSet) }}, 25: {"silence-began", func() Event { return new(SilenceBegan) }},
	26: {"silence-ended", func() Event { return new(SilenceEnded) }}, 27: {"suppressed", func() Event { return new(Suppressed) }},
	28: {"unsuppressed", func() Event { return new(Unsuppressed) }}, 31: {"computed", func() Event { return new(Computed) }},
	29: {"flood-began", func() Event { return new(FloodBegan) }}, 30: {"flood-ended", func() Event { return new(FloodEnded) }},
	32: {"audited", func() Event { return new(Audited) }},
	40: {"callout-opened", func() Event { return new(CallOutOpened) }},
	41: {"rung-reached", func() Event { return new(RungReached) }}, 42: {"message-queued", func() Event { return new(MessageQueued) }},
	43: {"callout-ended", func() Event { return new(CallOutEnded) }}, 44: {"message-tried", func() Event { return new(MessageTried) }},
	45: {"message-dropped", func() Event { return new(MessageWithdrawn) }},
	56: {"account", func() Event { return new(AccountChanged) }}, 57: {"session", func() Event { return new(SessionChanged) }},
	58: {"login-refused", func() Event { return new(LoginRefused) }}, 59: {"configured", func() Event { return new(Configured) }},
	60: {"shift-began", func() Event { return new(ShiftBegan) }}, 61: {"handed-over", func() Event { return new(HandedOver) }},
	62: {"handover-read", func() Event { return new(HandoverRead) }},
	46: {"passed", func() Event { return new(Passed) }}, 47: {"stand-in-set", func() Event { return new(StandInSet) }},
	48: {"stand-in-ended", func() Event { return new(StandInEnded) }}, 49: {"put-aside", func() Event { return new(Piled) }},
	50: {"digest-made", func() Event { return new(PileEmptied) }}, 51: {"proof-due", func() Event { return new(Proved) }},
}

// Record is one line of the journal: what came in and what was decided.
type Record struct {
	Seq    Seq
	At     time.Time // wall clock of the master, UTC
	Input  Input
	Events []Event
}

// IgnoredNotStanding is the Why of an [Ignored] clear for what does not stand.
const IgnoredNotStanding = "not standing"
