package receiver

import (
	"bytes"
	"context"
	"net"
	"net/netip"
	"slices"
	"strings"
	"testing"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/receiver/snmp"
	"github.com/google/go-cmp/cmp"
	"github.com/rs/zerolog"
)

func TestTrapBecomesAnArrival(t *testing.T) {
	j := &journal{}
	r := start(t, base(t, j))
	conn := dial(t, r, "north")
	datagram := trap(t, snmp.Build{Uptime: 4711})
	send(t, conn, datagram)
	a := settled(t, r, 1)
	if diff := cmp.Diff(tally(map[Fate]uint64{Matched: 1}), a.Tally); diff != "" {
		t.Errorf("fates: %s", diff)
	}
	if a.Octets != uint64(len(datagram)) || a.Newest.IsZero() {
		t.Errorf("account %+v", a)
	}
	want := []*correlate.Arrival{{
		Datagram: datagram, From: conn.LocalAddr().String(), Listener: "north", Version: "v2c", Origin: "127.0.0.1", Agent: harrow,
		TrapOID: raised.String(), Uptime: 4711, HasUptime: true,
		Observations: []correlate.Observation{{Key: correlate.Key{Site: "harrow", Point: "mains", Instance: "1"}, What: correlate.Raise, Rule: "test.yaml:1 raised"}},
	}}
	if diff := cmp.Diff(want, j.arrivals()); diff != "" {
		t.Errorf("arrivals: %s", diff)
	}
	if got := r.Accounts().Agents; len(got) != 1 || got[0].Agent != harrow || got[0].Tally[Matched] != 1 {
		t.Errorf("agents' books: %+v", got)
	}
}

// The recorded messages (standards.md 1.4 and 2.9) were made by an independent
// encoder.
func TestRecordedMessages(t *testing.T) {
	j := &journal{}
	o := base(t, j)
	o.Config.Policies[0].Communities = []Secret{"public"}
	o.Config.Agents[0].EngineIDs = [][]byte{factsEngine}
	user := factsUser
	user.EngineIDs = [][]byte{factsEngine}
	o.Config.Users = append(o.Config.Users, user)
	r := start(t, o)
	conn := dial(t, r, "north")
	rec := recorded(t)
	send(t, conn, rec["v1_linkDown"], rec["v1_ups_enterprise_specific"], rec["v2c_ups_alarm_added"], rec["v3_authPriv_SHA256_AES128"],
		rec["v3_authPriv_SHA256_AES128"], rec["v3_authNoPriv_SHA256"], rec["v3_authNoPriv_MD5"])
	a := settled(t, r, 7)
	// A v3 message sent twice is a replay; authNoPriv is below the user's own
	// level; another protocol's digest has another length.
	want := tally(map[Fate]uint64{Unmatched: 3, Matched: 1, Replayed: 1, WeakLevel: 1, WrongDigest: 1})
	if diff := cmp.Diff(want, a.Tally); diff != "" {
		t.Errorf("fates: %s", diff)
	}
	var oids []string
	for _, in := range j.arrivals() {
		oids = append(oids, in.TrapOID)
		if in.Version == "v3" && (in.Security != "factsuser authPriv" || !bytes.Equal(in.EngineID, factsEngine) || in.Boots != 1 || in.EngineTime != 100 || !in.Restart) {
			t.Errorf("v3 arrival %+v", in)
		}
		if in.Version == "v1" && in.Origin != "192.0.2.10" {
			t.Errorf("v1 origin %s, want the agent-addr", in.Origin)
		}
	}
	wantOIDs := []string{"1.3.6.1.6.3.1.1.5.3", "1.3.6.1.2.1.33.2.0.3", "1.3.6.1.2.1.33.2.3", "1.3.6.1.6.3.1.1.5.1"}
	if diff := cmp.Diff(wantOIDs, oids); diff != "" {
		t.Errorf("trap OIDs, one agent's in order: %s", diff)
	}
	if c := r.Clocks(); len(c) != 1 || c[0].Boots != 1 || c[0].Time < 100 {
		t.Errorf("clocks %+v", c)
	}
}

