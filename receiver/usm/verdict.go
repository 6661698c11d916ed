package usm

// Verdict is what became of a message. All but Accepted refuse it and are
// errors.
type Verdict uint8

// Verdicts in the order of the checks. Those of RFC 3412 section 7.2 and RFC
// 3414 section 3.2 bear the names of their counters; the last three are ours.
const (
	Accepted Verdict = iota
	UnknownSecurityModel
	InvalidMsg
	UnknownEngineID
	UnknownUserName
	UnsupportedSecLevel
	WrongDigest
	NotInTimeWindow
	DecryptionError
	UnknownPDUHandler
	// Replayed is an authenticated message that came before, or that is too old
	// to tell whether it did.
	Replayed
	// BelowMinLevel is a message weaker than the user's minimum level.
	BelowMinLevel
	// NotAuthoritative is an inform under an engine ID that is not the
	// receiver's (RFC 3414 section 1.5.1: the receiver of an inform is
	// authoritative).
	NotAuthoritative
	// Verdicts is how many verdicts there are.
	Verdicts
)

// String returns the verdict's word, which never changes: the name of the
// counter where the standards have one.
func (v Verdict) String() string {
	switch v {
	case Accepted:
		return "accepted"
	case UnknownSecurityModel:
		return "snmpUnknownSecurityModels"
	case InvalidMsg:
		return "snmpInvalidMsgs"
	case UnknownEngineID:
		return "usmStatsUnknownEngineIDs"
	case UnknownUserName:
		return "usmStatsUnknownUserNames"
	case UnsupportedSecLevel:
		return "usmStatsUnsupportedSecLevels"
	case WrongDigest:
		return "usmStatsWrongDigests"
	case NotInTimeWindow:
		return "usmStatsNotInTimeWindows"
	case DecryptionError:
		return "usmStatsDecryptionErrors"
	case UnknownPDUHandler:
		return "snmpUnknownPDUHandlers"
	case Replayed:
		return "replayed"
	case BelowMinLevel:
		return "belowMinLevel"
	case NotAuthoritative:
		return "notAuthoritative"
	}
	return "unknown"
}

// Error says the verdict in a sentence.
func (v Verdict) Error() string {
	switch v {
	case UnknownSecurityModel:
		return "the security model is not USM"
	case InvalidMsg:
		return "the flags ask for privacy without authentication"
	case UnknownEngineID:
		return "the engine ID is unknown"
	case UnknownUserName:
		return "no such user on this engine"
	case UnsupportedSecLevel:
		return "the user has no keys for this security level"
	case WrongDigest:
		return "the digest is wrong: another passphrase, another protocol, or a forgery"
	case NotInTimeWindow:
		return "outside the time window: the sender's boots or time went back, or the message is old"
	case DecryptionError:
		return "the contents do not decrypt: another privacy passphrase or protocol"
	case UnknownPDUHandler:
		return "a request of a kind that is not served here"
	case Replayed:
		return "the message came before"
	case BelowMinLevel:
		return "the security level is below the user's minimum"
	case NotAuthoritative:
		return "an inform must carry the receiver's engine ID"
	}
	return v.String()
}
