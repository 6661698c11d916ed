package snmp

import "fmt"

// Reason says why a message could not be decoded. Numbers index counters of the
// running program and are written nowhere.
type Reason uint8

// Reasons of refusal by the decoder. The zero value is none.
const (
	noReason        Reason = iota
	NotSNMP                       // does not begin as an SNMP message
	Truncated                     // ends before a declared length does
	BadLength                     // indefinite, malformed, or beyond what encloses it
	BadVersion                    // no version that SNMP has
	BadHeader                     // a field of the message's header has the wrong type or range
	BadSecurity                   // the security parameters are not those of USM
	BadPDU                        // a field of the PDU has the wrong type or range
	NotNotified                   // a PDU that is no notification, or not of this version
	BadVarbind                    // a variable binding is not a name and a value
	BadValue                      // a value is not of its type
	TooManyVarbinds               // more than MaxVarbinds
	NoTrapOID                     // snmpTrapOID.0 is not among the variable bindings
	ReasonCount     int    = iota // how many reasons there are, none included
)

// String returns the reason's word, fit for the label of a metric.
func (r Reason) String() string {
	words := [...]string{
		noReason: "none", NotSNMP: "not-snmp", Truncated: "truncated", BadLength: "bad-length", BadVersion: "bad-version",
		BadHeader: "bad-header", BadSecurity: "bad-security", BadPDU: "bad-pdu", NotNotified: "not-a-notification",
		BadVarbind: "bad-varbind", BadValue: "bad-value", TooManyVarbinds: "too-many-varbinds", NoTrapOID: "no-trap-oid",
	}
	if int(r) >= len(words) {
		return "unknown"
	}
	return words[r]
}

// DecodeError says why and where a message could not be decoded.
type DecodeError struct {
	Reason Reason
	Offset int    // in the datagram; in the scoped PDU if that was encrypted
	What   string // in words, without values from the message
}

// Error returns the reason, the offset and the words.
func (e *DecodeError) Error() string {
	return fmt.Sprintf("%s at octet %d: %s", e.Reason, e.Offset, e.What)
}

func refuse(r Reason, at int, what string) error {
	return &DecodeError{Reason: r, Offset: at, What: what}
}
