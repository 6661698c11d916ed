package snmp

import (
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"net/netip"
	"strconv"
	"strings"
)

// Hints of textual conventions that are shown in their usual form, not octet
// for octet.
const (
	hintDateAndTime = "2d-1d-1d,1d:1d:1d.1d,1a1d:1d" // RFC 2579 section 2
	hintIPv6        = "2x:2x:2x:2x:2x:2x:2x:2x"      // RFC 4001, InetAddressIPv6
	hintIPv6Zone    = hintIPv6 + "%4d"               // RFC 4001, InetAddressIPv6z
)

// hinted shows octets by a DISPLAY-HINT; ok is false if the hint does not make
// sense or not of these octets.
func hinted(b []byte, hint string) (text string, ok bool) {
	switch hint {
	case hintDateAndTime:
		if text, ok := dateAndTime(b); ok {
			return text, true
		}
	case hintIPv6:
		if len(b) == 16 {
			return netip.AddrFrom16([16]byte(b)).String(), true
		}
	case hintIPv6Zone:
		if len(b) == 20 {
			zone := strconv.FormatUint(uint64(binary.BigEndian.Uint32(b[16:])), 10)
			return netip.AddrFrom16([16]byte(b[:16])).WithZone(zone).String(), true
		}
	}
	return applyHint(b, hint)
}

// dateAndTime writes a DateAndTime of eight or eleven octets (RFC 2579 section
// 2) in the manner of RFC 3339; without an offset it is the agent's local time.
func dateAndTime(b []byte) (string, bool) {
	if len(b) != 8 && len(b) != 11 {
		return "", false
	}
	// The second 60 is a leap second.
	if b[2] < 1 || b[2] > 12 || b[3] < 1 || b[3] > 31 || b[4] > 23 || b[5] > 59 || b[6] > 60 || b[7] > 9 {
		return "", false
	}
	text := fmt.Sprintf("%04d-%02d-%02dT%02d:%02d:%02d.%d", binary.BigEndian.Uint16(b), b[2], b[3], b[4], b[5], b[6], b[7])
	if len(b) == 8 {
		return text, true
	}
	if b[8] != '+' && b[8] != '-' || b[9] > 14 || b[10] > 59 {
		return "", false
	}
	return fmt.Sprintf("%s%c%02d:%02d", text, b[8], b[9], b[10]), true
}

// octetFormat is one octet-format specification of a DISPLAY-HINT.
type octetFormat struct {
	star       bool // the next octet of the value is a repeat count
	length     int  // octets for one application
	format     byte // x, d, o, a or t
	separator  string
	terminator string
}

// applyHint shows octets by an octet-format DISPLAY-HINT (RFC 2579 section 3.1,
// from memory): specifications are applied in turn, the last one again until no
// octets are left. Hexadecimal digits are written two for each octet.
func applyHint(b []byte, hint string) (string, bool) {
	var out strings.Builder
	var f octetFormat
	for rest := hint; len(b) > 0; {
		if rest != "" {
			var ok bool
			if f, rest, ok = nextFormat(rest); !ok {
				return "", false
			}
		} else if f.length == 0 && !f.star {
			return "", false // would go on for ever
		}
		var ok bool
		if b, ok = f.apply(&out, b); !ok {
			return "", false
		}
	}
	return out.String(), true
}

// nextFormat takes one specification off the front of a hint. A length of 0
// only writes its separator; repeated, it would make much of nothing.
func nextFormat(hint string) (f octetFormat, rest string, ok bool) {
	hint, f.star = strings.CutPrefix(hint, "*")
	digits := 0
	for digits < len(hint) && hint[digits] >= '0' && hint[digits] <= '9' {
		digits++
	}
	n, err := strconv.Atoi(hint[:digits])
	if err != nil || n > 65535 || f.star && n == 0 || digits == len(hint) || strings.IndexByte("xdoat", hint[digits]) < 0 {
		return f, "", false
	}
	f.length, f.format = n, hint[digits]
	f.separator, rest = literal(hint[digits+1:])
	if f.star && f.separator != "" {
		f.terminator, rest = literal(rest)
	}
	return f, rest, true
}

// literal takes a display separator or terminator off the front: any character
// that cannot begin a specification.
func literal(hint string) (c, rest string) {
	if hint == "" || hint[0] == '*' || hint[0] >= '0' && hint[0] <= '9' {
		return "", hint
	}
	return hint[:1], hint[1:]
}

// apply shows the first octets and returns the rest. Separator and terminator
// are left out where nothing follows.
func (f octetFormat) apply(out *strings.Builder, b []byte) (rest []byte, ok bool) {
	times := 1
	if f.star {
		times, b = int(b[0]), b[1:]
	}
	for ; times > 0 && len(b) > 0; times-- {
		n := min(f.length, len(b))
		if !f.show(out, b[:n]) {
			return nil, false
		}
		b = b[n:]
		if len(b) > 0 && (times > 1 || f.terminator == "") {
			out.WriteString(f.separator)
		}
	}
	if len(b) > 0 {
		out.WriteString(f.terminator)
	}
	return b, true
}

func (f octetFormat) show(out *strings.Builder, b []byte) bool {
	switch f.format {
	case 'x':
		out.WriteString(hex.EncodeToString(b))
		return true
	case 'a', 't':
		text, ok := plainText(b)
		out.WriteString(text)
		return ok
	}
	n, ok := unsigned(b, 64)
	base := 10
	if f.format == 'o' {
		base = 8
	}
	out.WriteString(strconv.FormatUint(n, base))
	return ok
}
