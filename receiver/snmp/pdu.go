package snmp

import "net/netip"

// MaxVarbinds bounds the variable bindings of a message, and so what a decoder
// keeps: about 230 KiB.
const MaxVarbinds = 4096

// Names that have a meaning of their own, as BER content octets: sysUpTime.0,
// snmpTrapOID.0 and snmpTrapEnterprise.0 (RFC 3418), snmpTrapAddress.0 (RFC
// 3584), and snmpTraps, below which the generic traps are.
const (
	nameUpTime     = "\x2b\x06\x01\x02\x01\x01\x03\x00"
	nameTrapOID    = "\x2b\x06\x01\x06\x03\x01\x01\x04\x01\x00"
	nameEnterprise = "\x2b\x06\x01\x06\x03\x01\x01\x04\x03\x00"
	nameAddress    = "\x2b\x06\x01\x06\x03\x12\x01\x03\x00"
	snmpTraps      = "\x2b\x06\x01\x06\x03\x01\x01\x05"
)

// enterpriseSpecific is the generic-trap that stands for none (RFC 1157 section
// 4.1.6).
const enterpriseSpecific = 6

// Notification decodes the PDU of the v1 or v2c message that was parsed last.
// Errors are *DecodeError.
func (d *Decoder) Notification() (*Notification, error) {
	m := &d.msg
	d.note = Notification{Version: m.Version, Community: m.Community, Varbinds: d.note.Varbinds[:0]}
	r := m.pdu
	at := r.at
	tag, from, to := element(r.b, at)
	switch {
	case to < 0:
		return nil, refuse(Reason(-to), at, "the PDU has the length that it declares")
	case to != len(r.b):
		return nil, refuse(BadHeader, to, "a message ends after its PDU")
	}
	body := reader{b: r.b, at: from}
	switch {
	case m.Version == V1 && tag == tagTrapV1:
		return d.result(d.trapV1(body))
	case m.Version == V2c && (tag == tagTrapV2 || tag == tagInform):
		return d.result(d.trapV2(tag, body))
	}
	return nil, refuse(NotNotified, at, notNotified)
}

const notNotified = "only traps and informs are taken here, and those of v1 only in v1"

func (d *Decoder) result(err error) (*Notification, error) {
	if err != nil {
		return nil, err
	}
	return &d.note, nil
}

// Scoped decodes a plain scoped PDU (RFC 3412 section 6.8). Octets after it are
// ignored: ciphers pad. Errors are *DecodeError.
func (d *Decoder) Scoped(plain []byte) (*Notification, error) {
	d.note = Notification{Version: V3, Varbinds: d.note.Varbinds[:0]}
	tag, body, err := d.scope(plain)
	if err != nil {
		return nil, err
	}
	if tag != tagTrapV2 && tag != tagInform {
		return nil, refuse(NotNotified, body.at, notNotified)
	}
	return d.result(d.trapV2(tag, body))
}

// scope reads the context of a scoped PDU and returns the PDU's tag and content.
func (d *Decoder) scope(plain []byte) (tag byte, body reader, err error) {
	outer := reader{b: plain}
	s, err := outer.inside(tagSequence, BadPDU, "a scoped PDU is a SEQUENCE")
	if err != nil {
		return 0, s, err
	}
	if d.note.ContextID, err = s.octets(TagOctetString, BadPDU, "contextEngineID is an OCTET STRING"); err != nil {
		return 0, s, err
	}
	if d.note.ContextName, err = s.octets(TagOctetString, BadPDU, "contextName is an OCTET STRING"); err != nil {
		return 0, s, err
	}
	tag, from, to := element(s.b, s.at)
	switch {
	case to < 0:
		return 0, s, refuse(Reason(-to), s.at, "the PDU has the length that it declares")
	case to != len(s.b):
		return 0, s, refuse(BadPDU, to, "a scoped PDU ends after its PDU")
	}
	return tag, reader{b: s.b, at: from}, nil
}

