package correlate

// What says what kind of fact an observation is. Numbers are fixed.
type What uint8

// The kinds of observation.
const (
	Raise       What = 1 // the condition is there
	Clear       What = 2 // the condition is gone
	Value       What = 3 // an analog reading
	AliveSign   What = 4 // a sign of life and nothing else
	Happened    What = 5 // a momentary event
	Acknowledge What = 6 // somebody at the site acknowledged there
)

var whatNames = [...]string{Raise: "raise", Clear: "clear", Value: "value", AliveSign: "alive", Happened: "event", Acknowledge: "acknowledge"}

// Whats lists the words of all kinds of observation.
func Whats() []string { return whatNames[1:] }

// String returns the word used in rules, or "unset".
func (w What) String() string {
	if w == 0 || int(w) >= len(whatNames) {
		return "unset"
	}
	return whatNames[w]
}

// ParseWhat reads the word used in rules; ok is false for any other text.
func ParseWhat(text string) (w What, ok bool) {
	for i, name := range whatNames {
		if name != "" && name == text {
			return What(i), true
		}
	}
	return 0, false
}

// Observation is one normalised fact. Agent time and evidence stand in the
// [Arrival] that carries it.
type Observation struct {
	Key      Key      `cbor:"1,keyasint"`
	What     What     `cbor:"2,keyasint"`
	Severity Severity `cbor:"3,keyasint,omitempty"` // zero: the point's own
	Text     string   `cbor:"4,keyasint,omitempty"` // empty: the point's words
	Value    float64  `cbor:"5,keyasint,omitempty"` // raw, before the point's scale; with What Value
	Rule     string   `cbor:"6,keyasint,omitempty"` // "file:line name" of the rule that made it
	Actor    string   `cbor:"7,keyasint,omitempty"` // who acknowledged, when What is Acknowledge
	Audit    bool     `cbor:"8,keyasint,omitempty"` // found by asking the agent, not told by it
	Late     bool     `cbor:"9,keyasint,omitempty"` // run again, and the journal holds a newer report of the same
}
