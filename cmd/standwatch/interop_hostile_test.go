//go:build interop

package main

import (
	"bytes"
	"encoding/hex"
	"maps"
	"net"
	"net/netip"
	"slices"
	"strings"
	"testing"
	"time"

	"example.net/standwatch/cmd/standwatch/demo/wire"
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

// intake is what a trial reads of the counters.
type intake struct {
	Balanced bool `json:"balanced"`
	Total    struct {
		Arrived  uint64            `json:"arrived"`
		InFlight uint64            `json:"in-flight"`
		Accepted map[string]uint64 `json:"accepted"`
		Refused  map[string]uint64 `json:"refused"`
	} `json:"total"`
}

// settled waits until arrived datagrams have come and all are accounted for.
func (tr *trial) settled(t *testing.T, arrived uint64) intake {
	t.Helper()
	var in intake
	tr.eventually(t, "every datagram is accounted for", func() bool {
		in = intake{}
		tr.get(t, "/api/v1/intake", &in)
		return in.Total.Arrived >= arrived && in.Total.InFlight == 0
	})
	if !in.Balanced || in.Total.Arrived != arrived {
		t.Errorf("%d datagrams arrived, want %d; balanced: %v", in.Total.Arrived, arrived, in.Balanced)
	}
	return in
}

// talk opens a socket at an agent's address.
func (tr *trial) talk(t *testing.T, from string) *net.UDPConn {
	t.Helper()
	conn, err := net.DialUDP("udp4", &net.UDPAddr{IP: net.ParseIP(from)}, net.UDPAddrFromAddrPort(netip.MustParseAddrPort(tr.traps)))
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

// TestInteropBadInput sends what breaks or fools a common library. Each
// datagram is counted under its reason, nothing of it shows, and the daemon
// goes on.
func TestInteropBadInput(t *testing.T) {
	tr := newTrial(t)
	community, v3Agent := tr.talk(t, trialAgents[1].address), tr.talk(t, trialAgents[4].address)
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
		{"a varbind length near 2^63", community, v2(trialCommunity, pduTrap, request, huge), "truncated"},
		{"a v3 message that ends after its version", v3Agent, []byte{0x30, 5, 2, 1, 3, 4, 0}, "bad header"},
		{"another security model", v3Agent, spoil(good, "020103", "020101", 2), "unknown security model"},
		{"a user that nobody knows", v3Agent, v3(t, func(o *wire.Options) { o.Login.User = "nobody" }), "unknown user"},
		{"an engine that nobody knows", community, v3(t, func(o *wire.Options) { o.Login.EngineID = []byte("\x80\x00\x7e\xd9\x04forged") }), "unknown engine"},
		{"the good one", v3Agent, good, "matched"},
		{"the good one again", v3Agent, good, "replayed"},
		{"a trap from before the time window", v3Agent, v3(t, func(o *wire.Options) { o.Started = time.Now().Add(-10 * time.Minute) }), "not in time window"},
		{"a trap of an earlier boot", v3Agent, v3(t, func(o *wire.Options) { o.Boots = 4 }), "not in time window"},
		{"another key", v3Agent, v3(t, func(o *wire.Options) { o.Login.AuthSecret = "some other secret" }), "wrong digest"},
		{"no privacy where it is asked for", v3Agent, v3(t, func(o *wire.Options) { o.Login.Priv = usm.NoPriv }), "weak level"},
		{"no security where it is asked for", v3Agent, v3(t, func(o *wire.Options) { o.Login.Auth, o.Login.Priv = usm.NoAuth, usm.NoPriv }), "weak level"},
		{"a community message of a v3 agent", v3Agent, v2(trialCommunity, pduTrap, request, nil), "weak level"},
		{"version 2", community, spoil(v2(trialCommunity, pduTrap, request, nil), "020101", "020102", 1), "bad version"},
		{"version 4", community, spoil(v2(trialCommunity, pduTrap, request, nil), "020101", "020104", 1), "bad version"},
		{"version 77", community, spoil(v2(trialCommunity, pduTrap, request, nil), "020101", "02014d", 1), "bad version"},
		{"a question", community, v2(trialCommunity, pduGet, request, nil), "not a notification"},
		{"another community", community, v2("public", pduTrap, request, nil), "wrong community"},
		{"a community of 200 octets", community, v2(strings.Repeat("c", 200), pduTrap, request, nil), "wrong community"},
		{"a counter of nine octets", community, v2(trialCommunity, pduTrap, request, binding(tlv(0x41, bytes.Repeat([]byte{1}, 9)))), "bad value"},
		{"an octet string longer than its message", community, v2(trialCommunity, pduTrap, request, tlv(0x30, tlv(0x06, anyName), []byte{0x04, 100, 'x'})), "truncated"},
		// Some agents put an IPv6 address there, which RFC 2578 section 7.1.5
		// has no room for. It is taken whole, not cut to four octets.
		{"an IpAddress of 16 octets", community, v2(trialCommunity, pduTrap, request, binding(tlv(0x40, bytes.Repeat([]byte{1}, 16)))), "matched"},
		{"an IpAddress of 5 octets", community, v2(trialCommunity, pduTrap, request, binding(tlv(0x40, bytes.Repeat([]byte{1}, 5)))), "bad value"},
		{"more than 4,096 octets", community, v2(trialCommunity, pduTrap, request, binding(octets(strings.Repeat("x", 6000)))), "matched"},
		{"nothing", community, []byte{0}, "not snmp"},
	} {
		t.Run(c.name, func(t *testing.T) {
			before := counts(tr.settled(t, arrived))
			if _, err := c.conn.Write(c.datagram); err != nil {
				t.Fatal(err)
			}
			arrived++
			after := counts(tr.settled(t, arrived))
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
	if standing := tr.alarms(t, "standing"); len(standing) != 0 {
		t.Errorf("bad input shows on the board: %v", standing)
	}
}

// counts are the counters by their words, accepted and refused in one.
func counts(in intake) map[string]uint64 {
	out := maps.Clone(in.Total.Accepted)
	maps.Copy(out, in.Total.Refused)
	return out
}

// spoil replaces the n-th occurrence, counted from 1, of a run of octets, given in hexadecimal.
func spoil(datagram []byte, from, to string, n int) []byte {
	old, _ := hex.DecodeString(from) // constants of this file
	now, _ := hex.DecodeString(to)
	parts := bytes.SplitN(datagram, old, n+1)
	return append(append(bytes.Join(parts[:n], old), now...), parts[n]...)
}

// TestInteropForgedEngines: engine IDs made up by whoever sends cost the
// daemon next to nothing, and a good trap in between is heard at once.
func TestInteropForgedEngines(t *testing.T) {
	tr := newTrial(t)
	stranger, agent := tr.talk(t, "127.9.50.99"), tr.talk(t, trialAgents[4].address)
	base := v3(t, func(o *wire.Options) { o.Login.EngineID = []byte("\x80\x00\x7e\xd9\x04forged-0000") })
	for i := range 500 {
		id := []byte{'0' + byte(i/100%10), '0' + byte(i/10%10), '0' + byte(i%10)}
		if _, err := stranger.Write(bytes.ReplaceAll(base, []byte("forged-0000"), append([]byte("forged-0"), id...))); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := agent.Write(v3(t, func(*wire.Options) {})); err != nil {
		t.Fatal(err)
	}
	in := tr.settled(t, 501)
	if in.Total.Accepted["matched"] != 1 || in.Total.Refused["unknown engine"] != 500 {
		t.Errorf("counted %v %v, want one matched and 500 of unknown engines", in.Total.Accepted, in.Total.Refused)
	}
}

// TestInteropAnswers holds answers against the standards, octet by octet where
// they say so.
func TestInteropAnswers(t *testing.T) {
	tr := newTrial(t)
	conn := tr.talk(t, trialAgents[1].address)
	ask := func(t *testing.T, datagram []byte) []byte {
		t.Helper()
		if _, err := conn.Write(datagram); err != nil {
			t.Fatal(err)
		}
		if err := conn.SetReadDeadline(time.Now().Add(10 * time.Second)); err != nil {
			t.Fatal(err)
		}
		buf := make([]byte, 65535)
		n, err := conn.Read(buf)
		if err != nil {
			t.Fatal(err)
		}
		return buf[:n]
	}
	t.Run("an inform with a negative request-id", func(t *testing.T) {
		// RFC 3416 section 4.2.7: the Response has the same request-id and the
		// same variable bindings.
		inform := v2(trialCommunity, pduInform, []byte{0xff, 0x7f, 0xff, 0xfe}, binding(octets("kept as it is")))
		want := spoil(inform, "a6", "a2", 1)
		if got := ask(t, inform); !bytes.Equal(got, want) {
			t.Errorf("answered\n% x, want\n% x", got, want)
		}
	})
	t.Run("a question for the engine ID", func(t *testing.T) {
		// RFC 3414 section 4: a Report of usmStatsUnknownEngineIDs, a
		// Counter32, under the master's engine ID.
		scoped := tlv(0x30, octets(""), octets(""), tlv(pduGet, small(1), small(0), small(0), tlv(0x30)))
		security := tlv(0x30, octets(""), small(0), small(0), octets(""), octets(""), octets(""))
		header := tlv(0x30, tlv(0x02, []byte{0x12, 0x34}), tlv(0x02, []byte{0x7f, 0xff}), octets("\x04"), small(3)) // reportable, USM
		question := tlv(0x30, small(3), header, tlv(0x04, security), scoped)
		answer := ask(t, question)
		var d snmp.Decoder
		m, err := d.Parse(answer)
		if err != nil {
			t.Fatal(err)
		}
		if n := len(m.Security.EngineID); n < 5 || n > 32 || m.Security.Boots == 0 {
			t.Errorf("engine ID of %d octets, boots %d", n, m.Security.Boots)
		}
		counter := []byte{0x2b, 6, 1, 6, 3, 15, 1, 1, 4, 0} // usmStatsUnknownEngineIDs.0
		if !bytes.Contains(answer, append(tlv(0x06, counter), 0x41)) {
			t.Errorf("no Counter32 usmStatsUnknownEngineIDs.0 in % x", answer)
		}
	})
}