func TestAllowList(t *testing.T) {
	j := &journal{}
	o := base(t, j)
	o.Config.Policies[0].Allow = []netip.Prefix{netip.MustParsePrefix("192.0.2.0/24")}
	r := start(t, o)
	conn := dial(t, r, "north")
	send(t, conn, trap(t, snmp.Build{}), []byte("not even looked at"))
	if diff := cmp.Diff(tally(map[Fate]uint64{NotAllowed: 2}), settled(t, r, 2).Tally); diff != "" {
		t.Errorf("fates: %s", diff)
	}
	o.Config.Policies = []Policy{{Listener: "north", Allow: []netip.Prefix{netip.MustParsePrefix("127.0.0.0/8")}, Communities: []Secret{community}}}
	if err := r.Use(o.Config); err != nil {
		t.Fatal(err)
	}
	send(t, conn, trap(t, snmp.Build{}))
	if got := settled(t, r, 3).Tally[Matched]; got != 1 {
		t.Errorf("after the change %d matched, want 1", got)
	}
}

func TestCommunities(t *testing.T) {
	j := &journal{}
	o := base(t, j)
	o.Config.Policies[0].Communities = []Secret{"other", community}
	o.Listeners = append(o.Listeners, Listener{Name: "closed", Address: o.Listeners[0].Address})
	r := start(t, o)
	conn, closed := dial(t, r, "north"), dial(t, r, "closed")
	for _, c := range []string{community, "other", "kestre", "kestrel2", "Kestrel", "public"} {
		send(t, conn, trap(t, snmp.Build{Community: c}))
	}
	if diff := cmp.Diff(tally(map[Fate]uint64{Matched: 2, WrongCommunity: 4}), settled(t, r, 6).Tally); diff != "" {
		t.Errorf("fates: %s", diff)
	}
	// A listener without a policy takes no community at all.
	send(t, closed, trap(t, snmp.Build{}))
	until(t, "the refusal", func() bool { return r.Accounts().Listeners[1].Tally[WrongCommunity] == 1 })
	for _, k := range r.Quarantine() {
		if strings.Contains(k.Why, "kestre") {
			t.Errorf("a community is told: %q", k.Why)
		}
	}
	// An agent's own communities stand in place of the listener's.
	o.Config.Agents[0].Communities = []Secret{"mine"}
	if err := r.Use(o.Config); err != nil {
		t.Fatal(err)
	}
	send(t, conn, trap(t, snmp.Build{}), trap(t, snmp.Build{Community: "mine"}))
	if diff := cmp.Diff(tally(map[Fate]uint64{Matched: 3, WrongCommunity: 5}), settled(t, r, 8).Tally); diff != "" {
		t.Errorf("fates: %s", diff)
	}
}

func TestEmptyCommunityIsNoCommunity(t *testing.T) {
	j := &journal{}
	o := base(t, j)
	o.Config.Policies[0].Communities = nil
	r := start(t, o)
	// version 1, community "", Trap-PDU with an empty content
	send(t, dial(t, r, "north"), unhex(t, "30070201010400a700"), unhex(t, "302502010104000a0b"))
	if got := settled(t, r, 2).Tally.Refused(); got != 2 {
		t.Errorf("%d refused, want 2", got)
	}
}

