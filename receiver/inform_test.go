package receiver

import (
	"bytes"
	"errors"
	"net"
	"net/netip"
	"testing"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/receiver/snmp"
	"example.net/standwatch/receiver/usm"
	"github.com/google/go-cmp/cmp"
)

func TestInformIsAnsweredAfterTheCommit(t *testing.T) {
	j := &journal{holds: true}
	r := start(t, base(t, j))
	conn := dial(t, r, "north")
	inform := trap(t, snmp.Build{Inform: true, RequestID: -5})
	send(t, conn, inform)
	until(t, "the offer", func() bool { return len(j.arrivals()) == 1 })
	if a := r.Accounts(); a.AnswersSent != 0 || a.Listeners[0].InFlight != 1 {
		t.Fatalf("before the commit: %d answers, %d in flight", a.AnswersSent, a.Listeners[0].InFlight)
	}
	silent(t, conn)
	j.release(nil)
	got := receive(t, conn)
	// The Response is the inform with another PDU tag (RFC 3416 section 4.2.7).
	want := bytes.Replace(inform, []byte{0xa6}, []byte{0xa2}, 1)
	if !bytes.Equal(got, want) {
		t.Errorf("response\n%x, want\n%x", got, want)
	}
}

func TestInformIsNotAnsweredWhenTheCommitFails(t *testing.T) {
	for name, c := range map[string]struct {
		broken  func(*journal)
		fate    Fate
		arrives int
	}{
		"commit fails":  {func(j *journal) { j.fails = errDisk }, NotDurable, 1},
		"journal full":  {func(j *journal) { j.full = true }, LedgerFull, 0},
		"commit is cut": {func(j *journal) { j.holds = true }, NotDurable, 1},
	} {
		t.Run(name, func(t *testing.T) {
			j := &journal{}
			c.broken(j)
			r := start(t, base(t, j))
			conn := dial(t, r, "north")
			inform := trap(t, snmp.Build{Inform: true, RequestID: 9})
			send(t, conn, inform)
			if j.holds {
				until(t, "the offer", func() bool { return len(j.arrivals()) == 1 })
				j.release(errDisk)
			}
			if got := settled(t, r, 1).Tally[c.fate]; got != 1 {
				t.Fatalf("fates %v", r.Accounts().Listeners[0].Tally)
			}
			silent(t, conn)
			// The sender asks again, and now there is room.
			j.set(func(j *journal) { j.fails, j.full, j.holds = nil, false, false })
			send(t, conn, inform)
			receive(t, conn)
			want := tally(map[Fate]uint64{c.fate: 1, Matched: 1})
			if diff := cmp.Diff(want, settled(t, r, 2).Tally); diff != "" {
				t.Errorf("fates: %s", diff)
			}
			if got := len(j.arrivals()); got != c.arrives+1 {
				t.Errorf("%d arrivals, want %d", got, c.arrives+1)
			}
			if k := r.Quarantine(); len(k) != 1 || k[0].Fate != c.fate || !bytes.Equal(k[0].Octets, inform) {
				t.Errorf("quarantine %+v", k)
			}
		})
	}
}

func TestRepeatedInformIsOneEvent(t *testing.T) {
	j := &journal{holds: true}
	r := start(t, base(t, j))
	conn, other := dial(t, r, "north"), dial(t, r, "north")
	inform := trap(t, snmp.Build{Inform: true, RequestID: 1})
	send(t, conn, inform, inform, inform)
	until(t, "the copies", func() bool { return r.Accounts().Listeners[0].Tally[Repeated] == 2 })
	j.release(nil)
	receive(t, conn) // one answer to what was in flight
	send(t, conn, inform)
	receive(t, conn)
	// The same request-id with other content, and from another socket, is news.
	send(t, conn, trap(t, snmp.Build{Inform: true, RequestID: 1, Uptime: 5}))
	receive(t, conn)
	send(t, other, inform)
	receive(t, other)
	if diff := cmp.Diff(tally(map[Fate]uint64{Matched: 3, Repeated: 3}), settled(t, r, 6).Tally); diff != "" {
		t.Errorf("fates: %s", diff)
	}
	until(t, "the count of the last answer", func() bool { return r.Accounts().AnswersSent == 4 })
	if lost := r.Accounts().AnswersLost; len(j.arrivals()) != 3 || lost != 0 {
		t.Errorf("%d arrivals, %d answers lost", len(j.arrivals()), lost)
	}
	silent(t, conn)
}

