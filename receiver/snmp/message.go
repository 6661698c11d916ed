package snmp

import (
	"time"

	"example.net/standwatch/receiver/usm"
)

// Flags of a v3 message (RFC 3412 section 6.4).
const (
	flagAuth       = 0x01
	flagPriv       = 0x02
	flagReportable = 0x04
)

// ModelUSM is the securityModel of USM.
const ModelUSM = usm.ModelUSM

// Message is the outer form of a datagram. Slices alias it.
type Message struct {
	Version   Version
	Datagram  []byte // the message, octets after it left out
	Community []byte // v1 and v2c; a secret, never logged

	// v3 (RFC 3412 section 6)
	MsgID      int32
	MaxSize    int32 // what the sender can take, in octets
	Reportable bool
	Model      int32
	Security   usm.Header
	Payload    []byte // scoped PDU with its tag, or the octets that encrypt it
	Encrypted  bool

	pdu reader // v1 and v2c: the PDU
}

// Decoder decodes one datagram after another.
type Decoder struct {
	msg   Message
	note  Notification
	oid   []byte // a constructed snmpTrapOID.0
	plain []byte // a decrypted scoped PDU

	// Of the notification, for its Response: octets as they came.
	requestID []byte
	list      []byte
}

// Message returns the outer form of the datagram that was parsed last.
func (d *Decoder) Message() *Message { return &d.msg }

// Parse decodes the outer form of a datagram. For v1 and v2c
// [Decoder.Notification] follows, for v3 [Decoder.Open]. On an error the
// message holds what was read before it. Errors are *DecodeError.
func (d *Decoder) Parse(datagram []byte) (*Message, error) {
	m := &d.msg
	*m = Message{Version: noVersion}
	d.note.Inform, d.note.ContextName = false, nil
	d.requestID, d.list = nil, nil
	if len(datagram) == 0 || datagram[0] != tagSequence {
		return m, refuse(NotSNMP, 0, "an SNMP message is a SEQUENCE")
	}
	outer := reader{b: datagram}
	r, err := outer.inside(tagSequence, NotSNMP, "an SNMP message is a SEQUENCE of the length that it declares")
	if err != nil {
		return m, err
	}
	m.Datagram = datagram[:outer.at:outer.at]
	at := r.at
	version, err := r.integer(NotSNMP, "a message begins with its version, an INTEGER")
	if err != nil {
		return m, err
	}
	switch Version(version) {
	case V1, V2c:
		m.Version = Version(version)
		return m, d.community(r)
	case V3:
		m.Version = V3
		return m, d.v3(r)
	}
	return m, refuse(BadVersion, at, "versions are 0 (v1), 1 (v2c) and 3 (v3)")
}

func (d *Decoder) community(r reader) (err error) {
	d.msg.Community, err = r.octets(TagOctetString, BadHeader, "the community is an OCTET STRING")
	d.msg.pdu = r
	return err
}

// v3 reads the header of RFC 3412 section 6.
func (d *Decoder) v3(r reader) error {
	m := &d.msg
	g, err := r.inside(tagSequence, BadHeader, "msgGlobalData is a SEQUENCE")
	if err != nil {
		return err
	}
	if m.MsgID, err = g.integer(BadHeader, "msgID is an INTEGER of 32 bits"); err != nil {
		return err
	}
	if m.MaxSize, err = g.integer(BadHeader, "msgMaxSize is an INTEGER of 32 bits"); err != nil {
		return err
	}
	at := g.at
	flags, err := g.octets(TagOctetString, BadHeader, "msgFlags is an OCTET STRING")
	if err != nil {
		return err
	}
	if len(flags) != 1 {
		return refuse(BadHeader, at, "msgFlags is one octet")
	}
	m.Reportable = flags[0]&flagReportable != 0
	m.Security.Level = levelOf(flags[0])
	if m.Model, err = g.integer(BadHeader, "msgSecurityModel is an INTEGER of 32 bits"); err != nil {
		return err
	}
	m.Security.Model = m.Model
	if err := g.end(BadHeader, "msgGlobalData ends after msgSecurityModel"); err != nil {
		return err
	}
	if err := d.security(&r); err != nil {
		return err
	}
	return d.payload(&r)
}

// levelOf returns the level that msgFlags ask for, zero for privacy without
// authentication. Bits that are not defined are ignored (RFC 3412 section 6.4).
func levelOf(flags byte) usm.Level {
	switch flags & (flagAuth | flagPriv) {
	case flagAuth:
		return usm.AuthNoPriv
	case flagAuth | flagPriv:
		return usm.AuthPriv
	case flagPriv:
		return 0
	}
	return usm.NoAuthNoPriv
}