func TestMinimumLevel(t *testing.T) {
	j := &journal{}
	o := base(t, j)
	o.Config.Agents[0].MinLevel = 3
	o.Config.Agents[0].EngineIDs = [][]byte{factsEngine}
	user := factsUser
	user.EngineIDs, user.MinLevel = [][]byte{factsEngine}, 1 // the user may, the agent must not
	o.Config.Users = append(o.Config.Users, user)
	r := start(t, o)
	rec := recorded(t)
	v1 := trap(t, snmp.Build{Version: snmp.V1, AgentAddr: netip.MustParseAddr("192.0.2.9")})
	claim := trap(t, snmp.Build{Varbinds: []snmp.Varbind{snmp.Address(snmp.MustOID("1.3.6.1.6.3.18.1.3.0"), netip.MustParseAddr("192.0.2.9"))}})
	send(t, dial(t, r, "north"), trap(t, snmp.Build{}), v1, claim, rec["v3_authNoPriv_SHA256"], rec["v3_authPriv_SHA256_AES128"])
	if diff := cmp.Diff(tally(map[Fate]uint64{WeakLevel: 4, Matched: 1}), settled(t, r, 5).Tally); diff != "" {
		t.Errorf("fates: %s", diff)
	}
	if got := r.Accounts().Agents; len(got) != 1 || got[0].Tally[WeakLevel] != 4 {
		t.Errorf("the agent's books do not show who was spoken for: %+v", got)
	}
}

func TestOrigin(t *testing.T) {
	tern := netip.MustParseAddr("192.0.2.77")
	named := snmp.Varbind(snmp.Address(snmp.MustOID("1.3.6.1.6.3.18.1.3.0"), tern))
	index := snmp.Integer(panelIndex.Append(1), 1)
	v1 := snmp.Build{Version: snmp.V1, AgentAddr: tern}
	v2 := snmp.Build{Varbinds: []snmp.Varbind{index, named}}
	stranger := snmp.Build{Varbinds: []snmp.Varbind{index, snmp.Address(snmp.MustOID("1.3.6.1.6.3.18.1.3.0"), netip.MustParseAddr("198.51.100.5"))}}
	for name, c := range map[string]struct {
		relay bool
		alone bool // the source is no agent
		build snmp.Build
		agent correlate.AgentID
		why   string
	}{
		"an agent":                          {build: snmp.Build{}, agent: harrow},
		"an agent behind another address":   {build: stranger, agent: harrow},
		"an agent that says it is another":  {build: v2, why: "is no relay"},
		"v1, likewise":                      {build: v1, why: "is no relay"},
		"a stranger that says it is one":    {alone: true, build: v2, why: "is no relay"},
		"a stranger":                        {alone: true, build: snmp.Build{}, why: "unknown agent"},
		"a relay for an agent":              {relay: true, build: v2, agent: "tern-remote"},
		"a relay for an agent, v1":          {relay: true, alone: true, build: v1, agent: "tern-remote"},
		"a relay for a stranger":            {relay: true, build: stranger, why: "unknown agent"},
		"a relay that is an agent, for one": {relay: true, build: snmp.Build{}, agent: harrow},
	} {
		t.Run(name, func(t *testing.T) {
			j := &journal{}
			o := base(t, j)
			o.Config.Agents = append(o.Config.Agents, Agent{ID: "tern-remote", Addresses: []netip.Addr{tern}})
			if c.alone {
				o.Config.Agents = o.Config.Agents[1:]
			}
			if c.relay {
				o.Config.Policies[0].Relays = []netip.Prefix{netip.MustParsePrefix("127.0.0.1/32")}
			}
			r := start(t, o)
			send(t, dial(t, r, "north"), trap(t, c.build))
			settled(t, r, 1)
			in := j.arrivals()
			if len(in) != 1 || in[0].Agent != c.agent || !strings.Contains(in[0].Unmatched, c.why) || (c.why == "") != (in[0].Unmatched == "") {
				t.Errorf("got agent %q, unmatched %q", in[0].Agent, in[0].Unmatched)
			}
		})
	}
}

func TestUnmatchedIsKept(t *testing.T) {
	j := &journal{}
	r := start(t, base(t, j))
	datagram := trap(t, snmp.Build{TrapOID: unruled})
	send(t, dial(t, r, "north"), datagram)
	if got := settled(t, r, 1).Tally[Unmatched]; got != 1 {
		t.Fatalf("%d unmatched, want 1", got)
	}
	if in := j.arrivals(); len(in) != 1 || in[0].Unmatched == "" || !bytes.Equal(in[0].Datagram, datagram) || in[0].Agent != harrow {
		t.Errorf("not kept whole: %+v", in)
	}
}

