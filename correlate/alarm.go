package correlate

import (
	"slices"
	"strings"
	"time"
)

// MaxStatusChanges bounds the status changes and operator changes kept on an
// alarm in state (RFC 8632 max-alarm-status-changes, default 32). The journal
// keeps all of them.
const MaxStatusChanges = 32

// Alarm is the stateful record for one key. Once made it is kept: a cleared
// alarm is the same alarm when it rises again (RFC 8632 section 3.5.2).
type Alarm struct {
	Key      Key       `cbor:"1,keyasint"`
	Severity Severity  `cbor:"2,keyasint"` // of the present or last episode
	Text     string    `cbor:"3,keyasint"`
	Standing bool      `cbor:"4,keyasint,omitempty"`
	Created  time.Time `cbor:"5,keyasint"`
	// Raised is when the present or last episode began, Cleared when the last
	// one ended, Changed when anything but a repeat last happened.
	Raised  time.Time `cbor:"6,keyasint"`
	Cleared time.Time `cbor:"7,keyasint,omitzero"`
	Changed time.Time `cbor:"8,keyasint"`

	Episodes int       `cbor:"9,keyasint"`            // how often it rose
	Repeats  int       `cbor:"10,keyasint,omitempty"` // in this episode, the raise itself not counted
	LastSeen time.Time `cbor:"11,keyasint"`           // newest raise or repeat
	RaisedBy Seq       `cbor:"12,keyasint"`           // record whose report began the episode
	LastSeq  Seq       `cbor:"13,keyasint"`           // newest record that changed it

	Acknowledged bool      `cbor:"14,keyasint,omitempty"`
	AckBy        string    `cbor:"15,keyasint,omitempty"`
	AckVia       string    `cbor:"16,keyasint,omitempty"`
	AckAt        time.Time `cbor:"17,keyasint,omitzero"`

	Latched     bool      `cbor:"18,keyasint,omitempty"` // cleared, but kept on the board until acknowledged
	Shelf       *Shelf    `cbor:"19,keyasint,omitempty"`
	Cause       Key       `cbor:"20,keyasint,omitzero"` // the alarm that explains it
	HeldUntil   time.Time `cbor:"21,keyasint,omitzero"`
	HeldWhy     string    `cbor:"22,keyasint,omitempty"`
	Announced   bool      `cbor:"23,keyasint,omitempty"` // people may have been told of this episode
	AnnouncedAt time.Time `cbor:"24,keyasint,omitzero"`

	Flapping  bool      `cbor:"25,keyasint,omitempty"`
	FlapSince time.Time `cbor:"26,keyasint,omitzero"`
	FlapCount int       `cbor:"27,keyasint,omitempty"` // rises since it began to flap
	Merit     float64   `cbor:"28,keyasint,omitempty"` // RFC 2439 figure of merit at MeritAt
	MeritAt   time.Time `cbor:"29,keyasint,omitzero"`
	Condition bool      `cbor:"30,keyasint,omitempty"` // what the point last said; differs from Standing while flapping
	FlapDue   time.Time `cbor:"31,keyasint,omitzero"`

	Wait  *Wait `cbor:"32,keyasint,omitempty"` // a change that has yet to hold
	Order Order `cbor:"33,keyasint,omitzero"`
	Audit bool  `cbor:"34,keyasint,omitempty"` // present state was found by audit

	StatusChanges   []StatusChange   `cbor:"35,keyasint,omitempty"` // newest first
	OperatorChanges []OperatorChange `cbor:"36,keyasint,omitempty"` // newest first
	ReAlarmDue      time.Time        `cbor:"37,keyasint,omitzero"`
	Flood           bool             `cbor:"38,keyasint,omitempty"` // last announced within a flood
	Suppressed      *Suppression     `cbor:"40,keyasint,omitempty"`
	Measure         *Measure         `cbor:"41,keyasint,omitempty"` // of an analog point: what was measured against which limit
	OverCut         int              `cbor:"42,keyasint,omitempty"` // rises above the cut that were counted and not acted on (RFC 7196 section 6)
	Agent           AgentID          `cbor:"45,keyasint,omitempty"` // who last reported the condition or its end
	Own             bool             `cbor:"46,keyasint,omitempty"` // the severity is the one that the configuration gives the point, and follows it
}

// OnBoard reports whether the alarm belongs on the operator's board: it
// stands, or it cleared and is latched.
func (a *Alarm) OnBoard() bool { return a.Standing || a.Latched }

// Shelf says who put an alarm aside, why and until when.
type Shelf struct {
	By     string    `cbor:"1,keyasint"`
	Reason string    `cbor:"2,keyasint"`
	Since  time.Time `cbor:"3,keyasint"`
	Until  time.Time `cbor:"4,keyasint"`
}

// Wait is a raise or clear that has to hold until Due.
type Wait struct {
	What     What      `cbor:"1,keyasint"`
	Since    time.Time `cbor:"2,keyasint"`
	Due      time.Time `cbor:"3,keyasint"`
	Severity Severity  `cbor:"4,keyasint,omitempty"`
	Text     string    `cbor:"5,keyasint,omitempty"`
	Audit    bool      `cbor:"6,keyasint,omitempty"`
	Seq      Seq       `cbor:"7,keyasint,omitempty"` // record whose report began the wait
	Measure  *Measure  `cbor:"8,keyasint,omitempty"`
	Own      bool      `cbor:"9,keyasint,omitempty"` // as in [Raised]
}

