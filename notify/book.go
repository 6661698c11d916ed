package notify

import (
	"fmt"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/notify/ical"
)

// Pos is where something stands in the configuration. Line and Column count
// from 1; zero is unknown.
type Pos struct {
	File         string
	Line, Column int
}

// String returns "file:line:column".
func (p Pos) String() string { return fmt.Sprintf("%s:%d:%d", p.File, p.Line, p.Column) }

// Problem is one mistake in a [Book].
type Problem struct {
	Pos
	What string // the mistake
	Mend string // how to put it right; may be empty
}

// Error returns the position and the mistake.
func (p Problem) Error() string { return p.Pos.String() + ": " + p.What }

// Book is what people wrote down about who is told of what. It is plain data:
// [NewPlan] checks it.
type Book struct {
	People   []Person
	Rosters  []Roster
	Ladders  []Ladder
	Routes   []Route
	Gateways []Gateway

	Calendars []Calendar
	Flood     FloodPace
}

// FloodPace says how long after one digest of a flood each person gets the
// next: the steps one after the other, the last one for all that follow. They
// begin anew with each flood. Critical is the same for when something critical
// waits to be told. What is empty is that of [DefaultFlood].
type FloodPace struct {
	Pos
	Digests  []time.Duration
	Critical []time.Duration
}

// Calendar is a named set of days, such as the holidays of a region.
type Calendar struct {
	Pos
	Name string
	Days *ical.Days
}

// Gateway is a named way out. How it is reached is the business of the package
// that speaks to it.
type Gateway struct {
	Pos
	Name  string
	Kind  Kind
	Hears bool // answers come in over it
}

// Person is somebody, named by duty, who can be told.
type Person struct {
	Pos
	ID       string
	Name     string
	Zone     string    // IANA time zone; empty means the centre's
	Channels []Address // in order of preference
	Quiet    []Quiet
	Budget   int // messages an hour before they are bundled; 0 means DefaultBudget
}

// Address is a person's address at a gateway: a mail address, or a telephone
// number in the form +E.164.
type Address struct {
	Pos
	Gateway string
	To      string
}

// Quiet is a wish not to be told of alarms less severe than Below between From
// and To ("15:04", in the person's zone) on the days named ("mon" to "sun";
// none means all). Such messages wait until To. From later than To runs past
// midnight, and the day is then From's.
type Quiet struct {
	Pos
	Days     []string
	From, To string
	Below    correlate.Severity
}

// Roster says who is on call, turn by turn.
type Roster struct {
	Pos
	ID       string
	Name     string
	Zone     string // IANA time zone; empty means the centre's
	Turns    []Turn
	StandIns []StandIn
	Proof    string // "15:04" in the roster's zone: when whoever is on call hears that the master lives; empty means never
}

// Turn is a rotation: each of its turns begins at the hand-over time and
// belongs to the next of People.
type Turn struct {
	Pos
	People   []string
	Start    string        // date of the first turn, "2006-01-02"
	HandOver string        // "15:04" in the roster's zone
	Every    string        // "day" or "week"; else Rule is set
	Interval int           // every so many days or weeks; 0 means 1
	Rule     string        // RFC 5545 recurrence rule, instead of Every
	Lasts    time.Duration // by the wall clock; 0 means until the next turn
	On       string        // turns begin on the days of this calendar alone
	Except   string        // no turn begins on the days of this calendar
}

// StandIn puts one person in the place of another, or of whoever is on call
// when For is empty, from From to To ("2006-01-02 15:04" in the roster's zone,
// or RFC 3339).
type StandIn struct {
	Pos
	Person   string
	For      string
	From, To string
}

// Ladder is how a call-out climbs.
type Ladder struct {
	Pos
	Name      string
	Rungs     []Rung
	Rounds    int    // how often the ladder is climbed in all; 0 means once
	Then      string // the ladder that follows when nobody took it; empty means none
	TellTaken bool   // those who were told hear who took it
}

// Rung says whom to tell, over what, and how long to wait for somebody to take
// the alarm before the next rung.
type Rung struct {
	Pos
	Whom     []Target
	Channels []string // gateways used at once; none, or "preferred" alone, means the person's first, and the next when it fails
	Wait     time.Duration
	Repeat   int                // told so many times more, each after Wait, before the next rung
	AtLeast  correlate.Severity // only for alarms of this severity or worse; zero means all
}

// Preferred stands for a person's own order of channels in [Rung.Channels].
const Preferred = "preferred"

// Target is a person, or whoever is on call in a roster. Exactly one is set.
type Target struct {
	Pos
	Person string
	Roster string
}

// Route says which alarms climb which ladder. The first that matches decides.
// An empty list matches everything; one entry of each list must match.
type Route struct {
	Pos
	Name      string
	AtLeast   correlate.Severity // zero matches every severity
	Sites     []correlate.SiteID
	Points    []correlate.PointID
	Tags      []string
	Regions   []string
	Classes   []string
	Causes    []string // IANAItuProbableCause mnemonics
	Hours     []Hours
	Ladder    string
	BoardOnly bool // the operator's board alone; Ladder is empty
}

// Hours is a window of the week. From later than To runs past midnight, and
// the day is then From's; From equal to To is the whole day.
type Hours struct {
	Pos
	Days     []string // "mon" to "sun"; none means all
	From, To string   // "15:04"
	Zone     string   // "" or "centre", "site", or an IANA time zone
	On       string   // only on the days of this calendar; empty: on all
	Except   string   // not on the days of this calendar; empty: on all
}