func TestIPv6AndLargestDatagram(t *testing.T) {
	j := &journal{}
	o := base(t, j)
	o.Listeners[0].Address = netip.MustParseAddrPort("[::1]:0")
	o.Config.Agents[0].Addresses = []netip.Addr{netip.MustParseAddr("::1")}
	r := start(t, o)
	conn := dial(t, r, "north")
	big := snmp.Octets(panelIndex.Append(2), bytes.Repeat([]byte("x"), 65000))
	datagram := trap(t, snmp.Build{Varbinds: []snmp.Varbind{snmp.Integer(panelIndex.Append(1), 1), big}})
	send(t, conn, datagram, trap(t, snmp.Build{}))
	if diff := cmp.Diff(tally(map[Fate]uint64{Matched: 2}), settled(t, r, 2).Tally); diff != "" {
		t.Errorf("fates: %s", diff)
	}
	if in := j.arrivals(); !bytes.Equal(in[0].Datagram, datagram) || in[0].From != conn.LocalAddr().String() {
		t.Errorf("first arrival from %s has %d octets, want %d", in[0].From, len(in[0].Datagram), len(datagram))
	}
}

// A socket that somebody else opened, as a service manager does.
func TestSocketHandedOver(t *testing.T) {
	conn, err := net.ListenPacket("udp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	j := &journal{}
	o := base(t, j)
	o.Listeners[0] = Listener{Name: "north", Conn: conn}
	r := start(t, o)
	if got := r.Addresses()["north"].String(); got != conn.LocalAddr().String() {
		t.Errorf("address %s, want %s", got, conn.LocalAddr())
	}
	send(t, dial(t, r, "north"), trap(t, snmp.Build{}))
	settled(t, r, 1)
	stream, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Net: "unixgram", Name: t.TempDir() + "/s"})
	if err != nil {
		t.Fatal(err)
	}
	defer stream.Close()
	o.Listeners[0].Conn = stream
	if _, err := New(o); err == nil || !strings.Contains(err.Error(), "not a UDP socket") {
		t.Errorf("a socket of another kind: %v", err)
	}
}

// Sockets that share an address (SO_REUSEPORT), bound to a device.
func TestSeveralReaders(t *testing.T) {
	j := &journal{}
	o := base(t, j)
	o.Listeners[0].Readers, o.Listeners[0].Interface = 3, "lo"
	r := start(t, o)
	for range 20 {
		send(t, dial(t, r, "north"), trap(t, snmp.Build{}))
	}
	if got := settled(t, r, 20).Tally[Matched]; got != 20 {
		t.Errorf("%d matched, want 20", got)
	}
}

func TestBufferIsTold(t *testing.T) {
	j := &journal{}
	log := &lines{}
	o := base(t, j)
	o.Listeners[0].Buffer = 1 << 30 << 4 // more than the kernel's arithmetic allows
	o.Log = zerolog.New(log)
	r := start(t, o)
	a := r.Accounts().Listeners[0]
	if a.BufferGiven <= 0 || a.BufferGiven >= a.BufferAsked {
		t.Errorf("asked for %d, given %d", a.BufferAsked, a.BufferGiven)
	}
	if log.count() != 1 {
		t.Errorf("%d lines in the log, want one about the buffer", log.count())
	}
}

