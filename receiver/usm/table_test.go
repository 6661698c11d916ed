package usm

import (
	"bytes"
	"errors"
	"fmt"
	"sync"
	"sync/atomic"
	"testing"
	"time"
)

var (
	ownID    = []byte("\x80\x00\x7e\xd9\x04master")
	senderID = []byte("\x80\x00\x7e\xd9\x04sender")
	start    = time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
)

func authPriv(name string) User {
	return User{Name: name, Auth: SHA256, Priv: AES128, AuthPass: "maplesyrup", PrivPass: "maplesyrup"}
}

func newTestTable(t testing.TB, users ...User) *Table {
	t.Helper()
	return newTableFrom(t, Options{LocalID: ownID, LocalBoots: 7, Started: start, Users: users})
}

func newTableFrom(t testing.TB, o Options) *Table {
	t.Helper()
	table, err := NewTable(o)
	if err != nil {
		t.Fatal(err)
	}
	return table
}

// message is a sealed message as Process wants it. The envelope is made up: USM
// asks only where the digest lies.
type message struct {
	user        User
	engineID    []byte
	level       Level
	boots, time uint32
	salt        uint64
}

func (m message) seal(t testing.TB) Incoming {
	t.Helper()
	keys, err := NewKeys(m.user, m.engineID)
	if err != nil {
		t.Fatal(err)
	}
	plain := []byte("\x30\x08contents")
	h := &Header{Model: ModelUSM, Level: m.level, EngineID: m.engineID, Boots: m.boots, Time: m.time, User: []byte(m.user.Name)}
	datagram := fmt.Appendf(nil, "%x %d %d %d ", m.engineID, m.boots, m.time, m.salt)
	h.MACAt = len(datagram)
	datagram = append(datagram, make([]byte, keys.MACLen())...)
	payload := plain
	if m.level == AuthPriv {
		var salt [8]byte
		payload, salt = keys.Seal(plain, m.boots, m.time, m.salt)
		h.Salt = salt[:]
	}
	datagram = append(datagram, payload...)
	if m.level >= AuthNoPriv {
		keys.Sign(datagram, h.MACAt)
		h.MAC = datagram[h.MACAt : h.MACAt+keys.MACLen()]
	}
	return Incoming{Header: h, Datagram: datagram, Payload: datagram[len(datagram)-len(payload):]}
}

// want processes a message at start plus seconds.
func want(t *testing.T, table *Table, in Incoming, seconds int, v Verdict) Result {
	t.Helper()
	res, got := table.Process(start.Add(time.Duration(seconds)*time.Second), in)
	if got != v {
		t.Errorf("at %d s: %v, want %v", seconds, got, v)
	}
	return res
}

func TestProcessEveryProtocol(t *testing.T) {
	for auth := MD5; auth <= SHA512; auth++ {
		for priv := DES; priv <= AES256C; priv++ {
			t.Run(auth.String()+"_"+priv.String(), func(t *testing.T) {
				u := authPriv("u")
				u.Auth, u.Priv = auth, priv
				table := newTestTable(t, User{Name: "u", EngineIDs: [][]byte{senderID}, Auth: auth, Priv: priv, AuthPass: u.AuthPass, PrivPass: u.PrivPass})
				in := message{user: u, engineID: senderID, level: AuthPriv, boots: 3, time: 100, salt: 5}.seal(t)
				before := bytes.Clone(in.Datagram)
				res := want(t, table, in, 0, Accepted)
				if !bytes.HasPrefix(res.Plain, []byte("\x30\x08contents")) || res.Level != AuthPriv || res.Local {
					t.Errorf("got %q, %v, local %v", res.Plain, res.Level, res.Local)
				}
				if !bytes.Equal(before, in.Datagram) {
					t.Error("the datagram was changed")
				}
			})
		}
	}
}

