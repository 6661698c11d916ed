// Package roster answers who is on call at an instant: turns that rotate at a
// hand-over time in a time zone, and stand-ins with an end.
//
// Guarantee: the answer depends on the specification and the instant alone.
// Hand-overs keep wall-clock time over changes of the clock; a hand-over in the
// hour that is skipped or repeated is read as RFC 5545 section 3.3.5 says: by
// the offset before the gap, and as the first of the two. Whatever is not
// exactly one person is found by [Roster.Flaws].
//
// Memory and concurrency: a Roster is safe for concurrent use. It remembers the
// turns it has worked out, which grows with the time it is asked about and not
// with how often.
//
// It knows no names or addresses of people, only their IDs, and of holidays only
// what the [Days] of a turn say.
// Recurrence rules are RFC 5545 section 3.3.10, DAILY to YEARLY; finer ones are
// refused, since nobody hands over by the hour.
package roster

import (
	"errors"
	"fmt"
	"slices"
	"time"
)

// Turn is a rotation. The k-th turn belongs to People[k mod len(People)].
type Turn struct {
	People   []string
	Start    string        // "2006-01-02"
	HandOver string        // "15:04"
	Every    string        // "day" or "week", or empty when Rule is set
	Interval int           // 0 means 1
	Rule     string        // RFC 5545 recurrence rule
	Lasts    time.Duration // by the wall clock; 0 means until the next turn
	On       Days          // turns begin on these days alone; nil means on all
	Except   Days          // and on none of these; nil means no exception
}

// Days are days such as holidays; year, month and day of the time count alone.
type Days interface{ Has(day time.Time) bool }

// StandIn puts Person in the place of For, or of everybody when For is empty.
type StandIn struct {
	Person, For string
	From, To    string // "2006-01-02 15:04" in the roster's zone, or RFC 3339
}

// Roster is a compiled roster.
type Roster struct {
	zone     *time.Location
	turns    []*rotation
	standIns []standIn
}

type standIn struct {
	person, instead string
	from, to        time.Time
}

// Builder gathers the parts of a roster, so that a mistake can be shown where
// it was made.
type Builder struct{ r *Roster }

// NewBuilder begins a roster whose times are those of zone.
func NewBuilder(zone *time.Location) *Builder { return &Builder{&Roster{zone: zone}} }

// Turn adds a rotation. It returns every mistake found in it, joined.
func (b *Builder) Turn(t Turn) error {
	rot, err := newRotation(t, b.r.zone)
	if err != nil {
		return err
	}
	b.r.turns = append(b.r.turns, rot)
	return nil
}

// StandIn adds a stand-in. A later one takes precedence over an earlier one.
func (b *Builder) StandIn(s StandIn) error {
	from, errFrom := b.instant("from", s.From)
	to, errTo := b.instant("to", s.To)
	if err := errors.Join(errFrom, errTo); err != nil {
		return err
	}
	if !to.After(from) {
		return fmt.Errorf("the stand-in ends at %s, before it begins", s.To)
	}
	if s.Person == "" {
		return errors.New("the stand-in names nobody")
	}
	b.r.standIns = append(b.r.standIns, standIn{s.Person, s.For, from, to})
	return nil
}

func (b *Builder) instant(what, text string) (time.Time, error) {
	at, err := Instant(text, b.r.zone)
	if err != nil {
		return time.Time{}, fmt.Errorf("%s: %w", what, err)
	}
	return at, nil
}

// Instant reads RFC 3339, or "2026-12-24 18:00" by the clocks of zone.
func Instant(text string, zone *time.Location) (time.Time, error) {
	if at, err := time.Parse(time.RFC3339, text); err == nil {
		return at, nil
	}
	at, err := time.Parse("2006-01-02 15:04", text)
	if err != nil {
		return time.Time{}, fmt.Errorf("%q is neither like 2026-12-24 18:00 nor RFC 3339", text)
	}
	return Wall(at, zone), nil
}

