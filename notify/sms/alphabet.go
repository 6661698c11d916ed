package sms

import (
	"strings"
	"unicode/utf16"
)

// The lengths of one short message (3GPP TS 23.040: 140 octets of user data).
const (
	SegmentSeptets = 160 // of the GSM 7-bit default alphabet
	SegmentUnits   = 70  // of UCS-2
	segmentOctets  = 140
)

const (
	escape  = 0x1b
	replace = '?' // for what cannot be written or read
)

// basic is the GSM 7-bit default alphabet in order (3GPP TS 23.038 section
// 6.2.1); at 0x1b stands the escape.
const basic = "@£$¥èéùìòÇ\nØø\rÅåΔ_ΦΓΛΩΠΨΣΘΞ\x1bÆæßÉ !\"#¤%&'()*+,-./0123456789:;<=>?" +
	"¡ABCDEFGHIJKLMNOPQRSTUVWXYZÄÖÑÜ§¿abcdefghijklmnopqrstuvwxyzäöñüà"

// extended lists what follows an escape (section 6.2.1.1): the character and
// its septet.
var extended = [...]struct {
	char   rune
	septet byte
}{{'\f', 0x0a}, {'^', 0x14}, {'{', 0x28}, {'}', 0x29}, {'\\', 0x2f}, {'[', 0x3c}, {'~', 0x3d}, {']', 0x3e}, {'|', 0x40}, {'€', 0x65}}

// septet returns how a character is written: by one septet, or by an escape
// and one more.
func septet(r rune) (s byte, escaped, ok bool) {
	switch {
	case r >= 'a' && r <= 'z', r >= 'A' && r <= 'Z', r >= '0' && r <= '9', r == ' ', r == '\n', r == '\r':
		return byte(r), false, true // the same as in ASCII
	case r == escape:
		return 0, false, false
	}
	at := byte(0)
	for _, c := range basic {
		if c == r {
			return at, false, true
		}
		at++
	}
	for _, x := range extended {
		if x.char == r {
			return x.septet, true, true
		}
	}
	return 0, false, false
}

// Cost returns how many septets a character takes, or 0 when the alphabet has
// no such character.
func Cost(r rune) int {
	_, escaped, ok := septet(r)
	switch {
	case !ok:
		return 0
	case escaped:
		return 2
	}
	return 1
}

// Septets writes a text in the default alphabet, one septet an octet. A
// character that the alphabet lacks becomes a question mark, and ok is false.
func Septets(text string) (septets []byte, ok bool) {
	ok = true
	for _, r := range text {
		s, escaped, known := septet(r)
		if !known {
			s, ok = replace, false
		}
		if escaped {
			septets = append(septets, escape)
		}
		septets = append(septets, s)
	}
	return septets, ok
}

// FromSeptets reads a text in the default alphabet, one septet an octet. An
// unknown extension shows as what it would be without the escape, as section
// 6.2.1.1 wants; a stray escape as a blank.
func FromSeptets(septets []byte) string {
	table := []rune(basic)
	var b strings.Builder
	for i := 0; i < len(septets); i++ {
		s := septets[i] & 0x7f
		if s != escape {
			b.WriteRune(table[s])
			continue
		}
		if i+1 == len(septets) || septets[i+1]&0x7f == escape {
			b.WriteByte(' ')
			continue
		}
		i++
		b.WriteRune(afterEscape(septets[i]&0x7f, table))
	}
	return b.String()
}

func afterEscape(s byte, table []rune) rune {
	for _, x := range extended {
		if x.septet == s {
			return x.char
		}
	}
	return table[s]
}

// Pack puts septets into octets, the first into the low bits, after fill bits
// of zero (3GPP TS 23.038 section 6.1.2.1).
func Pack(septets []byte, fill int) []byte {
	out := make([]byte, (len(septets)*7+fill+7)/8)
	bit := fill
	for _, s := range septets {
		v := uint16(s&0x7f) << (bit % 8)
		out[bit/8] |= byte(v)
		if v > 0xff {
			out[bit/8+1] |= byte(v >> 8)
		}
		bit += 7
	}
	return out
}

// Unpack takes n septets out of octets after fill bits. Fewer come back when
// the octets do not hold them.
func Unpack(octets []byte, n, fill int) []byte {
	n = max(0, min(n, (len(octets)*8-fill)/7))
	out := make([]byte, n)
	for i := range out {
		bit := fill + 7*i
		v := uint16(octets[bit/8]) >> (bit % 8)
		if bit%8 > 1 {
			v |= uint16(octets[bit/8+1]) << (8 - bit%8)
		}
		out[i] = byte(v & 0x7f)
	}
	return out
}

// UCS2 writes a text as big-endian UTF-16, as is done in place of UCS-2
// everywhere (common practice; UCS-2 itself has no characters beyond 16 bits).
func UCS2(text string) []byte {
	units := utf16.Encode([]rune(text))
	out := make([]byte, 0, 2*len(units))
	for _, u := range units {
		out = append(out, byte(u>>8), byte(u))
	}
	return out
}

// FromUCS2 reads big-endian UTF-16; a last odd octet is left out.
func FromUCS2(octets []byte) string {
	units := make([]uint16, len(octets)/2)
	for i := range units {
		units[i] = uint16(octets[2*i])<<8 | uint16(octets[2*i+1])
	}
	return string(utf16.Decode(units))
}

// FromLatin1 reads ISO 8859-1.
func FromLatin1(octets []byte) string {
	runes := make([]rune, len(octets))
	for i, o := range octets {
		runes[i] = rune(o)
	}
	return string(runes)
}
