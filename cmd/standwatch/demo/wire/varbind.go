package wire

import (
	"encoding/hex"
	"fmt"
	"math"
	"net/netip"
	"sort"
	"strconv"
	"strings"

	"github.com/gosnmp/gosnmp"

	"example.net/standwatch/receiver/snmp"
)

// valueTypes are the words for the types of values (RFC 2578 section 7.1).
var valueTypes = map[string]func(text string) (gosnmp.Asn1BER, any, error){
	"int":       signed(gosnmp.Integer),
	"counter":   unsigned32(gosnmp.Counter32),
	"gauge":     unsigned32(gosnmp.Gauge32),
	"ticks":     unsigned32(gosnmp.TimeTicks),
	"counter64": counter64,
	"text":      func(s string) (gosnmp.Asn1BER, any, error) { return gosnmp.OctetString, []byte(s), nil },
	"hex":       hexOctets(gosnmp.OctetString),
	"opaque":    hexOctets(gosnmp.Opaque),
	"oid":       identifier,
	"ip":        address,
}

// ValueTypes lists the words that [ParseVarbind] takes.
func ValueTypes() []string {
	var words []string
	for word := range valueTypes {
		words = append(words, word)
	}
	sort.Strings(words)
	return words
}

// ParseVarbind reads OID=type:value.
func ParseVarbind(text string) (gosnmp.SnmpPDU, error) {
	name, rest, ok := strings.Cut(text, "=")
	word, value, typed := strings.Cut(rest, ":")
	if !ok || !typed {
		return gosnmp.SnmpPDU{}, fmt.Errorf("varbind %q is not OID=type:value", text)
	}
	oid, err := snmp.ParseOID(name)
	if err != nil {
		return gosnmp.SnmpPDU{}, fmt.Errorf("varbind %q: %w", text, err)
	}
	parse := valueTypes[word]
	if parse == nil {
		return gosnmp.SnmpPDU{}, fmt.Errorf("varbind %q: %q is no type; the types are %s", text, word, strings.Join(ValueTypes(), ", "))
	}
	tag, v, err := parse(value)
	if err != nil {
		return gosnmp.SnmpPDU{}, fmt.Errorf("varbind %q: %w", text, err)
	}
	return gosnmp.SnmpPDU{Name: "." + oid.String(), Type: tag, Value: v}, nil
}

func signed(tag gosnmp.Asn1BER) func(string) (gosnmp.Asn1BER, any, error) {
	return func(s string) (gosnmp.Asn1BER, any, error) {
		n, err := strconv.ParseInt(s, 10, 32)
		if err != nil {
			return 0, nil, fmt.Errorf("%q is not a number from %d to %d", s, math.MinInt32, math.MaxInt32)
		}
		return tag, int(n), nil
	}
}

func unsigned32(tag gosnmp.Asn1BER) func(string) (gosnmp.Asn1BER, any, error) {
	return func(s string) (gosnmp.Asn1BER, any, error) {
		n, err := strconv.ParseUint(s, 10, 32)
		if err != nil {
			return 0, nil, fmt.Errorf("%q is not a number from 0 to %d", s, uint32(math.MaxUint32))
		}
		return tag, uint32(n), nil
	}
}

func counter64(s string) (gosnmp.Asn1BER, any, error) {
	n, err := strconv.ParseUint(s, 10, 64)
	if err != nil {
		return 0, nil, fmt.Errorf("%q is not a number from 0 to %d", s, uint64(math.MaxUint64))
	}
	return gosnmp.Counter64, n, nil
}

func hexOctets(tag gosnmp.Asn1BER) func(string) (gosnmp.Asn1BER, any, error) {
	return func(s string) (gosnmp.Asn1BER, any, error) {
		b, err := hex.DecodeString(strings.NewReplacer(" ", "", ":", "").Replace(s))
		if err != nil {
			return 0, nil, fmt.Errorf("%q is not hexadecimal", s)
		}
		return tag, b, nil
	}
}

func identifier(s string) (gosnmp.Asn1BER, any, error) {
	oid, err := snmp.ParseOID(s)
	if err != nil {
		return 0, nil, err
	}
	return gosnmp.ObjectIdentifier, "." + oid.String(), nil
}

func address(s string) (gosnmp.Asn1BER, any, error) {
	a, err := netip.ParseAddr(s)
	if err != nil || !a.Is4() {
		return 0, nil, fmt.Errorf("%q is not an IPv4 address, the only kind that IpAddress holds", s)
	}
	return gosnmp.IPAddress, a.String(), nil
}
