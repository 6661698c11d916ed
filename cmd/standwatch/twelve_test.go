package main

import (
	"bytes"
	"encoding/hex"
	"fmt"
	"maps"
	"net"
	"net/netip"
	"slices"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"example.net/standwatch/cmd/standwatch/api"
	"example.net/standwatch/cmd/standwatch/demo/wire"
	"example.net/standwatch/correlate"
	"example.net/standwatch/receiver/snmp"
	"example.net/standwatch/receiver/usm"
)

// tlv encodes one BER value with a definite length (X.690 section 8.1).
func tlv(tag byte, parts ...[]byte) []byte {
	content := bytes.Join(parts, nil)
	out := []byte{tag}
	switch n := len(content); {
	case n < 0x80:
		out = append(out, byte(n))
	case n < 0x100:
		out = append(out, 0x81, byte(n))
	default:
		out = append(out, 0x82, byte(n>>8), byte(n))
	}
	return append(out, content...)
}

func octets(s string) []byte { return tlv(0x04, []byte(s)) }
func small(n byte) []byte    { return tlv(0x02, []byte{n}) }

// Names that every v2 notification begins with, as content octets.
var (
	upTimeName  = []byte{0x2b, 6, 1, 2, 1, 1, 3, 0}
	trapOIDName = []byte{0x2b, 6, 1, 6, 3, 1, 1, 4, 1, 0}
	coldStart   = []byte{0x2b, 6, 1, 6, 3, 1, 1, 5, 1}
	anyName     = []byte{0x2b, 6, 1, 4, 1, 0x81, 0xfd, 0x59, 9, 1, 0}
)

// v2 builds a v2c message around variable bindings, which come after the two
// that belong there.
func v2(community string, pdu byte, request, more []byte) []byte {
	bindings := tlv(0x30,
		tlv(0x30, tlv(0x06, upTimeName), tlv(0x43, []byte{1})),
		tlv(0x30, tlv(0x06, trapOIDName), tlv(0x06, coldStart)),
		more)
	return tlv(0x30, small(1), octets(community), tlv(pdu, tlv(0x02, request), small(0), small(0), bindings))
}

const (
	pduGet    = 0xa0
	pduInform = 0xa6
	pduTrap   = 0xa7
)

// binding is one variable binding with a raw value.
func binding(value []byte) []byte { return tlv(0x30, tlv(0x06, anyName), value) }

// v3 encodes a trap of a v3 agent with our sender, ready to be spoilt.
func v3(t *testing.T, change func(*wire.Options)) []byte {
	t.Helper()
	a := trialAgents[4]
	engine, err := hex.DecodeString(a.engine)
	if err != nil {
		t.Fatal(err)
	}
	o := wire.Options{Master: netip.MustParseAddrPort("127.0.0.1:9"), Version: snmp.V3, Started: time.Now().Add(-time.Hour), Boots: 5,
		Login: wire.Login{User: a.user, Auth: usm.SHA1, AuthSecret: trialAuth, Priv: usm.AES128, PrivSecret: trialPriv, EngineID: engine}}
	change(&o)
	s, err := wire.Open(o)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	datagram, err := s.Encode(time.Now(), wire.Notification{TrapOID: ".1.3.6.1.6.3.1.1.5.1"})
	if err != nil {
		t.Fatal(err)
	}
	return datagram
}

// hostile is a daemon in this process, on the trial's configuration.
type hostile struct {
	*daemon
	stop func()
	data string
}

func startHostile(t *testing.T, data string) *hostile {
	t.Helper()
	return startHostileOn(t, trialFiles, data)
}

// startHostileOn is startHostile on another configuration.
func startHostileOn(t *testing.T, folder map[string]string, data string) *hostile {
	t.Helper()
	files := fstest.MapFS{}
	for name, text := range folder {
		files[name] = &fstest.MapFile{Data: []byte(text)}
	}
	for name, value := range map[string]string{"TRIAL_TRAPS": "127.0.0.1:0", "TRIAL_CONSOLE": "127.0.0.1:0", "TRIAL_COMMUNITY": trialCommunity,
		"TRIAL_AUTH": trialAuth, "TRIAL_PRIV": trialPriv} {
		t.Setenv(name, value)
	}
	d, stop := startSmall(t, files, data)
	return &hostile{daemon: d, stop: stop, data: data}
}