// Order is what decides whether a report is newer than the last one of the
// same point: the sender's own time.
type Order struct {
	Known  bool      `cbor:"1,keyasint,omitempty"`
	Boots  uint32    `cbor:"2,keyasint,omitempty"`
	Uptime uint32    `cbor:"3,keyasint,omitempty"` // 1/100 s
	At     time.Time `cbor:"4,keyasint,omitzero"`  // when it was received
	What   What      `cbor:"5,keyasint,omitempty"`
	From   string    `cbor:"6,keyasint,omitempty"`
	ID     int32     `cbor:"7,keyasint,omitempty"` // request-id
}

// StatusChange is one entry of an alarm's life (RFC 8632 status-change).
type StatusChange struct {
	At       time.Time `cbor:"1,keyasint"`
	Severity Severity  `cbor:"2,keyasint"` // Cleared for a clear
	Text     string    `cbor:"3,keyasint"`
	Seq      Seq       `cbor:"4,keyasint"`
}

// OperatorChange is one action on an alarm (RFC 8632 operator-state-change).
type OperatorChange struct {
	At    time.Time `cbor:"1,keyasint"`
	State string    `cbor:"2,keyasint"` // "ack", "note", "shelved", "un-shelved"
	By    string    `cbor:"3,keyasint"`
	Via   string    `cbor:"4,keyasint,omitempty"`
	Text  string    `cbor:"5,keyasint,omitempty"`
	Seq   Seq       `cbor:"6,keyasint"`
}

// Reading is the last value of an analog point.
type Reading struct {
	Key   Key       `cbor:"1,keyasint"`
	Value float64   `cbor:"2,keyasint"` // engineering units
	At    time.Time `cbor:"3,keyasint"`
	Level string    `cbor:"4,keyasint,omitempty"`
	Seq   Seq       `cbor:"5,keyasint"`
	Order Order     `cbor:"6,keyasint,omitzero"`
	Past  []Sample  `cbor:"7,keyasint,omitempty"` // kept for the rate of change, oldest first
	Still Sample    `cbor:"8,keyasint,omitzero"`  // since when and around what it has not moved
}

// Sample is a value at a time.
type Sample struct {
	At    time.Time `cbor:"1,keyasint"`
	Value float64   `cbor:"2,keyasint"`
}

// Measure is a value beside the limit that it passed.
type Measure struct {
	Value float64 `cbor:"1,keyasint"` // engineering units
	Limit float64 `cbor:"2,keyasint"`
	Level string  `cbor:"3,keyasint"` // "low", ..., "rate", "stuck" or "implausible"
	Unit  string  `cbor:"4,keyasint,omitempty"`
}

// AgentState is what is known of an agent's liveness and clock.
type AgentState struct {
	ID       AgentID   `cbor:"1,keyasint"`
	Heard    time.Time `cbor:"2,keyasint"`
	From     string    `cbor:"3,keyasint"`
	Uptime   uint32    `cbor:"4,keyasint,omitempty"`
	Arrivals uint64    `cbor:"5,keyasint"`
	Back     time.Time `cbor:"6,keyasint,omitzero"`  // when it was last heard again after a long silence
	Paths    []Path    `cbor:"7,keyasint,omitempty"` // where it was heard from, in order of address
}

// Path is one address that an agent was heard from.
type Path struct {
	Address string    `cbor:"1,keyasint"`
	Heard   time.Time `cbor:"2,keyasint"`
}

// maxPaths bounds how many addresses of an agent are kept; the least recently
// heard one makes room. An agent has two, rarely three.
const maxPaths = 8

// heardOver returns when the agent was last heard from an address.
func (a *AgentState) heardOver(address string) time.Time {
	for i := range a.Paths {
		if a.Paths[i].Address == address {
			return a.Paths[i].Heard
		}
	}
	return time.Time{}
}

// heard notes that the agent was heard from an address.
func (a *AgentState) heard(address string, at time.Time) {
	if at.Sub(a.Heard) > longSilence {
		a.Back = at
	}
	a.Heard = at
	i, there := slices.BinarySearchFunc(a.Paths, address, func(p Path, to string) int { return strings.Compare(p.Address, to) })
	switch {
	case address == "":
		return
	case there:
		a.Paths[i].Heard = at
		return
	case len(a.Paths) == maxPaths:
		oldest := 0
		for j := range a.Paths {
			if a.Paths[j].Heard.Before(a.Paths[oldest].Heard) {
				oldest = j
			}
		}
		a.Paths = slices.Delete(a.Paths, oldest, oldest+1)
		if oldest < i {
			i--
		}
	}
	a.Paths = slices.Insert(a.Paths, i, Path{address, at})
}

// EngineClock is the newest boots and time of an authoritative SNMP engine
// (RFC 3414 section 2.3), kept so that a restart of the master does not forget
// them.
type EngineClock struct {
	EngineID []byte    `cbor:"1,keyasint"`
	Boots    uint32    `cbor:"2,keyasint"`
	Time     uint32    `cbor:"3,keyasint"`
	At       time.Time `cbor:"4,keyasint"`
}
