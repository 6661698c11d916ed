package snmp

import "net/netip"

// Version is the SNMP message version as on the wire.
type Version int

// Message versions (RFC 3584 section 1; the numbers of the version field).
const (
	V1  Version = 0
	V2c Version = 1
	V3  Version = 3

	noVersion Version = -1 // not read yet
)

// String returns "v1", "v2c" or "v3".
func (v Version) String() string {
	switch v {
	case V1:
		return "v1"
	case V2c:
		return "v2c"
	case V3:
		return "v3"
	}
	return "unknown"
}

// Notification is a trap or inform in the one form that rules see: v1 traps
// are translated by RFC 3584 section 3.1. Byte slices alias the datagram (or
// the decrypted scoped PDU) and are valid only until the decoder is used again.
type Notification struct {
	Version   Version
	Inform    bool
	RequestID int32 // 0 for a v1 trap

	TrapOID   []byte // BER content octets of snmpTrapOID.0's value; empty if there are no variable bindings at all
	Uptime    uint32 // sysUpTime.0 in 1/100 s
	HasUptime bool

	// Enterprise is snmpTrapEnterprise.0 or the enterprise of a v1 trap, else empty.
	Enterprise []byte
	// AgentAddr is snmpTrapAddress.0, else a v1 trap's agent-addr unless
	// 0.0.0.0; the zero Addr when neither says.
	AgentAddr netip.Addr

	Community   []byte // v1 and v2c; a secret, never logged
	ContextName []byte // v3
	ContextID   []byte // v3 contextEngineID

	Varbinds []Varbind // after sysUpTime.0 and snmpTrapOID.0
}

// Varbind is one variable binding: BER content octets of its name, the tag and
// the content octets of its value.
type Varbind struct {
	Name  []byte
	Tag   byte
	Value []byte
}

// Tags of values (RFC 2578 section 7.1, RFC 3416 section 3).
const (
	TagInteger     byte = 0x02
	TagOctetString byte = 0x04
	TagNull        byte = 0x05
	TagOID         byte = 0x06
	TagIPAddress   byte = 0x40
	TagCounter32   byte = 0x41
	TagGauge32     byte = 0x42 // and Unsigned32
	TagTimeTicks   byte = 0x43
	TagOpaque      byte = 0x44
	TagCounter64   byte = 0x46
)
