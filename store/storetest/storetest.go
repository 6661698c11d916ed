// Package storetest opens stores for tests and makes records for them. A store
// opened here is verified when the test ends, so that every test that writes is
// also a test of the journal, its look-up and its checkpoint. It starts nothing
// and is imported by tests only.
package storetest

import (
	"context"
	"encoding/binary"
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/store"
)

// Open opens the data folder dir. When the test ends the store is verified and
// closed.
func Open(tb testing.TB, dir string, opts store.Options) *store.Store {
	tb.Helper()
	s, err := store.Open(dir, opts)
	if err != nil {
		tb.Fatalf("open store: %v", err)
	}
	tb.Cleanup(func() {
		Verify(tb, s)
		if err := s.Close(); err != nil {
			tb.Errorf("close store: %v", err)
		}
	})
	return s
}

// Verify fails the test for everything that Verify finds wrong.
func Verify(tb testing.TB, s *store.Store) {
	tb.Helper()
	report, err := s.Verify(context.Background(), nil)
	if err != nil {
		tb.Errorf("verify: %v", err)
	}
	for _, p := range report.Problems {
		tb.Errorf("verify: %v", p)
	}
}

// Maker makes records such as a small network's journal holds: arrivals with
// their datagram that raise, repeat and clear, some that no rule matched, and now
// and then an operator's action. The same seed makes the same records.
type Maker struct {
	rnd      *rand.Rand
	at       time.Time
	seq      correlate.Seq
	standing map[correlate.Key]bool
	// Sites is how many sites speak; each has 32 points and one agent.
	Sites int
}

// NewMaker returns a maker whose first record follows last.
func NewMaker(seed uint64, last correlate.Seq) *Maker {
	return &Maker{
		rnd: rand.New(rand.NewPCG(seed, 24)), seq: last, Sites: 24,
		at: time.Date(2026, 3, 1, 0, 0, 0, 123456789, time.UTC), standing: map[correlate.Key]bool{},
	}
}

// Records makes the next n records.
func (m *Maker) Records(n int) []*correlate.Record {
	out := make([]*correlate.Record, n)
	for i := range out {
		out[i] = m.next()
	}
	return out
}

func (m *Maker) next() *correlate.Record {
	m.seq++
	m.at = m.at.Add(time.Duration(m.rnd.Int64N(int64(20 * time.Millisecond))))
	r := &correlate.Record{Seq: m.seq, At: m.at}
	site := m.rnd.IntN(m.Sites)
	key := correlate.Key{Site: correlate.SiteID(fmt.Sprintf("site-%d", site)), Point: correlate.PointID(fmt.Sprintf("point-%d", m.rnd.IntN(32)))}
	if m.rnd.IntN(8) == 0 {
		key.Instance = fmt.Sprint(m.rnd.IntN(4))
	}
	in := m.arrival(site)
	r.Input = in
	on := correlate.On{Key: key}
	switch severity := correlate.Severity(2 + m.rnd.IntN(5)); {
	case m.rnd.IntN(50) == 0:
		in.Agent, in.Unmatched = "", "no rule for 1.3.6.1.4.1.32473.9.9"
	case m.rnd.IntN(40) == 0 && m.standing[key]:
		r.Input = &correlate.Act{Key: key, Action: correlate.ActAcknowledge, Actor: "north crew", Via: "console"}
		r.Events = []correlate.Event{&correlate.Acked{On: on, Actor: "north crew", Via: "console"}}
	case !m.standing[key]:
		m.standing[key] = true
		in.Observations = []correlate.Observation{{Key: key, What: correlate.Raise, Severity: severity, Text: "Mains failed", Rule: "power.yaml:12 mains"}}
		r.Events = []correlate.Event{
			&correlate.Raised{On: on, Severity: severity, Text: "Mains failed", Since: m.at, Merit: 1},
			&correlate.Announced{On: on, Why: "raised"},
		}
	case m.rnd.IntN(3) == 0:
		in.Observations = []correlate.Observation{{Key: key, What: correlate.Raise, Severity: severity, Rule: "power.yaml:12 mains"}}
		r.Events = []correlate.Event{&correlate.Repeated{On: on}}
	default:
		m.standing[key] = false
		in.Observations = []correlate.Observation{{Key: key, What: correlate.Clear, Text: "Mains present", Rule: "power.yaml:19 mains back"}}
		r.Events = []correlate.Event{&correlate.AlarmCleared{On: on, Text: "Mains present", Since: m.at, Merit: 1}}
	}
	return r
}

// arrival makes a notification of some 200 octets, half of which differ from
// one to the next.
func (m *Maker) arrival(site int) *correlate.Arrival {
	datagram := make([]byte, 0, 226)
	for len(datagram) < 120 {
		datagram = append(datagram, "0\x82\x00\xda\x02\x01\x00\x04\x06\x06\x0a\x2b\x06\x01\x04\x01\x82\xfd\xd9"...)
	}
	for len(datagram) < 218 {
		datagram = binary.BigEndian.AppendUint64(datagram, m.rnd.Uint64()>>24)
	}
	return &correlate.Arrival{
		Datagram: datagram, From: fmt.Sprintf("192.0.2.%d:16%d", site+1, m.rnd.IntN(900)+100), Listener: "main", Version: "v2c",
		Origin: fmt.Sprintf("192.0.2.%d", site+1), Agent: correlate.AgentID(fmt.Sprintf("remote-%d", site)),
		TrapOID: "1.3.6.1.4.1.32473.1.0.1", Uptime: uint32(m.at.Unix()), HasUptime: true, RequestID: int32(m.rnd.Uint32() >> 1),
	}
}

// Tend runs the store's upkeep until every full segment is sealed.
func Tend(tb testing.TB, s *store.Store) {
	tb.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- s.Tend(ctx) }()
	tick := time.NewTicker(time.Millisecond)
	defer tick.Stop()
	for deadline := time.Now().Add(30 * time.Second); !s.Tended(); <-tick.C {
		if time.Now().After(deadline) {
			tb.Error("the store's upkeep did not end within 30 s")
			break
		}
	}
	cancel()
	if err := <-ended; err != nil {
		tb.Errorf("tend: %v", err)
	}
}
