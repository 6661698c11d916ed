package receiver

import (
	"strings"

	"example.net/standwatch/receiver/snmp"
	"example.net/standwatch/receiver/usm"
)

// Fate is what became of a datagram. Every datagram has exactly one. Fates
// index counters; their numbers are not kept anywhere.
type Fate uint8

// Fates. From NotAllowed on they are refusals.
const (
	noFate Fate = iota // handed over, not decided yet

	Matched   // durable, and a rule made something of it (or ignored it on purpose)
	Unmatched // durable, but nothing was made of it
	Repeated  // an inform sent again: answered again, no second event
	Discovery // a question for the master's engine ID or clock (RFC 3414 section 4)
	Coalesced // over its agent's rate, and replaced by a newer one about the same points

	NotAllowed         // source not on the listener's allow list
	QueueFull          // decoding is behind
	NotSNMP            // does not begin as an SNMP message
	Truncated          // ends before a declared length
	BadLength          // a length that cannot be
	BadVersion         // no version that SNMP has
	BadHeader          // a field of the header is wrong
	BadSecurity        // the security parameters are not those of USM
	BadPDU             // a field of the PDU is wrong
	BadVarbind         // a variable binding is no name and value
	BadValue           // a value is not of its type
	TooManyVarbinds    // more than is taken
	NoTrapOID          // sysUpTime.0 and snmpTrapOID.0 do not come first
	NotNotified        // a PDU that is no notification
	WrongCommunity     // v1 or v2c
	WeakLevel          // less security than the agent or user asks for
	WrongUser          // a v3 user that may not speak for the agent
	UnknownCertificate // a TLS connection whose certificate is no agent's any more
	UnknownModel       // snmpUnknownSecurityModels
	InvalidMessage     // snmpInvalidMsgs
	UnknownEngine      // usmStatsUnknownEngineIDs
	UnknownPDU         // snmpUnknownPDUHandlers
	NotAuthority       // an inform under an engine that is not the master's
	UnknownUser        // usmStatsUnknownUserNames
	UnsupportedSec     // usmStatsUnsupportedSecLevels
	WrongDigest        // usmStatsWrongDigests
	NotInTimeWindow    // usmStatsNotInTimeWindows
	NotDecrypted       // usmStatsDecryptionErrors
	Replayed           // an authenticated message that was seen before
	OverRate           // over its agent's rate, and not to be held back
	LedgerFull         // the journal is behind
	NotDurable         // the commit failed
	Faulty             // the program failed at it

	NumFates int = iota // how many there are, the zero one included
)

var fateWords = [NumFates]string{
	noFate: "in flight", Matched: "matched", Unmatched: "unmatched", Repeated: "repeated", Discovery: "discovery", Coalesced: "coalesced",
	NotAllowed: "not allowed", QueueFull: "queue full", NotSNMP: "not snmp", Truncated: "truncated", BadLength: "bad length",
	BadVersion: "bad version", BadHeader: "bad header", BadSecurity: "bad security parameters", BadPDU: "bad pdu",
	BadVarbind: "bad varbind", BadValue: "bad value", TooManyVarbinds: "too many varbinds", NoTrapOID: "no trap oid",
	NotNotified: "not a notification", WrongCommunity: "wrong community", WeakLevel: "weak level", WrongUser: "wrong user", UnknownCertificate: "unknown certificate",
	UnknownModel: "unknown security model", InvalidMessage: "invalid message", UnknownEngine: "unknown engine", UnknownPDU: "unknown pdu", NotAuthority: "not authoritative",
	UnknownUser: "unknown user", UnsupportedSec: "unsupported level", WrongDigest: "wrong digest", NotInTimeWindow: "not in time window",
	NotDecrypted: "decryption error", Replayed: "replayed", OverRate: "over rate", LedgerFull: "journal full", NotDurable: "not durable",
	Faulty: "internal fault",
}

// String returns the fate in words, fit for a page.
func (f Fate) String() string {
	if int(f) >= NumFates {
		return "unset"
	}
	return fateWords[f]
}

// Word returns the fate as one word, fit for a metric label.
func (f Fate) Word() string { return strings.ReplaceAll(f.String(), " ", "_") }

// Refusal reports whether the datagram was refused.
func (f Fate) Refusal() bool { return f >= NotAllowed && int(f) < NumFates }

// Fates lists all fates in order, the refusals last.
func Fates() []Fate {
	out := make([]Fate, 0, NumFates-1)
	for f := Matched; int(f) < NumFates; f++ {
		out = append(out, f)
	}
	return out
}

// decodeFate gives each of the decoder's reasons its fate.
func decodeFate(r snmp.Reason) Fate {
	switch r {
	case snmp.NotSNMP:
		return NotSNMP
	case snmp.Truncated:
		return Truncated
	case snmp.BadLength:
		return BadLength
	case snmp.BadVersion:
		return BadVersion
	case snmp.BadHeader:
		return BadHeader
	case snmp.BadSecurity:
		return BadSecurity
	case snmp.BadPDU:
		return BadPDU
	case snmp.NotNotified:
		return NotNotified
	case snmp.BadVarbind:
		return BadVarbind
	case snmp.BadValue:
		return BadValue
	case snmp.TooManyVarbinds:
		return TooManyVarbinds
	case snmp.NoTrapOID:
		return NoTrapOID
	}
	return Faulty
}

// verdictFate gives each refusing verdict of usm its fate.
func verdictFate(v usm.Verdict) Fate {
	switch v {
	case usm.UnknownSecurityModel:
		return UnknownModel
	case usm.InvalidMsg:
		return InvalidMessage
	case usm.UnknownPDUHandler:
		return UnknownPDU
	case usm.NotAuthoritative:
		return NotAuthority
	case usm.BelowMinLevel:
		return WeakLevel
	case usm.UnsupportedSecLevel:
		return UnsupportedSec
	case usm.NotInTimeWindow:
		return NotInTimeWindow
	case usm.UnknownUserName:
		return UnknownUser
	case usm.UnknownEngineID:
		return UnknownEngine
	case usm.WrongDigest:
		return WrongDigest
	case usm.DecryptionError:
		return NotDecrypted
	case usm.Replayed:
		return Replayed
	}
	return Faulty
}
