package correlate

import "time"

// Input is something that happened and that the engine has to decide about.
// The set is closed: [Arrival], [Notice], [Act], [Tick], [Start],
// [Reconfigure], [Delivery], [Access], [SetSilence], [EndSilence], [Reply], [RosterAct], [Audit].
type Input interface{ input() }

// Arrival is one accepted notification with what the rules made of it. It is
// journaled whether or not anything came of it.
type Arrival struct {
	Datagram  []byte `cbor:"1,keyasint"`           // as received; owned by the Arrival
	From      string `cbor:"2,keyasint"`           // UDP source, address:port
	Listener  string `cbor:"3,keyasint"`           // name of the listener
	Version   string `cbor:"4,keyasint"`           // "v1", "v2c" or "v3"
	Security  string `cbor:"5,keyasint,omitempty"` // v3: user and level; never a community
	Inform    bool   `cbor:"6,keyasint,omitempty"`
	RequestID int32  `cbor:"7,keyasint,omitempty"`
	Origin    string `cbor:"8,keyasint"` // snmpTrapAddress.0, else agent-addr, else source address

	Agent     AgentID `cbor:"9,keyasint,omitempty"`  // empty: no configured agent matches
	TrapOID   string  `cbor:"10,keyasint"`           // dotted, after RFC 3584 section 3.1
	Uptime    uint32  `cbor:"11,keyasint,omitempty"` // sysUpTime in 1/100 s
	HasUptime bool    `cbor:"12,keyasint,omitempty"`

	// EngineID, Boots and EngineTime are the authoritative engine's of an
	// authenticated v3 trap (RFC 3414 section 3.2 step 7b).
	EngineID   []byte `cbor:"13,keyasint,omitempty"`
	Boots      uint32 `cbor:"14,keyasint,omitempty"`
	EngineTime uint32 `cbor:"15,keyasint,omitempty"`

	Observations []Observation `cbor:"16,keyasint,omitempty"`
	Unmatched    string        `cbor:"17,keyasint,omitempty"` // why nothing was made of it; empty when matched
	Restart      bool          `cbor:"18,keyasint,omitempty"` // coldStart or warmStart of the agent
	RunAgain     Seq           `cbor:"20,keyasint,omitempty"` // the record this one runs again under other rules
	Came         time.Time     `cbor:"21,keyasint,omitzero"`  // when that record came: the time this one speaks of
	// Sequence is the agent's own count of its notifications, where it has one.
	Sequence    uint32 `cbor:"31,keyasint,omitempty"`
	HasSequence bool   `cbor:"32,keyasint,omitempty"`
}

// observes reports whether the notification itself says something about a key.
func (in *Arrival) observes(k Key) bool {
	for i := range in.Observations {
		if in.Observations[i].Key == k {
			return true
		}
	}
	return false
}

// Notice carries observations that the program itself made: on the site self,
// from an audit, or from a derived point.
type Notice struct {
	Source       string        `cbor:"1,keyasint"` // which part of the program: "outbox", "disk", "audit"
	Observations []Observation `cbor:"2,keyasint"`
}

// Action is what an operator does to an alarm. Numbers are fixed.
type Action uint8

// The operator's actions (RFC 8632 operator states, ISA-18.2 shelving).
const (
	ActAcknowledge Action = 1
	ActNote        Action = 2
	ActShelve      Action = 3
	ActUnshelve    Action = 4
)

// Act is an operator's action on one alarm, or a note about a site, whose key
// has no point. Actions on alarms that do not allow them yield a [Refused] event
// and change nothing.
type Act struct {
	Key    Key       `cbor:"1,keyasint"`
	Action Action    `cbor:"2,keyasint"`
	Actor  string    `cbor:"3,keyasint"`           // who
	Via    string    `cbor:"4,keyasint"`           // by what: "console", "api", "sms", ...
	Text   string    `cbor:"5,keyasint,omitempty"` // note or reason
	Until  time.Time `cbor:"6,keyasint,omitzero"`  // end of a shelf
	// MayLong says that the actor may shelve for longer than a shift.
	MayLong bool `cbor:"7,keyasint,omitempty"`
}

// Tick says that time has passed: whatever is due is decided.
type Tick struct{}

// Start says that the master has begun to watch. Clocks of silence start anew
// here, since nothing could be heard before.
type Start struct {
	Version string `cbor:"1,keyasint"`
	Host    string `cbor:"2,keyasint,omitempty"`
	Hash    string `cbor:"3,keyasint"` // configuration in force
}

// Reconfigure says that another configuration is in force from here on. The
// ledger swaps the network before it applies it.
type Reconfigure struct {
	Hash    string `cbor:"1,keyasint"`
	Summary string `cbor:"2,keyasint,omitempty"`
	Actor   string `cbor:"3,keyasint,omitempty"`
}

// Outcome is how a gateway answered. Numbers are fixed.
type Outcome uint8

// Gateway outcomes.
const (
	Accepted  Outcome = 1 // the gateway took it
	Temporary Outcome = 2 // try again at NotBefore
	Permanent Outcome = 3 // never, by this channel
	Delivered Outcome = 4 // a later receipt says it arrived
	Handing   Outcome = 5 // an attempt begins; if nothing follows, the master ended in the midst of it
)

var outcomeNames = [...]string{Accepted: "accepted", Temporary: "temporary", Permanent: "permanent", Delivered: "delivered", Handing: "handing"}

// String returns the outcome's word, or "unset".
func (o Outcome) String() string {
	if o == 0 || int(o) >= len(outcomeNames) {
		return "unset"
	}
	return outcomeNames[o]
}

// Delivery is a gateway's answer to one attempt at one message.
type Delivery struct {
	Message   MessageID `cbor:"1,keyasint"`
	Outcome   Outcome   `cbor:"2,keyasint"`
	Answer    string    `cbor:"3,keyasint,omitempty"` // the gateway's words
	GatewayID string    `cbor:"4,keyasint,omitempty"` // the gateway's own message id
	NotBefore time.Time `cbor:"5,keyasint,omitzero"`  // next attempt, when Temporary
	InDoubt   bool      `cbor:"6,keyasint,omitempty"` // the gateway may have taken it all the same
}

func (*Arrival) input()     {}
func (*Notice) input()      {}
func (*Act) input()         {}
func (*Tick) input()        {}
func (*Start) input()       {}
func (*Reconfigure) input() {}
func (*Delivery) input()    {}
func (*Audit) input()       {}
