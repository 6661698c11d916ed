package snmp

import (
	"encoding/binary"
	"math"
	"net/netip"
	"strconv"
	"strings"
)

// tagUInteger32 is a type of RFC 1442 that old agents still send.
const tagUInteger32 byte = 0x47

// Exceptions stand for a value that is missing (RFC 3416 section 3).
const (
	tagNoSuchObject byte = 0x80
	tagEndOfMIBView byte = 0x82
)

// TypeName returns the SMI's name of the value's type.
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
	case tagUInteger32:
		return "UInteger32"
	}
	return "tag 0x" + strconv.FormatUint(uint64(v.Tag), 16)
}

// Int returns the value of an integer type; ok is false for other types and for
// a Counter64 above 2^63-1.
func (v Varbind) Int() (n int64, ok bool) {
	if v.Tag == TagInteger {
		i, ok := signed32(v.Value)
		return int64(i), ok
	}
	u, ok := v.Uint()
	return int64(u), ok && u <= math.MaxInt64
}

// Uint returns the value of an integer type; ok is false for other types and
// for a negative INTEGER.
func (v Varbind) Uint() (n uint64, ok bool) {
	switch v.Tag {
	case TagInteger:
		i, ok := signed32(v.Value)
		return uint64(i), ok && i >= 0
	case TagCounter32, TagGauge32, TagTimeTicks, tagUInteger32:
		return unsigned(v.Value, 32)
	case TagCounter64:
		return unsigned(v.Value, 64)
	}
	return 0, false
}

// Float returns the value as a number: of an integer type, of an Opaque that
// holds a float or double, or of digits in an octet string, spaces around them
// allowed.
func (v Varbind) Float() (f float64, ok bool) {
	switch v.Tag {
	case TagInteger:
		n, ok := v.Int()
		return float64(n), ok
	case TagOpaque:
		return opaqueFloat(v.Value)
	case TagOctetString:
		f, err := strconv.ParseFloat(strings.TrimSpace(string(v.Value)), 64)
		return f, err == nil && !math.IsNaN(f) && !math.IsInf(f, 0)
	}
	n, ok := v.Uint()
	return float64(n), ok
}

// opaqueFloat reads a float (tag 9f78) or double (9f79) wrapped in an Opaque.
// No RFC has them; several agent libraries send them (common practice).
func opaqueFloat(b []byte) (float64, bool) {
	switch {
	case len(b) == 7 && string(b[:3]) == "\x9f\x78\x04":
		return float64(math.Float32frombits(binary.BigEndian.Uint32(b[3:]))), true
	case len(b) == 11 && string(b[:3]) == "\x9f\x79\x08":
		return math.Float64frombits(binary.BigEndian.Uint64(b[3:])), true
	}
	return 0, false
}

// OID returns the value of an OBJECT IDENTIFIER. It is a copy.
func (v Varbind) OID() (o OID, ok bool) {
	if v.Tag != TagOID {
		return "", false
	}
	return OID(v.Value), true
}

// IP returns the value of an IpAddress. Some agents put sixteen octets there.
func (v Varbind) IP() (addr netip.Addr, ok bool) {
	if v.Tag != TagIPAddress {
		return netip.Addr{}, false
	}
	return netip.AddrFromSlice(v.Value)
}

// Bytes returns the octets of an OCTET STRING or Opaque; they alias the
// datagram.
func (v Varbind) Bytes() (b []byte, ok bool) {
	return v.Value, v.Tag == TagOctetString || v.Tag == TagOpaque
}
