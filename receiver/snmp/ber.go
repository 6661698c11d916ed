package snmp

import "fmt"

// Reason says why a message was refused. Numbers index counters.
type Reason uint8

// Reasons of refusal by the decoder.
const (
	NotSNMP     Reason = iota // does not begin as an SNMP message
	Truncated                 // ends before a declared length
	BadLength                 // indefinite, over four octets, or beyond its enclosure
	BadVersion                // no version that SNMP has
	BadHeader                 // a field of the header has the wrong type or range
	BadPDU                    // the PDU's fields are wrong
	NotNotified               // a PDU that is no notification
	BadVarbind                // a variable binding is wrong
	NoTrapOID                 // sysUpTime.0 and snmpTrapOID.0 do not come first
	ReasonCount int    = iota // how many reasons there are
)

var reasonWords = [...]string{"not-snmp", "truncated", "bad-length", "bad-version", "bad-header", "bad-pdu", "not-a-notification", "bad-varbind", "no-trap-oid"}

// String returns the reason's word, fit for a metric label.
func (r Reason) String() string { return reasonWords[r] }

// DecodeError says why and where a message could not be decoded.
type DecodeError struct {
	Reason Reason
	Offset int // in the datagram, or in the scoped PDU
	What   string
}

func (e *DecodeError) Error() string {
	return fmt.Sprintf("%s at octet %d: %s", e.Reason, e.Offset, e.What)
}

func refuse(r Reason, at int, what string) error {
	return &DecodeError{Reason: r, Offset: at, What: what}
}

// Tags of structure (X.690 section 8.1.2; RFC 3416 section 3 for PDUs).
const (
	tagSequence  byte = 0x30
	tagGet       byte = 0xa0
	tagResponse  byte = 0xa2
	tagTrapV1    byte = 0xa4
	tagBulk      byte = 0xa5
	tagInform    byte = 0xa6
	tagTrapV2    byte = 0xa7
	tagReport    byte = 0xa8
	tagNoObject  byte = 0x80
	tagEndOfView byte = 0x82
)

// cursor walks a run of BER elements. base is the offset of b in the datagram.
type cursor struct {
	b    []byte
	at   int
	base int
}

func (c *cursor) done() bool { return c.at >= len(c.b) }

// next returns the next element's tag and content. Single-octet tags and
// definite lengths only; SNMP has no others (RFC 3417 section 8).
func (c *cursor) next() (tag byte, content []byte, start int, err error) {
	b, at := c.b, c.at
	if at+2 > len(b) {
		return 0, nil, 0, refuse(Truncated, c.base+at, "an element needs a tag and a length")
	}
	tag = b[at]
	if tag&0x1f == 0x1f {
		return 0, nil, 0, refuse(BadHeader, c.base+at, "multi-octet tags are not used in SNMP")
	}
	n := int(b[at+1])
	at += 2
	if n == 0x80 {
		return 0, nil, 0, refuse(BadLength, c.base+at-1, "indefinite lengths are not allowed (RFC 3417 section 8)")
	}
	if n > 0x80 {
		octets := n & 0x7f
		if at+octets > len(b) {
			return 0, nil, 0, refuse(Truncated, c.base+at, "the length itself is cut off")
		}
		value := uint64(0)
		for i := 0; i < octets; i++ {
			value = value<<8 | uint64(b[at+i])
			if value > 1<<31 {
				return 0, nil, 0, refuse(BadLength, c.base+at, "a length beyond any datagram")
			}
		}
		n = int(value)
		at += octets
	}
	if n > len(b)-at {
		return 0, nil, 0, refuse(Truncated, c.base+at, "the length goes beyond what is there")
	}
	c.at = at + n
	return tag, b[at : at+n], c.base + at, nil
}

// want returns the content of the next element if it has the tag.
func (c *cursor) want(tag byte, reason Reason, what string) ([]byte, int, error) {
	at := c.at
	got, content, start, err := c.next()
	if err != nil {
		return nil, 0, err
	}
	if got != tag {
		return nil, 0, refuse(reason, c.base+at, what)
	}
	return content, start, nil
}

// integer returns the next element as a signed integer of at most 32 bits.
func (c *cursor) integer(reason Reason, what string) (int32, error) {
	content, start, err := c.want(TagInteger, reason, what)
	if err != nil {
		return 0, err
	}
	v, ok := signed(content)
	if !ok || v < -1<<31 || v > 1<<31-1 {
		return 0, refuse(reason, start, what)
	}
	return int32(v), nil
}

// signed reads two's complement of any length whose value fits 64 bits;
// leading octets that only extend the sign are allowed.
func signed(b []byte) (int64, bool) {
	if len(b) == 0 {
		return 0, false
	}
	v := int64(int8(b[0]))
	for _, o := range b[1:] {
		if v > 1<<54 || v < -1<<54 {
			return 0, false
		}
		v = v<<8 | int64(o)
	}
	return v, true
}

// unsigned reads an application-type integer (Counter, Gauge, TimeTicks,
// Counter64). Senders leave out the leading zero octet at times, so the first
// bit is part of the value.
func unsigned(b []byte) (uint64, bool) {
	for len(b) > 1 && b[0] == 0 {
		b = b[1:]
	}
	if len(b) == 0 || len(b) > 8 {
		return 0, false
	}
	v := uint64(0)
	for _, o := range b {
		v = v<<8 | uint64(o)
	}
	return v, true
}

// validOID reports whether b is the content of an object identifier: complete
// sub-identifiers of at most 32 bits, at most 128 of them.
func validOID(b []byte) bool {
	if len(b) == 0 || b[len(b)-1]&0x80 != 0 {
		return false
	}
	count, arc := 0, uint64(0)
	for _, o := range b {
		arc = arc<<7 | uint64(o&0x7f)
		if arc > 1<<32+80 {
			return false
		}
		if o&0x80 == 0 {
			count++
			arc = 0
		}
	}
	return count < 128
}

// appendTLV appends an element in the shortest definite form.
func appendTLV(out []byte, tag byte, content []byte) []byte {
	out = appendHead(out, tag, len(content))
	return append(out, content...)
}

func appendHead(out []byte, tag byte, n int) []byte {
	out = append(out, tag)
	switch {
	case n < 0x80:
		return append(out, byte(n))
	case n < 0x100:
		return append(out, 0x81, byte(n))
	}
	return append(out, 0x82, byte(n>>8), byte(n))
}

// appendInt appends a signed integer in the shortest form.
func appendInt(out []byte, tag byte, v int64) []byte {
	var b [9]byte
	at := len(b)
	for {
		at--
		b[at] = byte(v)
		sign := v >> 7
		if (sign == 0 && b[at]&0x80 == 0) || (sign == -1 && b[at]&0x80 != 0) {
			break
		}
		v >>= 8
	}
	return appendTLV(out, tag, b[at:])
}

// appendUint appends an unsigned application-type integer.
func appendUint(out []byte, tag byte, v uint64) []byte {
	var b [9]byte
	at := len(b)
	for {
		at--
		b[at] = byte(v)
		v >>= 8
		if v == 0 {
			break
		}
	}
	if b[at]&0x80 != 0 {
		at--
	}
	return appendTLV(out, tag, b[at:])
}