// The order of RFC 3412 section 7.2 and RFC 3414 section 3.2, each refusal under
// its own counter.
func TestProcessRefuses(t *testing.T) {
	u := authPriv("u")
	for _, tc := range []struct {
		name  string
		spoil func(*Incoming)
		want  Verdict
	}{
		{"model", func(in *Incoming) { in.Header.Model = 2 }, UnknownSecurityModel},
		{"flags", func(in *Incoming) { in.Header.Level = 0 }, InvalidMsg},
		{"engine", func(in *Incoming) { in.Header.EngineID = []byte("\x80\x00\x7e\xd9\x04nobody") }, UnknownEngineID},
		{"no_engine", func(in *Incoming) { in.Header.EngineID = nil }, UnknownEngineID},
		{"user", func(in *Incoming) { in.Header.User = []byte("v") }, UnknownUserName},
		{"digest", func(in *Incoming) { in.Datagram[len(in.Datagram)-1] ^= 1 }, WrongDigest},
		{"digest_short", func(in *Incoming) { in.Header.MAC = in.Header.MAC[:12] }, WrongDigest},
		{"digest_empty", func(in *Incoming) { in.Header.MAC = nil }, WrongDigest},
		{"digest_beyond", func(in *Incoming) { in.Header.MACAt = len(in.Datagram) - 3 }, WrongDigest},
		{"no_auth", func(in *Incoming) { in.Header.Level = NoAuthNoPriv }, BelowMinLevel},
		{"salt", func(in *Incoming) { in.Header.Salt = in.Header.Salt[:7] }, DecryptionError},
	} {
		t.Run(tc.name, func(t *testing.T) {
			table := newTestTable(t, u)
			if err := table.Admit(start, senderID, []byte("u")); err != nil {
				t.Fatal(err)
			}
			in := message{user: u, engineID: senderID, level: AuthPriv, boots: 1, time: 1}.seal(t)
			tc.spoil(&in)
			want(t, table, in, 0, tc.want)
			for v := Accepted; v < Verdicts; v++ {
				count := uint64(0)
				if v == tc.want {
					count = 1
				}
				if got := table.Count(v); got != count {
					t.Errorf("%v counted %d times, want %d", v, got, count)
				}
			}
			if _, known := table.Clock(senderID); known && tc.want != DecryptionError {
				t.Error("a clock was learned from a message that was not authenticated")
			}
		})
	}
}

func TestProcessUnsupportedLevel(t *testing.T) {
	weak := User{Name: "u", Auth: SHA256, AuthPass: "maplesyrup"}
	table := newTestTable(t, weak)
	if err := table.Admit(start, senderID, []byte("u")); err != nil {
		t.Fatal(err)
	}
	want(t, table, message{user: authPriv("u"), engineID: senderID, level: AuthPriv, boots: 1, time: 1}.seal(t), 0, UnsupportedSecLevel)
	want(t, table, message{user: weak, engineID: senderID, level: AuthNoPriv, boots: 1, time: 1}.seal(t), 0, Accepted)
}

// Failing 6 of the twelve (twelve_test.go in package snmp): a weaker level is not taken for the configured
// one, unless it is asked for.
func TestMinLevel(t *testing.T) {
	strict, lenient := authPriv("u"), authPriv("v")
	lenient.MinLevel = AuthNoPriv
	table := newTestTable(t, strict, lenient)
	if err := table.Admit(start, senderID, []byte("u")); err != nil {
		t.Fatal(err)
	}
	want(t, table, message{user: strict, engineID: senderID, level: AuthNoPriv, boots: 1, time: 1, salt: 1}.seal(t), 0, BelowMinLevel)
	want(t, table, message{user: lenient, engineID: senderID, level: AuthNoPriv, boots: 1, time: 1, salt: 2}.seal(t), 0, Accepted)
	want(t, table, message{user: lenient, engineID: senderID, level: NoAuthNoPriv, boots: 1, time: 1, salt: 3}.seal(t), 0, BelowMinLevel)
}

// A message of the same user and passphrase under another passphrase for
// privacy: authentic, but not to be read.
func TestDecryptionError(t *testing.T) {
	other := authPriv("u")
	other.PrivPass = "another syrup"
	table := newTestTable(t, authPriv("u"))
	if err := table.Admit(start, senderID, []byte("u")); err != nil {
		t.Fatal(err)
	}
	want(t, table, message{user: other, engineID: senderID, level: AuthPriv, boots: 1, time: 1}.seal(t), 0, DecryptionError)
}