func TestInformMemoryIsBounded(t *testing.T) {
	var i informs
	now := time.Unix(1_800_000_000, 0)
	for n := range maxInforms + 10 {
		i.begin(informKey{request: int32(n)}, now, &reply{})
	}
	if len(i.seen) != maxInforms || len(i.order) != maxInforms || i.known(informKey{request: 9}) || !i.known(informKey{request: 10}) {
		t.Errorf("%d remembered, %d in order", len(i.seen), len(i.order))
	}
	i.begin(informKey{request: -1}, now.Add(informWindow), &reply{})
	if len(i.seen) != 1 {
		t.Errorf("%d remembered after the window, want 1", len(i.seen))
	}
}

// master is how a sender of v3 informs sees this master.
type master struct {
	engine      []byte
	boots, time uint32
}

// parse returns the security header of an answer, and its notification-like
// content where the keys are given.
func parse(t *testing.T, datagram []byte) *snmp.Message {
	t.Helper()
	var d snmp.Decoder
	m, err := d.Parse(datagram)
	if err != nil {
		t.Fatalf("answer %x: %v", datagram, err)
	}
	return m
}

// discover asks for the engine ID and clock as RFC 3414 section 4 has it: a
// GetRequest without user, engine ID and variable bindings.
func discover(t *testing.T, conn *net.UDPConn) master {
	t.Helper()
	send(t, conn, unhex(t, "303a020103300f02022b67020300ffe30401040201030410300e0400020100020100040004000400301204000400a00c020237f00201000201003000"))
	m := parse(t, receive(t, conn))
	if m.MsgID != 0x2b67 || m.Reportable {
		t.Errorf("report: msgID %d, reportable %v", m.MsgID, m.Reportable)
	}
	// usmStatsUnknownEngineIDs.0 in a Report-PDU with the request-id.
	if !bytes.Contains(m.Payload, unhex(t, "a8")) || !bytes.Contains(m.Payload, unhex(t, "060a2b060106030f01010400")) || !bytes.Contains(m.Payload, unhex(t, "020237f0")) {
		t.Errorf("report: %x", m.Payload)
	}
	return master{bytes.Clone(m.Security.EngineID), m.Security.Boots, m.Security.Time}
}

// informV3 builds an authPriv inform to the master as it was discovered.
func informV3(t *testing.T, u usm.User, at master, request int32, salt uint64) []byte {
	t.Helper()
	u.EngineIDs = nil
	keys, err := usm.NewKeys(u, at.engine)
	if err != nil {
		t.Fatal(err)
	}
	return trap(t, snmp.Build{Version: snmp.V3, Inform: true, RequestID: request, Secure: snmp.Secure{
		User: u.Name, Level: usm.AuthPriv, Keys: keys, EngineID: at.engine, Boots: at.boots, Time: at.time, Salt: salt, MsgID: int32(salt), ContextID: factsEngine}})
}

func withUser(t *testing.T, j *journal) Options {
	o := base(t, j)
	o.Config.Users = append(o.Config.Users, factsUser)
	o.Config.Agents[0].Users, o.Config.Agents[0].MinLevel = []string{factsUser.Name}, usm.AuthPriv
	return o
}

