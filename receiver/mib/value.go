package mib

import (
	"strconv"
	"strings"

	"example.net/standwatch/receiver/snmp"
)

// Value returns a varbind's value as a person reads it: with the enumeration's
// word, the display hint and the units of its object, and names for
// identifiers.
func (n *Names) Value(v snmp.Varbind) string {
	o, _, ok := n.Find(snmp.OID(v.Name))
	if !ok {
		o = &Object{}
	}
	if v.Tag == snmp.TagOID {
		return n.Name(snmp.OID(v.Value))
	}
	if o.Bits {
		return o.bitText(v)
	}
	text := v.Text(o.Hint)
	if i, ok := v.Int(); ok && v.Tag == snmp.TagInteger {
		if word := o.Label(i); word != "" {
			return word + " (" + strconv.FormatInt(i, 10) + ")"
		}
	}
	if o.Units != "" {
		text += " " + o.Units
	}
	return text
}

// bitText lists the names of the bits that are set.
func (o *Object) bitText(v snmp.Varbind) string {
	var set []string
	EachBit(v, func(bit int, on bool) bool {
		if on {
			word := o.Label(int64(bit))
			if word == "" {
				word = "bit " + strconv.Itoa(bit)
			}
			set = append(set, word)
		}
		return true
	})
	if len(set) == 0 {
		return "none"
	}
	return strings.Join(set, " ")
}

// EachBit calls fn for every bit of a value until fn returns false: of an OCTET
// STRING as BITS are numbered (RFC 2578 section 7.1.4, bit 0 is the most
// significant of the first octet), of an INTEGER with bit 0 worth 1 (as the
// line status of RFC 4805 and RFC 3896, up to bit 31). ok is false for other
// types.
func EachBit(v snmp.Varbind, fn func(bit int, on bool) bool) (ok bool) {
	if v.Tag == snmp.TagOctetString {
		for i := range len(v.Value) * 8 {
			if !fn(i, v.Value[i/8]>>(7-i%8)&1 == 1) {
				break
			}
		}
		return true
	}
	number, ok := v.Int()
	if !ok {
		return false
	}
	for i := range 32 {
		if !fn(i, number>>i&1 == 1) {
			break
		}
	}
	return true
}
