package receiver

import (
	"sync"
	"sync/atomic"
	"time"

	"example.net/standwatch/receiver/snmp"
	"example.net/standwatch/receiver/usm"
)

// Reason says why a datagram was refused. The first ones are the decoder's.
type Reason uint8

// Reasons beside those of package snmp.
const (
	NotAllowed Reason = Reason(snmp.ReasonCount) + iota
	WrongCommunity
	WeakSecurity
	WrongUser
	UnknownModel
	UnsupportedLevel
	UnknownEngine
	UnknownUser
	WrongDigest
	NotInWindow
	DecryptionFailed
	Replayed
	QueueFull
	NotDurable
	Faulty
	reasonCount int = iota + snmp.ReasonCount
)

var reasonWords = [...]string{"not-allowed", "wrong-community", "weak-security", "wrong-user", "unknown-security-model", "unsupported-level",
	"unknown-engine", "unknown-user", "wrong-digest", "not-in-time-window", "decryption-failed", "replayed", "queue-full", "not-durable", "internal-fault"}

// String returns the reason's word, fit for a metric label.
func (r Reason) String() string {
	if int(r) < snmp.ReasonCount {
		return snmp.Reason(r).String()
	}
	return reasonWords[int(r)-snmp.ReasonCount]
}

// Reasons lists all reasons in order.
func Reasons() []Reason {
	out := make([]Reason, reasonCount)
	for i := range out {
		out[i] = Reason(i)
	}
	return out
}

// verdictReasons gives each refusing verdict of usm its reason.
var verdictReasons = map[usm.Verdict]Reason{
	usm.UnsupportedSecLevel: UnsupportedLevel, usm.NotInTimeWindow: NotInWindow, usm.UnknownUserName: UnknownUser,
	usm.UnknownEngineID: UnknownEngine, usm.WrongDigest: WrongDigest, usm.DecryptionError: DecryptionFailed, usm.Replayed: Replayed,
}

// counts are one listener's datagrams.
type counts struct {
	arrived, matched, unmatched, repeated, kernel atomic.Uint64
	informs, answered, reports                    atomic.Uint64
	refused                                       [reasonCount]atomic.Uint64
}

// Account is a listener's books at one moment.
type Account struct {
	Listener      string
	Address       string
	Buffer        int // octets of socket buffer the kernel granted
	Arrived       uint64
	Matched       uint64
	Unmatched     uint64
	Repeated      uint64 // informs sent again: answered, not counted as events
	Refused       map[string]uint64
	KernelDropped uint64 // lost before they could be read
	Informs       uint64 // accepted informs
	Answered      uint64 // of them answered
	Reports       uint64 // sent
}

// RefusedSum returns the number of refused datagrams.
func (a Account) RefusedSum() (sum uint64) {
	for _, n := range a.Refused {
		sum += n
	}
	return sum
}

// InFlight returns how many datagrams have arrived and not ended yet.
func (a Account) InFlight() uint64 {
	return a.Arrived - a.Matched - a.Unmatched - a.Repeated - a.RefusedSum()
}

func (c *counts) account() Account {
	// Arrived is read last: a datagram may end while the books are read, but
	// never before it arrived.
	a := Account{Matched: c.matched.Load(), Unmatched: c.unmatched.Load(), Repeated: c.repeated.Load(), Refused: map[string]uint64{},
		KernelDropped: c.kernel.Load(), Informs: c.informs.Load(), Answered: c.answered.Load(), Reports: c.reports.Load()}
	for i := range c.refused {
		if n := c.refused[i].Load(); n > 0 {
			a.Refused[Reason(i).String()] = n
		}
	}
	a.Arrived = c.arrived.Load()
	return a
}

// Kept is a refused datagram, kept for inspection.
type Kept struct {
	At       time.Time
	From     string
	Listener string
	Reason   Reason
	Why      string
	Size     int    // octets received
	Head     []byte // the first of them
}

const (
	keptDatagrams = 256
	keptOctets    = 512
)

// quarantine is a ring of the newest refused datagrams.
type quarantine struct {
	mu   sync.Mutex // guards ring, next
	ring []Kept
	next int
}

func (q *quarantine) keep(k Kept) {
	q.mu.Lock()
	defer q.mu.Unlock()
	if len(q.ring) < keptDatagrams {
		q.ring = append(q.ring, k)
		return
	}
	q.ring[q.next] = k
	q.next = (q.next + 1) % keptDatagrams
}

// newest lists what is kept, newest first.
func (q *quarantine) newest() []Kept {
	q.mu.Lock()
	defer q.mu.Unlock()
	out := make([]Kept, 0, len(q.ring))
	for i := len(q.ring) - 1; i >= 0; i-- {
		out = append(out, q.ring[(q.next+i)%len(q.ring)])
	}
	return out
}
