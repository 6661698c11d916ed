package receiver

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"net/netip"
	"runtime"
	"sync/atomic"
	"testing"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/receiver/snmp"
	"example.net/standwatch/receiver/usm"
	"github.com/google/go-cmp/cmp"
	"golang.org/x/time/rate"
)

// twelve are the datagrams of limits.md, last section, that can be sent as they
// are, and what must become of them. Those that need keys are in
// TestTwelveWithKeys, and in the tests of informs.
func twelve(t testing.TB) []struct {
	name     string
	datagram []byte
	fate     Fate
} {
	rec := recorded(t)
	edit := func(d []byte, old, new string) []byte {
		was := unhex(t, old)
		if bytes.Count(d, was) != 1 {
			t.Fatalf("%s is there %d times", old, bytes.Count(d, was))
		}
		return bytes.Replace(bytes.Clone(d), was, unhex(t, new), 1)
	}
	v2 := edit(rec["v2c_linkDown"], "7075626c6963", "7075626c6963")
	v3 := rec["v3_noauth_coldStart"]
	return []struct {
		name     string
		datagram []byte
		fate     Fate
	}{
		{"1: a length near 2^63", unhex(t, "3020020101040474657374a71502010002010002010030"+"0a30887fffffffffffffff"), Truncated},
		{"2: seven octets", unhex(t, "30050201030400"), BadHeader},
		{"3: security model 1", edit(v3, "0401000201030423", "0401000201010423"), UnknownModel},
		{"3: security model 2", edit(v3, "0401000201030423", "0401000201020423"), UnknownModel},
		{"3: another user", v3, UnknownUser},
		{"6: flags 0", edit(v3, "706c61696e75736572", "666163747375736572"), WeakLevel},
		{"6: version 2", edit(v2, "02010104067075626c6963", "02010204067075626c6963"), BadVersion},
		{"6: version 4", edit(v2, "02010104067075626c6963", "02010404067075626c6963"), BadVersion},
		{"6: version 77", edit(v2, "02010104067075626c6963", "02014d04067075626c6963"), BadVersion},
		{"11: a GetRequest", edit(v2, "a76a", "a06a"), NotNotified},
		{"11: a Response", edit(v2, "a76a", "a26a"), NotNotified},
		{"12: an octet string that says too much", edit(v2, "2b060102010202010807020102", "2b060102010202010807047f02"), Truncated},
		{"12: IPv6 in pieces", edit(v2, "2b060102010202010807020102", "2b060102010202010807400102"), BadValue},
	}
}

// The reproduced failures of limits.md, last section, over the wire to a running
// receiver, which must go on.
func TestTwelveOverTheWire(t *testing.T) {
	j := &journal{}
	o := withUser(t, j)
	o.Config.Agents[0].MinLevel = 0
	o.Config.Agents[0].EngineIDs = [][]byte{factsEngine}
	o.Config.Users[0].EngineIDs = [][]byte{factsEngine}
	o.Config.Policies[0].Communities = []Secret{"public"}
	r := start(t, o)
	conn := dial(t, r, "north")
	n := uint64(0)
	for _, c := range twelve(t) {
		send(t, conn, c.datagram)
		n++
		before := r.Accounts().Listeners[0].Tally
		after := settled(t, r, n)
		if after.Tally[c.fate] == 0 {
			t.Errorf("%s: fates %v", c.name, r.Quarantine()[0])
		}
		if k := r.Quarantine()[0]; k.Fate != c.fate || k.Why == "" || !bytes.Equal(k.Octets, c.datagram) {
			t.Errorf("%s: kept as %s (%s), want %s; fates before %v", c.name, k.Fate, k.Why, c.fate, before)
		}
	}
	silent(t, conn)
	if len(j.arrivals()) != 0 {
		t.Errorf("%d arrivals, want none", len(j.arrivals()))
	}
	send(t, conn, trap(t, snmp.Build{Community: "public"}))
	if got := settled(t, r, n+1).Tally[Matched]; got != 1 {
		t.Error("the receiver does not go on")
	}
}