func TestInformV3(t *testing.T) {
	j := &journal{}
	r := start(t, withUser(t, j))
	conn := dial(t, r, "north")
	at := discover(t, conn)
	if !bytes.Equal(at.engine, ownEngine) || at.boots != 7 {
		t.Fatalf("discovered %+v", at)
	}
	inform := informV3(t, factsUser, at, 77, 1)
	send(t, conn, inform)
	answer := receive(t, conn)
	m := parse(t, answer)
	if m.Security.Level != usm.AuthPriv || m.Reportable || m.MsgID != 1 || bytes.Equal(m.Security.Salt, []byte("\x00\x00\x00\x00\x00\x00\x00\x01")) {
		t.Errorf("response %+v", m)
	}
	keys, err := usm.NewKeys(factsUser, ownEngine)
	if err != nil {
		t.Fatal(err)
	}
	if !keys.Verify(m.Datagram, m.Security.MACAt, len(m.Security.MAC), nil) {
		t.Error("the response is not authentic")
	}
	plain, ok := keys.Open(nil, m.Payload, &m.Security)
	if !ok || !bytes.Contains(plain, unhex(t, "02014d")) {
		t.Errorf("response %x does not hold request-id 77", plain)
	}
	// Sent again: the same octets, and the same inform under another msgID.
	send(t, conn, inform)
	receive(t, conn)
	send(t, conn, informV3(t, factsUser, at, 77, 2))
	receive(t, conn)
	if diff := cmp.Diff(tally(map[Fate]uint64{Discovery: 1, Matched: 1, Repeated: 2}), settled(t, r, 4).Tally); diff != "" {
		t.Errorf("fates: %s", diff)
	}
	in := j.arrivals()
	if len(in) != 1 || in[0].Agent != harrow || !in[0].Inform || in[0].Security != "factsuser authPriv" || in[0].EngineID != nil {
		t.Errorf("arrivals %+v", in)
	}
}

// A v3 inform whose commit failed is sent again octet for octet by some senders;
// it must not pass for a replay.
func TestInformV3AgainAfterAFailedCommit(t *testing.T) {
	j := &journal{fails: errors.New("disk full")}
	r := start(t, withUser(t, j))
	conn := dial(t, r, "north")
	inform := informV3(t, factsUser, discover(t, conn), 3, 1)
	send(t, conn, inform)
	settled(t, r, 2)
	j.set(func(j *journal) { j.fails = nil })
	send(t, conn, inform)
	receive(t, conn)
	if diff := cmp.Diff(tally(map[Fate]uint64{Discovery: 1, NotDurable: 1, Matched: 1}), settled(t, r, 3).Tally); diff != "" {
		t.Errorf("fates: %s", diff)
	}
}

func TestReports(t *testing.T) {
	j := &journal{}
	r := start(t, withUser(t, j))
	conn := dial(t, r, "north")
	at := discover(t, conn)
	stale := at
	stale.boots, stale.time = 0, 0
	wrong, nobody := factsUser, factsUser
	wrong.AuthPass, nobody.Name = "another passphrase", "nobody"
	foreign := at
	foreign.engine = factsEngine
	for _, c := range []struct {
		name     string
		datagram []byte
		counter  string
		level    usm.Level
	}{
		{"clock question", informV3(t, factsUser, stale, 1, 10), "02", usm.AuthNoPriv},
		{"unknown user", informV3(t, nobody, at, 2, 11), "03", usm.NoAuthNoPriv},
		{"unknown engine", informV3(t, factsUser, master{[]byte("\x80\x00\x7e\xd9\x04other"), 1, 1}, 3, 12), "04", usm.NoAuthNoPriv},
		{"wrong digest", informV3(t, wrong, at, 4, 13), "05", usm.NoAuthNoPriv},
	} {
		send(t, conn, c.datagram)
		m := parse(t, receive(t, conn))
		counter := unhex(t, "060a2b060106030f0101"+c.counter+"00")
		if !bytes.Contains(m.Payload, counter) || m.Security.Level != c.level || m.Reportable || !bytes.Equal(m.Security.EngineID, ownEngine) {
			t.Errorf("%s: report %+v", c.name, m)
		}
	}
	// Traps are never answered, however wrong they are, and even if they say that
	// they take a Report.
	plain := recorded(t)["v3_noauth_coldStart"]
	asking := bytes.Replace(plain, unhex(t, "0401000201030423"), unhex(t, "0401040201030423"), 1)
	asking = bytes.Replace(asking, factsEngine, []byte("\x80\x00\x7e\xd9\x04facet"), 1)
	send(t, conn, recorded(t)["v3_authNoPriv_SHA256"], plain, asking)
	want := tally(map[Fate]uint64{Discovery: 2, UnknownUser: 2, UnknownEngine: 1, NotAuthority: 1, WrongDigest: 1, WeakLevel: 1})
	a := settled(t, r, 8)
	if diff := cmp.Diff(want, a.Tally); diff != "" {
		t.Errorf("fates: %s", diff)
	}
	silent(t, conn)
	if len(j.arrivals()) != 0 {
		t.Errorf("arrivals %+v", j.arrivals())
	}
}