// Cover is a stand-in that was agreed while the roster was in force.
type Cover struct {
	Person, For string // an empty For means everybody
	From, To    time.Time
}

// With returns the roster with further stand-ins, which take precedence over
// its own, and later ones over earlier ones. The roster itself stays as it is.
func (r *Roster) With(covers []Cover) *Roster {
	if len(covers) == 0 {
		return r
	}
	more := &Roster{zone: r.zone, turns: r.turns, standIns: slices.Clip(r.standIns)}
	for _, c := range covers {
		more.standIns = append(more.standIns, standIn{c.Person, c.For, c.From, c.To})
	}
	return more
}

// Roster returns the roster. The builder must not be used afterwards.
func (b *Builder) Roster() *Roster { return b.r }

// Zone returns the zone of the roster's hand-overs.
func (r *Roster) Zone() *time.Location { return r.zone }

// On returns the IDs of those on call at an instant, in the order of the
// turns, each once; none is a hole and more than one a double.
func (r *Roster) On(at time.Time) []string {
	var on []string
	for _, t := range r.turns {
		on = t.on(on, at)
	}
	for _, s := range r.standIns {
		on = s.replace(on, at)
	}
	return distinct(on)
}

func (s standIn) covers(at time.Time) bool { return !at.Before(s.from) && at.Before(s.to) }

func (s standIn) replace(on []string, at time.Time) []string {
	if !s.covers(at) {
		return on
	}
	if s.instead == "" {
		return []string{s.person}
	}
	out := slices.Clone(on)
	for i, p := range out {
		if p == s.instead {
			out[i] = s.person
		}
	}
	return out
}

func distinct(people []string) []string {
	var out []string
	for _, p := range people {
		if !slices.Contains(out, p) {
			out = append(out, p)
		}
	}
	return out
}

// Stretch is a time in which the same people are on call. StandIn reports
// whether a stand-in has a part in it.
type Stretch struct {
	From, To time.Time
	People   []string
	StandIn  bool
}

// Stretches lists who is on call from one instant to another, in order and
// without gaps: a stretch without people is a hole.
func (r *Roster) Stretches(from, to time.Time) []Stretch {
	var out []Stretch
	edges := r.edges(from, to)
	for i, at := range edges[:len(edges)-1] {
		s := Stretch{From: at, To: edges[i+1], People: r.On(at), StandIn: r.stoodIn(at)}
		if last := len(out) - 1; last >= 0 && slices.Equal(out[last].People, s.People) && out[last].StandIn == s.StandIn {
			out[last].To = s.To
			continue
		}
		out = append(out, s)
	}
	return out
}

// Flaws lists the stretches in which not exactly one person is on call.
func (r *Roster) Flaws(from, to time.Time) []Stretch {
	var out []Stretch
	for _, s := range r.Stretches(from, to) {
		last := len(out) - 1
		switch {
		case len(s.People) == 1:
		case last >= 0 && out[last].To.Equal(s.From) && slices.Equal(out[last].People, s.People):
			out[last].To = s.To
		default:
			out = append(out, s)
		}
	}
	return out
}

func (r *Roster) stoodIn(at time.Time) bool {
	return slices.ContainsFunc(r.standIns, func(s standIn) bool { return s.covers(at) })
}

// edges lists the instants from from to to, both included, between which
// nothing changes. There are at least two unless to is not after from.
func (r *Roster) edges(from, to time.Time) []time.Time {
	edges := []time.Time{from}
	add := func(at time.Time) {
		if at.After(from) && at.Before(to) {
			edges = append(edges, at)
		}
	}
	for _, t := range r.turns {
		t.edges(from, to, add)
	}
	for _, s := range r.standIns {
		add(s.from)
		add(s.to)
	}
	if to.After(from) {
		edges = append(edges, to)
	}
	slices.SortFunc(edges, time.Time.Compare)
	return slices.CompactFunc(edges, time.Time.Equal)
}
