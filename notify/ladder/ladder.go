// Package ladder knows in which order a call-out climbs.
//
// Guarantee: pure; a ladder is immutable once made and safe for concurrent use.
// Every climb ends: the number of steps is bounded by the rungs, their repeats
// and the rounds, all of which are checked by [New].
//
// A ladder is kept as steps: a rung that is repeated is so many steps, one
// after the other, so that a place on the ladder is one number and a round.
//
// It does not know who is on call, what is said, or what time it is.
package ladder

import (
	"errors"
	"fmt"
	"time"
)

// Bounds of what [New] accepts. Judgement, no source: a call-out that is not
// taken after a thousand steps is not taken by the next one.
const (
	MinWait  = time.Second
	MaxWait  = 7 * 24 * time.Hour
	MaxSteps = 1000
)

// Target is a person, or whoever is on call in a roster; exactly one is set.
type Target struct{ Person, Roster string }

// Rung is whom to tell, over what, how long to wait, and how often to say it
// again before the next.
type Rung struct {
	Whom     []Target
	Channels []string // gateways used at once; empty means the person's own order
	Wait     time.Duration
	Repeat   int
	AtLeast  int // the least severity that it is for, as a number; 0 means any
}

// Step is one telling of a rung.
type Step struct {
	Rung  int // index of the rung in the configuration, from 0
	Again int // 0 for the first telling of the rung, 1 for its first repeat
	Whom  []Target
	Over  []string // gateways used at once; empty means the person's own order
	Wait  time.Duration

	AtLeast int // the least severity that it is for
}

// Ladder is a compiled ladder. Its fields must not be changed.
type Ladder struct {
	Name   string
	Steps  []Step
	Rounds int
}

// New compiles a ladder that is climbed rounds times in all; 0 counts as once.
// It returns every mistake found, joined.
func New(name string, rungs []Rung, rounds int) (*Ladder, error) {
	l := &Ladder{Name: name, Rounds: max(1, rounds)}
	var errs []error
	if len(rungs) == 0 {
		errs = append(errs, errors.New("a ladder needs a rung"))
	}
	if rounds < 0 || rounds > MaxSteps {
		errs = append(errs, fmt.Errorf("rounds: %d is not 1 to %d", rounds, MaxSteps))
	}
	for i, r := range rungs {
		if err := r.check(); err != nil {
			errs = append(errs, fmt.Errorf("rung %d: %w", i+1, err))
			continue
		}
		for again := range r.Repeat + 1 {
			l.Steps = append(l.Steps, Step{Rung: i, Again: again, Whom: r.Whom, Over: r.Channels, Wait: r.Wait, AtLeast: r.AtLeast})
		}
	}
	if n := len(l.Steps) * l.Rounds; n > MaxSteps {
		errs = append(errs, fmt.Errorf("it has %d steps in all, more than %d", n, MaxSteps))
	}
	return l, errors.Join(errs...)
}

func (r Rung) check() error {
	var errs []error
	if r.Wait < MinWait || r.Wait > MaxWait {
		errs = append(errs, fmt.Errorf("wait: %s is not between %s and %s", r.Wait, MinWait, MaxWait))
	}
	if r.Repeat < 0 || r.Repeat > MaxSteps {
		errs = append(errs, fmt.Errorf("repeat: %d is not 0 to %d", r.Repeat, MaxSteps))
	}
	if len(r.Whom) == 0 {
		errs = append(errs, errors.New("it tells nobody"))
	}
	for _, t := range r.Whom {
		if (t.Person == "") == (t.Roster == "") {
			errs = append(errs, errors.New("each of whom is either a person or a roster"))
		}
	}
	return errors.Join(errs...)
}

// Place is where a call-out stands on a ladder. Round counts from 0.
type Place struct{ Step, Round int }

// Bottom is where every climb begins.
func Bottom() Place { return Place{} }

// Next returns the place after p; ok is false when p is the last, or no longer
// on the ladder since it became shorter.
func (l *Ladder) Next(p Place) (next Place, ok bool) {
	switch {
	case p.Step+1 < len(l.Steps):
		return Place{p.Step + 1, p.Round}, true
	case p.Round+1 < l.Rounds:
		return Place{0, p.Round + 1}, true
	}
	return Place{}, false
}

// At returns the step at a place; ok is false when the ladder has none there.
func (l *Ladder) At(p Place) (s Step, ok bool) {
	if p.Step < 0 || p.Step >= len(l.Steps) {
		return Step{}, false
	}
	return l.Steps[p.Step], true
}

// Top reports whether p is the last step of its round: nobody is told at once
// in place of somebody who could not be told there.
func (l *Ladder) Top(p Place) bool { return p.Step >= len(l.Steps)-1 }