// RFC 3414 section 3.2 step 7b: the receiver of traps is not authoritative.
func TestTrapWindow(t *testing.T) {
	u := authPriv("u")
	for _, tc := range []struct {
		name        string
		boots, time uint32
		at          int // seconds after the first message, of boots 5 and time 1000
		want        Verdict
	}{
		{"in_step", 5, 1300, 300, Accepted},
		{"late_by_150", 5, 850, 0, Accepted},
		{"late_by_151", 5, 849, 0, NotInTimeWindow},
		{"late_by_150_later", 5, 950, 100, Accepted},
		{"late_by_151_later", 5, 949, 100, NotInTimeWindow},
		// Newer than the newest sets our notion of the time, however slow the
		// sender's clock is.
		{"slow", 5, 1001, 300, Accepted},
		{"ahead", 5, 500000, 1, Accepted},
		{"rebooted", 6, 0, 10, Accepted},
		{"boots_back", 4, 1300, 300, NotInTimeWindow},
		{"boots_at_end", 1<<31 - 1, 1, 10, NotInTimeWindow},
		{"clock_stepped_back", 5, 1001, -3600, Accepted},
	} {
		t.Run(tc.name, func(t *testing.T) {
			table := newTestTable(t, User{Name: "u", EngineIDs: [][]byte{senderID}, Auth: u.Auth, Priv: u.Priv, AuthPass: u.AuthPass, PrivPass: u.PrivPass})
			want(t, table, message{user: u, engineID: senderID, level: AuthPriv, boots: 5, time: 1000, salt: 1}.seal(t), 0, Accepted)
			want(t, table, message{user: u, engineID: senderID, level: AuthPriv, boots: tc.boots, time: tc.time, salt: 2}.seal(t), tc.at, tc.want)
		})
	}
}

func TestTrapReplay(t *testing.T) {
	u := authPriv("u")
	table := newTestTable(t, u)
	if err := table.Admit(start, senderID, []byte("u")); err != nil {
		t.Fatal(err)
	}
	first := message{user: u, engineID: senderID, level: AuthPriv, boots: 1, time: 100, salt: 1}.seal(t)
	late := message{user: u, engineID: senderID, level: AuthPriv, boots: 1, time: 99, salt: 2}.seal(t)
	want(t, table, first, 0, Accepted)
	want(t, table, late, 0, Accepted) // overtaken on its way
	want(t, table, first, 1, Replayed)
	want(t, table, late, 149, Replayed)
	want(t, table, first, 150, Replayed)
	want(t, table, first, 151, NotInTimeWindow)
	want(t, table, message{user: u, engineID: senderID, level: AuthPriv, boots: 2, time: 0, salt: 3}.seal(t), 152, Accepted)
	want(t, table, first, 152, NotInTimeWindow)
}

// Some senders say boots 0 and time 0 for ever (pysnmp, npm net-snmp).
func TestSenderWithoutClock(t *testing.T) {
	u := authPriv("u")
	table := newTestTable(t, u)
	if err := table.Admit(start, senderID, []byte("u")); err != nil {
		t.Fatal(err)
	}
	at := func(salt uint64) Incoming {
		return message{user: u, engineID: senderID, level: AuthPriv, salt: salt}.seal(t)
	}
	want(t, table, at(1), 0, Accepted)
	want(t, table, at(2), 100000, Accepted)
	want(t, table, at(1), 200000, Replayed)
	// Once the sender has a clock, the exception is over.
	want(t, table, message{user: u, engineID: senderID, level: AuthPriv, boots: 1, time: 5, salt: 3}.seal(t), 200001, Accepted)
	want(t, table, at(4), 200002, NotInTimeWindow)
}

func TestRestart(t *testing.T) {
	u := authPriv("u")
	table := newTestTable(t, u)
	if err := table.Admit(start, senderID, []byte("u")); err != nil {
		t.Fatal(err)
	}
	old := message{user: u, engineID: senderID, level: AuthPriv, boots: 4, time: 995, salt: 1}.seal(t)
	want(t, table, old, 0, Accepted)
	want(t, table, message{user: u, engineID: senderID, level: AuthPriv, boots: 4, time: 1000, salt: 2}.seal(t), 5, Accepted)
	clocks := table.Clocks()
	if len(clocks) != 1 || clocks[0].Boots != 4 || clocks[0].Time != 1000 || !bytes.Equal(clocks[0].ID, senderID) {
		t.Fatalf("clocks %+v", clocks)
	}

	again := newTableFrom(t, Options{LocalID: ownID, LocalBoots: 8, Started: start.Add(10 * time.Second), Users: []User{u}, Clocks: clocks})
	want(t, again, old, 11, Replayed) // without the clock it would be new
	want(t, again, message{user: u, engineID: senderID, level: AuthPriv, boots: 3, time: 9999, salt: 3}.seal(t), 12, NotInTimeWindow)
	want(t, again, message{user: u, engineID: senderID, level: AuthPriv, boots: 4, time: 1008, salt: 4}.seal(t), 13, Accepted)
}

