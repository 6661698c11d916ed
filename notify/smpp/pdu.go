package smpp

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
)

// command is a command_id (section 5.1.2.1).
type command uint32

const (
	genericNack      command = 0x80000000
	bindTransceiver  command = 0x00000009
	submitSM         command = 0x00000004
	deliverSM        command = 0x00000005
	unbind           command = 0x00000006
	enquireLink      command = 0x00000015
	alert            command = 0x00000102
	outbind          command = 0x0000000b
	response         command = 0x80000000 // this bit makes an answer of a command
	interfaceVersion         = 0x34
)

const (
	headerOctets = 16
	maxPDU       = 1<<16 + 1024 // a message_payload of 64 KiB and what goes with it
	maxSequence  = 0x7fffffff
)

// pdu is one message of the protocol.
type pdu struct {
	command command
	status  status
	seq     uint32
	body    []byte
}

func (p pdu) marshal() []byte {
	out := make([]byte, 0, headerOctets+len(p.body))
	out = binary.BigEndian.AppendUint32(out, uint32(headerOctets+len(p.body)))
	out = binary.BigEndian.AppendUint32(out, uint32(p.command))
	out = binary.BigEndian.AppendUint32(out, uint32(p.status))
	out = binary.BigEndian.AppendUint32(out, p.seq)
	return append(out, p.body...)
}

// errLength says that the stream cannot be read any further.
var errLength = errors.New("a PDU claims an impossible length")

// readPDU reads one PDU. The body is the caller's.
func readPDU(r io.Reader) (pdu, error) {
	var h [headerOctets]byte
	if _, err := io.ReadFull(r, h[:]); err != nil {
		return pdu{}, err
	}
	length := binary.BigEndian.Uint32(h[:])
	p := pdu{command: command(binary.BigEndian.Uint32(h[4:])), status: status(binary.BigEndian.Uint32(h[8:])), seq: binary.BigEndian.Uint32(h[12:])}
	if length < headerOctets || length > maxPDU {
		return p, errLength
	}
	p.body = make([]byte, length-headerOctets)
	if _, err := io.ReadFull(r, p.body); err != nil {
		return p, err
	}
	return p, nil
}

// bindBody is the body of bind_transceiver (section 4.1.5).
func bindBody(o *Options) []byte {
	var b []byte
	for _, s := range []string{o.SystemID, o.Password, o.SystemType} {
		b = append(append(b, s...), 0)
	}
	return append(b, interfaceVersion, 0, 0, 0) // address_ton, address_npi, empty address_range
}

// message is the body of submit_sm and deliver_sm (sections 4.4.1 and 4.6.1).
type message struct {
	service    string
	from, to   address
	class      byte // esm_class
	protocol   byte
	priority   byte
	schedule   string
	validity   string
	registered byte
	replace    byte
	coding     byte // data_coding
	canned     byte // sm_default_msg_id
	text       []byte
	optional   []parameter
}

type address struct {
	ton, npi byte
	digits   string
}

// parameter is an optional parameter (section 3.2.4).
type parameter struct {
	tag   uint16
	value []byte
}

// Optional parameters (section 5.3.2).
const (
	tagReceiptedID = 0x001e
	tagSARRef      = 0x020c
	tagSARTotal    = 0x020e
	tagSARSeq      = 0x020f
	tagNetworkErr  = 0x0423
	tagPayload     = 0x0424
	tagState       = 0x0427
)

// Parts of esm_class (section 5.2.12).
const (
	classHeader  = 0x40 // the text begins with a user data header
	classReceipt = 0x04 // in deliver_sm: a receipt
	classKinds   = 0x3c
)

// Longest values of fields, their end not counted.
const (
	longService = 5
	longAddress = 20
	longTime    = 16
	longText    = 254
)

func (m *message) marshal() []byte {
	var b []byte
	word := func(s string) { b = append(append(b, s...), 0) }
	word(m.service)
	for _, a := range []address{m.from, m.to} {
		b = append(b, a.ton, a.npi)
		word(a.digits)
	}
	b = append(b, m.class, m.protocol, m.priority)
	word(m.schedule)
	word(m.validity)
	b = append(b, m.registered, m.replace, m.coding, m.canned, byte(len(m.text)))
	b = append(b, m.text...)
	for _, p := range m.optional {
		b = binary.BigEndian.AppendUint16(b, p.tag)
		b = binary.BigEndian.AppendUint16(b, uint16(len(p.value)))
		b = append(b, p.value...)
	}
	return b
}

// parseMessage reads the body of a submit_sm or deliver_sm. What it returns
// refers to body.
func parseMessage(body []byte) (message, error) {
	d := &fields{rest: body}
	m := message{service: d.word(longService)}
	for _, a := range []*address{&m.from, &m.to} {
		a.ton, a.npi = d.octet(), d.octet()
		a.digits = d.word(longAddress)
	}
	m.class, m.protocol, m.priority = d.octet(), d.octet(), d.octet()
	m.schedule, m.validity = d.word(longTime), d.word(longTime)
	m.registered, m.replace, m.coding, m.canned = d.octet(), d.octet(), d.octet(), d.octet()
	length := int(d.octet())
	if length > longText {
		d.fail("sm_length")
	}
	m.text = d.take(length)
	m.optional = d.parameters()
	return m, d.err
}

func (m *message) parameter(tag uint16) []byte {
	for _, p := range m.optional {
		if p.tag == tag {
			return p.value
		}
	}
	return nil
}

// fields reads the fields of a body; after the first fault everything is empty.
type fields struct {
	rest []byte
	err  error
}

func (d *fields) fail(what string) {
	if d.err == nil {
		d.err = fmt.Errorf("the PDU's %s cannot be read", what)
	}
	d.rest = nil
}

func (d *fields) take(n int) []byte {
	if n > len(d.rest) {
		d.fail("end")
		return nil
	}
	out := d.rest[:n]
	d.rest = d.rest[n:]
	return out
}

func (d *fields) octet() byte {
	if o := d.take(1); o != nil {
		return o[0]
	}
	return 0
}

// word reads a text that ends with a zero octet.
func (d *fields) word(longest int) string {
	end := bytes.IndexByte(d.rest, 0)
	if end < 0 || end > longest {
		d.fail("text")
		return ""
	}
	s := string(d.rest[:end])
	d.rest = d.rest[end+1:]
	return s
}

// parameters reads the optional parameters up to the end.
func (d *fields) parameters() (out []parameter) {
	for len(d.rest) > 0 && d.err == nil {
		head := d.take(4)
		if head == nil {
			break
		}
		value := d.take(int(binary.BigEndian.Uint16(head[2:])))
		if d.err == nil {
			out = append(out, parameter{binary.BigEndian.Uint16(head), value})
		}
	}
	return out
}
