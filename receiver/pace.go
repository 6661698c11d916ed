package receiver

import (
	"strings"
	"sync"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/receiver/snmp"
)

// maxHeld bounds the notifications held back for one agent: more points than
// the largest site has.
const maxHeld = 1024

// releaseEvery is how often held notifications are looked after.
const releaseEvery = 50 * time.Millisecond

// pace keeps an agent to its rate with a token bucket. What is over the rate is
// held back, the newest about each set of points only, and goes out in the
// order it came as the rate allows; so the last state of every point gets
// through however much an agent sends. Agents are protected from each other
// that way: one that screams fills its own pace and not the journal's queue.
type pace struct {
	mu     sync.Mutex // guards what follows
	tokens float64
	filled time.Time
	held   map[string]*held
	head   held // of a ring in order of arrival
	over   bool
}

type held struct {
	key           string
	flight        *flight
	before, after *held
}

// verdict of a pace about one notification.
type paced uint8

const (
	goOn     paced = iota
	holdBack       // held; it is offered later
	tooMany        // no room to hold it
)

// ask decides about one notification. An inform is never held: it is refused,
// and its sender sends it again. replaced is the one that made room, began
// reports whether the agent went over its rate just now.
func (p *pace) ask(now time.Time, a *agent, f *flight, key string) (v paced, replaced *flight, began bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.fill(now, a)
	if len(p.held) == 0 && p.spend() {
		return goOn, nil, false
	}
	began = !p.over
	p.over = true
	if p.held == nil {
		p.held = map[string]*held{}
		p.head.before, p.head.after = &p.head, &p.head
	}
	if f.inform {
		return tooMany, nil, began
	}
	if old := p.held[key]; old != nil {
		replaced = old.flight
		p.drop(old)
	} else if len(p.held) >= maxHeld {
		return tooMany, nil, began
	}
	h := &held{key: key, flight: f, before: p.head.before, after: &p.head}
	h.before.after, h.after.before = h, h
	p.held[key] = h
	return holdBack, replaced, began
}

func (p *pace) fill(now time.Time, a *agent) {
	if p.filled.IsZero() {
		p.tokens = float64(a.Burst)
	} else {
		p.tokens = min(float64(a.Burst), p.tokens+max(0, now.Sub(p.filled).Seconds())*a.Rate)
	}
	p.filled = now
}

func (p *pace) spend() bool {
	if p.tokens < 1 {
		return false
	}
	p.tokens--
	return true
}

func (p *pace) drop(h *held) {
	h.before.after, h.after.before = h.after, h.before
	delete(p.held, h.key)
}

// next returns the oldest held notification if the rate allows it, or if all
// are to go. ended reports that nothing is held and the agent is well below its
// rate again, so that it need not be looked after.
func (p *pace) next(now time.Time, a *agent, all bool) (f *flight, ended bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.fill(now, a)
	if len(p.held) == 0 {
		if ended = all || a.Rate == 0 || p.tokens >= float64(a.Burst)/2; ended {
			p.over = false
		}
		return nil, ended
	}
	if !all && a.Rate > 0 && !p.spend() {
		return nil, false
	}
	h := p.head.after
	p.drop(h)
	return h.flight, false
}

func (p *pace) screaming() bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.over
}

// pointsOf names what a notification is about: the points its observations are
// of, else its OID with the names of its variables, which hold the index.
func pointsOf(in *correlate.Arrival, n *snmp.Notification) string {
	var b strings.Builder
	for i := range in.Observations {
		b.WriteString(string(in.Observations[i].Key.ID()))
		b.WriteByte(' ')
	}
	if b.Len() == 0 {
		b.Write(n.TrapOID)
		for i := range n.Varbinds {
			b.Write(n.Varbinds[i].Name)
		}
	}
	return b.String()
}