func TestForget(t *testing.T) {
	u := authPriv("u")
	table := newTestTable(t, u)
	if err := table.Admit(start, senderID, []byte("u")); err != nil {
		t.Fatal(err)
	}
	want(t, table, message{user: u, engineID: senderID, level: AuthPriv, boots: 9, time: 9, salt: 1}.seal(t), 0, Accepted)
	repaired := message{user: u, engineID: senderID, level: AuthPriv, boots: 1, time: 1, salt: 2}.seal(t)
	want(t, table, repaired, 1, NotInTimeWindow)
	if !table.Forget(senderID) || table.Forget(ownID) || table.Forget([]byte("nobody")) {
		t.Error("only a known sender can be forgotten")
	}
	want(t, table, repaired, 2, Accepted)
}

// RFC 3414 section 3.2 step 7a: for informs the receiver is authoritative.
func TestInformWindow(t *testing.T) {
	u := authPriv("u")
	for _, tc := range []struct {
		name        string
		boots, time uint32
		want        Verdict
	}{
		{"in_step", 7, 1000, Accepted},
		{"behind_150", 7, 850, Accepted},
		{"behind_151", 7, 849, NotInTimeWindow},
		{"ahead_150", 7, 1150, Accepted},
		{"ahead_151", 7, 1151, NotInTimeWindow},
		{"boots_below", 6, 1000, NotInTimeWindow},
		{"boots_above", 8, 1000, NotInTimeWindow},
		{"not_synchronised", 0, 0, NotInTimeWindow},
	} {
		t.Run(tc.name, func(t *testing.T) {
			table := newTestTable(t, u)
			in := message{user: u, engineID: ownID, level: AuthPriv, boots: tc.boots, time: tc.time, salt: 1}.seal(t)
			if res := want(t, table, in, 1000, tc.want); !res.Local || res.Repeat {
				t.Errorf("local %v, repeat %v", res.Local, res.Repeat)
			}
			if tc.want == Accepted {
				// Its sender may have missed the answer.
				if res := want(t, table, in, 1000, Accepted); !res.Repeat {
					t.Error("a repeated inform passed for new")
				}
			}
			if table.LocalBoots() != 7 {
				t.Error("our own boots were learned from a message")
			}
		})
	}
}

// An inform is remembered for as long as the window takes it: one that is ahead
// of us for twice the window.
func TestInformRepeatAhead(t *testing.T) {
	u := authPriv("u")
	table := newTestTable(t, u)
	ahead := message{user: u, engineID: ownID, level: AuthPriv, boots: 7, time: 1150, salt: 1}.seal(t)
	want(t, table, ahead, 1000, Accepted)
	for at := 1010; at <= 1300; at += 10 {
		other := message{user: u, engineID: ownID, level: AuthPriv, boots: 7, time: uint32(at), salt: uint64(at)}.seal(t)
		if want(t, table, other, at, Accepted).Repeat {
			t.Errorf("at %d s a new inform passed for a repeated one", at)
		}
		if !want(t, table, ahead, at, Accepted).Repeat {
			t.Errorf("at %d s a repeated inform passed for new", at)
		}
	}
	want(t, table, ahead, 1301, NotInTimeWindow)
}

func TestBootsAtEndRefuseInforms(t *testing.T) {
	u := authPriv("u")
	table := newTableFrom(t, Options{LocalID: ownID, LocalBoots: maxBoots, Started: start, Users: []User{u}})
	want(t, table, message{user: u, engineID: ownID, level: AuthPriv, boots: maxBoots, time: 1, salt: 1}.seal(t), 1, NotInTimeWindow)
}

