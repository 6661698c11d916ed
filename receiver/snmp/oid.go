package snmp

import (
	"fmt"
	"strconv"
	"strings"
)

// OID is an object identifier, kept as the content octets of its BER encoding
// (ITU-T X.690 section 8.19). It is comparable and can be a map key; the empty
// OID is no identifier. Sub-identifiers are 0 to 2^32-1 (RFC 2578 section 3.5).
type OID string

// ParseOID reads the dotted form, with or without a leading dot.
func ParseOID(dotted string) (OID, error) {
	parts := strings.Split(strings.TrimPrefix(dotted, "."), ".")
	if len(parts) < 2 {
		return "", fmt.Errorf("object identifier %q needs at least two numbers", dotted)
	}
	arcs := make([]uint32, len(parts))
	for i, part := range parts {
		n, err := strconv.ParseUint(part, 10, 32)
		if err != nil {
			return "", fmt.Errorf("object identifier %q: %q is not a number from 0 to 4294967295", dotted, part)
		}
		arcs[i] = uint32(n)
	}
	if arcs[0] > 2 || (arcs[0] < 2 && arcs[1] > 39) || len(arcs) > 128 {
		return "", fmt.Errorf("object identifier %q is outside the tree (X.660: 0.0 to 1.39, 2.x; at most 128 numbers)", dotted)
	}
	return MakeOID(arcs...), nil
}

// MustOID is ParseOID for constants of the program; it panics on a bad one.
func MustOID(dotted string) OID {
	oid, err := ParseOID(dotted)
	if err != nil {
		panic(err)
	}
	return oid
}

// MakeOID builds an identifier from at least two valid sub-identifiers.
func MakeOID(arcs ...uint32) OID {
	out := make([]byte, 0, len(arcs)+4)
	out = appendArc(out, uint64(arcs[0])*40+uint64(arcs[1]))
	for _, arc := range arcs[2:] {
		out = appendArc(out, uint64(arc))
	}
	return OID(out)
}

func appendArc(out []byte, arc uint64) []byte {
	for shift := 63; shift > 0; shift -= 7 {
		if arc>>shift != 0 {
			out = append(out, byte(arc>>shift)|0x80)
		}
	}
	return append(out, byte(arc)&0x7f)
}

// Append returns the identifier with further sub-identifiers at its end.
func (o OID) Append(arcs ...uint32) OID {
	out := []byte(o)
	for _, arc := range arcs {
		out = appendArc(out, uint64(arc))
	}
	return OID(out)
}

// Arcs returns the sub-identifiers.
func (o OID) Arcs() []uint32 {
	var arcs []uint32
	var arc uint64
	for i := 0; i < len(o); i++ {
		arc = arc<<7 | uint64(o[i]&0x7f)
		if o[i]&0x80 != 0 {
			continue
		}
		if len(arcs) == 0 {
			first := min(arc/40, 2)
			arcs = append(arcs, uint32(first))
			arc -= first * 40
		}
		arcs = append(arcs, uint32(arc))
		arc = 0
	}
	return arcs
}

// String returns the dotted form without a leading dot.
func (o OID) String() string {
	arcs := o.Arcs()
	out := make([]byte, 0, len(arcs)*4)
	for i, arc := range arcs {
		if i > 0 {
			out = append(out, '.')
		}
		out = strconv.AppendUint(out, uint64(arc), 10)
	}
	return string(out)
}

// Under reports whether o is root or lies below it. Since each sub-identifier
// delimits itself in BER, a prefix of octets is a prefix of the tree.
func (o OID) Under(root OID) bool { return strings.HasPrefix(string(o), string(root)) }

// Rest returns the sub-identifiers of o below root (an index), nil if o is not
// under root.
func (o OID) Rest(root OID) []uint32 {
	if !o.Under(root) || len(o) == len(root) {
		return nil
	}
	// A leading sub-identifier pair stands in for the tree's root, which Arcs
	// would otherwise split off the first index.
	return OID("\x2b" + string(o[len(root):])).Arcs()[2:]
}