// 4: forged engine IDs are refused by their reason, however many. That they cost
// no key derivation and leave nothing is in TestUnknownEngineCostsNothing of
// package usm, by allocations rather than by the clock.
func TestForgedEngineIDs(t *testing.T) {
	j := &journal{}
	o := withUser(t, j)
	o.Config.Agents[0].Addresses = []netip.Addr{netip.MustParseAddr("192.0.2.1")} // the forger is no agent
	o.Config.Users[0].Priv = usm.AES256C                                          // the dearest keys to derive
	r := start(t, o)
	rec := recorded(t)["v3_authPriv_SHA256_AES128"]
	var forged [][]byte
	for i := range 1000 {
		d := bytes.Clone(rec)
		at := bytes.Index(d, factsEngine)
		copy(d[at+5:], fmt.Sprintf("%05d", i))
		forged = append(forged, d)
	}
	if _, err := Burst(context.Background(), dial(t, r, "north"), forged, BurstOptions{}); err != nil {
		t.Fatal(err)
	}
	if got := settled(t, r, 1000).Tally[UnknownEngine]; got != 1000 {
		t.Errorf("%d refused, want 1000", got)
	}
}

func TestInternalFaultEndsOneDatagramOnly(t *testing.T) {
	j := &journal{}
	o := base(t, j)
	o.Offer = func(in *correlate.Arrival, done func(correlate.Seq, error)) bool {
		if in.TrapOID == cleared.String() {
			panic("a fault of ours")
		}
		return j.offer(in, done)
	}
	r := start(t, o)
	conn := dial(t, r, "north")
	inform := trap(t, snmp.Build{TrapOID: cleared, Inform: true})
	send(t, conn, trap(t, snmp.Build{TrapOID: cleared}), inform, inform, trap(t, snmp.Build{}))
	if diff := cmp.Diff(tally(map[Fate]uint64{Faulty: 3, Matched: 1}), settled(t, r, 4).Tally); diff != "" {
		t.Errorf("fates: %s", diff)
	}
	silent(t, conn)
	if k := r.Quarantine(); len(k) != 3 || k[0].Fate != Faulty || k[0].Why != "internal fault: a fault of ours" {
		t.Errorf("quarantine %+v", k)
	}
}

// slow is a journal that takes what it is given in another goroutine, a batch at
// a time, as the ledger does, and fails every failEach-th.
type slow struct {
	work     chan func()
	failEach uint64
	n        atomic.Uint64
}

func newSlow(t *testing.T, room int, failEach uint64) *slow {
	s := &slow{work: make(chan func(), room), failEach: failEach}
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		for f := range s.work {
			f()
		}
	}()
	t.Cleanup(func() { close(s.work); <-ended })
	return s
}

func (s *slow) offer(_ *correlate.Arrival, done func(correlate.Seq, error)) bool {
	n := s.n.Add(1)
	select {
	case s.work <- func() {
		if s.failEach > 0 && n%s.failEach == 0 {
			done(0, errDisk)
			return
		}
		done(correlate.Seq(n), nil)
	}:
		return true
	default:
		return false
	}
}

// Run ends under load: no goroutine is left (TestMain), everything that was read
// has a fate, and every inform that became durable is answered.
func TestEndUnderLoad(t *testing.T) {
	s := newSlow(t, 4096, 0)
	o := base(t, &journal{})
	o.Offer = s.offer
	r, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	conn := dial(t, r, "north")
	var informs [][]byte
	for i := range 2000 {
		informs = append(informs, trap(t, snmp.Build{Inform: true, RequestID: int32(i)}))
	}
	ctx, stop := context.WithCancel(context.Background())
	ended, sending := make(chan error, 1), make(chan error, 1)
	go func() { ended <- r.Run(ctx) }()
	go func() {
		_, err := Burst(ctx, conn, informs, BurstOptions{Count: 50_000_000, Rate: 20_000})
		sending <- err
	}()
	until(t, "some to be matched", func() bool { return r.Accounts().Listeners[0].Tally[Matched] > 500 })
	stop()
	if err := <-ended; err != nil {
		t.Error(err)
	}
	if err := <-sending; !errors.Is(err, context.Canceled) {
		t.Error(err)
	}
	a := r.Accounts()
	l := a.Listeners[0]
	if l.InFlight != 0 || l.Arrived != l.Tally.Sum() {
		t.Errorf("arrived %d, fates %d", l.Arrived, l.Tally.Sum())
	}
	// Each matched one was answered, and so were those sent again after that;
	// copies of one in flight share its answer.
	if a.AnswersSent < l.Tally[Matched] || a.AnswersSent > l.Tally[Matched]+l.Tally[Repeated] || a.AnswersLost != 0 {
		t.Errorf("matched %d, repeated %d, answers sent %d, lost %d", l.Tally[Matched], l.Tally[Repeated], a.AnswersSent, a.AnswersLost)
	}
}

