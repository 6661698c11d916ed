package snmp

import "encoding/binary"

// Tags of structure (X.690 section 8.1.2) and of PDUs (RFC 3416 section 3; RFC
// 1157 section 4.1 for the trap of v1).
const (
	tagSequence byte = 0x30
	tagResponse byte = 0xa2
	tagTrapV1   byte = 0xa4
	tagInform   byte = 0xa6
	tagTrapV2   byte = 0xa7
	tagReport   byte = 0xa8
)

// element reads the tag and length at b[at:]. The content is b[from:to], and the
// next element begins at to. A negative to is a refusal: -to is its Reason.
func element(b []byte, at int) (tag byte, from, to int) {
	// Nearly all lengths are below 128 octets.
	if at+2 <= len(b) {
		if n := int(b[at+1]); n < 0x80 && n <= len(b)-at-2 {
			return b[at], at + 2, at + 2 + n
		}
	}
	return longElement(b, at)
}

// longElement is element for lengths of the long form, and for what is wrong.
// Leading zeros of a length are allowed (RFC 3417 section 8 asks for a definite
// length, not for the shortest).
func longElement(b []byte, at int) (tag byte, from, to int) {
	if at+2 > len(b) {
		return 0, at, -int(Truncated)
	}
	octets := int(b[at+1]) - 0x80
	from = at + 2
	if octets < 0 {
		return b[at], from, -int(Truncated)
	}
	if octets == 0 || octets > 8 { // 0x80 is the indefinite form
		return b[at], from, -int(BadLength)
	}
	if octets > len(b)-from {
		return b[at], from, -int(Truncated)
	}
	n := uint64(0)
	for _, o := range b[from : from+octets] {
		n = n<<8 | uint64(o)
	}
	from += octets
	if n > uint64(len(b)-from) {
		return b[at], from, -int(Truncated)
	}
	return b[at], from, from + int(n)
}

// reader walks the elements of one constructed value. b ends where the value
// does and begins where the datagram does, so that at is an offset in the
// datagram.
type reader struct {
	b  []byte
	at int
}

func (r *reader) done() bool { return r.at >= len(r.b) }

// short passes the next element if it has the tag and a length of one octet, as
// nearly all have, and returns the bounds of its content; else ok is false. It is
// small enough to be inlined.
func (r *reader) short(tag byte) (from, to int, ok bool) {
	from = r.at + 2
	if from > len(r.b) || r.b[from-2] != tag {
		return 0, 0, false
	}
	if to = from + int(r.b[from-1]); to > len(r.b) || r.b[from-1] >= 0x80 {
		return 0, 0, false
	}
	r.at = to
	return from, to, true
}

// take returns the bounds of the content of the next element, which must have
// the tag. what says in words what is expected.
func (r *reader) take(tag byte, reason Reason, what string) (from, to int, err error) {
	if b, at := r.b, r.at; at+4 <= len(b) && b[at] == tag {
		switch n := int(b[at+1]); {
		case n < 0x80:
			from, to = at+2, at+2+n
		case n == 0x81:
			from, to = at+3, at+3+int(b[at+2])
		case n == 0x82:
			from, to = at+4, at+4+int(b[at+2])<<8+int(b[at+3])
		default:
			return r.takeLong(tag, reason, what)
		}
		if to <= len(b) {
			r.at = to
			return from, to, nil
		}
	}
	return r.takeLong(tag, reason, what)
}

// takeLong is take for unusual forms of a length, and says what is wrong.
func (r *reader) takeLong(tag byte, reason Reason, what string) (from, to int, err error) {
	got, from, to := element(r.b, r.at)
	if to < 0 {
		return 0, 0, refuse(Reason(-to), r.at, what)
	}
	if got != tag {
		return 0, 0, refuse(reason, r.at, what)
	}
	r.at = to
	return from, to, nil
}

// octets returns the content of the next element, which must have the tag.
func (r *reader) octets(tag byte, reason Reason, what string) ([]byte, error) {
	from, to, ok := r.short(tag)
	if !ok {
		var err error
		if from, to, err = r.take(tag, reason, what); err != nil {
			return nil, err
		}
	}
	return r.b[from:to:to], nil
}

// inside returns a reader of the next element's elements.
func (r *reader) inside(tag byte, reason Reason, what string) (reader, error) {
	from, to, err := r.take(tag, reason, what)
	if err != nil {
		return reader{}, err
	}
	return reader{b: r.b[:to], at: from}, nil
}