// The same name on two engines with different keys, and on every other engine
// with a third.
func TestSameNameOnEngines(t *testing.T) {
	other := []byte("\x80\x00\x7e\xd9\x04other")
	third := []byte("\x80\x00\x7e\xd9\x04third")
	a, b, c := authPriv("u"), authPriv("u"), authPriv("u")
	a.EngineIDs, a.AuthPass = [][]byte{senderID}, "maplesyrup one"
	b.EngineIDs, b.AuthPass = [][]byte{other}, "maplesyrup two"
	b.Informs = true
	table := newTestTable(t, a, b, c)
	if err := table.Admit(start, third, []byte("u")); err != nil {
		t.Fatal(err)
	}
	for i, tc := range []struct {
		user     User
		engineID []byte
		want     Verdict
	}{
		{a, senderID, Accepted}, {b, other, Accepted}, {c, third, Accepted}, {b, senderID, WrongDigest}, {a, other, WrongDigest},
		{c, senderID, WrongDigest}, {b, ownID, NotInTimeWindow}, {c, ownID, WrongDigest},
	} {
		in := message{user: tc.user, engineID: tc.engineID, level: AuthPriv, boots: 1, time: 1, salt: uint64(i)}.seal(t)
		want(t, table, in, 0, tc.want)
	}
}

func TestLocalisedKeys(t *testing.T) {
	plain := authPriv("u")
	keyed := User{Name: "u", EngineIDs: [][]byte{senderID}, Auth: SHA256, Priv: AES128}
	keyed.AuthKey = Localize(SHA256, PasswordToKey(SHA256, plain.AuthPass), senderID)
	keyed.PrivKey = keyed.AuthKey[:16]
	table := newTestTable(t, keyed)
	want(t, table, message{user: plain, engineID: senderID, level: AuthPriv, boots: 1, time: 1}.seal(t), 0, Accepted)
}

func TestNewTableFaults(t *testing.T) {
	for _, tc := range []struct {
		name  string
		users []User
	}{
		{"no_name", []User{{}}},
		{"short_passphrase", []User{{Name: "u", Auth: SHA1, AuthPass: "short"}}},
		{"short_privacy_passphrase", []User{{Name: "u", Auth: SHA1, AuthPass: "long enough", Priv: AES128, PrivPass: "short"}}},
		{"privacy_alone", []User{{Name: "u", Priv: AES128, PrivPass: "long enough"}}},
		{"minimum_too_high", []User{{Name: "u", MinLevel: AuthNoPriv}}},
		{"twice_everywhere", []User{authPriv("u"), authPriv("u")}},
		{"twice_on_an_engine", []User{
			{Name: "u", EngineIDs: [][]byte{senderID}}, {Name: "u", EngineIDs: [][]byte{senderID}}}},
		{"bad_engine", []User{{Name: "u", EngineIDs: [][]byte{{1, 2, 3}}}}},
		{"localised_key_everywhere", []User{{Name: "u", Auth: MD5, AuthKey: make([]byte, 16)}}},
		{"localised_key_too_short", []User{{Name: "u", EngineIDs: [][]byte{senderID}, Auth: SHA1, AuthKey: make([]byte, 16)}}},
		{"localised_key_for_informs", []User{{Name: "u", EngineIDs: [][]byte{senderID}, Informs: true, Auth: MD5, AuthKey: make([]byte, 16)}}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			if _, err := NewTable(Options{LocalID: ownID, Users: tc.users}); err == nil {
				t.Error("no fault found")
			}
		})
	}
	if _, err := NewTable(Options{LocalID: []byte{1}}); err == nil {
		t.Error("an own engine ID of one octet was taken")
	}
}

func TestCheckEngineID(t *testing.T) {
	for id, ok := range map[string]bool{
		"": false, "1234": false, "12345": true, "\x00\x00\x00\x00\x00": false, "\xff\xff\xff\xff\xff\xff": false,
		"12345678901234567890123456789012": true, "123456789012345678901234567890123": false,
	} {
		if err := CheckEngineID([]byte(id)); (err == nil) != ok {
			t.Errorf("%x: %v", id, err)
		}
	}
}

// Failing 4 of the twelve (twelve_test.go in package snmp): an engine ID that nobody admitted costs nothing
// and leaves nothing.
func TestUnknownEngineCostsNothing(t *testing.T) {
	table := newTestTable(t, authPriv("u"))
	in := message{user: authPriv("u"), engineID: senderID, level: AuthPriv, boots: 1, time: 1}.seal(t)
	in.Header.EngineID = bytes.Clone(senderID)
	if n := testing.AllocsPerRun(1000, func() {
		in.Header.EngineID[len(in.Header.EngineID)-1]++
		if _, v := table.Process(start, in); v != UnknownEngineID {
			t.Fatal(v)
		}
	}); n != 0 {
		t.Errorf("%v allocations", n)
	}
	if got := len(*table.engines.Load()); got != 1 {
		t.Errorf("%d engines kept, want our own only", got)
	}
}