func TestRunSaysWhatIsStillOpen(t *testing.T) {
	j := &journal{holds: true}
	o := base(t, j)
	o.Linger = time.Millisecond
	r, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- r.Run(ctx) }()
	send(t, dial(t, r, "north"), trap(t, snmp.Build{Inform: true}))
	until(t, "the offer", func() bool { return len(j.arrivals()) == 1 })
	stop()
	if err := <-ended; err == nil {
		t.Error("Run ended well with a commit open")
	}
	j.release(nil) // too late to be answered, and harmless
	if l := r.Accounts().Listeners[0]; l.Tally[Matched] != 1 || l.InFlight != 0 {
		t.Errorf("fates %v", l.Tally)
	}
	if err := r.Run(ctx); err == nil {
		t.Error("it ran twice")
	}
}

func TestFullQueueIsCounted(t *testing.T) {
	release := make(chan struct{})
	o := base(t, &journal{})
	o.Workers, o.QueueLen = 1, 4
	o.Offer = func(_ *correlate.Arrival, done func(correlate.Seq, error)) bool {
		<-release // a worker that is stuck
		done(1, nil)
		return true
	}
	r := start(t, o)
	datagrams := [][]byte{trap(t, snmp.Build{})}
	if _, err := Burst(context.Background(), dial(t, r, "north"), datagrams, BurstOptions{Count: 300}); err != nil {
		t.Fatal(err)
	}
	until(t, "the overflow", func() bool {
		l := r.Accounts().Listeners[0]
		return l.Arrived == 300 && l.Tally[QueueFull] > 100
	})
	close(release)
	a := settled(t, r, 300)
	if a.Tally[QueueFull]+a.Tally[Matched] != 300 || a.Tally[Matched] == 0 {
		t.Errorf("fates %v", a.Tally)
	}
}

// An agent that screams is held to its rate, nothing of another is lost, and the
// last state of each of its points gets through.
func TestScreamingAgentIsCoalesced(t *testing.T) {
	j := &journal{}
	screams := make(chan bool, 10)
	o := base(t, j)
	o.Config.Agents[0].Rate, o.Config.Agents[0].Burst = 200, 20
	o.Screaming = func(id correlate.AgentID, over bool) {
		if id != harrow {
			t.Errorf("agent %s", id)
		}
		screams <- over
	}
	r := start(t, o)
	conn := dial(t, r, "north")
	const points, rounds = 5, 200
	var all [][]byte
	for n := range rounds {
		for p := range points {
			oid := raised
			if n%2 == 1 || n == rounds-1 {
				oid = cleared
			}
			if p == 3 && n == rounds-1 {
				oid = raised
			}
			all = append(all, trap(t, snmp.Build{TrapOID: oid, Uptime: uint32(n), Varbinds: []snmp.Varbind{snmp.Integer(panelIndex.Append(1), int32(p))}}))
		}
	}
	if _, err := Burst(context.Background(), conn, all, BurstOptions{}); err != nil {
		t.Fatal(err)
	}
	a := settled(t, r, points*rounds)
	if a.Tally[Matched]+a.Tally[Coalesced] != points*rounds || a.Tally[Matched] > 200 || a.Tally[Matched] < 20+points {
		t.Errorf("fates %v", a.Tally)
	}
	last := map[string]*correlate.Arrival{}
	uptime := uint32(0)
	for _, in := range j.arrivals() {
		if in.Uptime < uptime {
			t.Errorf("uptime %d after %d: the order is lost", in.Uptime, uptime)
		}
		uptime = in.Uptime
		last[in.Observations[0].Key.Instance] = in
	}
	for instance, in := range last {
		want := correlate.Clear
		if instance == "3" {
			want = correlate.Raise
		}
		if in.Uptime != rounds-1 || in.Observations[0].What != want {
			t.Errorf("point %s ends with %s of round %d, want %s of the last", instance, in.Observations[0].What, in.Uptime, want)
		}
	}
	if len(last) != points {
		t.Errorf("%d points heard, want %d", len(last), points)
	}
	if over := <-screams; !over {
		t.Error("the first word is that it is over")
	}
	if over := <-screams; over {
		t.Error("it did not come back")
	}
	if r.Accounts().Agents[0].Screaming {
		t.Error("still screaming")
	}
}

