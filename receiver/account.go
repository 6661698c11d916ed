package receiver

import (
	"cmp"
	"net/netip"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"example.net/standwatch/correlate"
)

// Tally counts datagrams by fate.
type Tally [NumFates]uint64

// Sum returns how many datagrams have a fate.
func (t Tally) Sum() (n uint64) {
	for _, f := range Fates() {
		n += t[f]
	}
	return n
}

// Refused returns how many datagrams were refused.
func (t Tally) Refused() (n uint64) {
	for _, f := range Fates() {
		if f.Refusal() {
			n += t[f]
		}
	}
	return n
}

// Accounts are the books at one moment.
type Accounts struct {
	Since, At time.Time
	Listeners []ListenerAccount // in configuration order
	Agents    []AgentAccount    // those heard of, in order of ID
	Sources   []SourceAccount   // addresses that no agent has, newest first
	Others    Tally             // of sources that had to make room in Sources

	AnswersSent     uint64 // Responses to informs, repeated ones included
	AnswersLost     uint64 // that could not be built or sent; the senders ask again
	ReportsSent     uint64
	ReportsWithheld uint64 // over the rate that one source may cause
}

// ListenerAccount is one listener's books: Arrived = Tally.Sum() + InFlight,
// exactly.
type ListenerAccount struct {
	Name          string
	Address       netip.AddrPort
	Arrived       uint64 // datagrams read from the socket
	Octets        uint64 // of them
	KernelDropped uint64 // lost before they could be read; not in Arrived
	InFlight      uint64 // queued, or handed over and not decided
	Tally         Tally
	BufferAsked   int         // octets of socket buffer wanted
	BufferGiven   int         // and granted, for each of its sockets
	Newest        time.Time   // when a datagram last came; zero if none did
	TLS           *TLSAccount // of connections; nil for a listener of datagrams
}

// AgentAccount counts the datagrams of an agent: those that spoke for it, and
// the refused ones from its addresses.
type AgentAccount struct {
	Agent     correlate.AgentID
	Tally     Tally
	Newest    time.Time
	Screaming bool // over its rate now
}

// SourceAccount counts the datagrams of an address that no agent has.
type SourceAccount struct {
	Source netip.Addr
	Tally  Tally
	Newest time.Time
}

// meter counts one party's datagrams.
type meter struct {
	tally  [NumFates]atomic.Uint64
	newest atomic.Int64 // Unix nanoseconds
}

func (m *meter) settle(f Fate, at time.Time) {
	m.tally[f].Add(1)
	m.touch(at)
}

func (m *meter) touch(at time.Time) { m.newest.Store(at.UnixNano()) }

func (m *meter) read() (t Tally, newest time.Time) {
	for i := range m.tally {
		t[i] = m.tally[i].Load()
	}
	return t, moment(m.newest.Load())
}

func moment(nanos int64) time.Time {
	if nanos == 0 {
		return time.Time{}
	}
	return time.Unix(0, nanos)
}

// agentMeter outlives reloads, so that an agent's counts go on.
type agentMeter struct {
	meter
	pace pace
}

// listenerMeter counts one listener's datagrams.
type listenerMeter struct {
	meter
	arrived, octets, dropped atomic.Uint64
}

// maxSources bounds the addresses counted by name that no agent has.
const maxSources = 1024

// sourceMeters counts by source address, for sources that no agent has. Since
// anybody can make up addresses it is bounded: the one not heard of for the
// longest makes room, and its counts go to others.
type sourceMeters struct {
	mu     sync.Mutex // guards what follows
	by     map[netip.Addr]*sourceMeter
	head   sourceMeter // of a ring, newest after it
	others Tally
}

type sourceMeter struct {
	SourceAccount
	before, after *sourceMeter
}

func (s *sourceMeters) settle(addr netip.Addr, f Fate, at time.Time) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.by == nil {
		s.by = map[netip.Addr]*sourceMeter{}
		s.head.before, s.head.after = &s.head, &s.head
	}
	m := s.by[addr]
	if m == nil {
		m = s.admit(addr)
	} else {
		m.unlink()
	}
	m.before, m.after = &s.head, s.head.after
	m.before.after, m.after.before = m, m
	m.Tally[f]++
	m.Newest = at
}

func (s *sourceMeters) admit(addr netip.Addr) *sourceMeter {
	if len(s.by) >= maxSources {
		oldest := s.head.before
		oldest.unlink()
		delete(s.by, oldest.Source)
		for i, n := range oldest.Tally {
			s.others[i] += n
		}
	}
	m := &sourceMeter{SourceAccount: SourceAccount{Source: addr}}
	s.by[addr] = m
	return m
}

func (m *sourceMeter) unlink() { m.before.after, m.after.before = m.after, m.before }

func (s *sourceMeters) read() (list []SourceAccount, others Tally) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.by == nil {
		return nil, s.others
	}
	for m := s.head.after; m != &s.head; m = m.after {
		list = append(list, m.SourceAccount)
	}
	return list, s.others
}

// agentMeters holds the counters of every agent there was since the start.
type agentMeters struct {
	mu sync.Mutex // guards by
	by map[correlate.AgentID]*agentMeter
}

func (a *agentMeters) of(id correlate.AgentID) *agentMeter {
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.by == nil {
		a.by = map[correlate.AgentID]*agentMeter{}
	}
	if a.by[id] == nil {
		a.by[id] = &agentMeter{}
	}
	return a.by[id]
}

func (a *agentMeters) read() (list []AgentAccount) {
	a.mu.Lock()
	defer a.mu.Unlock()
	for id, m := range a.by {
		t, newest := m.read()
		if t.Sum() > 0 {
			list = append(list, AgentAccount{Agent: id, Tally: t, Newest: newest, Screaming: m.pace.screaming()})
		}
	}
	slices.SortFunc(list, func(x, y AgentAccount) int { return cmp.Compare(x.Agent, y.Agent) })
	return list
}

// Accounts returns the books. Safe for concurrent use.
func (r *Receiver) Accounts() Accounts {
	a := Accounts{Since: r.started, At: r.now(), AnswersSent: r.answers.sent.Load(), AnswersLost: r.answers.lost.Load(),
		ReportsSent: r.reports.sent.Load(), ReportsWithheld: r.reports.withheld.Load()}
	for _, l := range r.listeners {
		a.Listeners = append(a.Listeners, l.account())
	}
	a.Agents = r.agents.read()
	a.Sources, a.Others = r.sources.read()
	return a
}

func (l *listener) account() ListenerAccount {
	a := ListenerAccount{Name: l.opts.Name, Address: l.address, BufferAsked: l.opts.Buffer, BufferGiven: l.given}
	// An error means a closed socket, whose last count stays, or a system without
	// such a counter, which was said at the start.
	_ = l.countDrops()
	a.KernelDropped = l.meter.dropped.Load()
	// Arrived is read last: a datagram may end while the books are read, but
	// none ends that had not arrived.
	a.Tally, a.Newest = l.meter.read()
	a.Octets = l.meter.octets.Load()
	a.Arrived = l.meter.arrived.Load()
	a.InFlight = a.Arrived - a.Tally.Sum()
	if l.streams != nil {
		a.TLS = l.streams.account()
	}
	return a
}
