package receiver

import (
	"context"
	"encoding/hex"
	"encoding/json"
	"errors"
	"io"
	"net"
	"net/netip"
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/receiver/rules"
	"example.net/standwatch/receiver/snmp"
	"example.net/standwatch/receiver/usm"
	"github.com/rs/zerolog"
)

const (
	patience  = time.Minute // no wait of a test lasts longer
	community = "kestrel"
	harrow    = correlate.AgentID("harrow-remote")
)

var (
	ownEngine   = []byte("\x80\x00\x7e\xd9\x04master")
	factsEngine = []byte("\x80\x00\x7e\xd9\x04facts") // of the recorded messages (standards.md 2.9)
	raised      = snmp.MustOID("1.3.6.1.4.1.32473.9.0.1")
	cleared     = snmp.MustOID("1.3.6.1.4.1.32473.9.0.2")
	unruled     = snmp.MustOID("1.3.6.1.4.1.32473.9.0.3")
	panelIndex  = snmp.MustOID("1.3.6.1.4.1.32473.9.1.1")
	loopback    = netip.MustParseAddr("127.0.0.1")
	factsUser   = usm.User{Name: "factsuser", Auth: usm.SHA256, Priv: usm.AES128, AuthPass: "maplesyrup", PrivPass: "maplesyrup"}
)

// journal stands where the ledger does: it takes arrivals and says when they
// are durable.
type journal struct {
	mu    sync.Mutex // guards what follows
	taken []*correlate.Arrival
	waits []func(correlate.Seq, error)
	holds bool  // keep what is taken waiting
	fails error // what commits end with
	full  bool  // take nothing
}

var errDisk = errors.New("no space left on device")

func (j *journal) offer(in *correlate.Arrival, done func(correlate.Seq, error)) bool {
	j.mu.Lock()
	if j.full {
		j.mu.Unlock()
		return false
	}
	j.taken = append(j.taken, in)
	seq, err, holds := correlate.Seq(len(j.taken)), j.fails, j.holds
	if holds {
		j.waits = append(j.waits, done)
	}
	j.mu.Unlock()
	if !holds {
		done(seq, err)
	}
	return true
}

// set changes how the journal behaves.
func (j *journal) set(change func(j *journal)) {
	j.mu.Lock()
	defer j.mu.Unlock()
	change(j)
}

// release ends everything that was kept waiting.
func (j *journal) release(err error) {
	j.mu.Lock()
	waits := j.waits
	j.waits, j.holds = nil, false
	j.mu.Unlock()
	for i, done := range waits {
		done(correlate.Seq(i+1), err)
	}
}

func (j *journal) arrivals() []*correlate.Arrival {
	j.mu.Lock()
	defer j.mu.Unlock()
	return append([]*correlate.Arrival(nil), j.taken...)
}

// lines counts what is written to a log.
type lines struct {
	mu sync.Mutex // guards n
	n  int
}

func (l *lines) Write(b []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.n++
	return len(b), nil
}

func (l *lines) count() int {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.n
}

func network(t testing.TB) *correlate.Network {
	t.Helper()
	points := map[correlate.PointID]*correlate.Point{"mains": {ID: "mains", Kind: correlate.Discrete, Severity: correlate.Major, AlarmWord: "Mains failed"}}
	net, err := correlate.NewNetwork(
		[]*correlate.Site{{ID: "harrow", Name: "Harrow Knoll", Points: points, Agents: []correlate.AgentID{harrow, "tern-remote"}}},
		[]*correlate.Agent{{ID: harrow, Site: "harrow"}, {ID: "tern-remote", Site: "harrow"}}, "test")
	if err != nil {
		t.Fatal(err)
	}
	return net
}

func ruleSet(t testing.TB, net *correlate.Network) *rules.Set {
	t.Helper()
	at := func(line int) rules.Pos { return rules.Pos{File: "test.yaml", Line: line, Column: 1} }
	spec := func(line int, name string, on snmp.OID, what string) rules.Spec {
		return rules.Spec{Pos: at(line), Name: name, On: on.String(),
			Observe: []rules.Observe{{Pos: at(line + 1), Point: "mains", Instance: "${#1}", What: what}}}
	}
	set, problems := rules.Compile([]rules.Spec{
		spec(1, "raised", raised, "raise"), spec(5, "cleared", cleared, "clear"),
		{Pos: at(9), Name: "cold", On: "1.3.6.1.6.3.1.1.5.1", Ignore: "only the restart matters"},
	}, rules.Options{Network: net})
	for _, p := range problems {
		t.Fatal(p)
	}
	return set
}

// base is a listener on loopback that takes the community, and an agent there.
func base(t testing.TB, j *journal) Options {
	t.Helper()
	net := network(t)
	return Options{
		Listeners: []Listener{{Name: "north", Address: netip.MustParseAddrPort("127.0.0.1:0")}},
		Config: Config{
			Policies: []Policy{{Listener: "north", Communities: []Secret{community}}},
			Agents:   []Agent{{ID: harrow, Addresses: []netip.Addr{loopback}}},
			Rules:    ruleSet(t, net), Network: net,
		},
		Offer: j.offer, Identity: Identity{EngineID: ownEngine, Boots: 7}, Now: time.Now, Log: zerolog.New(io.Discard), Workers: 2,
	}
}