// An inform over the rate is not answered, so that its sender keeps it.
func TestInformOverTheRate(t *testing.T) {
	j := &journal{}
	o := base(t, j)
	o.Config.Agents[0].Rate, o.Config.Agents[0].Burst = 0.001, 1
	r := start(t, o)
	conn := dial(t, r, "north")
	send(t, conn, trap(t, snmp.Build{Inform: true, RequestID: 1}), trap(t, snmp.Build{Inform: true, RequestID: 2}), trap(t, snmp.Build{}))
	receive(t, conn)
	until(t, "the refusal", func() bool { return r.Accounts().Listeners[0].Tally[OverRate] == 1 })
	silent(t, conn)
	if a := r.Accounts().Listeners[0]; a.Tally[Matched] != 1 || a.InFlight != 1 {
		t.Errorf("fates %v, in flight %d", a.Tally, a.InFlight)
	}
	// What is held back goes out when the rate is lifted.
	o.Config.Agents = []Agent{{ID: harrow, Addresses: []netip.Addr{loopback}}}
	if err := r.Use(o.Config); err != nil {
		t.Fatal(err)
	}
	if got := settled(t, r, 3).Tally[Matched]; got != 2 {
		t.Errorf("%d matched, want 2", got)
	}
}

func TestUnknownSourcesAreBounded(t *testing.T) {
	var s sourceMeters
	now := time.Unix(1_800_000_000, 0)
	addr := func(n int) netip.Addr { return netip.AddrFrom4([4]byte{198, 51, byte(n >> 8), byte(n)}) }
	for n := range maxSources + 100 {
		s.settle(addr(n), Unmatched, now)
		s.settle(addr(0), Truncated, now) // goes on, so it stays
	}
	list, others := s.read()
	if len(list) != maxSources || list[0].Source != addr(0) || list[0].Tally[Truncated] != maxSources+100 {
		t.Errorf("%d by name, newest %+v", len(list), list[0])
	}
	sum := others
	for _, x := range list {
		for f, n := range x.Tally {
			sum[f] += n
		}
	}
	if diff := cmp.Diff(tally(map[Fate]uint64{Unmatched: maxSources + 100, Truncated: maxSources + 100}), sum); diff != "" {
		t.Errorf("sum: %s", diff)
	}
}

func TestSourceLimitsAreBounded(t *testing.T) {
	var s sourceLimits
	now := time.Unix(1_800_000_000, 0)
	passed := 0
	for n := range 3 * maxSources {
		if s.take(netip.AddrFrom4([4]byte{198, 51, byte(n >> 8), byte(n)}), now, rate.Limit(1), 2) {
			passed++
		}
	}
	if len(s.by) != maxSources || passed != maxSources+2 {
		t.Errorf("%d buckets, %d passed", len(s.by), passed)
	}
	if !s.take(netip.MustParseAddr("192.0.2.1"), now.Add(time.Minute), rate.Limit(1), 2) || len(s.by) != 1 {
		t.Errorf("%d buckets after a quiet minute, want 1", len(s.by))
	}
}

