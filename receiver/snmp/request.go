package snmp

import (
	"errors"
	"time"

	"example.net/standwatch/receiver/usm"
)

// Kinds of request, by the tag of their PDU (RFC 3416 section 3).
const (
	KindGet     byte = 0xa0
	KindGetNext byte = 0xa1
	KindGetBulk byte = 0xa5
)

// ErrNotRequest is returned for a message that asks for nothing.
var ErrNotRequest = errors.New("the message is no request")

// Request is what a manager asks an agent, for those who play one.
type Request struct {
	Kind           byte
	NonRepeaters   int32 // of a GetBulk
	MaxRepetitions int32
	Names          []OID
}

// Request decodes the request of the v1 or v2c message that was parsed last.
func (d *Decoder) Request() (*Request, error) {
	r := d.msg.pdu
	tag, from, to := element(r.b, r.at)
	if to < 0 || to != len(r.b) || d.msg.Version == V1 && tag == KindGetBulk {
		return nil, ErrNotRequest
	}
	return d.request(tag, reader{b: r.b, at: from})
}

// OpenRequest judges the v3 message that was parsed last, for which the table's
// own engine is authoritative, and decodes its request. Errors are a
// usm.Verdict, to be answered by [Decoder.AppendReport], or say that it is no
// request.
func (d *Decoder) OpenRequest(now time.Time, t *usm.Table) (*Request, error) {
	res, v := t.Process(now, d.incoming())
	if v == usm.Accepted && !res.Local {
		v = usm.NotAuthoritative
		t.Refuse(v)
	}
	if v != usm.Accepted {
		return nil, v
	}
	tag, body, err := d.scope(res.Plain)
	if err != nil {
		return nil, err
	}
	return d.request(tag, body)
}

func (d *Decoder) request(tag byte, body reader) (*Request, error) {
	if tag != KindGet && tag != KindGetNext && tag != KindGetBulk {
		return nil, ErrNotRequest
	}
	out := &Request{Kind: tag}
	at := body.at
	if _, err := body.integer(BadPDU, "request-id is an INTEGER"); err != nil {
		return nil, err
	}
	d.requestID = body.b[at:body.at]
	var err error
	if out.NonRepeaters, err = body.integer(BadPDU, "non-repeaters is an INTEGER"); err != nil {
		return nil, err
	}
	if out.MaxRepetitions, err = body.integer(BadPDU, "max-repetitions is an INTEGER"); err != nil {
		return nil, err
	}
	list, err := body.inside(tagSequence, BadVarbind, "the variable bindings are a SEQUENCE")
	if err != nil {
		return nil, err
	}
	for at := list.at; at < len(list.b); {
		if len(out.Names) == MaxVarbinds {
			return nil, refuse(TooManyVarbinds, at, "more variable bindings than are taken here")
		}
		var vb Varbind
		if at, err = vb.read(list.b, at); err != nil {
			return nil, err
		}
		out.Names = append(out.Names, OID(vb.Name))
	}
	return out, nil
}

// AppendAnswer appends the Response to the request that was decoded last,
// secured as the request was. status and index are those of RFC 3416 section 3.
func (d *Decoder) AppendAnswer(dst []byte, now time.Time, t *usm.Table, status, index int32, vbs []Varbind) ([]byte, error) {
	if d.requestID == nil {
		return dst, ErrNotRequest
	}
	var w writer
	for i := len(vbs) - 1; i >= 0; i-- {
		w.varbind(vbs[i])
	}
	w.wrap(tagSequence, 0)
	p := pdu{tag: tagResponse, requestID: d.requestID, status: status, index: index, list: w.buf[w.at:]}
	if d.msg.Version != V3 {
		return append(dst, community(d.msg.Version, d.msg.Community, p)...), nil
	}
	e := d.envelope(now, t, d.msg.Security.Level)
	return e.seal(dst, scopedPDU(d.note.ContextID, d.note.ContextName, p))
}

// Missing returns the exception that stands for a value that is not there:
// noSuchInstance, or endOfMibView after the last name (RFC 3416 section 3).
func Missing(name OID, end bool) Varbind {
	tag := byte(0x81)
	if end {
		tag = tagEndOfMIBView
	}
	return Varbind{Name: []byte(name), Tag: tag}
}
