package snmp

import (
	"errors"
	"time"

	"example.net/standwatch/receiver/usm"
)

// maxMessage is the msgMaxSize that own messages state.
const maxMessage = 65507

// AppendResponseV2 appends the Response to a v2c inform: the same request-id
// and the same variable bindings, octet for octet (RFC 3416 section 4.2.7).
func (d *Decoder) AppendResponseV2(out []byte) ([]byte, error) {
	m := &d.msg
	if m.Version != V2c || m.pdu != tagInform {
		return out, errors.New("answer an inform: the message is none")
	}
	body := appendInt(nil, TagInteger, int64(V2c))
	body = appendTLV(body, TagOctetString, m.Community)
	body = appendTLV(body, tagResponse, m.body)
	return appendTLV(out, tagSequence, body), nil
}

// responseBody turns the content of an inform PDU into that of its Response.
// The error fields of an inform are zero already; the rest is the same.
func responseScoped(n *Notification, pdu []byte) []byte {
	scoped := appendTLV(nil, TagOctetString, n.ContextID)
	scoped = appendTLV(scoped, TagOctetString, n.ContextName)
	scoped = append(scoped, pdu...)
	return appendTLV(nil, tagSequence, scoped)
}

// ResponseV3 builds the secured Response to a v3 inform that was decoded last
// from plain, at the level the inform had.
func (d *Decoder) ResponseV3(now time.Time, table *usm.Table, plain []byte) ([]byte, error) {
	content := cursor{b: plain}
	scoped, _, err := content.want(tagSequence, BadPDU, "a scoped PDU is a SEQUENCE")
	if err != nil {
		return nil, err
	}
	c := cursor{b: scoped}
	for i := 0; i < 2; i++ {
		if _, _, _, err := c.next(); err != nil {
			return nil, err
		}
	}
	tag, body, _, err := c.next()
	if err != nil {
		return nil, err
	}
	if tag != tagInform {
		return nil, errors.New("answer an inform: the message is none")
	}
	h := d.msg.Security
	return d.secured(now, table, outgoing{
		scoped: responseScoped(&d.n, appendTLV(nil, tagResponse, body)), user: string(h.User), level: h.Level,
	})
}

// ReportV3 builds a Report of one counter (RFC 3412 section 7.2, RFC 3414
// section 3.2) to the message that was parsed last. authenticate is for
// notInTimeWindows, which is reported with authentication.
func (d *Decoder) ReportV3(now time.Time, table *usm.Table, counter OID, value uint32, authenticate bool) ([]byte, error) {
	vb := appendTLV(nil, TagOID, []byte(counter))
	vb = appendUint(vb, TagCounter32, uint64(value))
	pdu := appendInt(nil, TagInteger, int64(d.n.RequestID))
	pdu = appendInt(pdu, TagInteger, 0)
	pdu = appendInt(pdu, TagInteger, 0)
	pdu = appendTLV(pdu, tagSequence, appendTLV(nil, tagSequence, vb))
	context := Notification{ContextID: table.LocalID(), ContextName: d.n.ContextName}
	out := outgoing{scoped: responseScoped(&context, appendTLV(nil, tagReport, pdu)), level: usm.NoAuthNoPriv}
	if authenticate {
		out.user, out.level = string(d.msg.Security.User), usm.AuthNoPriv
	}
	return d.secured(now, table, out)
}

type outgoing struct {
	scoped []byte
	user   string
	level  usm.Level
}

func (d *Decoder) secured(now time.Time, table *usm.Table, o outgoing) ([]byte, error) {
	return BuildV3(V3Message{
		MsgID: d.msg.MsgID, Scoped: o.scoped, Table: table, EngineID: table.LocalID(), Boots: table.LocalBoots(),
		Time: table.LocalTime(now), User: o.user, Level: o.level,
	})
}

// V3Message is a v3 message to be built. Boots and Time are the authoritative
// engine's.
type V3Message struct {
	MsgID       int32
	Scoped      []byte // plain scoped PDU with its tag
	Table       *usm.Table
	EngineID    []byte
	Boots, Time uint32
	User        string
	Level       usm.Level
	Reportable  bool
}

// BuildV3 encodes and secures a message: encrypts, then authenticates (RFC
// 3414 section 3.1).
func BuildV3(m V3Message) ([]byte, error) {
	key := usm.Outgoing{EngineID: m.EngineID, User: m.User, Level: m.Level, Boots: m.Boots, Time: m.Time}
	payload := m.Scoped
	var salt []byte
	if m.Level == usm.AuthPriv {
		var err error
		if payload, salt, err = m.Table.Encrypt(key, m.Scoped); err != nil {
			return nil, err
		}
		payload = appendTLV(nil, TagOctetString, payload)
	}
	flags := byte(0)
	if m.Level >= usm.AuthNoPriv {
		flags |= flagAuth
	}
	if m.Level == usm.AuthPriv {
		flags |= flagPriv
	}
	if m.Reportable {
		flags |= flagReportable
	}
	mac := make([]byte, m.Table.MACLen(key))
	params := appendTLV(nil, TagOctetString, m.EngineID)
	params = appendInt(params, TagInteger, int64(m.Boots))
	params = appendInt(params, TagInteger, int64(m.Time))
	params = appendTLV(params, TagOctetString, []byte(m.User))
	params = appendTLV(params, TagOctetString, mac)
	macEnd := len(params)
	params = appendTLV(params, TagOctetString, salt)

	global := appendInt(nil, TagInteger, int64(m.MsgID))
	global = appendInt(global, TagInteger, maxMessage)
	global = appendTLV(global, TagOctetString, []byte{flags})
	global = appendInt(global, TagInteger, ModelUSM)

	body := appendInt(nil, TagInteger, int64(V3))
	body = appendTLV(body, tagSequence, global)
	sequence := appendTLV(nil, tagSequence, params)
	macFromEnd := len(params) - macEnd + len(payload)
	body = appendTLV(body, TagOctetString, sequence)
	body = append(body, payload...)
	out := appendTLV(nil, tagSequence, body)
	if m.Level >= usm.AuthNoPriv {
		if err := m.Table.Sign(key, out, len(out)-macFromEnd-len(mac)); err != nil {
			return nil, err
		}
	}
	return out, nil
}
