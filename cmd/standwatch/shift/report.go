package shift

import (
	"time"

	"example.net/standwatch/correlate"
)

// Report is the story of a span. Times are in the centre's zone. Lists are in
// the order of time unless said otherwise.
type Report struct {
	Name     string    `json:"name,omitempty"`
	Date     string    `json:"date"`
	From     time.Time `json:"from"`
	To       time.Time `json:"to"`
	Made     time.Time `json:"made"`
	Complete bool      `json:"complete"`           // the span is over
	Partly   string    `json:"partly,omitempty"`   // why something may be missing
	Records  int       `json:"records"`            // journal records within the span
	First    uint64    `json:"first-record"`       // sequence number of the first, 0 for none
	Last     uint64    `json:"last-record"`        // and of the last: the report can be held against the journal
	Began    int       `json:"standing-at-start"`  // alarms that stood when it began
	Rose     int       `json:"rose"`               // episodes that began
	Cleared  int       `json:"cleared"`            // episodes that ended
	Ended    int       `json:"standing-at-end"`    // alarms that stand at its end, or now
	Untaken  int       `json:"untaken-at-end"`     // of those, nobody has taken
	Episodes []Episode `json:"episode"`            // every episode that touched the span
	Times    []Times   `json:"times"`              // worst severity first, then all together
	CallOuts []CallOut `json:"call-out,omitempty"` // opened within the span
	Actions  []Action  `json:"action,omitempty"`   // what people did
	Aside    []Aside   `json:"aside,omitempty"`    // shelved, suppressed or out of service within the span
	Flaps    []Flap    `json:"flapping,omitempty"` // points that flapped
	Regular  []Episode `json:"reportable,omitempty"`
	Left     []Note    `json:"left-by-shift-before,omitempty"`
	ReadBy   string    `json:"read-by,omitempty"`
	ReadAt   time.Time `json:"read-at,omitzero"`
	Leaves   []Note    `json:"leaves,omitempty"`
	Quality  Quality   `json:"quality"`
}

// Episode is one raise-to-clear interval of an alarm. Zero times did not
// happen within what the report looked at.
type Episode struct {
	Alarm     correlate.AlarmID  `json:"alarm"`
	Key       correlate.Key      `json:"-"`
	Site      string             `json:"site"`
	Point     string             `json:"point"`
	Severity  correlate.Severity `json:"perceived-severity"` // the worst it had
	Text      string             `json:"alarm-text"`
	Raised    time.Time          `json:"raised"`
	Told      time.Time          `json:"told,omitzero"` // when people could first be told
	Taken     time.Time          `json:"taken,omitzero"`
	TakenBy   string             `json:"taken-by,omitempty"`
	Cleared   time.Time          `json:"cleared,omitzero"`
	Before    bool               `json:"stood-at-start,omitempty"`
	Standing  bool               `json:"standing,omitempty"` // at the end
	Explained bool               `json:"explained,omitempty"`
	Reported  bool               `json:"reportable,omitempty"` // a regulated point
}

// Times are how long things took, for one severity or for all (Severity 0).
type Times struct {
	Severity correlate.Severity `json:"perceived-severity,omitempty"`
	Rose     int                `json:"rose"`
	Take     Spread             `json:"time-to-take"`
	Clear    Spread             `json:"time-to-clear"`
}

// Spread is a distribution of times in seconds. Percentiles are by nearest
// rank.
type Spread struct {
	Count  int               `json:"count"`
	Median float64           `json:"median"`
	Ninety float64           `json:"p90"`
	Worst  float64           `json:"worst"`
	Of     correlate.AlarmID `json:"worst-alarm,omitempty"`
}

// CallOut is one effort to get a person.
type CallOut struct {
	Alarm    correlate.AlarmID `json:"alarm"`
	Text     string            `json:"alarm-text"`
	Opened   time.Time         `json:"opened"`
	Ladder   string            `json:"ladder"`
	Rung     int               `json:"rung"` // the highest reached, from 1
	Rounds   int               `json:"rounds"`
	Messages int               `json:"messages"`
	Told     []string          `json:"told,omitempty"`
	State    string            `json:"state"`
	TakenBy  string            `json:"taken-by,omitempty"`
	Ended    time.Time         `json:"ended,omitzero"`
}

// Action is something that a person did.
type Action struct {
	At    time.Time         `json:"time"`
	Who   string            `json:"operator"`
	Via   string            `json:"via,omitempty"`
	What  string            `json:"what"`
	Alarm correlate.AlarmID `json:"alarm,omitempty"`
	Text  string            `json:"text,omitempty"`
	Until time.Time         `json:"until,omitzero"`
}

// Aside is an alarm, or a place, that nobody was told of for a while on
// purpose.
type Aside struct {
	What   string    `json:"what"` // "shelved", "maintenance", "out of service"
	Of     string    `json:"of"`
	By     string    `json:"by,omitempty"`
	Reason string    `json:"reason"`
	From   time.Time `json:"from"`
	Until  time.Time `json:"until,omitzero"` // as set
	Ended  time.Time `json:"ended,omitzero"` // zero: it still holds
}

// Flap is one stretch of flapping.
type Flap struct {
	Alarm correlate.AlarmID `json:"alarm"`
	From  time.Time         `json:"from"`
	To    time.Time         `json:"to,omitzero"`
	Rises int               `json:"rises"`
}

// Note is a word between shifts.
type Note struct {
	At   time.Time `json:"time"`
	Who  string    `json:"operator"`
	Text string    `json:"text"`
}

// Least is the span from which on the figures of the alarm system mean
// something: 30 days, by ANSI/ISA-18.2 table 7 as quoted.
const Least = 30 * 24 * time.Hour

// Quality is how the alarm system itself did. What counts as an alarm is what
// people could be told of: the first telling of an episode.
type Quality struct {
	Short      bool      `json:"shorter-than-30-days"`
	Told       int       `json:"told"`
	PerHour    float64   `json:"per-hour"`
	PerTen     float64   `json:"per-ten-minutes"`
	MostInTen  int       `json:"most-in-ten-minutes"`
	BusyTens   float64   `json:"share-of-ten-minutes-over-10"`
	BusyHours  float64   `json:"share-of-hours-over-30"`
	InFlood    float64   `json:"share-of-time-in-flood"`
	Floods     int       `json:"floods"`
	TopShare   float64   `json:"share-of-top-ten"`
	Top        []Often   `json:"top-ten"`
	Chattering []Often   `json:"chattering"` // three rises within a minute, at least once
	Fleeting   []Often   `json:"fleeting"`   // over within a minute, without chattering
	Stale      []Episode `json:"stale"`      // stood for more than 24 hours
	Severities []Share   `json:"severity"`   // of what was told
	Hours      []int     `json:"told-by-hour"`
	HoursBegin time.Time `json:"hours-begin"`
}

// Often is a point and how often it did something.
type Often struct {
	Alarm correlate.AlarmID `json:"alarm"`
	Count int               `json:"count"`
	Share float64           `json:"share"` // of all told
}

// Share is the part of one severity, beside what is aimed at.
type Share struct {
	Severity correlate.Severity `json:"perceived-severity"`
	Count    int                `json:"count"`
	Share    float64            `json:"share"`
	Target   string             `json:"target"`
}
