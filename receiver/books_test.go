package receiver

import (
	"bytes"
	"context"
	"net/netip"
	"testing"

	"example.net/standwatch/correlate"
	"example.net/standwatch/receiver/snmp"
	"example.net/standwatch/receiver/usm"
	"github.com/google/go-cmp/cmp"
)

const (
	tern   = correlate.AgentID("tern-remote")   // must speak authPriv
	sallow = correlate.AgentID("sallow-remote") // is held to a rate
)

var (
	ternEngine = []byte("\x80\x00\x7e\xd9\x04tern")
	faulting   = snmp.MustOID("1.3.6.1.4.1.32473.9.0.99") // a trap at which the program fails
	spareUser  = usm.User{Name: "spare", Auth: usm.SHA1, AuthPass: "maplesyrup"}
	openUser   = usm.User{Name: "open"}
)

// tlv is one BER value of up to 127 octets.
func tlv(tag byte, parts ...[]byte) []byte {
	content := bytes.Join(parts, nil)
	return append([]byte{tag, byte(len(content))}, content...)
}

// raw is a v2c trap with a PDU of its own making.
func raw(fields ...[]byte) []byte {
	return tlv(0x30, tlv(0x02, []byte{1}), tlv(0x04, []byte(community)), tlv(0xa7, fields...))
}

// byVersion2 are messages of v1 and v2c, or of nothing, good and bad.
func byVersion2(t testing.TB) (out [][]byte) {
	zero := tlv(0x02, []byte{0})
	long := make([]snmp.Varbind, snmp.MaxVarbinds+1)
	for i := range long {
		long[i] = snmp.Varbind{Name: []byte{0x2b}, Tag: snmp.TagNull}
	}
	good := trap(t, snmp.Build{})
	for range 20 { // so that most are good
		out = append(out, good, trap(t, snmp.Build{TrapOID: cleared}), trap(t, snmp.Build{Version: snmp.V1, AgentAddr: netip.MustParseAddr("192.0.2.10")}))
	}
	out = append(out, trap(t, snmp.Build{TrapOID: unruled}), trap(t, snmp.Build{Community: "public"}), trap(t, snmp.Build{Inform: true, RequestID: 3}),
		trap(t, snmp.Build{TrapOID: faulting}), trap(t, snmp.Build{Varbinds: long}), []byte("nonsense"), []byte{}, []byte{0x30, 0x80, 2, 1, 1},
		raw(zero, tlv(0x04), zero, tlv(0x30)),                                            // an error-status that is none
		raw(zero, zero, zero, tlv(0x30, tlv(0x31))),                                      // a variable binding that is none
		raw(zero, zero, zero, tlv(0x30, tlv(0x30, tlv(0x06, []byte(panelIndex)), zero)))) // none says which trap
	for _, c := range twelve(t) {
		out = append(out, c.datagram)
	}
	for at := 2; at < len(good); at += 9 {
		out = append(out, good[:at])
	}
	return out
}

// sealer encodes v3 messages, keys made once.
type sealer struct {
	keys map[string]*usm.Keys
	salt uint64
}

func (s *sealer) make(t testing.TB, u usm.User, engine []byte, boots uint32, change func(*snmp.Build)) []byte {
	t.Helper()
	name := u.Name + string(engine) + u.AuthPass + u.PrivPass + u.Priv.String()
	if s.keys[name] == nil {
		keys, err := usm.NewKeys(u, engine)
		if err != nil {
			t.Fatal(err)
		}
		s.keys[name] = keys
	}
	s.salt++
	b := snmp.Build{Version: snmp.V3, AgentAddr: loopback, Secure: snmp.Secure{User: u.Name, Level: u.Level(), Keys: s.keys[name], EngineID: engine, Boots: boots, Salt: s.salt, MsgID: int32(s.salt), ContextID: engine}}
	if change != nil {
		change(&b)
	}
	return trap(t, b)
}

// bad are v3 messages each of which is refused for another reason, and a
// question.
func (s *sealer) bad(t testing.TB) [][]byte {
	rec := recorded(t)
	swap := func(d []byte, old, new string) []byte {
		if !bytes.Contains(d, unhex(t, old)) {
			t.Fatalf("no %s in %x", old, d)
		}
		return bytes.Replace(d, unhex(t, old), unhex(t, new), 1)
	}
	otherPriv, otherAuth, nobody, plain, unlocked := factsUser, factsUser, factsUser, factsUser, spareUser
	otherPriv.PrivPass, otherAuth.AuthPass, nobody.Name = "some other secret", "some other secret", "nobody"
	plain.Auth, plain.Priv = usm.NoAuth, usm.NoPriv
	unlocked.Priv, unlocked.PrivPass = usm.AES128, "some other secret" // which the receiver's spare user has not
	inform := func(b *snmp.Build) { b.Inform, b.RequestID = true, 7 }
	return [][]byte{
		unhex(t, "303a020103300f02022b67020300ffe30401040201030410300e0400020100020100040004000400301204000400a00c020237f00201000201003000"),
		swap(rec["v3_noauth_coldStart"], "020103042330", "020103042331"), // security parameters that are none
		swap(rec["v3_authPriv_SHA256_AES128"], "040103020103", "040102020103"),
		s.make(t, plain, ternEngine, 1, nil),
		s.make(t, otherPriv, ternEngine, 1, nil),
		s.make(t, otherAuth, ternEngine, 1, nil),
		s.make(t, nobody, ternEngine, 1, nil),
		s.make(t, unlocked, ternEngine, 1, nil),
		s.make(t, factsUser, ternEngine, 0, nil),
		s.make(t, factsUser, ternEngine, 1, inform),
		s.make(t, spareUser, ownEngine, 7, inform),
		s.make(t, factsUser, []byte("\x80\x00\x7e\xd9\x04other"), 1, nil),
		bytes.Replace(s.make(t, openUser, ownEngine, 7, nil), []byte{0xa7}, []byte{0xa0}, 1), // a question that is not answered
	}
}

