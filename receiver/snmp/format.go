package snmp

import (
	"encoding/hex"
	"fmt"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"
)

// Text returns the value as a person reads it. hint is the MIB's DISPLAY-HINT
// (RFC 2579 section 3.1) or empty. An octet string to which no hint applies is
// shown as text if it is mostly printable UTF-8, control characters escaped,
// else as hex. What a remote sends is not to be trusted: pages still escape it
// for HTML.
func (v Varbind) Text(hint string) string {
	switch v.Tag {
	case TagOctetString:
		return octetText(v.Value, hint)
	case TagOID:
		return OID(v.Value).String()
	case TagNull:
		return "null"
	case TagTimeTicks:
		n, _ := v.Uint()
		return ticksText(n)
	case TagCounter64:
		n, _ := v.Uint()
		return strconv.FormatUint(n, 10)
	}
	if v.Tag >= tagNoSuchObject && v.Tag <= tagEndOfMIBView {
		return [...]string{"noSuchObject", "noSuchInstance", "endOfMibView"}[v.Tag-tagNoSuchObject]
	}
	if addr, ok := v.IP(); ok {
		return addr.String()
	}
	if n, ok := v.Int(); ok {
		return numberText(n, hint)
	}
	if f, ok := v.Float(); ok {
		return strconv.FormatFloat(f, 'g', -1, 64)
	}
	return hexText(v.Value)
}

func hexText(b []byte) string { return "0x" + hex.EncodeToString(b) }

// numberText applies the DISPLAY-HINT of an integer: d, d-N (with N decimal
// places), x, o or b. Others are as d.
func numberText(n int64, hint string) string {
	switch hint {
	case "x":
		return strconv.FormatInt(n, 16)
	case "o":
		return strconv.FormatInt(n, 8)
	case "b":
		return strconv.FormatInt(n, 2)
	}
	digits := strconv.FormatInt(n, 10)
	places, ok := strings.CutPrefix(hint, "d-")
	p, err := strconv.Atoi(places)
	if !ok || err != nil || p < 1 || p > 18 {
		return digits
	}
	sign := ""
	if n < 0 {
		sign, digits = "-", digits[1:]
	}
	for len(digits) <= p {
		digits = "0" + digits
	}
	return sign + digits[:len(digits)-p] + "." + digits[len(digits)-p:]
}

// ticksText writes hundredths of a second as days and clock time.
func ticksText(ticks uint64) string {
	s := ticks / 100
	return fmt.Sprintf("%dd %02d:%02d:%02d.%02d", s/86400, s/3600%24, s/60%60, s%60, ticks%100)
}

// octetText shows an octet string.
func octetText(b []byte, hint string) string {
	if hint != "" {
		if text, ok := hinted(b, hint); ok {
			return text
		}
	}
	if text, ok := plainText(b); ok {
		return text
	}
	return hexText(b)
}

// plainText returns octets as text if they are UTF-8 of which at least three
// quarters can be printed. That is our own measure: short binary values are
// UTF-8 by chance, and a text with a stray control character is still a text.
// Zeros at the end, which some agents send, are left out.
func plainText(b []byte) (string, bool) {
	for len(b) > 0 && b[len(b)-1] == 0 {
		b = b[:len(b)-1]
	}
	if !utf8.Valid(b) {
		return "", false
	}
	good, all := 0, 0
	for _, r := range string(b) {
		all++
		if unicode.IsGraphic(r) || r == '\t' || r == '\n' || r == '\r' {
			good++
		}
	}
	if good*4 < all*3 {
		return "", false
	}
	return escaped(string(b)), true
}

// escaped replaces what is not graphic, the characters that reverse the order of
// writing among it, as Go writes it in a quoted string.
func escaped(s string) string {
	clean := true
	for _, r := range s {
		clean = clean && unicode.IsGraphic(r)
	}
	if clean {
		return s
	}
	var out strings.Builder
	for _, r := range s {
		if unicode.IsGraphic(r) {
			out.WriteRune(r)
			continue
		}
		quoted := strconv.QuoteRuneToASCII(r)
		out.WriteString(quoted[1 : len(quoted)-1])
	}
	return out.String()
}
