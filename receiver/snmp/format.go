package snmp

import (
	"encoding/hex"
	"fmt"
	"math"
	"net/netip"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"
)

func opaqueFloat(b []byte) (float64, bool) {
	switch {
	case len(b) == 7 && b[0] == 0x9f && b[1] == 0x78 && b[2] == 4:
		return float64(math.Float32frombits(be32(b[3:]))), true
	case len(b) == 11 && b[0] == 0x9f && b[1] == 0x79 && b[2] == 8:
		return math.Float64frombits(be64(b[3:])), true
	}
	return 0, false
}

func parseNumber(b []byte) (float64, bool) {
	f, err := strconv.ParseFloat(strings.TrimSpace(string(b)), 64)
	return f, err == nil && !math.IsNaN(f) && !math.IsInf(f, 0)
}

// TypeName returns the SMI name of the value's type.
func (v Varbind) TypeName() string {
	switch v.Tag {
	case TagInteger:
		return "INTEGER"
	case TagOctetString:
		return "OCTET STRING"
	case TagNull:
		return "NULL"
	case TagOID:
		return "OBJECT IDENTIFIER"
	case TagIPAddress:
		return "IpAddress"
	case TagCounter32:
		return "Counter32"
	case TagGauge32:
		return "Gauge32"
	case TagTimeTicks:
		return "TimeTicks"
	case TagOpaque:
		return "Opaque"
	case TagCounter64:
		return "Counter64"
	}
	return fmt.Sprintf("tag %#x", v.Tag)
}

// Text returns the value as a person reads it. hint is the MIB's DISPLAY-HINT
// (RFC 2579 section 3.1), or empty: then an octet string is shown as text if
// it is printable UTF-8, else as hex.
func (v Varbind) Text(hint string) string {
	switch v.Tag {
	case TagOctetString:
		return octets(v.Value, hint)
	case TagOID:
		return OID(v.Value).String()
	case TagIPAddress:
		if addr, ok := netip.AddrFromSlice(v.Value); ok {
			return addr.String()
		}
	case TagTimeTicks:
		n, _ := v.Int()
		return ticksText(uint64(n))
	case TagCounter64:
		u, _ := unsigned(v.Value)
		return strconv.FormatUint(u, 10)
	case TagOpaque:
		if f, ok := opaqueFloat(v.Value); ok {
			return strconv.FormatFloat(f, 'g', -1, 64)
		}
		return "0x" + hex.EncodeToString(v.Value)
	case TagNull:
		return "null"
	}
	if n, ok := v.Int(); ok {
		return numberText(n, hint)
	}
	return "0x" + hex.EncodeToString(v.Value)
}

// numberText applies an integer DISPLAY-HINT: "d-2" puts a decimal point.
func numberText(n int64, hint string) string {
	if places, ok := strings.CutPrefix(hint, "d-"); ok {
		if p, err := strconv.Atoi(places); err == nil && p > 0 && p < 19 {
			return strconv.FormatFloat(float64(n)/math.Pow10(p), 'f', p, 64)
		}
	}
	if hint == "x" {
		return strconv.FormatInt(n, 16)
	}
	return strconv.FormatInt(n, 10)
}

// ticksText writes hundredths of a second as days and clock time.
func ticksText(ticks uint64) string {
	s := ticks / 100
	return fmt.Sprintf("%dd %02d:%02d:%02d.%02d", s/86400, s/3600%24, s/60%60, s%60, ticks%100)
}

// dateAndTimeHint is the DISPLAY-HINT of DateAndTime (RFC 2579).
const dateAndTimeHint = "2d-1d-1d,1d:1d:1d.1d,1a1d:1d"

func octets(b []byte, hint string) string {
	if hint == dateAndTimeHint && len(b) == 8 {
		hint = "2d-1d-1d,1d:1d:1d.1d"
	}
	if hint != "" && hint != "255a" && hint != "255t" {
		if text, ok := applyHint(b, hint); ok {
			return text
		}
	}
	if printable(b) {
		return string(b)
	}
	return "0x" + hex.EncodeToString(b)
}

// printable reports whether b is UTF-8 text without control characters other
// than tab and line ends. What a remote sends is not to be trusted, so pages
// still escape it.
func printable(b []byte) bool {
	if !utf8.Valid(b) {
		return false
	}
	for _, r := range string(b) {
		if !unicode.IsPrint(r) && r != '\t' && r != '\n' && r != '\r' {
			return false
		}
	}
	return true
}

// applyHint renders octets by an octet-format DISPLAY-HINT (RFC 2579 section
// 3.1): [*]length format [separator [terminator]], the last one repeated.
func applyHint(b []byte, hint string) (string, bool) {
	var out strings.Builder
	rest := hint
	for len(b) > 0 {
		spec, next, ok := hintSpec(rest)
		if !ok {
			return "", false
		}
		if next != "" {
			rest = next
		}
		repeat := 1
		if spec.star {
			repeat, b = int(b[0]), b[1:]
		}
		for ; repeat > 0 && len(b) > 0; repeat-- {
			n := min(spec.length, len(b))
			out.WriteString(spec.render(b[:n]))
			b = b[n:]
			if len(b) > 0 && spec.separator != 0 && (repeat > 1 || spec.terminator == 0) {
				out.WriteByte(spec.separator)
			}
		}
		if len(b) > 0 && spec.terminator != 0 {
			out.WriteByte(spec.terminator)
		}
		if spec.length == 0 && next == "" {
			return "", false
		}
	}
	return out.String(), true
}

type octetFormat struct {
	star                  bool
	length                int
	format                byte
	separator, terminator byte
}

func hintSpec(hint string) (f octetFormat, rest string, ok bool) {
	i := 0
	if i < len(hint) && hint[i] == '*' {
		f.star = true
		i++
	}
	start := i
	for i < len(hint) && hint[i] >= '0' && hint[i] <= '9' {
		i++
	}
	n, err := strconv.Atoi(hint[start:i])
	if err != nil || n > 65535 || i >= len(hint) {
		return f, "", false
	}
	f.length, f.format = n, hint[i]
	i++
	literal := func() byte {
		if i < len(hint) && (hint[i] < '0' || hint[i] > '9') && hint[i] != '*' {
			i++
			return hint[i-1]
		}
		return 0
	}
	f.separator = literal()
	if f.star && f.separator != 0 {
		f.terminator = literal()
	}
	return f, hint[i:], strings.IndexByte("dxoat", f.format) >= 0
}

func (f octetFormat) render(b []byte) string {
	switch f.format {
	case 'x':
		return hex.EncodeToString(b)
	case 'a', 't':
		if printable(b) {
			return string(b)
		}
		return hex.EncodeToString(b)
	}
	v, _ := unsigned(b)
	if f.format == 'o' {
		return strconv.FormatUint(v, 8)
	}
	return strconv.FormatUint(v, 10)
}
