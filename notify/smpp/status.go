package smpp

import (
	"fmt"

	"example.net/standwatch/correlate"
)

// status is a command_status (section 5.1.3).
type status uint32

const (
	ok          status = 0x00
	badLength   status = 0x02
	badCommand  status = 0x03
	alreadyUp   status = 0x05
	bindFailed  status = 0x0d
	badPassword status = 0x0e
	badSystemID status = 0x0f
	queueFull   status = 0x14
	throttled   status = 0x58
	notNow      status = 0x64 // temporary application error of the receiver
	badField    status = 0xc2 // invalid parameter length
)

// statusWords are the names of the statuses with what they mean to an
// operator. The names are the specification's, the meanings our words.
var statusWords = map[status][2]string{
	0x01: {"ESME_RINVMSGLEN", "the text has a wrong length"}, badLength: {"ESME_RINVCMDLEN", "the request has a wrong length"},
	badCommand: {"ESME_RINVCMDID", "the request is not known there"}, 0x04: {"ESME_RINVBNDSTS", "not allowed as we are bound"},
	alreadyUp: {"ESME_RALYBND", "bound already, perhaps from elsewhere"}, 0x06: {"ESME_RINVPRTFLG", "bad priority"},
	0x07: {"ESME_RINVREGDLVFLG", "receipts are not to be had like this"}, 0x08: {"ESME_RSYSERR", "trouble inside the centre"},
	0x0a: {"ESME_RINVSRCADR", "the sender's address is not allowed"}, 0x0b: {"ESME_RINVDSTADR", "bad number"},
	0x0c: {"ESME_RINVMSGID", "bad message ID"}, bindFailed: {"ESME_RBINDFAIL", "bind refused"},
	badPassword: {"ESME_RINVPASWD", "wrong password"}, badSystemID: {"ESME_RINVSYSID", "unknown system ID"},
	0x11: {"ESME_RCANCELFAIL", "not cancelled"}, 0x13: {"ESME_RREPLACEFAIL", "not replaced"},
	queueFull: {"ESME_RMSGQFUL", "the queue there is full"}, 0x15: {"ESME_RINVSERTYP", "unknown service type"},
	0x33: {"ESME_RINVNUMDESTS", "bad number of recipients"}, 0x34: {"ESME_RINVDLNAME", "unknown list"},
	0x40: {"ESME_RINVDESTFLAG", "bad kind of recipient"}, 0x42: {"ESME_RINVSUBREP", "replacing is not possible"},
	0x43: {"ESME_RINVESMCLASS", "bad message class"}, 0x44: {"ESME_RCNTSUBDL", "no sending to lists"},
	0x45: {"ESME_RSUBMITFAIL", "not taken"}, 0x48: {"ESME_RINVSRCTON", "bad type of the sender's number"},
	0x49: {"ESME_RINVSRCNPI", "bad plan of the sender's number"}, 0x50: {"ESME_RINVDSTTON", "bad type of number"},
	0x51: {"ESME_RINVDSTNPI", "bad plan of number"}, 0x53: {"ESME_RINVSYSTYP", "unknown system type"},
	0x54: {"ESME_RINVREPFLAG", "bad replace flag"}, 0x55: {"ESME_RINVNUMMSGS", "bad number of messages"},
	throttled: {"ESME_RTHROTTLED", "too many messages at once"}, 0x61: {"ESME_RINVSCHED", "bad time of sending"},
	0x62: {"ESME_RINVEXPIRY", "bad validity period"}, 0x63: {"ESME_RINVDFTMSGID", "unknown ready-made text"},
	notNow: {"ESME_RX_T_APPN", "not now"}, 0x65: {"ESME_RX_P_APPN", "never"}, 0x66: {"ESME_RX_R_APPN", "rejected"},
	0x67: {"ESME_RQUERYFAIL", "query failed"}, 0xc0: {"ESME_RINVOPTPARSTREAM", "bad optional part"},
	0xc1: {"ESME_ROPTPARNOTALLWD", "an optional parameter is not allowed"}, badField: {"ESME_RINVPARLEN", "a field has a wrong length"},
	0xc3: {"ESME_RMISSINGOPTPARAM", "an optional parameter is missing"}, 0xc4: {"ESME_RINVOPTPARAMVAL", "bad value of an optional parameter"},
	0xfe: {"ESME_RDELIVERYFAILURE", "not delivered"}, 0xff: {"ESME_RUNKNOWNERR", "unknown error"},
}

// String returns the specification's name, the number and what it means.
func (s status) String() string {
	if w, known := statusWords[s]; known {
		return fmt.Sprintf("%s (0x%02x): %s", w[0], uint32(s), w[1])
	}
	return fmt.Sprintf("status 0x%02x, which the standard does not have", uint32(s))
}

// outcome says whether a message with this answer may be taken another time.
// Unknown statuses, vendors' own ones, count as temporary: trying again costs
// little, and the next channel is not far (judgement).
func (s status) outcome() correlate.Outcome {
	switch s {
	case ok:
		return correlate.Accepted
	case 0x01, badCommand, 0x06, 0x07, 0x0a, 0x0b, 0x15, 0x33, 0x34, 0x40, 0x42, 0x43, 0x48, 0x49, 0x50, 0x51, 0x53, 0x54, 0x61, 0x62, 0x63, 0x65, 0x66,
		0xc0, 0xc1, badField, 0xc3, 0xc4, 0xfe:
		return correlate.Permanent
	}
	return correlate.Temporary
}

// slow reports whether the centre asks to slow down.
func (s status) slow() bool { return s == throttled || s == queueFull }

// refused reports whether a bind with this answer will not succeed before
// somebody changes something.
func (s status) refused() bool { return s == badPassword || s == badSystemID || s == 0x53 }
