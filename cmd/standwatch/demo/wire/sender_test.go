package wire

import (
	"errors"
	"net/netip"
	"strings"
	"testing"
	"time"

	"github.com/gosnmp/gosnmp"
	"go.uber.org/goleak"

	"example.net/standwatch/cmd/standwatch/demo/wire/wiretest"
	"example.net/standwatch/receiver/snmp"
	"example.net/standwatch/receiver/usm"
)

// TestMain fails the run when anything that was started goes on.
func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// say is a notification of the invented remote with a number and a text.
func say(seq uint32) Notification {
	return Notification{TrapOID: ".1.3.6.1.4.1.32473.10.0.1", Varbinds: []gosnmp.SnmpPDU{
		{Name: ".1.3.6.1.4.1.32473.10.2.1.1.7", Type: gosnmp.Integer, Value: 7},
		{Name: ".1.3.6.1.4.1.32473.10.2.1.3.7", Type: gosnmp.OctetString, Value: "Mains supply"},
		{Name: ".1.3.6.1.4.1.32473.10.1.1.0", Type: gosnmp.Counter32, Value: seq},
	}}
}

func open(t *testing.T, m *wiretest.Master, o Options) *Sender {
	t.Helper()
	o.Master, o.Started = m.Addr(), time.Now().Add(-time.Hour)
	s, err := Open(o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	return s
}

func TestTrapsOfEachVersion(t *testing.T) {
	want := []string{
		"1.3.6.1.4.1.32473.10.2.1.1.7=7", "1.3.6.1.4.1.32473.10.2.1.3.7=Mains supply", "1.3.6.1.4.1.32473.10.1.1.0=5",
	}
	for _, version := range []snmp.Version{snmp.V1, snmp.V2c} {
		t.Run(version.String(), func(t *testing.T) {
			m := wiretest.Listen(t, 0)
			address := netip.MustParseAddr("127.9.8.7")
			s := open(t, m, Options{From: address, Version: version, Community: "kestrel-basin"})
			if err := s.Send(t.Context(), time.Now(), say(5)); err != nil {
				t.Fatal(err)
			}
			got := m.Next(t)
			if got.From != address {
				t.Errorf("came from %v, want the sender's own address %v", got.From, address)
			}
			// The decoder translates a v1 trap by RFC 3584 section 3.1:
			// enterprise, zero, specific.
			if got.TrapOID != "1.3.6.1.4.1.32473.10.0.1" {
				t.Errorf("trap OID %s", got.TrapOID)
			}
			if strings.Join(got.Varbinds, " ") != strings.Join(want, " ") {
				t.Errorf("varbinds %q, want %q", got.Varbinds, want)
			}
		})
	}
}

func TestEncodedAheadIsWhatIsSent(t *testing.T) {
	for _, o := range []Options{{Version: snmp.V1, Community: "c"}, {Version: snmp.V2c, Community: "c"}, {Version: snmp.V2c, Inform: true, Community: "c"}} {
		s := open(t, wiretest.Listen(t, 0), o)
		var seen []int32
		for range 2 {
			datagram, err := s.Encode(time.Now(), say(5))
			if err != nil {
				t.Fatal(err)
			}
			got, err := wiretest.Understand(new(snmp.Decoder), datagram)
			if err != nil {
				t.Fatal(err)
			}
			if got.TrapOID != "1.3.6.1.4.1.32473.10.0.1" || len(got.Varbinds) != 3 || got.Inform != o.Inform {
				t.Errorf("%v: encoded %+v", o.Version, got)
			}
			seen = append(seen, got.Request)
		}
		if o.Version != snmp.V1 && seen[0] == seen[1] {
			t.Errorf("%v: two notifications have the request-id %d", o.Version, seen[0])
		}
	}
}

func TestGenericTrapInV1(t *testing.T) {
	m := wiretest.Listen(t, 0)
	s := open(t, m, Options{Version: snmp.V1, Community: "c"})
	if err := s.Send(t.Context(), time.Now(), Notification{TrapOID: ".1.3.6.1.6.3.1.1.5.3"}); err != nil {
		t.Fatal(err)
	}
	if got := m.Next(t); got.TrapOID != "1.3.6.1.6.3.1.1.5.3" { // linkDown, RFC 2863
		t.Errorf("trap OID %s, want linkDown", got.TrapOID)
	}
}

func TestSplitTrapOID(t *testing.T) { // RFC 3584 section 3.2
	for _, c := range []struct {
		oid, enterprise   string
		generic, specific int
	}{
		{".1.3.6.1.6.3.1.1.5.1", genericEnterprise, 0, 0},            // coldStart
		{".1.3.6.1.6.3.1.1.5.4", genericEnterprise, 3, 0},            // linkUp
		{".1.3.6.1.4.1.32473.10.0.6", ".1.3.6.1.4.1.32473.10", 6, 6}, // the zero before the last arc is dropped
		{".1.3.6.1.4.1.32473.10.9", ".1.3.6.1.4.1.32473.10", 6, 9},   // no zero: only the last arc
		{".1.3.6.1.6.3.1.1.5.7", ".1.3.6.1.6.3.1.1.5", 6, 7},         // below snmpTraps but no generic trap
		{".1.3.6.1.4.1.32473.0.0.2", ".1.3.6.1.4.1.32473.0", 6, 2},   // one zero only
		{".1.3.6.1.4.1.32473.100.4", ".1.3.6.1.4.1.32473.100", 6, 4}, // a zero at the end of a number is no arc of zero
	} {
		enterprise, generic, specific := splitTrapOID(c.oid)
		if enterprise != c.enterprise || generic != c.generic || specific != c.specific {
			t.Errorf("%s: got %s %d %d, want %s %d %d", c.oid, enterprise, generic, specific, c.enterprise, c.generic, c.specific)
		}
	}
}

func TestInformIsSentAgainUntilAnswered(t *testing.T) {
	m := wiretest.Listen(t, 1)
	s := open(t, m, Options{Version: snmp.V2c, Inform: true, Community: "c", Wait: 300 * time.Millisecond})
	if err := s.Send(t.Context(), time.Now(), say(1)); err != nil {
		t.Fatal(err)
	}
	first, second := m.Next(t), m.Next(t)
	if !first.Inform || !second.Inform || first.Request != second.Request {
		t.Errorf("want the same inform twice, got %+v and %+v", first, second)
	}
	if err := s.Send(t.Context(), time.Now(), say(2)); err != nil {
		t.Fatal(err)
	}
	if third := m.Next(t); third.Request == first.Request {
		t.Errorf("another inform has the same request-id %d", third.Request)
	}
}

func TestInformWithoutAnswer(t *testing.T) {
	m := wiretest.Listen(t, 100)
	s := open(t, m, Options{Version: snmp.V2c, Inform: true, Community: "c", Wait: 20 * time.Millisecond, Tries: 3})
	if err := s.Send(t.Context(), time.Now(), say(1)); !errors.Is(err, ErrUnanswered) {
		t.Errorf("got %v, want ErrUnanswered", err)
	}
	for range 3 {
		m.Next(t)
	}
	if m.Unread() != 0 {
		t.Error("sent more often than it may")
	}
}

func TestV3TrapSpeaksForItsOwnEngine(t *testing.T) {
	m := wiretest.Listen(t, 0)
	login := Login{User: "remote", Auth: usm.SHA256, AuthSecret: "a-long-secret", Priv: usm.AES128, PrivSecret: "another-secret", EngineID: []byte("\x80\x00\x7e\xd9\x05north")}
	s := open(t, m, Options{Version: snmp.V3, Login: login})
	if err := s.Send(t.Context(), time.Now(), say(1)); err != nil {
		t.Fatal(err)
	}
	got := m.Next(t)
	if got.Version != snmp.V3 || got.User != "remote" || got.Boots != s.opts.Boots || got.Boots == 0 {
		t.Errorf("got %+v, want v3 of user remote with boots %d", got, s.opts.Boots)
	}
}

func TestOpenRefuses(t *testing.T) {
	master := netip.MustParseAddrPort("127.0.0.1:9")
	for name, c := range map[string]struct {
		o    Options
		want string
	}{
		"a v1 inform":            {Options{Version: snmp.V1, Inform: true}, "SNMPv1 has no informs"},
		"an IPv6 agent address":  {Options{Version: snmp.V1, AgentAddr: netip.MustParseAddr("2001:db8::1")}, "is an IPv4 address"},
		"a version that is none": {Options{Version: 2}, "no SNMP version"},
		"v3 without a user":      {Options{Version: snmp.V3}, "needs a user name"},
		"a trap without engine":  {Options{Version: snmp.V3, Login: Login{User: "u"}}, "engine ID of 5 to 32 octets"},
		"an address not its own": {Options{Version: snmp.V2c, From: netip.MustParseAddr("192.0.2.77")}, "open the sender's socket"},
	} {
		t.Run(name, func(t *testing.T) {
			c.o.Master = master
			s, err := Open(c.o)
			if err == nil {
				s.Close()
				t.Fatal("want an error")
			}
			if !strings.Contains(err.Error(), c.want) {
				t.Errorf("got %q, want it to say %q", err, c.want)
			}
		})
	}
}