// Design, invariant 2: kernel-dropped + refused + unmatched + matched (and what
// was repeated, coalesced or asked for) = sent, exactly: a million datagrams,
// good and bad in every way there is, from a sender that is faster than the
// receiver, with a journal that fails and once stands still, and reloads
// meanwhile.
func TestBooksBalanceUnderAMixedLoad(t *testing.T) {
	count := 1_000_000
	if racing {
		count = 100_000
	}
	const rounds = 10
	s := newSlow(t, 256, 1000)
	o := base(t, &journal{})
	o.QueueLen, o.Listeners[0].Readers = 512, 2
	o.Offer = func(in *correlate.Arrival, done func(correlate.Seq, error)) bool {
		if in.TrapOID == faulting.String() {
			panic("a fault of ours")
		}
		return s.offer(in, done)
	}
	stranger, ternAt, sallowAt := netip.MustParseAddr("127.0.0.9"), netip.MustParseAddr("127.0.0.3"), netip.MustParseAddr("127.0.0.4")
	o.Config.Policies[0].Allow = []netip.Prefix{netip.MustParsePrefix("127.0.0.0/29")}
	o.Config.Users = []usm.User{factsUser, spareUser, openUser}
	o.Config.Agents = append(o.Config.Agents, Agent{ID: tern, Addresses: []netip.Addr{ternAt}, EngineIDs: [][]byte{ternEngine}, Users: []string{factsUser.Name}, MinLevel: usm.AuthPriv},
		Agent{ID: sallow, Addresses: []netip.Addr{sallowAt}, Rate: 500, Burst: 10})
	r := start(t, o)

	seal := &sealer{keys: map[string]*usm.Keys{}}
	bad := append(seal.bad(t), trap(t, snmp.Build{}))
	sent := 0
	burst := func(from netip.Addr, datagrams [][]byte, n int) {
		t.Helper()
		got, err := Burst(context.Background(), dialFrom(t, from, r.Addresses()["north"]), datagrams, BurstOptions{Count: n})
		if err != nil {
			t.Fatal(err)
		}
		sent += got
	}
	arrived := func() ListenerAccount { return r.Accounts().Listeners[0] }
	settle := func() {
		t.Helper()
		until(t, "the load to be settled", func() bool {
			l := arrived()
			return l.Arrived+l.KernelDropped == uint64(sent) && l.InFlight == 0
		})
	}
	mine := byVersion2(t)
	screams := [][]byte{trap(t, snmp.Build{})}
	for i := range int32(60) {
		screams = append(screams, trap(t, snmp.Build{Inform: true, RequestID: i}))
	}
	others := count / 50
	for i := range rounds {
		secured := append([][]byte(nil), bad...)
		for range count / rounds / 40 {
			secured = append(secured, seal.make(t, factsUser, ternEngine, 1, nil))
		}
		burst(ternAt, secured, 0)
		settle()                  // so that each of these is certain to be read
		burst(ternAt, secured, 0) // and refused when it comes again
		burst(stranger, mine, others/rounds)
		burst(sallowAt, screams, others/rounds)
		gate := make(chan struct{})
		if i == 1 {
			s.work <- func() { <-gate } // the journal stands still
		}
		burst(loopback, mine, count/rounds*(i+1)-sent)
		if i == 1 {
			until(t, "the journal to be full", func() bool { return arrived().Tally[LedgerFull] > 0 })
		}
		close(gate)
		settle()
		if i%2 == 0 {
			if err := r.Use(o.Config); err != nil {
				t.Fatal(err)
			}
		}
	}
	a := r.Accounts()
	l := a.Listeners[0]
	if sent != count || l.Tally.Sum() != l.Arrived || l.Arrived+l.KernelDropped != uint64(count) {
		t.Errorf("sent %d, arrived %d, dropped by the kernel %d, fates %d", sent, l.Arrived, l.KernelDropped, l.Tally.Sum())
	}
	for _, f := range Fates() {
		if l.Tally[f] == 0 && f != UnknownCertificate { // which a datagram cannot have
			t.Errorf("none of a million is %q: %v", f, l.Tally)
		}
	}
	// The same datagrams once more, by whom they were from.
	parties := a.Others
	add := func(tally Tally) {
		for f, n := range tally {
			parties[f] += n
		}
	}
	for _, x := range a.Agents {
		add(x.Tally)
	}
	for _, x := range a.Sources {
		add(x.Tally)
	}
	if diff := cmp.Diff(l.Tally, parties); diff != "" {
		t.Errorf("by listener and by party: %s", diff)
	}
	t.Logf("arrived %d, kernel dropped %d, matched %d, refused %d, queue full %d, answers %d", l.Arrived, l.KernelDropped, l.Tally[Matched], l.Tally.Refused(), l.Tally[QueueFull], a.AnswersSent)
}
