package modem

import (
	"errors"
	"fmt"
	"strconv"
	"strings"

	"example.net/standwatch/correlate"
)

// errNoAnswer says that the modem did not answer in time.
var errNoAnswer = errors.New("the modem does not answer")

// modemError is an error result of a command.
type modemError struct {
	kind   string // "+CMS ERROR", "+CME ERROR" or "ERROR"
	number int    // -1 when there is none
}

func (e *modemError) Error() string {
	if e.number < 0 {
		return e.kind
	}
	word := cmsWords[e.number]
	if e.kind == "+CME ERROR" {
		word = cmeWords[e.number]
	}
	if word == "" {
		return fmt.Sprintf("%s: %d", e.kind, e.number)
	}
	return fmt.Sprintf("%s: %d, %s", e.kind, e.number, word)
}

// never lists the errors of +CMS that a second try does not mend.
var never = map[int]bool{1: true, 8: true, 10: true, 21: true, 28: true, 29: true, 30: true, 50: true, 69: true, 304: true, 305: true}

func (e *modemError) outcome() correlate.Outcome {
	if e.kind == "+CMS ERROR" && never[e.number] {
		return correlate.Permanent
	}
	return correlate.Temporary
}

// cmsWords say in our words what a +CMS ERROR means.
var cmsWords = map[int]string{
	1: "the number does not exist", 8: "barred by the operator", 10: "barred", 21: "rejected", 27: "the other phone is out of service",
	28: "the subscriber is not known", 29: "the facility was rejected", 30: "the subscriber is not known", 38: "the network is out of order",
	41: "a fault of the network that will pass", 42: "the network is congested", 47: "the network has no room", 50: "the subscription does not include it",
	69: "the network does not do this", 81: "a wrong reference", 95: "a wrong message", 96: "something is missing", 97: "not known there",
	111: "a protocol error", 127: "the networks do not work together",
	300: "the modem failed", 301: "the modem keeps its message service to itself", 302: "not allowed", 303: "not supported",
	304: "the modem does not understand the unit", 305: "the modem does not understand a parameter", 310: "no SIM card", 311: "the SIM card wants its PIN",
	312: "the SIM card wants the phone's PIN", 313: "the SIM card failed", 314: "the SIM card is busy", 315: "the wrong SIM card", 316: "the SIM card wants its PUK",
	320: "the memory failed", 321: "no such place in the memory", 322: "the memory is full", 330: "the service centre's number is not known",
	331: "no network", 332: "no answer from the network in time", 500: "an unknown error",
}

// cmeWords say what a +CME ERROR (3GPP TS 27.007 section 9.2) means.
var cmeWords = map[int]string{
	3: "not allowed", 4: "not supported", 10: "no SIM card", 11: "the SIM card wants its PIN", 12: "the SIM card wants its PUK", 13: "the SIM card failed",
	14: "the SIM card is busy", 15: "the wrong SIM card", 16: "wrong PIN", 30: "no network", 31: "no answer from the network in time", 32: "emergency calls only", 100: "an unknown error",
}

// errorResult reads a final result that is an error.
func errorResult(line string) *modemError {
	if line == "ERROR" {
		return &modemError{"ERROR", -1}
	}
	for _, kind := range []string{"+CMS ERROR", "+CME ERROR"} {
		if rest, ok := strings.CutPrefix(line, kind+":"); ok {
			n, err := strconv.Atoi(strings.TrimSpace(rest))
			if err != nil || n < 0 {
				n = -1
			}
			return &modemError{kind, n}
		}
	}
	return nil
}

// registrations are the states of +CREG.
var registrations = map[int]string{0: "not registered and not searching", 1: "registered", 2: "searching for a network", 3: "registration was refused", 4: "registration unknown",
	5: "registered, roaming", 6: "registered for short messages", 7: "registered for short messages, roaming"}

func registered(state int) bool { return state == 1 || state >= 5 && state <= 7 }