// Every reason and verdict there is has a fate of its own that refuses.
func TestEveryRefusalHasAFate(t *testing.T) {
	seen := map[Fate]string{}
	check := func(f Fate, name string) {
		if !f.Refusal() || f == Faulty || seen[f] != "" {
			t.Errorf("%s: %s, already that of %q", name, f, seen[f])
		}
		seen[f] = name
	}
	for r := snmp.NotSNMP; int(r) < snmp.ReasonCount; r++ {
		check(decodeFate(r), r.String())
	}
	for v := usm.UnknownSecurityModel; v < usm.Verdicts; v++ {
		check(verdictFate(v), v.String())
	}
	words := map[string]bool{}
	for _, f := range Fates() {
		if f.String() == "" || words[f.Word()] {
			t.Errorf("fate %d: word %q is empty or taken", f, f.Word())
		}
		words[f.Word()] = true
	}
}

// A reader does not allocate.
func TestReadingDoesNotAllocate(t *testing.T) {
	o := base(t, &journal{})
	o.Listeners[0].Address = netip.MustParseAddrPort("0.0.0.0:0") // with local addresses, the dearest case
	r, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	sock, conn, datagram := r.listeners[0].sockets[0], dial(t, r, "north"), trap(t, snmp.Build{})
	q := newQueue(1024)
	b, got := &batch{}, 0
	reader := newBatchReader(sock, func(in []incoming) {
		if in[0].to != loopback || !bytes.Equal(in[0].octets, datagram) {
			t.Errorf("%x, sent to %v", in[0].octets, in[0].to)
		}
		q.push(sock, in, 1, 0)
		got += len(in)
	})
	allocs := testing.AllocsPerRun(100, func() {
		for range 10 {
			if _, err := conn.Write(datagram); err != nil {
				t.Error(err)
			}
		}
		for got = 0; got < 5; {
			if err := reader.read(); err != nil {
				t.Fatal(err)
			}
		}
		for got < 10 {
			reader.look()
		}
		b = q.take(b)
	})
	if allocs > 0 {
		t.Errorf("%.1f allocations for 10 datagrams", allocs)
	}
}

// Informs to a socket that is bound to all addresses are answered from the one
// they were sent to.
func TestAnswerComesFromTheAddressAsked(t *testing.T) {
	o := base(t, &journal{})
	o.Listeners[0].Address = netip.MustParseAddrPort("0.0.0.0:0")
	o.Listeners = append(o.Listeners, Listener{Name: "six", Address: netip.MustParseAddrPort("[::]:0")})
	o.Config.Policies = append(o.Config.Policies, Policy{Listener: "six", Communities: []Secret{community}})
	r := start(t, o)
	for _, to := range []netip.AddrPort{
		netip.AddrPortFrom(netip.MustParseAddr("127.0.0.77"), r.Addresses()["north"].Port()),
		netip.AddrPortFrom(netip.MustParseAddr("::1"), r.Addresses()["six"].Port()),
	} {
		conn := dialTo(t, to) // connected: the kernel drops what comes from elsewhere
		send(t, conn, trap(t, snmp.Build{Inform: true}))
		receive(t, conn)
	}
}

func BenchmarkListenToArrival(b *testing.B) {
	o := base(b, &journal{})
	var n atomic.Uint64
	o.Offer = func(_ *correlate.Arrival, done func(correlate.Seq, error)) bool {
		n.Add(1)
		done(1, nil)
		return true
	}
	o.Workers = runtime.GOMAXPROCS(0)
	r := start(b, o)
	conn := dial(b, r, "north")
	datagrams := [][]byte{trap(b, snmp.Build{})}
	b.ReportAllocs()
	for b.Loop() {
		// As many as the queue surely holds, so that none is lost.
		before := n.Load()
		if _, err := Burst(context.Background(), conn, datagrams, BurstOptions{Count: 1000}); err != nil {
			b.Fatal(err)
		}
		for n.Load() < before+1000 {
			runtime.Gosched()
		}
	}
	b.ReportMetric(float64(n.Load())/b.Elapsed().Seconds(), "datagrams/s")
}