// start runs a receiver until the test ends, and then checks that it ended well
// and that its books balance.
func start(t testing.TB, o Options) *Receiver {
	t.Helper()
	r, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- r.Run(ctx) }()
	t.Cleanup(func() {
		stop()
		if err := <-ended; err != nil {
			t.Errorf("Run: %v", err)
		}
		for _, l := range r.Accounts().Listeners {
			if l.InFlight != 0 || l.Arrived != l.Tally.Sum() {
				t.Errorf("listener %s at the end: arrived %d, fates %d, in flight %d", l.Name, l.Arrived, l.Tally.Sum(), l.InFlight)
			}
		}
	})
	return r
}

// dial returns a socket that talks to a listener.
func dial(t testing.TB, r *Receiver, listener string) *net.UDPConn {
	t.Helper()
	to := r.Addresses()[listener]
	if to.Addr().IsUnspecified() {
		to = netip.AddrPortFrom(loopback, to.Port())
	}
	return dialTo(t, to)
}

func send(t testing.TB, conn *net.UDPConn, datagrams ...[]byte) {
	t.Helper()
	for _, d := range datagrams {
		if _, err := conn.Write(d); err != nil {
			t.Fatal(err)
		}
	}
}

// receive returns the next datagram that comes back.
func receive(t testing.TB, conn *net.UDPConn) []byte {
	t.Helper()
	if err := conn.SetReadDeadline(time.Now().Add(patience)); err != nil {
		t.Fatal(err)
	}
	b := make([]byte, maxDatagram)
	n, err := conn.Read(b)
	if err != nil {
		t.Fatalf("no answer: %v", err)
	}
	return b[:n]
}

// silent checks that nothing more came back. The receiver must have ended with
// everything that was sent before; what it answers is then in the socket.
func silent(t testing.TB, conn *net.UDPConn) {
	t.Helper()
	if err := conn.SetReadDeadline(time.Now().Add(20 * time.Millisecond)); err != nil {
		t.Fatal(err)
	}
	b := make([]byte, maxDatagram)
	if n, err := conn.Read(b); err == nil {
		t.Errorf("an answer where none must be: %x", b[:n])
	}
}

// until waits for something that other goroutines bring about.
func until(t testing.TB, what string, cond func() bool) {
	t.Helper()
	limit := time.NewTimer(patience)
	defer limit.Stop()
	poll := time.NewTicker(time.Millisecond)
	defer poll.Stop()
	for !cond() {
		select {
		case <-poll.C:
		case <-limit.C:
			t.Fatalf("waited in vain for %s", what)
		}
	}
}

// settled waits until a listener has read n datagrams and ended with all, and
// returns its books.
func settled(t testing.TB, r *Receiver, n uint64) ListenerAccount {
	t.Helper()
	var a ListenerAccount
	until(t, "the datagrams to be settled", func() bool {
		a = r.Accounts().Listeners[0]
		return a.Arrived == n && a.InFlight == 0
	})
	return a
}

// tally returns a Tally of the given fates.
func tally(of map[Fate]uint64) (t Tally) {
	for f, n := range of {
		t[f] = n
	}
	return t
}

// trap returns a v2c trap about an instance of the point mains.
func trap(t testing.TB, b snmp.Build) []byte {
	t.Helper()
	if b.Version == 0 && b.AgentAddr == (netip.Addr{}) {
		b.Version = snmp.V2c
	}
	if b.Community == "" {
		b.Community = community
	}
	if b.TrapOID == "" {
		b.TrapOID = raised
	}
	if b.Varbinds == nil {
		b.Varbinds = []snmp.Varbind{snmp.Integer(panelIndex.Append(1), 1)}
	}
	out, err := b.Append(nil)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func recorded(t testing.TB) map[string][]byte {
	t.Helper()
	text, err := os.ReadFile("../testdata/traces.json")
	if err != nil {
		t.Fatal(err)
	}
	var hexes map[string]string
	if err := json.Unmarshal(text, &hexes); err != nil {
		t.Fatal(err)
	}
	out := map[string][]byte{}
	for name, h := range hexes {
		out[name] = unhex(t, h)
	}
	return out
}

func unhex(t testing.TB, h string) []byte {
	t.Helper()
	b, err := hex.DecodeString(h)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func dialTo(t testing.TB, to netip.AddrPort) *net.UDPConn {
	t.Helper()
	return dialFrom(t, netip.Addr{}, to)
}

// dialFrom is dialTo from an own address.
func dialFrom(t testing.TB, from netip.Addr, to netip.AddrPort) *net.UDPConn {
	t.Helper()
	var local *net.UDPAddr
	if from.IsValid() {
		local = net.UDPAddrFromAddrPort(netip.AddrPortFrom(from, 0))
	}
	conn, err := net.DialUDP("udp", local, net.UDPAddrFromAddrPort(to))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := conn.Close(); err != nil {
			t.Error(err)
		}
	})
	return conn
}

func hexOf(b []byte) string { return hex.EncodeToString(b) }

func hexLen(b []byte) string { return hexOf([]byte{byte(len(b))}) }

func contains(text, part string) bool { return strings.Contains(text, part) }
