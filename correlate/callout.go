package correlate

import "time"

// CallOutID names one effort to get a person to take an alarm.
type CallOutID string

// MessageID names one message for ever: a message that is sent again after a
// crash carries the same ID.
type MessageID string

// CallOutState is where a call-out stands. Numbers are fixed.
type CallOutState uint8

// Call-out states.
const (
	CallOutOpen      CallOutState = 1 // climbing
	CallOutTaken     CallOutState = 2 // somebody acknowledged
	CallOutCleared   CallOutState = 3 // the alarm cleared
	CallOutWithdrawn CallOutState = 4 // shelved, suppressed or explained
	CallOutExhausted CallOutState = 5 // the last rung was reached and nobody took it
)

var callOutStateNames = [...]string{CallOutOpen: "open", CallOutTaken: "taken", CallOutCleared: "cleared", CallOutWithdrawn: "withdrawn", CallOutExhausted: "exhausted"}

// String returns the state's word, or "unset".
func (s CallOutState) String() string {
	if s == 0 || int(s) >= len(callOutStateNames) {
		return "unset"
	}
	return callOutStateNames[s]
}

// CallOut is the effort for one alarm. A cleared or taken call-out is kept in
// state until its last message is settled, and in the journal for ever.
type CallOut struct {
	ID      CallOutID    `cbor:"1,keyasint"`
	Key     Key          `cbor:"2,keyasint"`
	Opened  time.Time    `cbor:"3,keyasint"`
	Ladder  string       `cbor:"4,keyasint"`
	Rung    int          `cbor:"5,keyasint"` // index of the rung last reached, from 0; -1 before the first
	Round   int          `cbor:"6,keyasint"` // how often the ladder was begun again, from 0
	Due     time.Time    `cbor:"7,keyasint,omitzero"`
	Code    string       `cbor:"8,keyasint"` // short code an answer carries
	State   CallOutState `cbor:"9,keyasint"`
	Told    []Telling    `cbor:"10,keyasint,omitempty"`
	TakenBy string       `cbor:"11,keyasint,omitempty"`
	Ended   time.Time    `cbor:"12,keyasint,omitzero"`
	Passed  []string     `cbor:"13,keyasint,omitempty"` // who said "not me"
}

// Telling says that a person was told by one message.
type Telling struct {
	Person  string    `cbor:"1,keyasint"`
	Channel string    `cbor:"2,keyasint"`
	Message MessageID `cbor:"3,keyasint"`
	Rung    int       `cbor:"4,keyasint"`
}

// MessageState is where a message stands. Numbers are fixed.
type MessageState uint8

// Message states.
const (
	MessageWaiting   MessageState = 1 // to be handed to the gateway at NotBefore
	MessageAccepted  MessageState = 2 // the gateway took it
	MessageFailed    MessageState = 3 // the gateway refused it for good, or its time ran out
	MessageDropped   MessageState = 4 // no longer needed before it could be sent
	MessageDelivered MessageState = 5 // a receipt says it arrived
)

var messageStateNames = [...]string{MessageWaiting: "waiting", MessageAccepted: "accepted", MessageFailed: "failed", MessageDropped: "dropped", MessageDelivered: "delivered"}

// String returns the state's word, or "unset".
func (s MessageState) String() string {
	if s == 0 || int(s) >= len(messageStateNames) {
		return "unset"
	}
	return messageStateNames[s]
}

// Message is one text for one person over one channel.
type Message struct {
	ID        MessageID    `cbor:"1,keyasint"`
	CallOut   CallOutID    `cbor:"2,keyasint,omitempty"`
	Key       Key          `cbor:"3,keyasint"`
	Purpose   string       `cbor:"4,keyasint"` // "raised", "worse", "flapping", "settled", "cleared", "taken", ...
	Person    string       `cbor:"5,keyasint"`
	Channel   string       `cbor:"6,keyasint"` // name of the gateway in the configuration
	Address   string       `cbor:"7,keyasint"`
	Subject   string       `cbor:"8,keyasint,omitempty"`
	Body      string       `cbor:"9,keyasint"`
	Queued    time.Time    `cbor:"10,keyasint"`
	NotBefore time.Time    `cbor:"11,keyasint"`
	GiveUp    time.Time    `cbor:"12,keyasint,omitzero"` // not worth sending after this
	State     MessageState `cbor:"13,keyasint"`
	Attempts  []Attempt    `cbor:"14,keyasint,omitempty"`
	Severity  Severity     `cbor:"15,keyasint,omitempty"`
	Rung      int          `cbor:"16,keyasint,omitempty"`
	Covers    []CallOutID  `cbor:"17,keyasint,omitempty"` // a digest's: the call-outs it tells of; CallOut is empty then
	Code      string       `cbor:"18,keyasint,omitempty"` // a digest's: takes all of them
}

// Attempt is one try at handing a message to its gateway, with the answer.
type Attempt struct {
	At        time.Time `cbor:"1,keyasint"`
	Outcome   Outcome   `cbor:"2,keyasint"`
	Answer    string    `cbor:"3,keyasint,omitempty"`
	GatewayID string    `cbor:"4,keyasint,omitempty"`
	InDoubt   bool      `cbor:"5,keyasint,omitempty"` // the gateway may have taken it all the same
}
