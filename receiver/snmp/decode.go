package snmp

import (
	"encoding/binary"
	"net/netip"

	"example.net/standwatch/receiver/usm"
)

// Flags of a v3 message (RFC 3412 section 6.4).
const (
	flagAuth       = 0x01
	flagPriv       = 0x02
	flagReportable = 0x04
)

// ModelUSM is the securityModel of USM (RFC 3411 section 5).
const ModelUSM = 3

// Message is a datagram's outer form.
type Message struct {
	Version   Version
	Datagram  []byte // the message, octets after it excluded
	Community []byte // v1 and v2c

	// v3 (RFC 3412 section 6)
	MsgID      int32
	MaxSize    int32
	Reportable bool
	Model      int32
	Security   usm.Header
	Payload    []byte // scoped PDU with its tag, or the octets that encrypt it
	Encrypted  bool

	pdu   byte // v1 and v2c
	body  []byte
	start int
}

// Decoder decodes one datagram after another without allocating.
type Decoder struct {
	msg  Message
	n    Notification
	oid  []byte
	rest []Varbind
}

var (
	oidSysUpTime      = []byte(MustOID("1.3.6.1.2.1.1.3.0"))
	oidTrapOID        = []byte(MustOID("1.3.6.1.6.3.1.1.4.1.0"))
	oidTrapEnterprise = []byte(MustOID("1.3.6.1.6.3.1.1.4.3.0"))
	oidTrapAddress    = []byte(MustOID("1.3.6.1.6.3.18.1.3.0"))
	oidTrapCommunity  = []byte(MustOID("1.3.6.1.6.3.18.1.4.0"))
	oidSNMPTraps      = []byte(MustOID("1.3.6.1.6.3.1.1.5"))
)

// Parse decodes the outer form of a datagram. For v3 the payload is still to
// be secured by usm and then handed to [Decoder.Scoped]; for v1 and v2c
// [Decoder.Notification] follows. Errors are *DecodeError.
func (d *Decoder) Parse(datagram []byte) (*Message, error) {
	m := &d.msg
	*m = Message{}
	outer := cursor{b: datagram}
	tag, content, start, err := outer.next()
	if err != nil {
		if len(datagram) > 0 && datagram[0] != tagSequence {
			return nil, refuse(NotSNMP, 0, "an SNMP message is a SEQUENCE")
		}
		return nil, err
	}
	if tag != tagSequence {
		return nil, refuse(NotSNMP, 0, "an SNMP message is a SEQUENCE")
	}
	m.Datagram = datagram[:outer.at]
	in := cursor{b: content, base: start}
	version, err := in.integer(NotSNMP, "the version must be an INTEGER")
	if err != nil {
		return nil, err
	}
	m.Version = Version(version)
	switch m.Version {
	case V1, V2c:
		return m, d.community(&in)
	case V3:
		return m, d.v3(&in)
	}
	return nil, refuse(BadVersion, start, "versions are 0 (v1), 1 (v2c) and 3 (v3)")
}

func (d *Decoder) community(in *cursor) (err error) {
	m := &d.msg
	if m.Community, _, err = in.want(TagOctetString, BadHeader, "the community must be an OCTET STRING"); err != nil {
		return err
	}
	m.pdu, m.body, m.start, err = in.next()
	return err
}

// v3 reads the header of RFC 3412 section 6 and the security parameters of RFC
// 3414 section 2.4.
func (d *Decoder) v3(in *cursor) error {
	m := &d.msg
	global, start, err := in.want(tagSequence, BadHeader, "msgGlobalData must be a SEQUENCE")
	if err != nil {
		return err
	}
	g := cursor{b: global, base: start}
	if m.MsgID, err = g.integer(BadHeader, "msgID must be 0 to 2147483647"); err != nil {
		return err
	}
	if m.MaxSize, err = g.integer(BadHeader, "msgMaxSize must be an INTEGER"); err != nil {
		return err
	}
	flags, at, err := g.want(TagOctetString, BadHeader, "msgFlags must be an OCTET STRING")
	if err != nil {
		return err
	}
	if m.Model, err = g.integer(BadHeader, "msgSecurityModel must be an INTEGER"); err != nil {
		return err
	}
	if m.MsgID < 0 || len(flags) != 1 || flags[0]&(flagAuth|flagPriv) == flagPriv {
		return refuse(BadHeader, at, "msgID must not be negative, msgFlags is one octet, and privacy needs authentication (RFC 3412 section 7.2)")
	}
	m.Reportable = flags[0]&flagReportable != 0
	m.Security.Level = usm.NoAuthNoPriv + usm.Level(flags[0]&flagAuth) + usm.Level(flags[0]&flagPriv>>1)
	params, start, err := in.want(TagOctetString, BadHeader, "msgSecurityParameters must be an OCTET STRING")
	if err != nil {
		return err
	}
	if m.Model == ModelUSM {
		if err := d.security(params, start); err != nil {
			return err
		}
	}
	return d.payload(in)
}

