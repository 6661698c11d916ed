package snmp

import "example.net/standwatch/receiver/usm"

// ModelTSM is the securityModel of the transport security model (RFC 5591): the
// transport, TLS with certificates on both sides, has done all that there is to
// do, and the message carries no security parameters.
const ModelTSM = 4

// What a sender asks to learn whom it speaks to when the security model does not
// tell (RFC 5343 section 3.2): snmpEngineID.0 in the context of the engine that
// is asked, whichever it is.
const (
	localContext = "\x80\x00\x00\x00\x06"
	nameEngineID = "\x2b\x06\x01\x06\x03\x0a\x02\x01\x01\x00"
	tagGet       = 0xa0
)

// OpenTransport decodes the notification of the v3 message that was parsed last
// and that came over a transport which has authenticated its sender. Errors are
// a usm.Verdict, counted in the table, or *DecodeError.
func (d *Decoder) OpenTransport(t *usm.Table) (*Notification, error) {
	v := usm.Accepted
	switch {
	case d.msg.Version != V3 || d.msg.Model != ModelTSM:
		v = usm.UnknownSecurityModel
	case d.msg.Security.Level == 0:
		v = usm.InvalidMsg
	}
	if v == usm.Accepted {
		n, err := d.Scoped(d.msg.Payload)
		if e, bad := err.(*DecodeError); !bad || e.Reason != NotNotified {
			return n, err
		}
		if d.asksForEngineID() {
			return nil, EngineQuery{}
		}
		v = usm.UnknownPDUHandler
	}
	t.Refuse(v)
	return nil, v
}

// EngineQuery is the error of OpenTransport for a message that is a question for
// the engine ID and nothing else; AppendEngineID answers it.
type EngineQuery struct{}

// Error says what was asked.
func (EngineQuery) Error() string { return "a question for the engine ID (RFC 5343)" }

// asksForEngineID reports whether the scoped PDU is a GetRequest for
// snmpEngineID.0 alone, of whoever is asked.
func (d *Decoder) asksForEngineID() bool {
	tag, body, err := d.scope(d.msg.Payload)
	if err != nil || tag != tagGet || string(d.note.ContextID) != localContext {
		return false
	}
	at := body.at
	for range 3 { // request-id, error-status, error-index
		if _, err := body.integer(BadPDU, ""); err != nil {
			return false
		}
		if d.requestID == nil {
			d.requestID = body.b[at:body.at:body.at]
		}
	}
	list, err := body.inside(tagSequence, BadVarbind, "")
	if err != nil || list.done() {
		return false
	}
	var vb Varbind
	next, err := vb.read(list.b, list.at)
	return err == nil && next == len(list.b) && string(vb.Name) == nameEngineID
}

// AppendEngineID appends the Response to the question that OpenTransport found.
func (d *Decoder) AppendEngineID(dst, engineID []byte) []byte {
	var w writer
	w.varbind(Octets(nameEngineID, engineID))
	w.wrap(tagSequence, 0)
	p := pdu{tag: tagResponse, requestID: d.requestID, list: w.buf[w.at:]}
	e := envelope{msgID: d.msg.MsgID, level: d.msg.Security.Level, tsm: true}
	return e.open(dst, scopedPDU([]byte(localContext), d.note.ContextName, p))
}

// open appends a message whose scoped PDU the transport secures.
func (e *envelope) open(dst, scoped []byte) []byte {
	flags := byte(0)
	if e.level >= usm.AuthNoPriv {
		flags |= flagAuth
	}
	if e.level == usm.AuthPriv {
		flags |= flagPriv
	}
	if e.reportable {
		flags |= flagReportable
	}
	var w writer
	w.raw(scoped)
	w.value(TagOctetString, nil)
	e.header(&w, ModelTSM, flags)
	return append(dst, w.buf[w.at:]...)
}