func TestKernelDropsAreCounted(t *testing.T) {
	j := &journal{}
	o := base(t, j)
	o.Listeners[0].Buffer = 4096
	r, err := New(o) // not run, so that nobody reads
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	n, err := Burst(context.Background(), dial(t, r, "north"), [][]byte{trap(t, snmp.Build{})}, BurstOptions{Count: 500})
	if n != 500 || err != nil {
		t.Fatalf("sent %d: %v", n, err)
	}
	a := r.Accounts().Listeners[0]
	if a.KernelDropped == 0 || a.KernelDropped >= 500 || a.Arrived != 0 {
		t.Fatalf("dropped %d, arrived %d", a.KernelDropped, a.Arrived)
	}
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- r.Run(ctx) }()
	until(t, "what the buffer held", func() bool {
		a = r.Accounts().Listeners[0]
		return a.Arrived+a.KernelDropped == 500 && a.InFlight == 0
	})
	stop()
	if err := <-ended; err != nil {
		t.Error(err)
	}
}

func TestOptionsAreChecked(t *testing.T) {
	j := &journal{}
	o := base(t, j)
	o.Config.Agents = append(o.Config.Agents, Agent{ID: harrow, Addresses: []netip.Addr{netip.MustParseAddr("::ffff:127.0.0.1")}, EngineIDs: [][]byte{factsEngine, factsEngine}, Rate: -1})
	o.Config.Policies = append(o.Config.Policies, Policy{Listener: "north"}, Policy{Listener: "nowhere"})
	o.Listeners = append(o.Listeners, Listener{Name: "north"})
	_, err := New(o)
	if err == nil {
		t.Fatal("no error")
	}
	for _, part := range []string{`listener name "north"`, `listener "nowhere"`, `agent "harrow-remote" is there twice`, "address ::ffff:127.0.0.1 belongs", "engine 80007ed9046661637473 belongs", "rate and burst", "two policies"} {
		if !strings.Contains(err.Error(), part) {
			t.Errorf("the error does not say %q:\n%v", part, err)
		}
	}
	good := base(t, j)
	r := start(t, good)
	if err := r.Use(o.Config); err == nil {
		t.Error("a bad configuration was taken")
	}
	send(t, dial(t, r, "north"), trap(t, snmp.Build{}))
	if got := settled(t, r, 1).Tally[Matched]; got != 1 {
		t.Error("the old configuration is not in force any more")
	}
}

func TestRefusalsAreKeptAndLoggedAtABoundedRate(t *testing.T) {
	j := &journal{}
	log := &lines{}
	o := base(t, j)
	o.Log = zerolog.New(log)
	r := start(t, o)
	conn := dial(t, r, "north")
	for range 300 {
		send(t, conn, trap(t, snmp.Build{Community: "public"}))
	}
	bad := append([]byte{0x42}, bytes.Repeat([]byte{7}, 2000)...)
	send(t, conn, bad)
	settled(t, r, 301)
	kept := r.Quarantine()
	if len(kept) != keptEach+1 {
		t.Fatalf("%d kept, want %d of one fate and one of another", len(kept), keptEach)
	}
	at := slices.IndexFunc(kept, func(k Kept) bool { return k.Fate == NotSNMP })
	if at < 0 || kept[at].Length != 2001 || !bytes.Equal(kept[at].Octets, bad[:keptOctets]) || kept[at].Why == "" || kept[at].Source.String() != conn.LocalAddr().String() {
		t.Errorf("the rare one was not kept as it came: %+v", kept)
	}
	if n := log.count(); n != 2 {
		t.Errorf("%d lines in the log, want one for each fate", n)
	}
	later := time.Now().Add(2 * logAgainAfter)
	r.withheld.flush(later)
	r.withheld.flush(later.Add(2 * logAgainAfter))
	if n := log.count(); n != 3 {
		t.Errorf("%d lines in the log, want one more that says how many were withheld", n)
	}
}

func TestSecretIsHidden(t *testing.T) {
	p := Policy{Communities: []Secret{"open sesame"}}
	var log bytes.Buffer
	logger := zerolog.New(&log)
	logger.Info().Interface("policy", p).Msg("x")
	for _, shown := range []string{cmp.Diff(p, Policy{}, cmp.Transformer("s", func(s Secret) string { return s.String() })), log.String(), p.Communities[0].GoString()} {
		if strings.Contains(shown, "sesame") {
			t.Errorf("shown: %s", shown)
		}
	}
}