func TestReportsAreBounded(t *testing.T) {
	j := &journal{}
	r := start(t, withUser(t, j))
	conn := dial(t, r, "north")
	question := unhex(t, "303a020103300f02022b67020300ffe30401040201030410300e0400020100020100040004000400301204000400a00c020237f00201000201003000")
	for range 200 {
		send(t, conn, question)
	}
	if got := settled(t, r, 200).Tally[Discovery]; got != 200 {
		t.Errorf("%d counted, want 200", got)
	}
	a := r.Accounts()
	if a.ReportsSent < reportBurst || a.ReportsSent > 2*reportBurst || a.ReportsSent+a.ReportsWithheld != 200 {
		t.Errorf("%d reports sent, %d withheld", a.ReportsSent, a.ReportsWithheld)
	}
}

func TestUserMustBeTheAgents(t *testing.T) {
	j := &journal{}
	o := withUser(t, j)
	other := factsUser
	other.Name = "other"
	o.Config.Users = append(o.Config.Users, other)
	r := start(t, o)
	conn := dial(t, r, "north")
	at := discover(t, conn)
	send(t, conn, informV3(t, other, at, 1, 20))
	if diff := cmp.Diff(tally(map[Fate]uint64{Discovery: 1, WrongUser: 1}), settled(t, r, 2).Tally); diff != "" {
		t.Errorf("fates: %s", diff)
	}
	silent(t, conn)
	// The agent moved to another address: its user is named by no other agent.
	o.Config.Agents[0].Addresses = nil
	if err := r.Use(o.Config); err != nil {
		t.Fatal(err)
	}
	send(t, conn, informV3(t, factsUser, at, 2, 21), informV3(t, other, at, 3, 22))
	receive(t, conn)
	receive(t, conn)
	if diff := cmp.Diff(tally(map[Fate]uint64{Discovery: 1, WrongUser: 1, Matched: 1, Unmatched: 1}), settled(t, r, 4).Tally); diff != "" {
		t.Errorf("fates: %s", diff)
	}
}

// An engine that is not configured gets its keys only through an agent's
// address.
func TestEngineIsAdmittedByAddress(t *testing.T) {
	j := &journal{}
	o := withUser(t, j)
	r := start(t, o)
	conn := dial(t, r, "north")
	rec := recorded(t)
	send(t, conn, rec["v3_authPriv_SHA256_AES128"])
	if diff := cmp.Diff(tally(map[Fate]uint64{Matched: 1}), settled(t, r, 1).Tally); diff != "" {
		t.Errorf("fates: %s", diff)
	}
	o2 := withUser(t, &journal{})
	o2.Config.Agents = nil
	stranger := start(t, o2)
	send(t, dial(t, stranger, "north"), rec["v3_authPriv_SHA256_AES128"])
	if diff := cmp.Diff(tally(map[Fate]uint64{UnknownEngine: 1}), settled(t, stranger, 1).Tally); diff != "" {
		t.Errorf("fates: %s", diff)
	}
}