func (d *Decoder) security(params []byte, start int) error {
	h := &d.msg.Security
	outer := cursor{b: params, base: start}
	content, start, err := outer.want(tagSequence, BadHeader, "UsmSecurityParameters must be a SEQUENCE")
	if err != nil {
		return err
	}
	if !outer.done() {
		return refuse(BadLength, outer.base+outer.at, "octets follow UsmSecurityParameters inside their string")
	}
	c := cursor{b: content, base: start}
	var boots, seconds int32
	if h.EngineID, start, err = c.want(TagOctetString, BadHeader, "msgAuthoritativeEngineID must be an OCTET STRING"); err != nil {
		return err
	}
	if len(h.EngineID) > 32 {
		return refuse(BadHeader, start, "an engine ID has at most 32 octets (RFC 3411 section 5)")
	}
	if boots, err = c.integer(BadHeader, "msgAuthoritativeEngineBoots must be 0 to 2147483647"); err != nil {
		return err
	}
	if seconds, err = c.integer(BadHeader, "msgAuthoritativeEngineTime must be 0 to 2147483647"); err != nil {
		return err
	}
	if boots < 0 || seconds < 0 {
		return refuse(BadHeader, start, "engine boots and time must not be negative")
	}
	h.Boots, h.Time = uint32(boots), uint32(seconds)
	if h.User, start, err = c.want(TagOctetString, BadHeader, "msgUserName must be an OCTET STRING"); err != nil {
		return err
	}
	if len(h.User) > 32 {
		return refuse(BadHeader, start, "a user name has at most 32 octets (RFC 3414 section 2.4)")
	}
	if h.MAC, h.MACAt, err = c.want(TagOctetString, BadHeader, "msgAuthenticationParameters must be an OCTET STRING"); err != nil {
		return err
	}
	if h.Salt, _, err = c.want(TagOctetString, BadHeader, "msgPrivacyParameters must be an OCTET STRING"); err != nil {
		return err
	}
	if !c.done() {
		return refuse(BadLength, c.base+c.at, "octets follow the privacy parameters")
	}
	return nil
}

func (d *Decoder) payload(in *cursor) error {
	m := &d.msg
	at := in.at
	tag, content, _, err := in.next()
	if err != nil {
		return err
	}
	m.Encrypted = m.Security.Level == usm.AuthPriv
	switch {
	case m.Encrypted && tag == TagOctetString:
		m.Payload = content
	case !m.Encrypted && tag == tagSequence:
		m.Payload = in.b[at:in.at]
	default:
		return refuse(BadHeader, in.base+at, "msgData must be a scoped PDU, encrypted if and only if msgFlags says so")
	}
	return nil
}

// Notification decodes the PDU of a v1 or v2c message.
func (d *Decoder) Notification() (*Notification, error) {
	m := &d.msg
	d.reset()
	d.n.Community = m.Community
	switch {
	case m.Version == V1 && m.pdu == tagTrapV1:
		return &d.n, d.trapV1(cursor{b: m.body, base: m.start})
	case m.Version == V2c && (m.pdu == tagTrapV2 || m.pdu == tagInform):
		return &d.n, d.pdu(m.pdu, cursor{b: m.body, base: m.start})
	}
	return nil, refuse(NotNotified, m.start, "only traps and informs are taken here")
}