// trapV1 reads a Trap-PDU (RFC 1157 section 4.1.6) and translates it by RFC
// 3584 section 3.1.
func (d *Decoder) trapV1(r reader) (err error) {
	n := &d.note
	at := r.at
	if n.Enterprise, err = r.octets(TagOID, BadPDU, "enterprise is an OBJECT IDENTIFIER"); err != nil {
		return err
	}
	if !validOID(n.Enterprise) {
		return refuse(BadPDU, at, "enterprise is an OBJECT IDENTIFIER")
	}
	at = r.at
	addr, err := r.octets(TagIPAddress, BadPDU, "agent-addr is an IpAddress")
	if err != nil {
		return err
	}
	if len(addr) != 4 && len(addr) != 16 {
		return refuse(BadPDU, at, "agent-addr has four octets")
	}
	n.AgentAddr = origin(addr)
	at = r.at
	generic, err := r.integer(BadPDU, "generic-trap is 0 to 6")
	if err != nil {
		return err
	}
	if generic < 0 || generic > enterpriseSpecific {
		return refuse(BadPDU, at, "generic-trap is 0 to 6")
	}
	at = r.at
	specific, err := r.integer(BadPDU, "specific-trap is 0 to 2147483647")
	if err != nil {
		return err
	}
	if specific < 0 {
		return refuse(BadPDU, at, "specific-trap is 0 to 2147483647")
	}
	at = r.at
	stamp, err := r.octets(TagTimeTicks, BadPDU, "time-stamp is TimeTicks of 32 bits")
	if err != nil {
		return err
	}
	ticks, ok := unsigned(stamp, 32)
	if !ok {
		return refuse(BadPDU, at, "time-stamp is TimeTicks of 32 bits")
	}
	n.Uptime, n.HasUptime = uint32(ticks), true
	d.translate(generic, uint32(specific))
	return d.varbinds(&r, false)
}

// translate makes snmpTrapOID.0 of a v1 trap in the decoder's memory.
func (d *Decoder) translate(generic int32, specific uint32) {
	if generic == enterpriseSpecific {
		d.oid = append(d.oid[:0], d.note.Enterprise...)
		d.oid = appendArc(append(d.oid, 0), uint64(specific))
	} else {
		d.oid = append(append(d.oid[:0], snmpTraps...), byte(generic)+1)
	}
	d.note.TrapOID = d.oid
}

// origin returns an agent's address, the zero Addr if it is unspecified.
func origin(octets []byte) netip.Addr {
	addr, _ := netip.AddrFromSlice(octets)
	if addr.IsUnspecified() {
		return netip.Addr{}
	}
	return addr
}

// trapV2 reads an SNMPv2-Trap or an InformRequest (RFC 3416 section 3).
func (d *Decoder) trapV2(tag byte, r reader) (err error) {
	n := &d.note
	n.Inform = tag == tagInform
	at := r.at
	if n.RequestID, err = r.integer(BadPDU, "request-id is an INTEGER of 32 bits"); err != nil {
		return err
	}
	d.requestID = r.b[at:r.at:r.at]
	if _, err = r.integer(BadPDU, "error-status is an INTEGER of 32 bits"); err != nil {
		return err
	}
	if _, err = r.integer(BadPDU, "error-index is an INTEGER of 32 bits"); err != nil {
		return err
	}
	at = r.at
	if err := d.varbinds(&r, true); err != nil {
		return err
	}
	d.list = r.b[at:r.at:r.at]
	return nil
}

// varbinds reads the variable bindings, which end the PDU. In v2 sysUpTime.0
// and snmpTrapOID.0 come first (RFC 3416 section 4.2.6) and are taken out; they
// are found elsewhere too. A list without snmpTrapOID.0 is refused unless it is
// empty, which is tolerated and matches no rule.
func (d *Decoder) varbinds(r *reader, v2 bool) error {
	at := r.at
	list, err := r.inside(tagSequence, BadVarbind, "the variable bindings are a SEQUENCE")
	if err != nil {
		return err
	}
	if err := r.end(BadPDU, "a PDU ends after its variable bindings"); err != nil {
		return err
	}
	n := &d.note
	empty := list.done()
	vbs, used := n.Varbinds[:cap(n.Varbinds)], 0
	for b, at := list.b, list.at; at < len(b); {
		if used == len(vbs) {
			if used == MaxVarbinds {
				return refuse(TooManyVarbinds, at, "more variable bindings than are taken here")
			}
			vbs = append(vbs, make([]Varbind, max(16, len(vbs)))...)
			vbs = vbs[:min(len(vbs), MaxVarbinds)]
		}
		vb := &vbs[used]
		next, err := vb.read(b, at)
		if err != nil {
			return err
		}
		used++
		if v2 && vb.Name[len(vb.Name)-1] == 0 { // as all that leading knows
			taken, err := d.leading(vb, at)
			if err != nil {
				return err
			}
			if taken {
				used--
			}
		}
		at = next
	}
	n.Varbinds = vbs[:used]
	if v2 && n.TrapOID == nil && !empty {
		return refuse(NoTrapOID, at, "snmpTrapOID.0 is among the variable bindings of a notification (RFC 3416 section 4.2.6)")
	}
	return nil
}