// Replay protection and clocks survive a change of configuration, and clocks a
// restart.
func TestReplayOverReloadAndRestart(t *testing.T) {
	j := &journal{}
	o := withUser(t, j)
	o.Config.Agents[0].EngineIDs = [][]byte{factsEngine}
	r := start(t, o)
	conn := dial(t, r, "north")
	old := recorded(t)["v3_authPriv_SHA256_AES128"]
	send(t, conn, old)
	settled(t, r, 1)
	if err := r.Use(o.Config); err != nil {
		t.Fatal(err)
	}
	send(t, conn, old)
	if diff := cmp.Diff(tally(map[Fate]uint64{Matched: 1, Replayed: 1}), settled(t, r, 2).Tally); diff != "" {
		t.Errorf("fates: %s", diff)
	}
	o.Clocks = []usm.Engine{{ID: factsEngine, Boots: 1, Time: 1000, At: time.Now()}}
	again := start(t, o)
	send(t, dial(t, again, "north"), old)
	if diff := cmp.Diff(tally(map[Fate]uint64{NotInTimeWindow: 1}), settled(t, again, 1).Tally); diff != "" {
		t.Errorf("after a restart: %s", diff)
	}
}

// Whom a v3 trap speaks for: an authenticated engine ID for its agent from
// anywhere, one without authentication from the agent's address or a relay only,
// and an engine that is nobody's never for an agent that has named its own.
func TestWhoseEngine(t *testing.T) {
	rec := recorded(t)
	plain := usm.User{Name: "plainuser", EngineIDs: [][]byte{factsEngine}}
	secure := factsUser
	secure.EngineIDs = [][]byte{factsEngine}
	here, elsewhere := []netip.Addr{loopback}, []netip.Addr{netip.MustParseAddr("192.0.2.1")}
	own, foreign := [][]byte{factsEngine}, [][]byte{[]byte("\x80\x00\x7e\xd9\x04other")}
	for name, c := range map[string]struct {
		agent    Agent
		relays   []netip.Prefix
		datagram string
		fate     Fate
		heard    correlate.AgentID
	}{
		"authentic, from elsewhere":        {Agent{ID: harrow, Addresses: elsewhere, EngineIDs: own}, nil, "v3_authPriv_SHA256_AES128", Matched, harrow},
		"plain, from its address":          {Agent{ID: harrow, Addresses: here, EngineIDs: own}, nil, "v3_noauth_coldStart", Matched, harrow},
		"plain, from elsewhere":            {Agent{ID: harrow, Addresses: elsewhere, EngineIDs: own}, nil, "v3_noauth_coldStart", Unmatched, ""},
		"plain, by a relay":                {Agent{ID: harrow, Addresses: elsewhere, EngineIDs: own}, []netip.Prefix{netip.MustParsePrefix("127.0.0.0/8")}, "v3_noauth_coldStart", Matched, harrow},
		"another engine, from its address": {Agent{ID: harrow, Addresses: here, EngineIDs: foreign}, nil, "v3_authPriv_SHA256_AES128", WrongUser, ""},
		"another user, from its address":   {Agent{ID: harrow, Addresses: here, Users: []string{"another"}}, nil, "v3_authPriv_SHA256_AES128", WrongUser, ""},
		"its user, from its address":       {Agent{ID: harrow, Addresses: here, Users: []string{"factsuser"}}, nil, "v3_authPriv_SHA256_AES128", Matched, harrow},
	} {
		t.Run(name, func(t *testing.T) {
			j := &journal{}
			o := base(t, j)
			o.Config.Agents, o.Config.Policies[0].Relays = []Agent{c.agent}, c.relays
			o.Config.Users = []usm.User{plain, secure}
			r := start(t, o)
			send(t, dial(t, r, "north"), rec[c.datagram])
			if a := settled(t, r, 1); a.Tally[c.fate] != 1 {
				t.Errorf("fates %v, want %s", a.Tally, c.fate)
			}
			if in := j.arrivals(); len(in) == 1 && in[0].Agent != c.heard {
				t.Errorf("heard as agent %q, want %q", in[0].Agent, c.heard)
			}
		})
	}
}