// security reads msgSecurityParameters. Those of another model than USM are
// nobody's to take apart here.
func (d *Decoder) security(r *reader) error {
	params, err := r.inside(TagOctetString, BadHeader, "msgSecurityParameters is an OCTET STRING")
	switch {
	case err != nil:
		return err
	case d.msg.Model == ModelTSM && !params.done():
		// RFC 5591 has senders leave them empty (section 4.2, step 3) and receivers not
		// look (section 5.2); what stands there has no meaning that could be kept.
		return refuse(BadSecurity, params.at, "msgSecurityParameters of the transport security model are empty (RFC 5591 section 4.2)")
	case d.msg.Model != ModelUSM:
		return nil
	}
	return securityParameters(params, &d.msg.Security)
}

// securityParameters reads UsmSecurityParameters (RFC 3414 section 2.4).
func securityParameters(r reader, h *usm.Header) error {
	s, err := r.inside(tagSequence, BadSecurity, "UsmSecurityParameters is a SEQUENCE")
	if err != nil {
		return err
	}
	if err := r.end(BadSecurity, "nothing follows UsmSecurityParameters in their string"); err != nil {
		return err
	}
	if h.EngineID, err = s.octets(TagOctetString, BadSecurity, "msgAuthoritativeEngineID is an OCTET STRING"); err != nil {
		return err
	}
	if h.Boots, err = s.natural("msgAuthoritativeEngineBoots is 0 to 2147483647"); err != nil {
		return err
	}
	if h.Time, err = s.natural("msgAuthoritativeEngineTime is 0 to 2147483647"); err != nil {
		return err
	}
	if h.User, err = s.octets(TagOctetString, BadSecurity, "msgUserName is an OCTET STRING"); err != nil {
		return err
	}
	if h.MAC, err = s.octets(TagOctetString, BadSecurity, "msgAuthenticationParameters is an OCTET STRING"); err != nil {
		return err
	}
	h.MACAt = s.at - len(h.MAC)
	if h.Salt, err = s.octets(TagOctetString, BadSecurity, "msgPrivacyParameters is an OCTET STRING"); err != nil {
		return err
	}
	return s.end(BadSecurity, "UsmSecurityParameters end after msgPrivacyParameters")
}

// natural returns the next element of the security parameters, an INTEGER from
// 0 to 2^31-1.
func (r *reader) natural(what string) (uint32, error) {
	at := r.at
	v, err := r.integer(BadSecurity, what)
	if err == nil && v < 0 {
		err = refuse(BadSecurity, at, what)
	}
	return uint32(v), err
}

func (d *Decoder) payload(r *reader) error {
	m := &d.msg
	// Under a secure transport msgFlags speak of the transport (RFC 5591).
	m.Encrypted = m.Model != ModelTSM && (m.Security.Level == usm.AuthPriv || m.Security.Level == 0)
	at := r.at
	var err error
	if m.Encrypted {
		m.Payload, err = r.octets(TagOctetString, BadHeader, "msgData is an OCTET STRING, as msgFlags say that it is encrypted")
	} else {
		_, _, err = r.take(tagSequence, BadHeader, "msgData is a scoped PDU, a SEQUENCE, as msgFlags say that it is not encrypted")
		m.Payload = r.b[at:r.at:r.at]
	}
	if err != nil {
		return err
	}
	return r.end(BadHeader, "a message ends after msgData")
}

// Open judges the v3 message that was parsed last and decodes its notification.
// Errors are a usm.Verdict, counted in the table, or *DecodeError; the result
// says what is known of the message even then.
//
// An inform must be under the receiver's own engine ID. A trap may be: some
// senders ask for the receiver's engine ID before they send one.
func (d *Decoder) Open(now time.Time, t *usm.Table) (*Notification, usm.Result, error) {
	res, v := t.Process(now, d.incoming())
	if v != usm.Accepted {
		return nil, res, v
	}
	n, err := d.Scoped(res.Plain)
	switch {
	case err != nil:
		if e := err.(*DecodeError); e.Reason != NotNotified {
			return nil, res, err
		}
		v = usm.UnknownPDUHandler
	case n.Inform && !res.Local:
		v = usm.NotAuthoritative
	case !n.Inform && res.Repeat:
		v = usm.Replayed
	default:
		return n, res, nil
	}
	t.Refuse(v)
	return nil, res, v
}

// incoming returns the message that was parsed last as usm wants it.
func (d *Decoder) incoming() usm.Incoming {
	m := &d.msg
	if cap(d.plain) < len(m.Datagram) {
		d.plain = make([]byte, 0, 2*len(m.Datagram))
	}
	return usm.Incoming{Header: &m.Security, Datagram: m.Datagram, Payload: m.Payload, Into: d.plain}
}

// Reopen decodes the notification of a kept v3 message that was parsed last (see
// usm.Table.Reopen; one that came over a secure transport lies open). Errors are a usm.Verdict, not counted, or *DecodeError.
func (d *Decoder) Reopen(t *usm.Table) (*Notification, error) {
	if d.msg.Version == V3 && d.msg.Model == ModelTSM {
		return d.Scoped(d.msg.Payload)
	}
	res, v := t.Reopen(d.incoming())
	if v != usm.Accepted {
		return nil, v
	}
	return d.Scoped(res.Plain)
}
