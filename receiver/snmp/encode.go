package snmp

import (
	"errors"

	"example.net/standwatch/receiver/usm"
)

// A writer builds a message from its end, so that each length is known when it
// is written, and is the shortest.
type writer struct {
	buf []byte
	at  int // what is written is buf[at:]
}

func (w *writer) size() int { return len(w.buf) - w.at }

// room makes n octets in front and returns them.
func (w *writer) room(n int) []byte {
	if w.at < n {
		bigger := make([]byte, max(512, 2*len(w.buf), w.size()+n))
		at := len(bigger) - w.size()
		copy(bigger[at:], w.buf[w.at:])
		w.buf, w.at = bigger, at
	}
	w.at -= n
	return w.buf[w.at : w.at+n]
}

func (w *writer) raw(b []byte) { copy(w.room(len(b)), b) }

// head writes the tag and length of n octets of content.
func (w *writer) head(tag byte, n int) {
	if n < 0x80 {
		w.raw([]byte{tag, byte(n)})
		return
	}
	octets := 0
	for ; n > 0; n >>= 8 {
		w.room(1)[0] = byte(n)
		octets++
	}
	w.raw([]byte{tag, 0x80 | byte(octets)})
}

// wrap writes the tag and length of all that was written since size was mark.
func (w *writer) wrap(tag byte, mark int) { w.head(tag, w.size()-mark) }

func (w *writer) value(tag byte, content []byte) {
	w.raw(content)
	w.head(tag, len(content))
}

func (w *writer) text(tag byte, content string) {
	copy(w.room(len(content)), content)
	w.head(tag, len(content))
}

// integer writes an INTEGER in the shortest form.
func (w *writer) integer(v int32) {
	mark := w.size()
	for {
		octet := byte(v)
		w.room(1)[0] = octet
		v >>= 8
		if v == int32(int8(octet))>>7 {
			break
		}
	}
	w.wrap(TagInteger, mark)
}

// unsigned writes an application type in the shortest form.
func (w *writer) unsigned(tag byte, v uint64) {
	mark := w.size()
	for {
		octet := byte(v)
		w.room(1)[0] = octet
		v >>= 8
		if v == 0 {
			if octet >= 0x80 {
				w.room(1)[0] = 0
			}
			break
		}
	}
	w.wrap(tag, mark)
}

// pdu is a PDU to be written.
type pdu struct {
	tag       byte
	requestID []byte // with its tag and length
	status    int32
	index     int32
	list      []byte // variable bindings, with their tag and length
}

func (w *writer) pdu(p pdu) {
	mark := w.size()
	w.raw(p.list)
	w.integer(p.index)
	w.integer(p.status)
	w.raw(p.requestID)
	w.wrap(p.tag, mark)
}

// maxMessage is the msgMaxSize that own messages state: all that UDP carries
// over IPv4.
const maxMessage = 65507

// envelope is what goes around a scoped PDU.
type envelope struct {
	msgID       int32
	reportable  bool
	level       usm.Level
	engineID    []byte
	boots, time uint32
	user        []byte
	keys        *usm.Keys // nil without authentication
	salt        uint64
	tsm         bool // under the transport security model: nothing to secure here
}

// errNoKeys is returned when a message is to be secured beyond the user's keys.
var errNoKeys = errors.New("the user has no keys for this security level")

// seal encrypts, envelops and authenticates a scoped PDU, in this order (RFC
// 3414 section 3.1), and appends the message to dst.
func (e *envelope) seal(dst, scoped []byte) ([]byte, error) {
	if e.tsm {
		return e.open(dst, scoped), nil
	}
	if e.level > usm.NoAuthNoPriv && (e.keys == nil || e.level > e.keys.Level()) {
		return dst, errNoKeys
	}
	var w writer
	var params []byte
	flags, macLen := byte(0), 0
	if e.level == usm.AuthPriv {
		payload, salt := e.keys.Seal(scoped, e.boots, e.time, e.salt)
		w.value(TagOctetString, payload)
		params = salt[:]
		flags |= flagPriv
	} else {
		w.raw(scoped)
	}
	if e.level >= usm.AuthNoPriv {
		flags |= flagAuth
		macLen = e.keys.MACLen()
	}
	if e.reportable {
		flags |= flagReportable
	}
	mark := w.size()
	w.value(TagOctetString, params)
	macEnd := w.size()
	w.room(macLen)
	w.head(TagOctetString, macLen)
	w.value(TagOctetString, e.user)
	w.integer(int32(e.time))
	w.integer(int32(e.boots))
	w.value(TagOctetString, e.engineID)
	w.wrap(tagSequence, mark)
	w.wrap(TagOctetString, mark)
	e.header(&w, ModelUSM, flags)
	out := append(dst, w.buf[w.at:]...)
	if macLen > 0 {
		message := out[len(dst):]
		e.keys.Sign(message, len(message)-macEnd-macLen)
	}
	return out, nil
}

// header writes msgGlobalData and what is around the message.
func (e *envelope) header(w *writer, model int32, flags byte) {
	mark := w.size()
	w.integer(model)
	w.value(TagOctetString, []byte{flags})
	w.integer(maxMessage)
	w.integer(e.msgID)
	w.wrap(tagSequence, mark)
	w.integer(int32(V3))
	w.wrap(tagSequence, 0)
}

// scopedPDU returns a scoped PDU with its tag (RFC 3412 section 6.8).
func scopedPDU(contextID, contextName []byte, p pdu) []byte {
	var w writer
	w.pdu(p)
	w.value(TagOctetString, contextName)
	w.value(TagOctetString, contextID)
	w.wrap(tagSequence, 0)
	return w.buf[w.at:]
}
