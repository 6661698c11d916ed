package northbound

import (
	"context"
	"fmt"
	"net/netip"
	"strings"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"example.net/standwatch/correlate"
	"example.net/standwatch/notify/forward"
	"example.net/standwatch/receiver"
	"example.net/standwatch/receiver/snmp"
	"example.net/standwatch/receiver/usm"
)

var _ forward.Sender = (*Sender)(nil)

var change = forward.Change{Seq: 17, At: time.Date(2026, 1, 10, 9, 14, 5, 120e6, time.UTC), Key: correlate.Key{Site: "hk", Point: "ac", Instance: "2"},
	Severity: correlate.Critical, Text: "Mains failed", Site: "Harrow Knoll", Point: "Mains supply", Cause: "commercialPowerFailure"}

var engine = []byte{0x80, 0, 0x7e, 0xd9, 5, 1, 2, 3, 4, 5, 6, 7}

func identity() Identity {
	started := time.Now().Add(-time.Minute)
	return Identity{EngineID: engine, Boots: 3, Started: started, Now: time.Now, Cause: func(m string) int {
		if m == "commercialPowerFailure" {
			return 106
		}
		return 0
	}}
}

// manager is this program's own receiver as the other manager: its decoder
// and security are not those of the library that sends.
type manager struct {
	*receiver.Receiver
	got chan *correlate.Arrival
}