func engineNumber(i int) []byte { return fmt.Appendf(nil, "\x80\x00\x7e\xd9\x04e%06d", i) }

func TestAdmitIsBounded(t *testing.T) {
	table := newTableFrom(t, Options{LocalID: ownID, LocalBoots: 1, Started: start, Users: []User{authPriv("u")}, MaxAdmitted: 3})
	if err := table.Admit(start, engineNumber(0), []byte("nobody")); !errors.Is(err, ErrNoSuchUser) {
		t.Errorf("admit for nobody: %v", err)
	}
	if err := table.Admit(start, []byte{1}, []byte("u")); err == nil {
		t.Error("an engine ID of one octet was admitted")
	}
	speak := func(i int, v Verdict) {
		t.Helper()
		want(t, table, message{user: authPriv("u"), engineID: engineNumber(i), level: AuthPriv, boots: 1, time: 1}.seal(t), 0, v)
	}
	for i := range 5 {
		if err := table.Admit(start, engineNumber(i), []byte("u")); err != nil {
			t.Errorf("engine %d: %v", i, err)
		}
	}
	speak(0, UnknownEngineID) // made room for 3
	speak(2, Accepted)
	speak(3, Accepted)
	for i := range 3 {
		if err := table.Admit(start, engineNumber(10+i), []byte("u")); err != nil {
			t.Errorf("engine %d: %v", 10+i, err)
		}
	}
	speak(12, Accepted)
	if err := table.Admit(start, engineNumber(20), []byte("u")); !errors.Is(err, ErrAdmitFull) {
		t.Errorf("a fourth engine: %v", err)
	}
	if err := table.Admit(start, engineNumber(2), []byte("u")); err != nil {
		t.Errorf("an engine that is admitted: %v", err)
	}
}

func TestAdmitIsRateLimited(t *testing.T) {
	plain := authPriv("u")
	derived := authPriv("u")
	derived.Auth, derived.Priv = SHA1, AES256C
	for _, tc := range []struct {
		name  string
		user  User
		burst int
		later int // in ten seconds more
	}{{"plain", plain, 1000, 1000}, {"derived", derived, 47, 47}} {
		t.Run(tc.name, func(t *testing.T) {
			table := newTestTable(t, tc.user)
			admit := func(at time.Duration) (n int) {
				for ; n < 2000; n++ {
					if err := table.Admit(start.Add(at), engineNumber(int(at)+n), []byte("u")); err != nil {
						if !errors.Is(err, ErrAdmitRate) {
							t.Fatal(err)
						}
						return n
					}
				}
				return n
			}
			if got := admit(0); got != tc.burst {
				t.Errorf("%d at once, want %d", got, tc.burst)
			}
			if got := admit(10 * time.Second); got < tc.later || got > 1000 {
				t.Errorf("%d ten seconds later, want %d", got, tc.later)
			}
		})
	}
}

// A change of the users keeps clocks, memory, counters and admitted engines.
func TestWith(t *testing.T) {
	u := authPriv("u")
	table := newTestTable(t, u)
	if err := table.Admit(start, senderID, []byte("u")); err != nil {
		t.Fatal(err)
	}
	in := message{user: u, engineID: senderID, level: AuthPriv, boots: 1, time: 1, salt: 1}.seal(t)
	want(t, table, in, 0, Accepted)
	want(t, table, in, 0, Replayed)
	next, err := table.With([]User{u, authPriv("v")})
	if err != nil {
		t.Fatal(err)
	}
	want(t, next, in, 1, Replayed)
	want(t, next, message{user: authPriv("v"), engineID: senderID, level: AuthPriv, boots: 1, time: 2, salt: 2}.seal(t), 1, Accepted)
	if next.Count(Replayed) != 2 || table.NextSalt() == next.NextSalt() {
		t.Error("counters and salts must go on")
	}
	if _, err := next.With([]User{{}}); err == nil {
		t.Error("a user without a name was taken")
	}
	moved := u
	moved.EngineIDs = [][]byte{senderID}
	last, err := next.With([]User{moved})
	if err != nil {
		t.Fatal(err)
	}
	want(t, last, in, 1, Replayed)
}

