package snmp

import (
	"errors"
	"time"

	"example.net/standwatch/receiver/usm"
)

// tooBig is the error-status of a response that does not fit (RFC 3416 section
// 3).
const tooBig = 1

// leastMaxSize is what every SNMP engine can take, in octets (RFC 3412 section
// 6, msgMaxSize).
const leastMaxSize = 484

var errNoInform = errors.New("answer an inform: the message that was decoded last is none")

// AppendResponse appends the Response to the inform that was decoded last: its
// request-id and its variable bindings octet for octet, without error (RFC 3416
// section 4.2.7). For v3 it is secured as the inform was, with a salt of its
// own; a v2c Response needs neither now nor t. The Response may be sent later:
// it does not depend on the decoder any more.
func (d *Decoder) AppendResponse(dst []byte, now time.Time, t *usm.Table) ([]byte, error) {
	m := &d.msg
	if !d.note.Inform || d.list == nil {
		return dst, errNoInform
	}
	p := pdu{tag: tagResponse, requestID: d.requestID, list: d.list}
	if m.Version == V2c {
		return append(dst, community(V2c, m.Community, p)...), nil
	}
	e := d.envelope(now, t, m.Security.Level)
	out, err := e.seal(dst, scopedPDU(d.note.ContextID, d.note.ContextName, p))
	if err == nil && len(out)-len(dst) > max(int(m.MaxSize), leastMaxSize) {
		p.status, p.list = tooBig, []byte{tagSequence, 0}
		if !e.tsm {
			e.salt = t.NextSalt()
		}
		return e.seal(dst, scopedPDU(d.note.ContextID, d.note.ContextName, p))
	}
	return out, err
}

// community returns a v1 or v2c message.
func community(v Version, name []byte, p pdu) []byte {
	var w writer
	w.pdu(p)
	w.value(TagOctetString, name)
	w.integer(int32(v))
	w.wrap(tagSequence, 0)
	return w.buf[w.at:]
}

// envelope returns what goes around an answer: the receiver is authoritative, so
// its boots and time are stated even without authentication (RFC 3414 section
// 3.1 step 6, from memory). An answer never asks for a report.
func (d *Decoder) envelope(now time.Time, t *usm.Table, level usm.Level) envelope {
	h := &d.msg.Security
	if d.msg.Model == ModelTSM {
		return envelope{msgID: d.msg.MsgID, level: h.Level, tsm: true}
	}
	e := envelope{
		msgID: d.msg.MsgID, level: level, engineID: t.LocalID(), boots: t.LocalBoots(), time: t.LocalTime(now), user: h.User,
	}
	if level > usm.NoAuthNoPriv {
		e.keys = t.Keys(t.LocalID(), h.User)
	}
	if level == usm.AuthPriv {
		e.salt = t.NextSalt()
	}
	return e
}

// counterName returns the counter that a Report states for a verdict, and the
// verdicts that it counts (RFC 3414 section 5, RFC 3412 section 5).
func counterName(v usm.Verdict) (name OID, counted []usm.Verdict) {
	const usmStats, mpdStats = "\x2b\x06\x01\x06\x03\x0f\x01\x01", "\x2b\x06\x01\x06\x03\x0b\x02\x01"
	switch v {
	case usm.UnsupportedSecLevel:
		return usmStats + "\x01\x00", []usm.Verdict{v}
	case usm.NotInTimeWindow:
		return usmStats + "\x02\x00", []usm.Verdict{v}
	case usm.UnknownUserName:
		return usmStats + "\x03\x00", []usm.Verdict{v}
	case usm.UnknownEngineID, usm.NotAuthoritative:
		return usmStats + "\x04\x00", []usm.Verdict{usm.UnknownEngineID, usm.NotAuthoritative}
	case usm.WrongDigest:
		return usmStats + "\x05\x00", []usm.Verdict{v}
	case usm.DecryptionError:
		return usmStats + "\x06\x00", []usm.Verdict{v}
	case usm.UnknownPDUHandler:
		return mpdStats + "\x03\x00", []usm.Verdict{v}
	}
	return "", nil
}

// AppendReport appends the Report that tells the sender of the v3 message that
// was parsed last why it was refused (RFC 3412 section 7.2, RFC 3414 section
// 3.2). ok is false where there is none: the sender did not ask for one, as for
// a trap; the message is under the engine ID of its sender, who is authoritative
// and needs none; or no counter has the verdict.
func (d *Decoder) AppendReport(dst []byte, now time.Time, t *usm.Table, v usm.Verdict) (out []byte, ok bool) {
	m := &d.msg
	name, counted := counterName(v)
	local := string(m.Security.EngineID) == string(t.LocalID())
	foreign := v == usm.UnknownEngineID || v == usm.NotAuthoritative
	tsm := m.Model == ModelTSM && v == usm.UnknownPDUHandler // who sends over a secure transport is authoritative for nothing
	if name == "" || m.Version != V3 || !m.Reportable || (local == foreign && !tsm) {
		return dst, false
	}
	level := usm.NoAuthNoPriv
	switch v {
	case usm.NotInTimeWindow:
		level = usm.AuthNoPriv // the sender sets its clock by it
	case usm.UnknownPDUHandler:
		level = m.Security.Level
	}
	value := uint64(0)
	for _, v := range counted {
		value += t.Count(v)
	}
	out, err := d.report(dst, d.envelope(now, t, level), t.LocalID(), Unsigned(name, TagCounter32, uint64(uint32(value))))
	return out, err == nil
}

// report writes a Report of one counter. Its request-id is that of the message
// where it can be read, else 0 (RFC 3412 section 7.1 step 3, from memory).
func (d *Decoder) report(dst []byte, e envelope, contextID []byte, counter Varbind) ([]byte, error) {
	id := d.requestID
	if id == nil && !d.msg.Encrypted {
		id = d.peekRequestID()
	}
	if id == nil {
		id = []byte{TagInteger, 1, 0}
	}
	var w writer
	w.varbind(counter)
	w.wrap(tagSequence, 0)
	p := pdu{tag: tagReport, requestID: id, list: w.buf[w.at:]}
	return e.seal(dst, scopedPDU(contextID, d.note.ContextName, p))
}

// peekRequestID returns the request-id of a plain scoped PDU, nil if there is
// none.
func (d *Decoder) peekRequestID() []byte {
	_, body, err := d.scope(d.msg.Payload)
	if err != nil {
		return nil
	}
	at := body.at
	if _, err := body.integer(BadPDU, ""); err != nil {
		return nil
	}
	return body.b[at:body.at]
}

// AppendResponseV2 is AppendResponse for v2c.
func (d *Decoder) AppendResponseV2(out []byte) ([]byte, error) {
	if d.msg.Version != V2c {
		return out, errNoInform
	}
	return d.AppendResponse(out, time.Time{}, nil)
}
