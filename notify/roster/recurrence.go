package roster

import (
	"errors"
	"fmt"
	"time"
)

// Recurring says when something recurs: a recurrence rule (RFC 5545 section
// 3.3.10) that begins on Start at the time of day At, and how long each
// occurrence lasts by the clock on the wall.
type Recurring struct {
	Start string // 2006-01-02
	At    string // 15:04
	Rule  string
	Lasts time.Duration // a number of minutes
}

// Recurrence is a compiled [Recurring]. It is safe for concurrent use and
// always gives the same answers.
type Recurrence struct{ rot *rotation }

// checkedOccurrences is how many occurrences are looked at for running into each
// other: more than a year of daily ones.
const checkedOccurrences = 400

// NewRecurrence compiles when something recurs in a time zone. It returns an
// error that names the field that is wrong, and refuses occurrences that run
// into each other: together they would never end.
func NewRecurrence(r Recurring, zone *time.Location) (*Recurrence, error) {
	if _, err := ParseClock(r.At); err != nil {
		return nil, fmt.Errorf("at: %w", err)
	}
	switch {
	case r.Rule == "":
		return nil, errors.New("rule: a recurrence rule such as FREQ=MONTHLY;BYDAY=1TU is wanted")
	case r.Lasts <= 0:
		return nil, errors.New("lasts: it must last for some minutes")
	}
	rot, err := newRotation(Turn{People: []string{"-"}, Start: r.Start, HandOver: r.At, Rule: r.Rule, Lasts: r.Lasts}, zone)
	if err != nil {
		return nil, err
	}
	n := 0
	begun := rot.upTo(func(begin) bool { n++; return n > checkedOccurrences })
	for k := range len(begun) - 1 {
		if !rot.end(begun, k).Before(begun[k+1].at) {
			return nil, errors.New("lasts: one occurrence runs into the next, so that it would never end")
		}
	}
	return &Recurrence{rot}, nil
}

// Next returns the first occurrence that ends after at; ok is false when none
// follows.
func (r *Recurrence) Next(at time.Time) (from, until time.Time, ok bool) {
	begun := r.rot.after(at)
	for k := len(begun) - 1; k >= 0; k-- {
		end := r.rot.end(begun, k)
		if !end.After(at) {
			break
		}
		from, until, ok = begun[k].at, end, true
	}
	return from, until, ok
}
