package snmp

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"net/netip"

	"example.net/standwatch/receiver/usm"
)

// Integer returns a variable binding of an INTEGER.
func Integer(name OID, v int32) Varbind {
	var w writer
	w.integer(v)
	return Varbind{Name: []byte(name), Tag: TagInteger, Value: w.buf[w.at+2:]}
}

// Unsigned returns a variable binding of one of the types Counter32, Gauge32,
// TimeTicks and Counter64.
func Unsigned(name OID, tag byte, v uint64) Varbind {
	var w writer
	w.unsigned(tag, v)
	return Varbind{Name: []byte(name), Tag: tag, Value: w.buf[w.at+2:]}
}

// Octets returns a variable binding of an OCTET STRING; b is not copied.
func Octets(name OID, b []byte) Varbind {
	return Varbind{Name: []byte(name), Tag: TagOctetString, Value: b}
}

// Identifier returns a variable binding of an OBJECT IDENTIFIER.
func Identifier(name, v OID) Varbind {
	return Varbind{Name: []byte(name), Tag: TagOID, Value: []byte(v)}
}

// Address returns a variable binding of an IpAddress.
func Address(name OID, addr netip.Addr) Varbind {
	return Varbind{Name: []byte(name), Tag: TagIPAddress, Value: addr.AsSlice()}
}

// Double returns a variable binding of a double in an Opaque.
func Double(name OID, f float64) Varbind {
	value := binary.BigEndian.AppendUint64([]byte("\x9f\x79\x08"), math.Float64bits(f))
	return Varbind{Name: []byte(name), Tag: TagOpaque, Value: value}
}

// Build is a notification to be encoded, for trials and tests.
type Build struct {
	Version   Version
	Inform    bool // v2c and v3
	RequestID int32
	Community string // v1 and v2c
	TrapOID   OID
	Uptime    uint32     // in 1/100 s
	AgentAddr netip.Addr // v1; IPv4, or the zero Addr for 0.0.0.0
	Varbinds  []Varbind  // beside sysUpTime.0 and snmpTrapOID.0
	Secure    Secure     // v3
}

// Secure says how a v3 notification is secured.
type Secure struct {
	User        string
	Level       usm.Level
	Keys        *usm.Keys // the user's on EngineID; nil for NoAuthNoPriv
	EngineID    []byte    // of the sender for a trap, of the receiver for an inform
	Boots, Time uint32    // of that engine
	Salt        uint64    // differs for each message under the same keys, boots and time
	MsgID       int32
	ContextID   []byte
	ContextName string
	Transport   bool // under the transport security model (RFC 5591): of the above only Level, MsgID and the context count
}

// Append appends the datagram to dst. Errors say what the version cannot carry.
func (b *Build) Append(dst []byte) ([]byte, error) {
	switch {
	case b.TrapOID == "":
		return dst, errors.New("encode a notification: it has no snmpTrapOID")
	case b.Version == V1:
		return b.trapV1(dst)
	case b.Version != V2c && b.Version != V3:
		return dst, fmt.Errorf("encode a notification: version %d is none", b.Version)
	}
	var w writer
	for i := len(b.Varbinds) - 1; i >= 0; i-- {
		w.varbind(b.Varbinds[i])
	}
	w.varbind(Identifier(nameTrapOID, b.TrapOID))
	w.varbind(Unsigned(nameUpTime, TagTimeTicks, uint64(b.Uptime)))
	w.wrap(tagSequence, 0)
	var id writer
	id.integer(b.RequestID)
	p := pdu{tag: tagTrapV2, requestID: id.buf[id.at:], list: w.buf[w.at:]}
	if b.Inform {
		p.tag = tagInform
	}
	if b.Version == V2c {
		return append(dst, community(V2c, []byte(b.Community), p)...), nil
	}
	s := &b.Secure
	e := envelope{
		msgID: s.MsgID, reportable: b.Inform, level: s.Level, engineID: s.EngineID, boots: s.Boots, time: s.Time,
		user: []byte(s.User), keys: s.Keys, salt: s.Salt, tsm: s.Transport,
	}
	return e.seal(dst, scopedPDU(s.ContextID, []byte(s.ContextName), p))
}

func (w *writer) varbind(v Varbind) {
	mark := w.size()
	w.value(v.Tag, v.Value)
	w.value(TagOID, v.Name)
	w.wrap(tagSequence, mark)
}

// trapV1 translates by RFC 3584 section 3.2.
func (b *Build) trapV1(dst []byte) ([]byte, error) {
	if b.Inform {
		return dst, errors.New("encode a notification: v1 has no informs")
	}
	enterprise, generic, specific := reverse(b.TrapOID)
	if specific > math.MaxInt32 {
		return dst, fmt.Errorf("encode a notification: specific-trap %d does not fit v1", specific)
	}
	addr := netip.IPv4Unspecified()
	if b.AgentAddr.IsValid() {
		addr = b.AgentAddr.Unmap()
	}
	if !addr.Is4() {
		return dst, fmt.Errorf("encode a notification: v1 has no room for the agent address %s", addr)
	}
	var w writer
	for i := len(b.Varbinds) - 1; i >= 0; i-- {
		if b.Varbinds[i].Tag == TagCounter64 {
			return dst, errors.New("encode a notification: v1 has no Counter64 (RFC 3584 section 3.2)")
		}
		if string(b.Varbinds[i].Name) == nameEnterprise && generic != enterpriseSpecific {
			enterprise = OID(b.Varbinds[i].Value)
		}
		w.varbind(b.Varbinds[i])
	}
	w.wrap(tagSequence, 0)
	w.unsigned(TagTimeTicks, uint64(b.Uptime))
	w.integer(int32(specific))
	w.integer(generic)
	w.value(TagIPAddress, addr.AsSlice())
	w.text(TagOID, string(enterprise))
	w.wrap(tagTrapV1, 0)
	w.text(TagOctetString, b.Community)
	w.integer(int32(V1))
	w.wrap(tagSequence, 0)
	return append(dst, w.buf[w.at:]...), nil
}

// reverse returns what a v1 trap says instead of snmpTrapOID.0 (RFC 3584 section
// 3.2).
func reverse(trap OID) (enterprise OID, generic int32, specific uint32) {
	if len(trap) == len(snmpTraps)+1 && trap.Under(snmpTraps) && trap[len(snmpTraps)] >= 1 && trap[len(snmpTraps)] <= enterpriseSpecific {
		return snmpTraps, int32(trap[len(snmpTraps)]) - 1, 0
	}
	arcs := trap.Arcs()
	last := len(arcs) - 1
	if last < 2 {
		return trap, enterpriseSpecific, 0
	}
	specific = arcs[last]
	if arcs[last-1] == 0 && last > 2 {
		last--
	}
	return MakeOID(arcs[:last]...), enterpriseSpecific, specific
}
