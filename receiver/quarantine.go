package receiver

import (
	"net/netip"
	"slices"
	"sync"
	"time"
)

// Kept is a refused datagram, kept for inspection.
type Kept struct {
	At       time.Time
	Source   netip.AddrPort
	Listener string
	Fate     Fate
	Offset   int    // where decoding failed; 0 where that means nothing
	Why      string // never holds a community
	Length   int    // octets received
	Octets   []byte // the first of them, at most 512
}

const (
	keptEach   = 32  // datagrams kept of each fate
	keptOctets = 512 // octets kept of each datagram
)

// quarantine holds the newest refused datagrams of each fate, so that a flood
// of one kind does not wash away the rest. It never holds more than keptEach *
// NumFates * keptOctets octets.
type quarantine struct {
	mu    sync.Mutex // guards rings
	rings [NumFates]ring
}

type ring struct {
	kept []Kept
	next int
}

// keep copies what it needs of octets.
func (q *quarantine) keep(k Kept, octets []byte) {
	q.mu.Lock()
	defer q.mu.Unlock()
	r := &q.rings[k.Fate]
	if r.kept == nil {
		r.kept = make([]Kept, 0, keptEach)
	}
	if len(r.kept) < keptEach {
		r.kept = append(r.kept, Kept{})
	}
	slot := &r.kept[r.next]
	room := slot.Octets[:0]
	*slot = k
	slot.Length = len(octets)
	slot.Octets = append(room, octets[:min(len(octets), keptOctets)]...)
	r.next = (r.next + 1) % keptEach
}

// Quarantine lists copies of the refused datagrams that are kept, newest
// first. Safe for concurrent use.
func (r *Receiver) Quarantine() []Kept {
	q := &r.kept
	q.mu.Lock()
	var out []Kept
	for i := range q.rings {
		for _, k := range q.rings[i].kept {
			k.Octets = slices.Clone(k.Octets)
			out = append(out, k)
		}
	}
	q.mu.Unlock()
	slices.SortStableFunc(out, func(a, b Kept) int { return b.At.Compare(a.At) })
	return out
}
