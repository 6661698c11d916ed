package rules

import (
	"fmt"
	"math"
	"net/netip"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"example.net/standwatch/receiver/mib"
	"example.net/standwatch/receiver/snmp"
)

// part says what of a varbind a term means.
type part uint8

const (
	partValue  part = iota // the value as a person reads it
	partNumber             // the bare number
	partIndex              // what follows the object's OID
	partLast               // a number of an OID value, counted from its end
)

// term is a compiled term: a word of the program, or a part of a varbind that
// is found by object or by position.
type term struct {
	written  string
	word     string // a word of the program, else empty
	oid      snmp.OID
	object   *mib.Object // nil if the object has no definition
	position int         // from 1; 0 when found by oid
	part     part
	arc      int // from 1: which number; 0 all of an index
}

// programWords are the terms that do not stand for varbinds.
var programWords = [...]string{"trap", "trap.oid", "agent", "site", "site.name", "point", "point.name",
	"instance", "what", "severity", "value", "bit"}

// compileTerm reads a term. mend is a suggestion when fault is not empty.
func compileTerm(written string, names *mib.Names) (t *term, fault, mend string) {
	t = &term{written: written}
	for _, word := range programWords {
		if word == written {
			t.word = word
			return t, "", ""
		}
	}
	base := t.cutPart(written)
	if place, ok := strings.CutPrefix(base, "#"); ok {
		n, err := strconv.Atoi(place)
		if err != nil || n < 1 || n > 1000 {
			return nil, fmt.Sprintf("%q is no position of a varbind", base), "count from #1, the first varbind after snmpTrapOID.0"
		}
		t.position = n
		return t, "", ""
	}
	oid, ok := names.Lookup(base)
	if !ok {
		return nil, fmt.Sprintf("there is no object named %q", base), nameMend(names, base)
	}
	t.oid, t.object = oid, names.Object(oid)
	if t.object == nil {
		t.object, _, _ = names.Find(oid)
	}
	if t.object != nil && t.object.Class == mib.Node && t.object.OID != oid {
		t.object = nil // below a mere branch: nothing is known of it
	}
	return t, "", ""
}

// number returns the number of a word of the object's enumeration or bits.
func (t *term) number(word string) (int64, bool) {
	if t.object == nil {
		return 0, false
	}
	return t.object.Number(word)
}

func nameMend(names *mib.Names, name string) string {
	if near := names.Suggest(name); near != "" {
		return "did you mean " + near + "?"
	}
	return "give its dotted OID, or add the MIB that defines it"
}

// cutPart takes .number, .index, .index2, .last and .last2 off a term.
func (t *term) cutPart(written string) (base string) {
	at := strings.LastIndexByte(written, '.')
	if at < 0 {
		return written
	}
	tail := written[at+1:]
	word := strings.TrimRight(tail, "0123456789")
	arc, _ := strconv.Atoi(tail[len(word):])
	switch {
	case tail == "number":
		t.part = partNumber
	case word == "index":
		t.part, t.arc = partIndex, arc
	case word == "last":
		t.part, t.arc = partLast, max(arc, 1)
	default:
		return written
	}
	return written[:at]
}

// varbind finds the varbind that a term is about: at its position, or the first
// whose name is the term's object or lies below it. Within an each, one with
// the same index goes before the first.
func (sc *scene) varbind(t *term) (*snmp.Varbind, bool) {
	list := sc.n.Varbinds
	if t.position > 0 {
		if t.position > len(list) {
			return nil, false
		}
		return &list[t.position-1], true
	}
	var first *snmp.Varbind
	n := len(t.oid)
	for i := range list {
		name := list[i].Name
		// Columns of one table differ in the last octet: it tells most apart.
		if len(name) < n || n > 0 && name[n-1] != t.oid[n-1] || string(name[:n]) != string(t.oid) {
			continue
		}
		if len(sc.index) == 0 || string(name[len(t.oid):]) == string(sc.index) {
			return &list[i], true
		}
		if first == nil {
			first = &list[i]
		}
	}
	return first, first != nil
}

// appendTerm appends what a term says; ok is false when its varbind is missing
// or has no such part.
func (sc *scene) appendTerm(out []byte, t *term) (_ []byte, ok bool) {
	if t.word != "" {
		return sc.appendWord(out, t.word)
	}
	v, ok := sc.varbind(t)
	if !ok {
		return out, false
	}
	switch t.part {
	case partNumber:
		return appendNumber(out, v)
	case partIndex:
		return appendArcs(out, v.Name[min(len(t.oid), len(v.Name)):], t.arc)
	case partLast:
		if v.Tag != snmp.TagOID {
			return out, false
		}
		arcs := snmp.OID(v.Value).Arcs()
		if t.arc > len(arcs) {
			return out, false
		}
		return strconv.AppendUint(out, uint64(arcs[len(arcs)-t.arc]), 10), true
	}
	return sc.appendValue(out, v, t.object), true
}

func (sc *scene) appendWord(out []byte, word string) ([]byte, bool) {
	switch word {
	case "trap":
		return append(out, sc.names.Name(sc.trapOID())...), true
	case "trap.oid":
		return append(out, snmp.OID(sc.n.TrapOID).String()...), true
	case "agent":
		if sc.w.Agent != nil {
			out = append(out, sc.w.Agent.ID...)
		}
	case "site":
		out = append(out, sc.w.Site.ID...)
	case "site.name":
		out = append(out, sc.w.Site.Name...)
	case "point":
		out = append(out, sc.o.Key.Point...)
	case "point.name":
		if sc.point != nil {
			out = append(out, sc.point.Name...)
		}
	case "instance":
		out = append(out, out[:min(sc.instance, len(out))]...)
	case "what":
		out = append(out, sc.o.What.String()...)
	case "severity":
		out = append(out, sc.severityWord()...)
	case "value":
		out = sc.appendReading(out)
	case "bit":
		return sc.appendBit(out)
	}
	return out, true
}