// settled waits until arrived datagrams have come and all are accounted for,
// and returns the counters by their words.
func (h *hostile) settled(t *testing.T, arrived uint64) map[string]uint64 {
	t.Helper()
	var sum api.Books
	await(t, "every datagram is accounted for", func() bool {
		sum = api.Total(h.intake().Listeners)
		return sum.Arrived >= arrived && sum.InFlight == 0
	})
	if sum.Arrived != arrived || sum.Sum() != arrived {
		t.Errorf("%d datagrams arrived, %d accounted for, want %d", sum.Arrived, sum.Sum(), arrived)
	}
	out := maps.Clone(sum.Accepted)
	maps.Copy(out, sum.Refused)
	return out
}

// standing lists the alarms on the board.
func (h *hostile) standing() (ids []string) {
	h.ledger.Read(func(st *correlate.State, _ *correlate.Network) {
		for id, a := range st.Alarms {
			if a.Standing {
				ids = append(ids, string(id.ID()))
			}
		}
	})
	return ids
}

// talk opens a socket at an agent's address.
func (h *hostile) talk(t *testing.T, from string) *net.UDPConn {
	t.Helper()
	conn, err := net.DialUDP("udp4", &net.UDPAddr{IP: net.ParseIP(from)}, net.UDPAddrFromAddrPort(h.receiver.Addresses()["trial"]))
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

// TestTwelve sends what breaks or fools a common library to the running
// daemon; the numbers are of the list of its failings that DEVELOPERS.md keeps.
// Each datagram is counted under its reason, nothing of it shows, and the daemon
// goes on.
func TestTwelve(t *testing.T) {
	h := startHostile(t, t.TempDir())
	community, v3Agent := h.talk(t, trialAgents[1].address), h.talk(t, trialAgents[4].address)
	good := v3(t, func(*wire.Options) {})
	request := []byte{0x12, 0x34}
	huge := []byte{0x30, 0x88, 0x7f, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xfe, 0x06, 0x01, 0x2b}
	var arrived uint64
	for _, c := range []struct {
		name     string
		conn     *net.UDPConn
		datagram []byte
		want     string // the reason, or "matched" or "unmatched"
	}{
		{"1: a varbind length near 2^63", community, v2(trialCommunity, pduTrap, request, huge), "truncated"},
		{"2: a v3 message that ends after its version", v3Agent, []byte{0x30, 5, 2, 1, 3, 4, 0}, "bad header"},
		{"3: another security model", v3Agent, spoil(good, "020103", "020101", 2), "unknown security model"},
		{"3: a user that nobody knows", v3Agent, v3(t, func(o *wire.Options) { o.Login.User = "nobody" }), "unknown user"},
		{"4: an engine that nobody knows", community, v3(t, func(o *wire.Options) { o.Login.EngineID = []byte("\x80\x00\x7e\xd9\x04forged") }), "unknown engine"},
		{"5: the good one", v3Agent, good, "matched"},
		{"5: the good one again", v3Agent, good, "replayed"},
		{"5: a trap from before the time window", v3Agent, v3(t, func(o *wire.Options) { o.Started = time.Now().Add(-10 * time.Minute) }), "not in time window"},
		{"5: a trap of an earlier boot", v3Agent, v3(t, func(o *wire.Options) { o.Boots = 4 }), "not in time window"},
		{"6: another key", v3Agent, v3(t, func(o *wire.Options) { o.Login.AuthSecret = "some other secret" }), "wrong digest"},
		{"6: no privacy where it is asked for", v3Agent, v3(t, func(o *wire.Options) { o.Login.Priv = usm.NoPriv }), "weak level"},
		{"6: no security where it is asked for", v3Agent, v3(t, func(o *wire.Options) { o.Login.Auth, o.Login.Priv = usm.NoAuth, usm.NoPriv }), "weak level"},
		{"6: a community message of a v3 agent", v3Agent, v2(trialCommunity, pduTrap, request, nil), "weak level"},
		{"6: version 2", community, spoil(v2(trialCommunity, pduTrap, request, nil), "020101", "020102", 1), "bad version"},
		{"6: version 4", community, spoil(v2(trialCommunity, pduTrap, request, nil), "020101", "020104", 1), "bad version"},
		{"6: version 77", community, spoil(v2(trialCommunity, pduTrap, request, nil), "020101", "02014d", 1), "bad version"},
		{"11: a question", community, v2(trialCommunity, pduGet, request, nil), "not a notification"},
		{"11: another community", community, v2("public", pduTrap, request, nil), "wrong community"},
		{"12: a community of 200 octets", community, v2(strings.Repeat("c", 200), pduTrap, request, nil), "wrong community"},
		{"12: a counter of nine octets", community, v2(trialCommunity, pduTrap, request, binding(tlv(0x41, bytes.Repeat([]byte{1}, 9)))), "bad value"},
		{"12: an octet string longer than its message", community, v2(trialCommunity, pduTrap, request, tlv(0x30, tlv(0x06, anyName), []byte{0x04, 100, 'x'})), "truncated"},
		// Some agents put an IPv6 address there, which RFC 2578 section 7.1.5
		// has no room for. It is taken whole, not cut to four octets.
		{"12: an IpAddress of 16 octets", community, v2(trialCommunity, pduTrap, request, binding(tlv(0x40, bytes.Repeat([]byte{1}, 16)))), "matched"},
		{"12: an IpAddress of 5 octets", community, v2(trialCommunity, pduTrap, request, binding(tlv(0x40, bytes.Repeat([]byte{1}, 5)))), "bad value"},
		{"11: more than 4,096 octets", community, v2(trialCommunity, pduTrap, request, binding(octets(strings.Repeat("x", 6000)))), "matched"},
		{"11: nothing", community, []byte{0}, "not snmp"},
	} {
		t.Run(c.name, func(t *testing.T) {
			before := h.settled(t, arrived)
			if _, err := c.conn.Write(c.datagram); err != nil {
				t.Fatal(err)
			}
			arrived++
			after := h.settled(t, arrived)
			for _, word := range slices.Sorted(maps.Keys(after)) {
				if after[word] != before[word] && word != c.want {
					t.Errorf("counted as %q, want %q", word, c.want)
				}
			}
			if after[c.want] != before[c.want]+1 {
				t.Errorf("%q counted %d times, want once", c.want, after[c.want]-before[c.want])
			}
		})
	}
	if standing := h.standing(); len(standing) != 0 {
		t.Errorf("bad input shows on the board: %v", standing)
	}
}

// spoil replaces the n-th occurrence, counted from 1, of a run of octets, given in hexadecimal.
func spoil(datagram []byte, from, to string, n int) []byte {
	old, _ := hex.DecodeString(from) // constants of this file
	now, _ := hex.DecodeString(to)
	parts := bytes.SplitN(datagram, old, n+1)
	return append(append(bytes.Join(parts[:n], old), now...), parts[n]...)
}

// TestTwelveForgedEngines (4): engine IDs made up by whoever sends are refused one
// by one, and a good trap among them is heard. What they cost is tested by
// allocations in package usm (TestUnknownEngineCostsNothing).
func TestTwelveForgedEngines(t *testing.T) {
	h := startHostile(t, t.TempDir())
	stranger, agent := h.talk(t, "127.9.50.99"), h.talk(t, trialAgents[4].address)
	base := v3(t, func(o *wire.Options) { o.Login.EngineID = []byte("\x80\x00\x7e\xd9\x04forged-0000") })
	for i := range 500 {
		if _, err := stranger.Write(bytes.ReplaceAll(base, []byte("forged-0000"), fmt.Appendf(nil, "forged-0%03d", i))); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := agent.Write(v3(t, func(*wire.Options) {})); err != nil {
		t.Fatal(err)
	}
	if in := h.settled(t, 501); in["matched"] != 1 || in["unknown engine"] != 500 {
		t.Errorf("counted %v, want one matched and 500 of unknown engines", in)
	}
}

// ask sends a datagram and returns the answer to it.
func ask(t *testing.T, conn *net.UDPConn, datagram []byte) []byte {
	t.Helper()
	if _, err := conn.Write(datagram); err != nil {
		t.Fatal(err)
	}
	if err := conn.SetReadDeadline(time.Now().Add(time.Minute)); err != nil {
		t.Fatal(err)
	}
	buf := make([]byte, 65535)
	n, err := conn.Read(buf)
	if err != nil {
		t.Fatal(err)
	}
	return buf[:n]
}

// header decodes the outer form of an answer.
func header(t *testing.T, answer []byte) snmp.Message {
	t.Helper()
	var d snmp.Decoder
	m, err := d.Parse(answer)
	if err != nil {
		t.Fatalf("%v in % x", err, answer)
	}
	return *m
}

// engineQuestion is the GetRequest of RFC 3414 section 4 that asks for the
// engine ID.
func engineQuestion() []byte {
	scoped := tlv(0x30, octets(""), octets(""), tlv(pduGet, small(1), small(0), small(0), tlv(0x30)))
	security := tlv(0x30, octets(""), small(0), small(0), octets(""), octets(""), octets(""))
	head := tlv(0x30, tlv(0x02, []byte{0x12, 0x34}), tlv(0x02, []byte{0x7f, 0xff}), octets("\x04"), small(3)) // reportable, USM
	return tlv(0x30, small(3), head, tlv(0x04, security), scoped)
}

// secureInform is an authPriv inform of the fifth agent's user.
func secureInform(t *testing.T, engine []byte, boots, seconds uint32, number int32, change func(*usm.User)) []byte {
	t.Helper()
	u := usm.User{Name: trialAgents[4].user, Auth: usm.SHA1, AuthPass: trialAuth, Priv: usm.AES128, PrivPass: trialPriv}
	if change != nil {
		change(&u)
	}
	keys, err := usm.NewKeys(u, engine)
	if err != nil {
		t.Fatal(err)
	}
	b := snmp.Build{Version: snmp.V3, Inform: true, RequestID: number, TrapOID: snmp.MustOID("1.3.6.1.6.3.1.1.5.1"), Uptime: 1,
		Secure: snmp.Secure{User: u.Name, Level: keys.Level(), Keys: keys, EngineID: engine, Boots: boots, Time: seconds, Salt: uint64(number), MsgID: number}}
	out, err := b.Append(nil)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// TestTwelveReports (7): every reason of RFC 3414 section 3.2 is told by a Report
// of its own Counter32, under the master's engine ID, boots and time.
func TestTwelveReports(t *testing.T) {
	h := startHostile(t, t.TempDir())
	conn := h.talk(t, trialAgents[4].address)
	at := header(t, ask(t, conn, engineQuestion())).Security
	engine, boots, seconds := bytes.Clone(at.EngineID), at.Boots, at.Time
	for _, c := range []struct {
		name     string
		datagram []byte
		counter  byte // usmStats
	}{
		{"unsupported level", secureInform(t, engine, boots, seconds, 1, func(u *usm.User) { u.Name = "sha" }), 1},
		{"not in time window", secureInform(t, engine, boots+1, seconds, 2, nil), 2},
		{"unknown user", secureInform(t, engine, boots, seconds, 3, func(u *usm.User) { u.Name = "nobody" }), 3},
		{"unknown engine ID", secureInform(t, []byte("\x80\x00\x7e\xd9\x04other"), 1, 1, 4, nil), 4},
		{"wrong digest", secureInform(t, engine, boots, seconds, 5, func(u *usm.User) { u.AuthPass = "some other secret" }), 5},
		{"decryption error", secureInform(t, engine, boots, seconds, 6, func(u *usm.User) { u.PrivPass = "some other secret" }), 6},
	} {
		t.Run(c.name, func(t *testing.T) {
			m := header(t, ask(t, conn, c.datagram))
			counter := tlv(0x06, []byte{0x2b, 6, 1, 6, 3, 15, 1, 1, c.counter, 0})
			if at := bytes.Index(m.Payload, counter); at < 0 || m.Payload[at+len(counter)] != 0x41 {
				t.Errorf("no Counter32 usmStats %d in % x", c.counter, m.Payload)
			}
			if !bytes.Equal(m.Security.EngineID, engine) || m.Security.Boots != boots || m.Reportable {
				t.Errorf("reported by % x, boots %d, reportable %v", m.Security.EngineID, m.Security.Boots, m.Reportable)
			}
		})
	}
	in := h.settled(t, 7)
	for _, word := range []string{"discovery", "unsupported level", "not in time window", "unknown user", "unknown engine", "wrong digest", "decryption error"} {
		if in[word] != 1 {
			t.Errorf("%q counted %d times, want once", word, in[word])
		}
	}
}

// TestTwelveBoots (8): the master's boots go up at each start, before the first
// answer, and an inform under another engine's ID or of an earlier start is not
// taken.
func TestTwelveBoots(t *testing.T) {
	h := startHostile(t, t.TempDir())
	conn := h.talk(t, trialAgents[4].address)
	first := header(t, ask(t, conn, engineQuestion())).Security
	engine, boots := bytes.Clone(first.EngineID), first.Boots
	ask(t, conn, secureInform(t, engine, boots, first.Time, 1, nil))
	sender, err := hex.DecodeString(trialAgents[4].engine)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := conn.Write(secureInform(t, sender, 5, 3600, 2, nil)); err != nil { // as if it were a trap
		t.Fatal(err)
	}
	if in := h.settled(t, 3); in["matched"] != 1 || in["not authoritative"] != 1 {
		t.Errorf("counted %v", in)
	}
	h.stop()

	h = startHostile(t, h.data)
	conn = h.talk(t, trialAgents[4].address)
	second := header(t, ask(t, conn, engineQuestion())).Security
	if !bytes.Equal(second.EngineID, engine) || second.Boots != boots+1 {
		t.Errorf("after a restart engine % x, boots %d; before % x, %d", second.EngineID, second.Boots, engine, boots)
	}
	ask(t, conn, secureInform(t, engine, boots, first.Time, 3, nil)) // answered by a Report
	if in := h.settled(t, 2); in["matched"] != 0 || in["not in time window"] != 1 {
		t.Errorf("after a restart counted %v", in)
	}
}

// TestTwelveResponse (9): a v3 Response asks for no report and has a salt of its
// own, however often.
func TestTwelveResponse(t *testing.T) {
	h := startHostile(t, t.TempDir())
	conn := h.talk(t, trialAgents[4].address)
	at := header(t, ask(t, conn, engineQuestion())).Security
	engine := bytes.Clone(at.EngineID)
	salts := map[string]bool{}
	for n := range int32(20) {
		inform := secureInform(t, engine, at.Boots, at.Time, n+1, nil)
		salts[string(header(t, inform).Security.Salt)] = true
		m := header(t, ask(t, conn, inform))
		if m.Reportable || m.Security.Level != usm.AuthPriv {
			t.Errorf("answered with %+v", m)
		}
		if salts[string(m.Security.Salt)] {
			t.Errorf("the salt % x comes twice under one key", m.Security.Salt)
		}
		salts[string(m.Security.Salt)] = true
	}
}

// TestTwelveEcho (10): RFC 3416 section 4.2.7: the Response has the request-id
// and the variable bindings of the inform, octet for octet, whatever types of
// values those have.
func TestTwelveEcho(t *testing.T) {
	h := startHostile(t, t.TempDir())
	conn := h.talk(t, trialAgents[1].address)
	for name, inform := range map[string][]byte{
		"a negative request-id":  v2(trialCommunity, pduInform, []byte{0xff, 0x7f, 0xff, 0xfe}, binding(octets("kept as it is"))),
		"an unknown value type":  v2(trialCommunity, pduInform, []byte{1}, binding(tlv(0x4a, []byte{1, 2, 3}))),
		"a non-minimal integer":  v2(trialCommunity, pduInform, []byte{2}, binding(tlv(0x02, []byte{0, 0, 5}))),
		"a long form of lengths": v2(trialCommunity, pduInform, []byte{3}, binding([]byte{0x04, 0x82, 0, 2, 'o', 'k'})),
	} {
		t.Run(name, func(t *testing.T) {
			want := spoil(inform, "a6", "a2", 1)
			if got := ask(t, conn, inform); !bytes.Equal(got, want) {
				t.Errorf("answered\n% x, want\n% x", got, want)
			}
		})
	}
}

// A sender without a clock says boots 0 and time 0 for ever. What it said before
// a restart of the master is not taken again after it.
func TestSenderWithoutClockOverARestart(t *testing.T) {
	h := startHostile(t, t.TempDir())
	engine, err := hex.DecodeString(trialAgents[4].engine)
	if err != nil {
		t.Fatal(err)
	}
	u := usm.User{Name: trialAgents[4].user, Auth: usm.SHA1, AuthPass: trialAuth, Priv: usm.AES128, PrivPass: trialPriv}
	keys, err := usm.NewKeys(u, engine)
	if err != nil {
		t.Fatal(err)
	}
	say := func(salt uint64) []byte {
		b := snmp.Build{Version: snmp.V3, TrapOID: snmp.MustOID("1.3.6.1.6.3.1.1.5.1"),
			Secure: snmp.Secure{User: u.Name, Level: usm.AuthPriv, Keys: keys, EngineID: engine, Salt: salt, MsgID: int32(salt)}}
		out, err := b.Append(nil)
		if err != nil {
			t.Fatal(err)
		}
		return out
	}
	write := func(conn *net.UDPConn, datagrams ...[]byte) {
		for _, d := range datagrams {
			if _, err := conn.Write(d); err != nil {
				t.Fatal(err)
			}
		}
	}
	write(h.talk(t, trialAgents[4].address), say(1), say(2), say(1))
	if in := h.settled(t, 3); in["matched"] != 2 || in["replayed"] != 1 {
		t.Errorf("counted %v", in)
	}
	h.stop()
	h = startHostile(t, h.data)
	write(h.talk(t, trialAgents[4].address), say(1), say(2), say(3))
	if in := h.settled(t, 3); in["matched"] != 1 || in["replayed"] != 2 {
		t.Errorf("after a restart counted %v", in)
	}
}