// Scoped decodes a plain scoped PDU (RFC 3412 section 6.8). Octets after it
// are padding of the cipher and ignored. For a PDU that is no notification the
// error's reason is NotNotified, and the notification holds the context and,
// where it has one, the request-id, which a Report echoes.
func (d *Decoder) Scoped(plain []byte) (*Notification, error) {
	d.reset()
	outer := cursor{b: plain}
	content, start, err := outer.want(tagSequence, BadPDU, "a scoped PDU is a SEQUENCE")
	if err != nil {
		return nil, err
	}
	c := cursor{b: content, base: start}
	if d.n.ContextID, _, err = c.want(TagOctetString, BadPDU, "contextEngineID must be an OCTET STRING"); err != nil {
		return nil, err
	}
	if d.n.ContextName, _, err = c.want(TagOctetString, BadPDU, "contextName must be an OCTET STRING"); err != nil {
		return nil, err
	}
	tag, body, at, err := c.next()
	if err != nil {
		return nil, err
	}
	if tag != tagTrapV2 && tag != tagInform {
		id := cursor{b: body, base: at}
		if tag >= tagGet && tag <= tagReport && tag != tagTrapV1 {
			d.n.RequestID, _ = id.integer(BadPDU, "request-id must be an INTEGER")
		}
		return &d.n, refuse(NotNotified, at, "only traps and informs are taken here")
	}
	return &d.n, d.pdu(tag, cursor{b: body, base: at})
}

func (d *Decoder) reset() {
	d.n = Notification{Version: d.msg.Version, Varbinds: d.rest[:0]}
}

// trapV1 reads a Trap-PDU (RFC 1157 section 4.1.6) and translates it by RFC
// 3584 section 3.1.
func (d *Decoder) trapV1(c cursor) error {
	n := &d.n
	enterprise, at, err := c.want(TagOID, BadPDU, "enterprise must be an OBJECT IDENTIFIER")
	if err != nil {
		return err
	}
	if !validOID(enterprise) {
		return refuse(BadPDU, at, "enterprise is no object identifier")
	}
	addr, at, err := c.want(TagIPAddress, BadPDU, "agent-addr must be an IpAddress")
	if err != nil {
		return err
	}
	if len(addr) != 4 {
		return refuse(BadPDU, at, "agent-addr must have four octets")
	}
	generic, err := c.integer(BadPDU, "generic-trap must be an INTEGER")
	if err != nil {
		return err
	}
	specific, err := c.integer(BadPDU, "specific-trap must be an INTEGER")
	if err != nil {
		return err
	}
	ticks, at, err := c.want(TagTimeTicks, BadPDU, "time-stamp must be TimeTicks")
	if err != nil {
		return err
	}
	if err := d.uptime(ticks, at); err != nil {
		return err
	}
	if generic < 0 || generic > 6 || specific < 0 {
		return refuse(BadPDU, at, "generic-trap is 0 to 6, specific-trap is not negative")
	}
	if ip := netip.AddrFrom4([4]byte(addr)); !ip.IsUnspecified() {
		n.AgentAddr = ip
	}
	n.Enterprise = enterprise
	d.oid = d.oid[:0]
	if generic == 6 {
		d.oid = append(d.oid, enterprise...)
		d.oid = appendArc(appendArc(d.oid, 0), uint64(specific))
	} else {
		d.oid = append(d.oid, oidSNMPTraps...)
		d.oid = appendArc(d.oid, uint64(generic)+1)
	}
	n.TrapOID = d.oid
	return d.varbinds(&c, false)
}

func (d *Decoder) uptime(ticks []byte, at int) error {
	v, ok := unsigned(ticks)
	if !ok || v > 1<<32-1 {
		return refuse(BadPDU, at, "TimeTicks are 0 to 4294967295")
	}
	d.n.Uptime, d.n.HasUptime = uint32(v), true
	return nil
}

// pdu reads a v2 Trap or Inform (RFC 3416 section 3).
func (d *Decoder) pdu(tag byte, c cursor) (err error) {
	n := &d.n
	n.Inform = tag == tagInform
	if n.RequestID, err = c.integer(BadPDU, "request-id must be an INTEGER"); err != nil {
		return err
	}
	if _, err = c.integer(BadPDU, "error-status must be an INTEGER"); err != nil {
		return err
	}
	if _, err = c.integer(BadPDU, "error-index must be an INTEGER"); err != nil {
		return err
	}
	return d.varbinds(&c, true)
}