func newManager(t *testing.T, users ...usm.User) (*manager, int) {
	t.Helper()
	m := &manager{got: make(chan *correlate.Arrival, 100)}
	net, err := correlate.NewNetwork(nil, nil, "hash")
	if err != nil {
		t.Fatal(err)
	}
	m.Receiver, err = receiver.New(receiver.Options{
		Listeners: []receiver.Listener{{Name: "l", Address: netip.MustParseAddrPort("127.0.0.1:0")}},
		Config:    receiver.Config{Policies: []receiver.Policy{{Listener: "l", Communities: []receiver.Secret{"trial"}}}, Users: users, Network: net},
		Offer: func(in *correlate.Arrival, done func(correlate.Seq, error)) bool {
			m.got <- in
			done(1, nil)
			return true
		},
		Identity: receiver.Identity{EngineID: []byte("\x80\x00\x7e\xd9\x05manager"), Boots: 9}, Now: time.Now, Log: zerolog.Nop(),
	})
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- m.Run(ctx) }()
	t.Cleanup(func() {
		stop()
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
	return m, int(m.Accounts().Listeners[0].Address.Port())
}

func (m *manager) next(t *testing.T) *correlate.Arrival {
	t.Helper()
	select {
	case a := <-m.got:
		return a
	case <-time.After(time.Minute):
		t.Fatalf("nothing came; the books say %+v", m.Accounts().Listeners[0])
		return nil
	}
}

// TestNotifications in every way, through an independent decoder.
func TestNotifications(t *testing.T) {
	user := usm.User{Name: "north", Auth: usm.SHA256, AuthPass: "a long passphrase", Priv: usm.AES128, PrivPass: "another passphrase"}
	v3 := Options{User: "north", Auth: "sha256", AuthSecret: "a long passphrase", Priv: "aes128", PrivSecret: "another passphrase"}
	for name, o := range map[string]Options{
		"v2c trap": {Community: "trial"}, "v2c inform": {Community: "trial", Inform: true}, "v3 trap": v3,
		"v3 inform": {User: v3.User, Auth: v3.Auth, AuthSecret: v3.AuthSecret, Priv: v3.Priv, PrivSecret: v3.PrivSecret, Inform: true},
	} {
		t.Run(name, func(t *testing.T) {
			users := user
			if !o.Inform {
				users.EngineIDs = [][]byte{engine}
			}
			m, port := newManager(t, users)
			o.Host, o.Port = "127.0.0.1", port
			s, err := New(o, identity())
			if err != nil {
				t.Fatal(err)
			}
			defer s.Close()
			cleared := change
			cleared.Severity, cleared.Text = correlate.Cleared, "Mains present"
			for _, c := range []forward.Change{change, cleared} {
				if err := s.Send(t.Context(), c); err != nil {
					t.Fatal(err)
				}
				a := m.next(t)
				if a.Inform != o.Inform || a.Version != strings.Fields(name)[0] {
					t.Errorf("got %s, inform %v", a.Version, a.Inform)
				}
				if want := map[bool]string{true: "1.3.6.1.2.1.118.0.3", false: "1.3.6.1.2.1.118.0.2"}[c.Severity == correlate.Cleared]; a.TrapOID != want {
					t.Errorf("got %s, want %s", a.TrapOID, want)
				}
			}
		})
	}
}

// TestVarbinds: the contents, decoded by the project's own decoder.
func TestVarbinds(t *testing.T) {
	m, port := newManager(t)
	s, err := New(Options{Host: "127.0.0.1", Port: port, Community: "trial"}, identity())
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	if err := s.Send(t.Context(), change); err != nil {
		t.Fatal(err)
	}
	a := m.next(t)
	var d snmp.Decoder
	if _, err := d.Parse(a.Datagram); err != nil {
		t.Fatal(err)
	}
	n, err := d.Notification()
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, vb := range n.Varbinds {
		value := ""
		if oid, ok := vb.OID(); ok {
			value = oid.String()
		} else if i, ok := vb.Int(); ok {
			value = fmt.Sprint(i)
		} else if b, ok := vb.Bytes(); ok {
			value = string(b)
		}
		got = append(got, snmp.OID(vb.Name).String()+" = "+value)
	}
	row := "0.11.7.234.1.10.9.14.5.1.43.0.0." + fmt.Sprint(crcOf("hk:ac:2"))
	want := []string{
		"1.3.6.1.2.1.118.1.2.2.1.13." + row + " = 1.3.6.1.2.1.118.1.1.2.1.3.0.106.6",
		"1.3.6.1.2.1.118.1.2.2.1.10." + row + " = 1.3.6.1.4.1.32473.1.2.104.107.2.97.99.1.50",
		"1.3.6.1.2.1.118.1.2.2.1.11." + row + " = Mains failed",
		"1.3.6.1.2.1.121.1.1.1.1.3.0.106.3 = 106",
		"1.3.6.1.2.1.121.1.1.1.1.4.0.106.3 = hk:ac:2 (Harrow Knoll, Mains supply)",
	}
	if strings.Join(got, "\n") != strings.Join(want, "\n") {
		t.Errorf("got\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
}

// crcOf is the CRC-32 of IEEE 802.3, computed bit by bit.
func crcOf(text string) uint32 {
	crc := ^uint32(0)
	for i := range len(text) {
		crc ^= uint32(text[i])
		for range 8 {
			crc = crc>>1 ^ 0xedb88320&-(crc&1)
		}
	}
	return ^crc
}

// TestSeverityNumbers keeps the numberings of RFC 3877 apart.
func TestSeverityNumbers(t *testing.T) {
	for s, want := range map[correlate.Severity][2]int{correlate.Cleared: {1, 1}, correlate.Indeterminate: {2, 2}, correlate.Warning: {3, 6}, correlate.Minor: {4, 5},
		correlate.Major: {5, 4}, correlate.Critical: {6, 3}} {
		if got := [2]int{state(s), itu(s)}; got != want {
			t.Errorf("%s: %v, want %v", s, got, want)
		}
	}
}

// TestUnanswered: an inform without an answer is an error.
func TestUnanswered(t *testing.T) {
	m, port := newManager(t)
	s, err := New(Options{Host: "127.0.0.1", Port: port, Community: "wrong", Inform: true, Timeout: 50 * time.Millisecond, Tries: 2}, identity())
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Send(t.Context(), change); err == nil || strings.Contains(err.Error(), "wrong") {
		t.Errorf("got %v", err)
	}
	if len(m.got) != 0 {
		t.Error("a wrong community was taken")
	}
}

// TestLongNames: a resource of more arcs than an OID may have.
func TestLongNames(t *testing.T) {
	s, err := New(Options{Host: "127.0.0.1", Community: "x", Enterprise: ".1.3.6.1.4.1.32473.5"}, identity())
	if err != nil {
		t.Fatal(err)
	}
	k := correlate.Key{Site: correlate.SiteID(strings.Repeat("s", 64)), Point: "p", Instance: strings.Repeat("i", 64)}
	if got := s.resource(k); !strings.HasPrefix(got, "1.3.6.1.4.1.32473.5.2.") || strings.Count(got, ".") != 16 {
		t.Errorf("got %s", got)
	}
	if got := fit(strings.Repeat("a", 254) + "é"); len(got) != 254 {
		t.Errorf("a character was cut: %d octets", len(got))
	}
}

func TestNewRefuses(t *testing.T) {
	for want, o := range map[string]Options{
		"another manager needs a host":                                                                 {Community: "x"},
		"another manager is told with either a community or a user":                                    {Host: "192.0.2.9"},
		"privacy needs authentication (RFC 3414 section 1.4)":                                          {Host: "192.0.2.9", User: "u", Priv: "aes128", PrivSecret: "12345678"},
		"a passphrase has at least 8 octets (RFC 3414 section 11.2)":                                   {Host: "192.0.2.9", User: "u", Auth: "sha1", AuthSecret: "short"},
		"the enterprise is no OID such as 1.3.6.1.4.1.32473":                                           {Host: "192.0.2.9", Community: "x", Enterprise: "example"},
		"unknown authentication \"rot13\"\na passphrase has at least 8 octets (RFC 3414 section 11.2)": {Host: "192.0.2.9", User: "u", Auth: "rot13"},
	} {
		if _, err := New(o, identity()); err == nil || err.Error() != want {
			t.Errorf("got %v, want %s", err, want)
		}
	}
}