// trapOID is the notification's identifier as its MIB spells it.
func (sc *scene) trapOID() snmp.OID {
	if sc.trap != "" {
		return sc.trap
	}
	return snmp.OID(sc.n.TrapOID)
}

// severityWord is the observation's severity or, if it has none, its point's.
func (sc *scene) severityWord() string {
	if sc.o.Severity == 0 && sc.point != nil {
		return sc.point.Severity.String()
	}
	return sc.o.Severity.String()
}

func (sc *scene) appendReading(out []byte) []byte {
	if sc.point == nil {
		return strconv.AppendFloat(out, sc.o.Value, 'f', -1, 64)
	}
	return append(out, sc.point.FormatValue(sc.point.Engineering(sc.o.Value))...)
}

func (sc *scene) appendBit(out []byte) ([]byte, bool) {
	if sc.bit < 0 {
		return out, false
	}
	if sc.bitObject != nil {
		if label := sc.bitObject.Label(int64(sc.bit)); label != "" {
			return append(out, label...), true
		}
	}
	return strconv.AppendInt(out, int64(sc.bit), 10), true
}

// appendArcs appends sub-identifiers in dotted form: all, or only the arc-th.
func appendArcs(out, ber []byte, arc int) ([]byte, bool) {
	var number uint64
	count := 0
	for _, b := range ber {
		number = number<<7 | uint64(b&0x7f)
		if b&0x80 != 0 {
			continue
		}
		count++
		if arc == 0 && count > 1 {
			out = append(out, '.')
		}
		if arc == 0 || arc == count {
			out = strconv.AppendUint(out, number, 10)
		}
		number = 0
	}
	return out, count > 0 && count >= arc
}

func appendNumber(out []byte, v *snmp.Varbind) ([]byte, bool) {
	if n, ok := v.Int(); ok {
		return strconv.AppendInt(out, n, 10), true
	}
	f, ok := v.Float()
	if !ok || math.IsNaN(f) || math.IsInf(f, 0) {
		return out, false
	}
	return strconv.AppendFloat(out, f, 'f', -1, 64), true
}

// appendValue appends a value as a person reads it, without units.
func (sc *scene) appendValue(out []byte, v *snmp.Varbind, o *mib.Object) []byte {
	hint := ""
	if o != nil {
		hint = o.Hint
	}
	switch v.Tag {
	case snmp.TagInteger, snmp.TagGauge32, snmp.TagCounter32:
		n, _ := v.Int()
		if o != nil && o.Bits {
			return append(out, sc.names.Value(*v)...)
		}
		if o != nil {
			if label := o.Label(n); label != "" {
				return append(out, label...)
			}
		}
		if hint == "" || hint == "d" {
			return strconv.AppendInt(out, n, 10)
		}
	case snmp.TagOctetString:
		if o != nil && o.Bits {
			return append(out, sc.names.Value(*v)...)
		}
		if hint == "" || hint == "255a" || hint == "255t" {
			if cleaned, ok := appendClean(out, v.Value); ok {
				return cleaned
			}
		}
	case snmp.TagOID:
		return append(out, sc.names.Name(snmp.OID(v.Value))...)
	case snmp.TagIPAddress:
		if addr, ok := netip.AddrFromSlice(v.Value); ok {
			return addr.AppendTo(out)
		}
	}
	text, _ := appendClean(out, []byte(v.Text(hint)))
	return text
}

// plainASCII reports whether a text can be shown as it is.
func plainASCII(text []byte) bool {
	for _, b := range text {
		if b < ' ' || b > '~' {
			return false
		}
	}
	return true
}

// longestValue bounds what one varbind puts into a text, in octets.
const longestValue = 400

// appendClean appends what a remote sent as text: without the NULs and blanks
// that many put at the end, control characters as spaces, and not endlessly.
// ok is false, and nothing is appended, if it is no text.
func appendClean(out, text []byte) (_ []byte, ok bool) {
	for len(text) > 0 && (text[len(text)-1] == 0 || text[len(text)-1] == ' ') {
		text = text[:len(text)-1]
	}
	start := len(out)
	if len(text) <= longestValue && plainASCII(text) {
		return append(out, text...), true // nearly every text
	}
	for i := 0; i < len(text); {
		r, size := utf8.DecodeRune(text[i:])
		switch {
		case r == utf8.RuneError && size == 1, r < ' ' && r != '\t' && r != '\n' && r != '\r', r == 0x7f:
			return out[:start], false
		case r < ' ':
			out = append(out, ' ')
		case r >= utf8.RuneSelf && !unicode.IsPrint(r):
			return out[:start], false
		default:
			out = append(out, text[i:i+size]...)
		}
		i += size
		if len(out)-start > longestValue {
			return append(out, "..."...), true
		}
	}
	return out, true
}

// number returns a term's value as a number.
func (sc *scene) number(t *term) (float64, bool) {
	if t.word == "" && (t.part == partValue || t.part == partNumber) {
		v, ok := sc.varbind(t)
		if !ok {
			return 0, false
		}
		f, ok := v.Float()
		return f, ok && !math.IsNaN(f) && !math.IsInf(f, 0)
	}
	text, ok := sc.appendTerm(nil, t)
	if !ok {
		return 0, false
	}
	f, err := strconv.ParseFloat(string(text), 64)
	return f, err == nil && !math.IsNaN(f) && !math.IsInf(f, 0)
}