// varbinds reads the variable bindings. With v2, sysUpTime.0 and snmpTrapOID.0
// come first (RFC 3416 section 4.2.6); what a proxy added (RFC 3584 section
// 3.1) is taken out into its own fields.
func (d *Decoder) varbinds(c *cursor, v2 bool) error {
	list, at, err := c.want(tagSequence, BadVarbind, "the variable bindings must be a SEQUENCE")
	if err != nil {
		return err
	}
	n := &d.n
	vs := cursor{b: list, base: at}
	for i := 0; !vs.done(); i++ {
		vb, at, err := vs.varbind()
		if err != nil {
			return err
		}
		if v2 && i < 2 {
			if err := d.leading(i, vb, at); err != nil {
				return err
			}
			continue
		}
		d.proxied(vb)
		n.Varbinds = append(n.Varbinds, vb)
	}
	d.rest = n.Varbinds[:0]
	if v2 && n.TrapOID == nil {
		return refuse(NoTrapOID, at, "a notification begins with sysUpTime.0 and snmpTrapOID.0 (RFC 3416 section 4.2.6)")
	}
	return nil
}

func (d *Decoder) leading(i int, vb Varbind, at int) error {
	switch {
	case i == 0 && string(vb.Name) == string(oidSysUpTime) && vb.Tag == TagTimeTicks:
		return d.uptime(vb.Value, at)
	case i == 1 && string(vb.Name) == string(oidTrapOID) && vb.Tag == TagOID:
		d.n.TrapOID = vb.Value
		return nil
	}
	return refuse(NoTrapOID, at, "a notification begins with sysUpTime.0 and snmpTrapOID.0 (RFC 3416 section 4.2.6)")
}

func (d *Decoder) proxied(vb Varbind) {
	switch {
	case vb.Tag == TagOID && string(vb.Name) == string(oidTrapEnterprise):
		d.n.Enterprise = vb.Value
	case vb.Tag == TagIPAddress && len(vb.Value) == 4 && string(vb.Name) == string(oidTrapAddress):
		if ip := netip.AddrFrom4([4]byte(vb.Value)); !ip.IsUnspecified() {
			d.n.AgentAddr = ip
		}
	}
}

// varbind reads one variable binding and checks that its value is one of its
// type, so that whoever reads it later need not.
func (c *cursor) varbind() (vb Varbind, at int, err error) {
	pair, at, err := c.want(tagSequence, BadVarbind, "a variable binding must be a SEQUENCE")
	if err != nil {
		return vb, at, err
	}
	in := cursor{b: pair, base: at}
	if vb.Name, _, err = in.want(TagOID, BadVarbind, "a variable's name must be an OBJECT IDENTIFIER"); err != nil {
		return vb, at, err
	}
	if vb.Tag, vb.Value, _, err = in.next(); err != nil {
		return vb, at, err
	}
	if !validOID(vb.Name) || !validValue(vb.Tag, vb.Value) || !in.done() {
		return vb, at, refuse(BadVarbind, at, "the name or value is not of its type")
	}
	return vb, at, nil
}

func validValue(tag byte, value []byte) bool {
	switch tag {
	case TagInteger:
		v, ok := signed(value)
		return ok && v >= -1<<31 && v < 1<<32 // some agents send Gauge32 values as INTEGER
	case TagOctetString, TagOpaque:
		return true
	case TagNull, tagNoObject, tagNoObject + 1, tagEndOfView:
		return len(value) == 0
	case TagOID:
		return validOID(value)
	case TagIPAddress:
		return len(value) == 4 || len(value) == 16
	case TagCounter32, TagGauge32, TagTimeTicks:
		v, ok := unsigned(value)
		return ok && v < 1<<32
	case TagCounter64:
		_, ok := unsigned(value)
		return ok
	}
	return false
}

// Int returns the value as a number; ok is false when it is none. Counter64
// values above 2^63-1 do not fit.
func (v Varbind) Int() (n int64, ok bool) {
	switch v.Tag {
	case TagInteger:
		return signed(v.Value)
	case TagCounter32, TagGauge32, TagTimeTicks, TagCounter64:
		u, ok := unsigned(v.Value)
		return int64(u), ok && u < 1<<63
	}
	return 0, false
}

// Float returns the value as a number: any integer type, an Opaque float or
// double (tags 9f78 and 9f79, common practice), or digits in an octet string.
func (v Varbind) Float() (f float64, ok bool) {
	if n, ok := v.Int(); ok {
		return float64(n), true
	}
	switch v.Tag {
	case TagOpaque:
		return opaqueFloat(v.Value)
	case TagOctetString:
		return parseNumber(v.Value)
	}
	return 0, false
}

func be32(b []byte) uint32 { return binary.BigEndian.Uint32(b) }
func be64(b []byte) uint64 { return binary.BigEndian.Uint64(b) }

// Message returns the outer form of the datagram that was parsed last.
func (d *Decoder) Message() *Message { return &d.msg }
