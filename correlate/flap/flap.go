// Package flap computes the figure of merit of RFC 2439 (route flap damping,
// sections 4.2 to 4.8) for anything that rises and clears: a penalty added on
// each rise that decays exponentially, with one half-life while the condition
// stands and another while it is clear. It takes times and numbers, keeps
// nothing and imports nothing of the project.
package flap

import (
	"errors"
	"fmt"
	"math"
	"time"
)

// Settings are the parameters of RFC 2439 section 4.2. A penalty of 1 is
// added on each rise.
type Settings struct {
	Cut           float64       // flapping begins when the merit exceeds this
	Reuse         float64       // flapping ends when the merit falls below this while clear
	HalfLifeClear time.Duration // decay-ok: half-life while clear
	HalfLifeStand time.Duration // decay-ng: half-life while standing
	MaxHold       time.Duration // T-hold: longest time flapping can last after the last rise
}

// Default returns settings reasoned for contact closures, not for routes.
// ISA-18.2 practice calls three transitions within a minute chattering
// (common finding threshold), so the third rise in a minute must exceed Cut
// (its merit is then at least 2.6 with these half-lives), while two honest
// rises, such as a fault and its return, never do. Reuse is reached after some nine
// minutes of quiet, which is longer than the cycle of a compressor or a
// float switch; MaxHold bounds the whole to half an hour.
func Default() Settings {
	return Settings{Cut: 2.5, Reuse: 0.75, HalfLifeClear: 5 * time.Minute, HalfLifeStand: 10 * time.Minute, MaxHold: 30 * time.Minute}
}

// Check returns an error that says which parameter cannot work, or nil.
func (s Settings) Check() error {
	switch {
	case s.Reuse <= 0:
		return errors.New("reuse must be above 0")
	case s.Cut <= s.Reuse:
		return fmt.Errorf("cut (%g) must be above reuse (%g)", s.Cut, s.Reuse)
	case s.HalfLifeClear <= 0 || s.HalfLifeStand <= 0:
		return errors.New("both half-lives must be above 0")
	case s.MaxHold <= 0:
		return errors.New("max hold must be above 0")
	case s.Ceiling() <= s.Cut:
		return fmt.Errorf("max hold %v with half-life %v gives a ceiling of %.2f, which the cut of %g could never exceed", s.MaxHold, s.HalfLifeClear, s.Ceiling(), s.Cut)
	}
	return nil
}

// Ceiling is the highest merit kept: reuse * 2^(max hold / half-life while
// clear). RFC 2439 section 4.2 misprints the formula; its figure 3 uses this.
func (s Settings) Ceiling() float64 {
	return s.Reuse * math.Exp2(float64(s.MaxHold)/float64(s.HalfLifeClear))
}

// Decay returns merit after elapsed of standing or of being clear. A negative
// elapsed (a clock stepped back) leaves it as it is.
func (s Settings) Decay(merit float64, elapsed time.Duration, standing bool) float64 {
	if merit == 0 || elapsed <= 0 {
		return merit
	}
	half := s.HalfLifeClear
	if standing {
		half = s.HalfLifeStand
	}
	return merit * math.Exp2(-float64(elapsed)/float64(half))
}

// Rise adds the penalty of one rise, up to the ceiling.
func (s Settings) Rise(merit float64) float64 { return math.Min(merit+1, s.Ceiling()) }

// Until returns how long a merit takes to fall to Reuse if the condition stays
// as it is, standing or clear, rounded up to a millisecond; zero if it is there
// already. RFC 2439 reuses a route only once it is reachable; a contact may also
// settle in alarm, which takes the longer half-life.
func (s Settings) Until(merit float64, standing bool) time.Duration {
	if merit <= s.Reuse {
		return 0
	}
	half := s.HalfLifeClear
	if standing {
		half = s.HalfLifeStand
	}
	wait := float64(half) * math.Log2(merit/s.Reuse)
	return time.Duration(math.Ceil(wait/float64(time.Millisecond))) * time.Millisecond
}