// leading notes what has a place of its own in a notification. It reports
// whether the variable binding is one of the two that are taken out.
func (d *Decoder) leading(vb *Varbind, at int) (taken bool, err error) {
	n := &d.note
	switch string(vb.Name) {
	case nameUpTime:
		if ticks, ok := unsigned(vb.Value, 32); ok && vb.Tag == TagTimeTicks && !n.HasUptime {
			n.Uptime, n.HasUptime = uint32(ticks), true
			return true, nil
		}
	case nameTrapOID:
		if vb.Tag != TagOID {
			return false, refuse(NoTrapOID, at, "the value of snmpTrapOID.0 is an OBJECT IDENTIFIER")
		}
		if n.TrapOID == nil {
			n.TrapOID = vb.Value
			return true, nil
		}
	case nameEnterprise:
		if vb.Tag == TagOID {
			n.Enterprise = vb.Value
		}
	case nameAddress:
		if vb.Tag == TagIPAddress {
			n.AgentAddr = origin(vb.Value)
		}
	}
	return false, nil
}

// read decodes the variable binding at b[at:] and returns where the next begins.
// It checks that the value is one of its type, so that whoever reads it later
// need not.
func (v *Varbind) read(b []byte, at int) (next int, err error) {
	// The usual variable binding has three lengths of one octet.
	if len(b)-at < 6 || b[at] != tagSequence || b[at+2] != TagOID || (b[at+1]|b[at+3]) >= 0x80 {
		return v.long(b, at)
	}
	next = at + 2 + int(b[at+1])
	name := at + 4
	value := name + int(b[at+3]) + 2
	if next > len(b) || value > next {
		return v.long(b, at)
	}
	pair := b[name:next:next]
	value -= name
	if n := pair[value-1]; n >= 0x80 || value+int(n) != len(pair) || pair[value-2]&0x1f == 0x1f {
		return v.long(b, at)
	}
	v.Name, v.Tag, v.Value = pair[:value-2:value-2], pair[value-2], pair[value:]
	if !validOID(v.Name) || v.Tag != TagOctetString && !validValue(v.Tag, v.Value) {
		return v.long(b, at)
	}
	return next, nil
}

// long is read for lengths of the long form, and says what is wrong.
func (v *Varbind) long(b []byte, at int) (next int, err error) {
	tag, from, to := element(b, at)
	if to < 0 || tag != tagSequence {
		return 0, notElement(at, to, BadVarbind, "a variable binding is a SEQUENCE")
	}
	pair := b[:to]
	tag, from, to = element(pair, from)
	if to < 0 || tag != TagOID {
		return 0, notElement(from, to, BadVarbind, "the name of a variable is an OBJECT IDENTIFIER")
	}
	v.Name = pair[from:to:to]
	if !validOID(v.Name) {
		return 0, refuse(BadVarbind, from, "the name of a variable is an OBJECT IDENTIFIER")
	}
	at = to
	tag, from, to = element(pair, at)
	switch {
	case tag&0x1f == 0x1f:
		return 0, refuse(BadVarbind, at, "the value of a variable has a tag of one octet (RFC 3416 has no others)")
	case to < 0:
		return 0, refuse(Reason(-to), at, "the value of a variable has the length that it declares")
	case to != len(pair):
		return 0, refuse(BadVarbind, to, "a variable binding ends after its value")
	}
	v.Tag, v.Value = tag, pair[from:to:to]
	if !validValue(tag, v.Value) {
		return 0, refuse(BadValue, at, "a value is one of its type")
	}
	return to, nil
}

func notElement(at, to int, reason Reason, what string) error {
	if to < 0 {
		reason = Reason(-to)
	}
	return refuse(reason, at, what)
}

// validValue reports whether the content octets are a value of the type that the
// tag names. Types that are not known here may hold anything.
func validValue(tag byte, value []byte) bool {
	switch tag {
	case TagInteger:
		_, ok := signed32(value)
		return ok
	case TagOctetString:
		return true
	case TagOID:
		return validOID(value)
	case TagCounter32, TagGauge32, TagTimeTicks, tagUInteger32:
		_, ok := unsigned(value, 32)
		return ok
	case TagCounter64:
		_, ok := unsigned(value, 64)
		return ok
	case TagIPAddress:
		return len(value) == 4 || len(value) == 16
	case TagNull:
		return len(value) == 0
	}
	return true
}
