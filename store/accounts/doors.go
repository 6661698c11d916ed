package accounts

import (
	"fmt"
	"net/netip"
	"sync"
	"time"
)

// Back-off of logins. After a few wrong ones each further one costs a wait that
// doubles, for the address up to a quarter of an hour. For the account it stays
// short, because anybody could keep its owner out by typing wrong passwords,
// and it does not hold for addresses from which the owner has logged in.
const (
	freeTries      = 3
	mostWait       = 15 * time.Minute
	mostWaitName   = 30 * time.Second
	forgetTries    = time.Hour // after the last wrong one
	rememberGood   = 30 * 24 * time.Hour
	maxDoors       = 20_000 // addresses and names that are remembered
	tellPerMinute  = 12     // refused logins that are journaled at most
	tellWithout    = 10     // and so many at once
	unknownAddress = "unknown"
)

// WaitError says that there were too many wrong logins and how long to wait.
type WaitError struct{ For time.Duration }

// Error says how long to wait.
func (e *WaitError) Error() string {
	return fmt.Sprintf("too many wrong logins; try again in %d s", int((e.For+time.Second-1)/time.Second))
}

type door struct {
	tries int
	last  time.Time
	until time.Time
}

// doors remembers wrong logins, in memory only.
type doors struct {
	mu       *sync.Mutex // guards the rest
	names    map[string]*door
	places   map[string]*door
	known    map[string]time.Time // name and place of good logins
	budget   float64              // of journal records about refusals
	counted  time.Time
	withheld int
}

func newDoors() doors {
	return doors{mu: new(sync.Mutex), names: map[string]*door{}, places: map[string]*door{}, known: map[string]time.Time{}, budget: tellWithout}
}

// placeOf is the address, or for IPv6 the network of a subscriber, who has all
// of it.
func placeOf(from string) string {
	a, err := netip.ParseAddr(from)
	if err != nil {
		return unknownAddress
	}
	if a = a.Unmap().WithZone(""); a.Is6() {
		p, err := a.Prefix(64)
		if err == nil {
			return p.String()
		}
	}
	return a.String()
}

// Subscriber names who is behind the place, as far as an address tells: the
// address, or for IPv6 the network of 64 bits that it is in.
func (p Place) Subscriber() string { return placeOf(p.From) }

// wait returns how long a login has to wait before it is looked at.
func (d *doors) wait(now time.Time, name, from string) time.Duration {
	d.mu.Lock()
	defer d.mu.Unlock()
	place := placeOf(from)
	var wait time.Duration
	if p := d.places[place]; p != nil {
		wait = max(0, p.until.Sub(now))
	}
	if n := d.names[name]; n != nil && name != "" && now.Sub(d.known[name+" "+place]) > rememberGood {
		wait = max(wait, n.until.Sub(now))
	}
	return wait
}

// good forgets the wrong ones of a name at an address that was good.
func (d *doors) good(now time.Time, name, from string) {
	d.mu.Lock()
	defer d.mu.Unlock()
	place := placeOf(from)
	delete(d.names, name)
	delete(d.places, place)
	if len(d.known) < maxDoors {
		d.known[name+" "+place] = now
	}
}

// bad counts a wrong login. times is how often it was wrong by now from that
// address; tell says that it is worth a journal record.
func (d *doors) bad(now time.Time, name, from string) (times int, tell bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	place := placeOf(from)
	times = count(d.places, place, now, mostWait)
	if name != "" {
		count(d.names, name, now, mostWaitName)
	}
	if !roundNumber(times) {
		return times, false
	}
	d.budget = min(tellWithout, d.budget+now.Sub(d.counted).Minutes()*tellPerMinute)
	d.counted = now
	if d.budget < 1 {
		d.withheld += times
		return times, false
	}
	d.budget--
	times += d.withheld
	d.withheld = 0
	return times, true
}

// count adds a wrong one and sets the wait: none for the first few, then a
// second, doubled each time.
func count(m map[string]*door, at string, now time.Time, most time.Duration) int {
	x := m[at]
	if x == nil || now.Sub(x.last) > forgetTries {
		if x == nil && len(m) >= maxDoors {
			return 1 // whoever has so many addresses is not held up by this
		}
		x = &door{}
		m[at] = x
	}
	x.tries++
	x.last = now
	if over := x.tries - freeTries; over >= 0 {
		x.until = now.Add(min(most, time.Second<<min(over, 12)))
	}
	return x.tries
}

// roundNumber reports whether a count is worth telling: 1, 2, 3, 5, and then
// with ever larger steps, so that a flood makes few records.
func roundNumber(n int) bool {
	for step := 1; ; step *= 10 {
		if n <= 5*step {
			return n == step || n == 2*step || n == 3*step && step == 1 || n == 5*step
		}
	}
}

// tidy forgets what is long past.
func (d *doors) tidy(now time.Time) {
	d.mu.Lock()
	defer d.mu.Unlock()
	for _, m := range []map[string]*door{d.names, d.places} {
		for k, x := range m {
			if now.Sub(x.last) > forgetTries {
				delete(m, k)
			}
		}
	}
	for k, at := range d.known {
		if now.Sub(at) > rememberGood {
			delete(d.known, k)
		}
	}
}