// integer returns the next element, an INTEGER of 32 bits.
func (r *reader) integer(reason Reason, what string) (int32, error) {
	at := r.at
	if b := r.b[min(at, len(r.b)):]; len(b) > 2 && b[0] == TagInteger && b[1]-1 < 4 && int(b[1]) <= len(b)-2 {
		v := int32(int8(b[2])) // the sign first
		for _, o := range b[3 : 2+b[1]] {
			v = v<<8 | int32(o)
		}
		r.at += 2 + int(b[1])
		return v, nil
	}
	content, err := r.octets(TagInteger, reason, what)
	if err != nil {
		return 0, err
	}
	v, ok := signed32(content)
	if !ok {
		return 0, refuse(reason, at, what)
	}
	return v, nil
}

// end refuses what follows the last element.
func (r *reader) end(reason Reason, what string) error {
	if !r.done() {
		return refuse(reason, r.at, what)
	}
	return nil
}

// signed32 reads two's complement of at least one octet. Leading octets that
// only repeat the sign are allowed; a value of more than 32 bits is not.
func signed32(b []byte) (int32, bool) {
	if len(b) == 0 {
		return 0, false
	}
	v := int32(int8(b[0])) // the sign first
	if len(b) > 4 {
		for v == 0 && len(b) > 4 && b[0] == 0 || v == -1 && len(b) > 4 && b[0] == 0xff {
			b = b[1:]
		}
		if len(b) > 4 || int32(int8(b[0]))>>7 != v {
			return 0, false
		}
	}
	for _, o := range b[1:] {
		v = v<<8 | int32(o)
	}
	return v, true
}

// unsigned reads a value of the application types, whose leading zero octet
// some senders leave out: the first bit is no sign. It may have at most bits
// bits.
func unsigned(b []byte, bits int) (uint64, bool) {
	if len(b) == 0 {
		return 0, false
	}
	for len(b) > 1 && b[0] == 0 {
		b = b[1:]
	}
	if len(b)*8 > bits {
		return 0, false
	}
	v := uint64(0)
	for _, o := range b {
		v = v<<8 | uint64(o)
	}
	return v, true
}

// validOID reports whether b is the content of an object identifier as SNMP has
// them: at most 128 sub-identifiers of 32 bits (RFC 2578 section 3.5), each in
// the shortest form (X.690 section 8.19.2), so that equal identifiers are equal
// octets.
func validOID(b []byte) bool {
	if n := len(b); n >= 8 && n <= 24 {
		odd := oddArcs(binary.LittleEndian.Uint64(b)) | oddArcs(binary.LittleEndian.Uint64(b[n-8:]))
		if n > 16 {
			odd |= oddArcs(binary.LittleEndian.Uint64(b[8:]))
		}
		if odd == 0 {
			return true
		}
	}
	return slowOID(b)
}

// oddArcs returns 0 if in eight octets of an identifier no octet is 0x80, no
// sub-identifier has more than four octets, and the last octet ends one: so are
// nearly all identifiers, and they are valid. Others may be.
func oddArcs(w uint64) uint64 {
	const tops, ones = 0x8080808080808080, 0x0101010101010101
	more := w & tops // octets after which a sub-identifier goes on
	x := w ^ tops    // zero where an octet is 0x80
	return more>>63 | (x-ones)&^x&tops | more&(more>>8)&(more>>16)&(more>>24)
}

func slowOID(b []byte) bool {
	if len(b) == 0 || b[len(b)-1] >= 0x80 || len(b) >= 128 && !fewArcs(b) {
		return false
	}
	for i := 0; i < len(b); {
		end := i
		for b[end] >= 0x80 { // the last octet ends this
			end++
		}
		end++
		if b[i] == 0x80 || end-i > 4 && !fitsArc(b[i:end], i == 0) {
			return false
		}
		i = end
	}
	return true
}

// fitsArc reports whether a sub-identifier has 32 bits. The first of an
// identifier stands for two and may be 80 more (2.4294967295).
func fitsArc(b []byte, first bool) bool {
	if len(b) > 5 {
		return false
	}
	arc := uint64(0)
	for _, o := range b {
		arc = arc<<7 | uint64(o&0x7f)
	}
	return arc <= 1<<32-1 || first && arc <= 1<<32-1+80
}

func fewArcs(b []byte) bool {
	n := 1
	for _, o := range b {
		if o < 0x80 {
			n++
		}
	}
	return n <= 128
}
