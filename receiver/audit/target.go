package audit

import (
	"errors"
	"fmt"
	"net/netip"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/receiver/snmp"
	"example.net/standwatch/receiver/usm"
)

// What a [Target] has that names nothing else.
const (
	DefaultTimeout     = 2 * time.Second
	DefaultRetries     = 2
	DefaultRepetitions = 20
	DefaultEvery       = time.Hour
)

// Target is an agent with how it is asked and what. It is immutable once
// handed over.
type Target struct {
	Agent     correlate.AgentID
	Addresses []netip.AddrPort // tried in turn
	Version   snmp.Version
	Community string    // v1 and v2c; a secret, never shown
	User      *usm.User // v3
	EngineIDs [][]byte  // v3: who may answer; empty: whoever has the user's keys
	Context   string    // v3 contextName
	Questions []*Question
	// Only bounds the instances that are taken of a point; a point that is not
	// in it has no bound.
	Only        map[correlate.PointID][]string
	Every       time.Duration // between audits on schedule; 0: never on schedule
	Timeout     time.Duration // of one request
	Retries     int           // of one request, beside the first try
	Repetitions int           // rows asked for at once (GETBULK max-repetitions)
}

// Check returns what cannot work about the target, or nil.
func (t *Target) Check() error {
	var faults []error
	fault := func(is bool, format string, args ...any) {
		if is {
			faults = append(faults, fmt.Errorf("ask agent "+string(t.Agent)+": "+format, args...))
		}
	}
	fault(len(t.Addresses) == 0, "it has no address")
	fault(len(t.Questions) == 0, "there is nothing to ask it")
	fault(t.Timeout <= 0 || t.Retries < 0 || t.Repetitions <= 0 || t.Every < 0, "timeout, retries, repetitions and schedule must not be negative")
	switch t.Version {
	case snmp.V1, snmp.V2c:
		fault(t.Community == "", "%s needs a community", t.Version)
	case snmp.V3:
		fault(t.User == nil, "v3 needs a user")
	default:
		fault(true, "there is no version %d", t.Version)
	}
	return errors.Join(faults...)
}

// secured says how answers are secured, for the journal.
func (t *Target) secured() string {
	if t.Version != snmp.V3 {
		return t.Version.String()
	}
	return "v3 " + t.User.Name + " " + t.User.Level().String()
}
