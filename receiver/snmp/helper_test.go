package snmp

import (
	"encoding/hex"
	"encoding/json"
	"errors"
	"os"
	"testing"
	"time"

	"example.net/standwatch/receiver/usm"
)

var (
	ownID    = []byte("\x80\x00\x7e\xd9\x04master")
	factsID  = []byte("\x80\x00\x7e\xd9\x04facts")
	epoch    = time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
	anyTrap  = MustOID("1.3.6.1.4.1.32473.1.0.7")
	anyName  = MustOID("1.3.6.1.4.1.32473.1.2.1.3.5")
	syrup    = "maplesyrup"
	allKeys  = usm.User{Name: "remote", Auth: usm.SHA256, Priv: usm.AES128, AuthPass: syrup, PrivPass: syrup}
	coldTrap = MustOID("1.3.6.1.6.3.1.1.5.1")
)

func unhex(t testing.TB, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(s)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// recorded returns the messages of traces.json, which an independent encoder
// made.
func recorded(t testing.TB) map[string][]byte {
	t.Helper()
	text, err := os.ReadFile("../../testdata/traces.json")
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

// decode runs a v1 or v2c datagram through a fresh decoder.
func decode(datagram []byte) (*Decoder, *Notification, error) {
	var d Decoder
	if _, err := d.Parse(datagram); err != nil {
		return &d, nil, err
	}
	n, err := d.Notification()
	return &d, n, err
}

func mustDecode(t testing.TB, datagram []byte) (*Decoder, *Notification) {
	t.Helper()
	d, n, err := decode(datagram)
	if err != nil {
		t.Fatalf("%x: %v", datagram, err)
	}
	return d, n
}

func mustAppend(t testing.TB, b Build) []byte {
	t.Helper()
	out, err := b.Append(nil)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func reasonOf(err error) Reason {
	var e *DecodeError
	if errors.As(err, &e) {
		return e.Reason
	}
	return noReason
}

// newTable returns a table on which users are on every engine, factsID among
// them.
func newTable(t testing.TB, users ...usm.User) *usm.Table {
	t.Helper()
	table, err := usm.NewTable(usm.Options{LocalID: ownID, LocalBoots: 7, Started: epoch.Add(-1000 * time.Second), Users: users, Salt: 1 << 40})
	if err != nil {
		t.Fatal(err)
	}
	if err := table.Admit(epoch, factsID, []byte(users[0].Name)); err != nil {
		t.Fatal(err)
	}
	return table
}

func keysOf(t testing.TB, u usm.User, engineID []byte) *usm.Keys {
	t.Helper()
	k, err := usm.NewKeys(u, engineID)
	if err != nil {
		t.Fatal(err)
	}
	return k
}

// secured returns a v3 notification of u at factsID, or, as an inform, at ours.
func secured(t testing.TB, u usm.User, inform bool, salt uint64) Build {
	t.Helper()
	s := Secure{User: u.Name, Level: u.Level(), Keys: keysOf(t, u, factsID), EngineID: factsID, Boots: 1, Time: 100, Salt: salt, MsgID: int32(salt), ContextID: factsID, ContextName: "rack"}
	if inform {
		s.EngineID, s.Keys, s.Boots, s.Time = ownID, keysOf(t, u, ownID), 7, 1000
	}
	return Build{Version: V3, Inform: inform, RequestID: -5, TrapOID: anyTrap, Uptime: 12345, Varbinds: eight(), Secure: s}
}

// eight returns the variable bindings of the benchmarks.
func eight() []Varbind {
	at := func(column uint32) OID { return MustOID("1.3.6.1.4.1.32473.1.2.1").Append(column, 17) }
	return []Varbind{
		Integer(at(1), 17),
		Octets(at(2), []byte("Harrow Knoll")),
		Octets(at(3), []byte("rectifier 2 failed")),
		Integer(at(4), 2),
		Unsigned(at(5), TagGauge32, 482),
		Unsigned(at(6), TagCounter32, 4000000000),
		Unsigned(at(7), TagTimeTicks, 123456),
		Identifier(at(8), MustOID("1.3.6.1.4.1.32473.1.9.4")),
	}
}

func v2c(vbs ...Varbind) Build {
	return Build{Version: V2c, Community: "public", RequestID: 99, TrapOID: anyTrap, Uptime: 12345, Varbinds: vbs}
}