func TestReopen(t *testing.T) {
	u := authPriv("u")
	table := newTestTable(t, u)
	if err := table.Admit(start, senderID, []byte("u")); err != nil {
		t.Fatal(err)
	}
	in := message{user: u, engineID: senderID, level: AuthPriv, boots: 1, time: 1, salt: 1}.seal(t)
	for range 2 {
		res, v := table.Reopen(in)
		if v != Accepted || !bytes.HasPrefix(res.Plain, []byte("\x30\x08contents")) {
			t.Errorf("%q, %v", res.Plain, v)
		}
	}
	if _, known := table.Clock(senderID); known {
		t.Error("looking again taught a clock")
	}
	in.Datagram[len(in.Datagram)-1] ^= 1
	if _, v := table.Reopen(in); v != WrongDigest || table.Count(WrongDigest) != 0 {
		t.Errorf("%v, counted %d", v, table.Count(WrongDigest))
	}
}

func TestVerdictWords(t *testing.T) {
	seen := map[string]bool{}
	for v := Accepted; v <= Verdicts; v++ {
		if seen[v.String()] || v.Error() == "" {
			t.Errorf("verdict %d is %q, %q", v, v.String(), v.Error())
		}
		seen[v.String()] = true
	}
}

func TestProcessAllocatesNothing(t *testing.T) {
	for _, u := range []User{authPriv("u"), {Name: "u", Auth: SHA512, Priv: AES256, AuthPass: "maplesyrup", PrivPass: "maplesyrup"},
		{Name: "u", Auth: MD5, Priv: DES, AuthPass: "maplesyrup", PrivPass: "maplesyrup"}} {
		table := newTestTable(t, u)
		if err := table.Admit(start, senderID, []byte("u")); err != nil {
			t.Fatal(err)
		}
		in := message{user: u, engineID: senderID, level: AuthPriv, boots: 1, time: 1}.seal(t)
		in.Into = make([]byte, 0, 256)
		want(t, table, in, 0, Accepted)
		// The same message again goes the whole way up to the memory, and past
		// it when the memory is emptied.
		clock := (*table.engines.Load())[string(senderID)].clock
		if n := testing.AllocsPerRun(1000, func() {
			clear(clock.seen.current.slots)
			clock.seen.current.count = 0
			if _, v := table.Process(start, in); v != Accepted {
				t.Fatal(v)
			}
		}); n != 0 {
			t.Errorf("%s/%s: %v allocations", u.Auth, u.Priv, n)
		}
	}
}

// A table is used by many workers while engines are admitted, users change and
// clocks are saved. Each message is accepted exactly once. Run with -race.
func TestTableIsSafeForConcurrentUse(t *testing.T) {
	const workers, messages = 4, 200
	u := authPriv("u")
	table := newTestTable(t, u)
	sealed := make([]Incoming, messages)
	for i := range sealed {
		sealed[i] = message{user: u, engineID: senderID, level: AuthPriv, boots: 1, time: uint32(i), salt: uint64(i)}.seal(t)
	}
	if err := table.Admit(start, senderID, []byte("u")); err != nil {
		t.Fatal(err)
	}
	var accepted atomic.Int64
	var wg sync.WaitGroup
	for range workers {
		wg.Go(func() {
			for i, in := range sealed {
				own := *in.Header
				in.Header = &own
				if _, v := table.Process(start, in); v == Accepted {
					accepted.Add(1)
				} else if v != Replayed && v != NotInTimeWindow {
					t.Errorf("message %d: %v", i, v)
				}
			}
		})
	}
	wg.Go(func() {
		for i := range 50 {
			if err := table.Admit(start, engineNumber(i), []byte("u")); err != nil {
				t.Error(err)
			}
			table.Clocks()
		}
	})
	wg.Go(func() {
		for range 5 {
			next, err := table.With([]User{u})
			if err != nil {
				t.Error(err)
				return
			}
			next.Process(start, sealed[0])
		}
	})
	wg.Wait()
	// Whoever comes first with a message has it accepted; the first of all may
	// have been one of the other tables'.
	if n := accepted.Load(); n != messages && n != messages-1 {
		t.Errorf("%d of %d messages were accepted by %d workers", n, messages, workers)
	}
}
