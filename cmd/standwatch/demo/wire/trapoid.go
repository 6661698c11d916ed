package wire

import (
	"strconv"
	"strings"
)

// genericEnterprise is what a sender says it is (RFC 5612's number
// for examples), used as the enterprise of its generic v1 traps.
const genericEnterprise = ".1.3.6.1.4.1.32473"

// snmpTraps is where the generic traps lie (RFC 3418).
const snmpTraps = ".1.3.6.1.6.3.1.1.5"

// splitTrapOID makes the fields of a v1 trap of an snmpTrapOID by RFC 3584
// section 3.2: a generic trap keeps its number, of any other OID the last arc
// is the specific trap and a zero before it is dropped.
func splitTrapOID(oid string) (enterprise string, generic, specific int) {
	if rest, ok := strings.CutPrefix(oid, snmpTraps+"."); ok {
		if n, err := strconv.Atoi(rest); err == nil && n >= 1 && n <= 6 {
			return genericEnterprise, n - 1, 0
		}
	}
	cut := strings.LastIndexByte(oid, '.')
	if cut < 0 {
		return oid, 6, 0
	}
	n, err := strconv.Atoi(oid[cut+1:])
	if err != nil {
		return oid, 6, 0
	}
	return strings.TrimSuffix(oid[:cut], ".0"), 6, n
}
