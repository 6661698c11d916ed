package receiver

import (
	"bufio"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"io"
	"math/big"
	"net"
	"net/netip"
	"os"
	"testing"
	"time"

	"example.net/standwatch/receiver/snmp"
	"example.net/standwatch/receiver/usm"
	"github.com/google/go-cmp/cmp"
)

// issue makes a certificate; without an issuer it signs itself.
func issue(t testing.TB, by *tls.Certificate, change func(*x509.Certificate)) tls.Certificate {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	serial, err := rand.Int(rand.Reader, big.NewInt(1<<60))
	if err != nil {
		t.Fatal(err)
	}
	c := &x509.Certificate{SerialNumber: serial, Subject: pkix.Name{CommonName: "remote.example.net"}, NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth, x509.ExtKeyUsageServerAuth}, BasicConstraintsValid: true}
	if change != nil {
		change(c)
	}
	parent, signer := c, any(key)
	if by != nil {
		parent, signer = by.Leaf, by.PrivateKey
	}
	der, err := x509.CreateCertificate(rand.Reader, c, parent, key.Public(), signer)
	if err != nil {
		t.Fatal(err)
	}
	leaf, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	return tls.Certificate{Certificate: [][]byte{der}, PrivateKey: key, Leaf: leaf}
}

// overTLS are options with a listener "sealed" that speaks TLS, and harrow known
// by a certificate.
func overTLS(t testing.TB, j *journal) (o Options, mine tls.Certificate) {
	mine = issue(t, nil, nil)
	o = base(t, j)
	o.Listeners = []Listener{{Name: "sealed", Address: netip.AddrPortFrom(loopback, 0), TLS: true}}
	o.Config.Policies = []Policy{{Listener: "sealed", TLS: &TLS{Certificate: issue(t, nil, nil)}}}
	o.Config.Agents = []Agent{{ID: harrow, Certificates: []Fingerprint{FingerprintOf(mine.Leaf)}, OnlyTLS: true, MinLevel: usm.AuthPriv}}
	return o, mine
}

// connect makes a TLS connection with a certificate. The handshake of TLS 1.3 is
// over for this side before the other has judged the certificate.
func connect(t testing.TB, r *Receiver, mine tls.Certificate) *tls.Conn {
	t.Helper()
	conn, err := tls.Dial("tcp", r.Addresses()["sealed"].String(), &tls.Config{Certificates: []tls.Certificate{mine}, InsecureSkipVerify: true})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close() }) // the other end may have been quicker
	if err := conn.SetDeadline(time.Now().Add(patience)); err != nil {
		t.Fatal(err)
	}
	return conn
}

// sealed is a notification for TLS.
func sealed(t testing.TB, b snmp.Build) []byte {
	b.Version, b.AgentAddr = snmp.V3, netip.MustParseAddr("192.0.2.1")
	b.Secure = snmp.Secure{Transport: true, Level: usm.AuthPriv, MsgID: 7, ContextID: factsEngine}
	return trap(t, b)
}

func say(t testing.TB, conn net.Conn, messages ...[]byte) {
	t.Helper()
	for _, m := range messages {
		if _, err := conn.Write(m); err != nil {
			t.Fatal(err)
		}
	}
}

// hear reads one message.
func hear(t testing.TB, conn io.Reader) []byte {
	t.Helper()
	m, fate, why, err := frame(bufio.NewReader(conn), nil)
	if err != nil || fate != noFate {
		t.Fatalf("no answer: %v, %s %s", err, fate, why)
	}
	return m
}

// ended waits until the other end has closed the connection.
func ended(t testing.TB, conn net.Conn) {
	t.Helper()
	n, err := conn.Read(make([]byte, 1))
	if err == nil || os.IsTimeout(err) {
		t.Errorf("the connection goes on: %d octets, %v", n, err)
	}
}

func TestTLS(t *testing.T) {
	j := &journal{}
	o, mine := overTLS(t, j)
	r := start(t, o)
	conn := connect(t, r, mine)

	say(t, conn, sealed(t, snmp.Build{}))
	a := settled(t, r, 1)
	got := j.arrivals()[0]
	if a.Tally[Matched] != 1 || got.Agent != harrow || len(got.Observations) != 1 || got.EngineID != nil ||
		got.Security != "certificate "+FingerprintOf(mine.Leaf).String()+" TLS authPriv" {
		t.Errorf("%+v", got)
	}
	n, err := r.Unseal(got.Datagram)
	if err != nil || string(n.TrapOID) != string(raised) {
		t.Errorf("looked at again: %v", err)
	}

	// An inform is answered by the same connection, once it is durable.
	j.set(func(j *journal) { j.holds = true })
	say(t, conn, sealed(t, snmp.Build{Inform: true, RequestID: -5}))
	until(t, "the offer", func() bool { return len(j.arrivals()) == 2 })
	if r.Accounts().AnswersSent != 0 {
		t.Error("answered before it was durable")
	}
	j.release(nil)
	m := parse(t, hear(t, conn))
	if m.Model != snmp.ModelTSM || m.Encrypted || m.Reportable || m.MsgID != 7 || m.Security.Level != usm.AuthPriv {
		t.Errorf("the answer is %+v", m)
	}
	// Sent again it is answered again, and no second event.
	say(t, conn, sealed(t, snmp.Build{Inform: true, RequestID: -5}))
	hear(t, conn)
	if diff := cmp.Diff(tally(map[Fate]uint64{Matched: 2, Repeated: 1}), settled(t, r, 3).Tally); diff != "" {
		t.Error(diff)
	}
	if tls := r.Accounts().Listeners[0].TLS; *tls != (TLSAccount{Open: 1, Accepted: 1}) {
		t.Errorf("%+v", *tls)
	}
}

// RFC 5343 section 3.2: who sends an inform over TLS asks for the engine ID first.
func TestTLSEngineQuery(t *testing.T) {
	o, mine := overTLS(t, &journal{})
	r := start(t, o)
	conn := connect(t, r, mine)
	// As Debian's snmpinform 5.9.3 sends it.
	say(t, conn, unhex(t, "3043020103301102047717541a020300ffe304010402010404003029040580000000060400a01e0204489158560201000201003010300e060a2b060106030a020101000500"))
	want := "02044891585602010002010030" // its request-id, no error
	answer := hear(t, conn)
	if m := parse(t, answer); m.MsgID != 0x7717541a || m.Model != snmp.ModelTSM {
		t.Errorf("%+v", m)
	}
	if h := hexOf(answer); !contains(h, want) || !contains(h, "060a2b060106030a02010100"+"04"+hexLen(ownEngine)+hexOf(ownEngine)) {
		t.Errorf("answered %s", h)
	}
	if a := settled(t, r, 1); a.Tally[Discovery] != 1 {
		t.Errorf("%v", a.Tally)
	}
	// Any other request is reported as unknown.
	get := unhex(t, "3043020103301102047717541b020300ffe304010402010404003029040580000000060400a01e0204489158570201000201003010300e060a2b060106030a020101010500")
	say(t, conn, get)
	if h := hexOf(hear(t, conn)); !contains(h, "a8") || !contains(h, "2b060106030b02010300") {
		t.Errorf("answered %s", h)
	}
}

func TestTLSNames(t *testing.T) {
	j := &journal{}
	o, _ := overTLS(t, j)
	authority := issue(t, nil, func(c *x509.Certificate) {
		c.IsCA, c.KeyUsage, c.Subject.CommonName = true, x509.KeyUsageCertSign, "Kestrel Basin devices"
	})
	clients := x509.NewCertPool()
	clients.AddCert(authority.Leaf)
	o.Config.Policies[0].TLS.Clients = clients
	o.Config.Agents = []Agent{{ID: harrow, CertNames: []string{"harrow.example.net"}}}
	r := start(t, o)
	named := func(name string) tls.Certificate {
		return issue(t, &authority, func(c *x509.Certificate) { c.DNSNames = []string{name} })
	}
	say(t, connect(t, r, named("Harrow.Example.NET")), sealed(t, snmp.Build{}))
	settled(t, r, 1)
	say(t, connect(t, r, named("tern.example.net")), sealed(t, snmp.Build{}))
	settled(t, r, 2)
	got := j.arrivals()
	if got[0].Agent != harrow || got[0].Security != "harrow.example.net TLS authPriv" {
		t.Errorf("%+v", got[0])
	}
	if got[1].Agent != "" || got[1].Unmatched != `unknown agent: no agent has the certificate name "tern.example.net"` {
		t.Errorf("%+v", got[1])
	}
	for _, c := range []tls.Certificate{
		issue(t, nil, func(c *x509.Certificate) { c.DNSNames = []string{"harrow.example.net"} }), // nobody vouches
		issue(t, &authority, nil), // no name of the kind
		issue(t, &authority, func(c *x509.Certificate) {
			c.DNSNames, c.NotAfter = []string{"harrow.example.net"}, time.Now().Add(-time.Minute)
		}),
		issue(t, &authority, func(c *x509.Certificate) {
			c.DNSNames, c.ExtKeyUsage = []string{"harrow.example.net"}, []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}
		}),
	} {
		ended(t, connect(t, r, c))
	}
	// Who is refused may hear of it before it is counted.
	until(t, "the refusals to be counted", func() bool { return r.Accounts().Listeners[0].TLS.Invalid == 4 })
	if tls := r.Accounts().Listeners[0].TLS; tls.Accepted != 2 || tls.Failed != 0 {
		t.Errorf("%+v", *tls)
	}
}

func TestNameIn(t *testing.T) {
	c := issue(t, nil, func(c *x509.Certificate) {
		c.Subject.CommonName = "Harrow"
		c.EmailAddresses = []string{"Remote@Example.NET"}
		c.DNSNames = []string{"Harrow.example.net"}
		c.IPAddresses = []net.IP{net.ParseIP("2001:db8::5"), net.IPv4(192, 0, 2, 5)}
	}).Leaf
	for from, want := range map[NameFrom]string{SANAny: "harrow.example.net", SANEmail: "Remote@example.net", SANDNS: "harrow.example.net",
		SANAddress: "20010db8000000000000000000000005", CommonName: "Harrow"} {
		if got := nameIn(c, from); got != want {
			t.Errorf("%s: %q, want %q", from, got, want)
		}
		if back, ok := ParseNameFrom(from.String()); !ok || back != from {
			t.Errorf("%s is read as %s", from, back)
		}
	}
	if got := nameIn(issue(t, nil, nil).Leaf, SANAny); got != "" {
		t.Errorf("a certificate without alternatives is called %q", got)
	}
}

// What does not belong on TLS, and what does not belong elsewhere.
func TestTLSAndTheRest(t *testing.T) {
	j := &journal{}
	o, mine := overTLS(t, j)
	o.Listeners = append([]Listener{{Name: "north", Address: netip.AddrPortFrom(loopback, 0)}}, o.Listeners...)
	o.Config.Policies = append(o.Config.Policies, Policy{Listener: "north", Communities: []Secret{community}})
	o.Config.Agents[0].Addresses = []netip.Addr{loopback}
	o.Config.Users = []usm.User{factsUser}
	r := start(t, o)
	udp, conn := dial(t, r, "north"), connect(t, r, mine)
	send(t, udp, trap(t, snmp.Build{}), sealed(t, snmp.Build{}), recorded(t)["v3_authPriv_SHA256_AES128"])
	if diff := cmp.Diff(tally(map[Fate]uint64{WeakLevel: 2, UnknownModel: 1}), settled(t, r, 3).Tally); diff != "" {
		t.Errorf("over UDP: %s", diff)
	}
	say(t, conn, trap(t, snmp.Build{}), recorded(t)["v3_authPriv_SHA256_AES128"], unhex(t, "30050201030400"), sealed(t, snmp.Build{}))
	until(t, "the messages to be settled", func() bool { a := r.Accounts().Listeners[1]; return a.Arrived == 4 && a.InFlight == 0 })
	if diff := cmp.Diff(tally(map[Fate]uint64{UnknownModel: 2, BadHeader: 1, Matched: 1}), r.Accounts().Listeners[1].Tally); diff != "" {
		t.Errorf("over TLS: %s", diff)
	}
}

func TestTLSFrames(t *testing.T) {
	good := sealed(t, snmp.Build{})
	for name, c := range map[string]struct {
		octets []byte
		want   map[Fate]uint64
		ends   bool
	}{
		"two at once":            {append(append([]byte(nil), good...), good...), map[Fate]uint64{Matched: 2}, false},
		"no SNMP":                {[]byte("GET / HTTP/1.1\r\n"), map[Fate]uint64{NotSNMP: 1}, true},
		"good, then nonsense":    {append(append([]byte(nil), good...), "nonsense"...), map[Fate]uint64{Matched: 1, NotSNMP: 1}, true},
		"too long":               {[]byte{0x30, 0x83, 0x01, 0, 0, 0}, map[Fate]uint64{BadLength: 1}, true},
		"near 2^63":              {[]byte{0x30, 0x88, 0x7f, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff}, map[Fate]uint64{BadLength: 1}, true},
		"no length":              {[]byte{0x30, 0x80, 0, 0}, map[Fate]uint64{BadLength: 1}, true},
		"a length of five parts": {append([]byte{0x30, 0x84, 0, 0, 0}, good[1:]...), map[Fate]uint64{Matched: 1}, false},
	} {
		t.Run(name, func(t *testing.T) {
			o, mine := overTLS(t, &journal{})
			r := start(t, o)
			conn := connect(t, r, mine)
			for _, octet := range c.octets { // in the smallest pieces there are
				if _, err := conn.Write([]byte{octet}); err != nil {
					break // it was ended already
				}
			}
			want := tally(c.want)
			if diff := cmp.Diff(want, settled(t, r, want.Sum()).Tally); diff != "" {
				t.Error(diff)
			}
			if c.ends {
				ended(t, conn)
			}
		})
	}
	t.Run("ends within a message", func(t *testing.T) {
		o, mine := overTLS(t, &journal{})
		r := start(t, o)
		conn := connect(t, r, mine)
		say(t, conn, good[:20])
		if err := conn.Close(); err != nil {
			t.Fatal(err)
		}
		if a := settled(t, r, 1); a.Tally[Truncated] != 1 {
			t.Errorf("%v", a.Tally)
		}
		until(t, "the connection to be forgotten", func() bool { return r.Accounts().Listeners[0].TLS.Open == 0 })
	})
}

// A reload ends the connections it does not accept, and new ones see the new
// certificate.
func TestTLSReload(t *testing.T) {
	o, mine := overTLS(t, &journal{})
	r := start(t, o)
	conn := connect(t, r, mine)
	say(t, conn, sealed(t, snmp.Build{}))
	settled(t, r, 1)
	next := o.Config
	renewed := issue(t, nil, nil)
	next.Policies = []Policy{{Listener: "sealed", TLS: &TLS{Certificate: renewed}}}
	if err := r.Use(next); err != nil {
		t.Fatal(err)
	}
	say(t, conn, sealed(t, snmp.Build{})) // still welcome
	settled(t, r, 2)
	if got := connect(t, r, mine).ConnectionState().PeerCertificates[0]; !got.Equal(renewed.Leaf) {
		t.Error("the old certificate is shown")
	}
	next.Agents = []Agent{{ID: harrow, Addresses: []netip.Addr{loopback}}}
	if err := r.Use(next); err != nil {
		t.Fatal(err)
	}
	ended(t, conn)
	next.Policies = nil
	if err := r.Use(next); err == nil {
		t.Error("a TLS listener without a certificate is taken")
	}
}

func TestTLSIsBounded(t *testing.T) {
	o, mine := overTLS(t, &journal{})
	r := start(t, o)
	to := r.Addresses()["sealed"].String()
	var idle []net.Conn
	for range maxPendingEach + 3 { // they never say anything
		conn, err := net.Dial("tcp", to)
		if err != nil {
			t.Fatal(err)
		}
		defer conn.Close()
		idle = append(idle, conn)
	}
	until(t, "the refusals", func() bool { return r.Accounts().Listeners[0].TLS.Refused == 3 })
	for _, conn := range idle {
		_ = conn.Close()
	}
	until(t, "the others to fail", func() bool { return r.Accounts().Listeners[0].TLS.Failed == maxPendingEach })
	first := connect(t, r, mine)
	for range maxPeersEach {
		say(t, connect(t, r, mine), sealed(t, snmp.Build{}))
	}
	settled(t, r, maxPeersEach)
	ended(t, first)
	until(t, "the first to be forgotten", func() bool { return r.Accounts().Listeners[0].TLS.Open == maxPeersEach })
}

func TestTLSAllowList(t *testing.T) {
	o, mine := overTLS(t, &journal{})
	o.Config.Policies[0].Allow = []netip.Prefix{netip.MustParsePrefix("192.0.2.0/24")}
	r := start(t, o)
	if _, err := tls.Dial("tcp", r.Addresses()["sealed"].String(), &tls.Config{Certificates: []tls.Certificate{mine}, InsecureSkipVerify: true}); err == nil {
		t.Error("a source that is not allowed gets a handshake")
	}
	until(t, "the refusal to be counted", func() bool { return r.Accounts().Listeners[0].TLS.Refused == 1 })
}

// Old versions of TLS are refused (RFC 8996).
func TestTLSVersions(t *testing.T) {
	o, mine := overTLS(t, &journal{})
	r := start(t, o)
	for _, version := range []uint16{tls.VersionTLS10, tls.VersionTLS11, tls.VersionTLS12, tls.VersionTLS13} {
		conn, err := tls.Dial("tcp", r.Addresses()["sealed"].String(), &tls.Config{Certificates: []tls.Certificate{mine}, InsecureSkipVerify: true, MinVersion: version, MaxVersion: version})
		if (err == nil) != (version >= tls.VersionTLS12) {
			t.Errorf("%s: %v", tls.VersionName(version), err)
		}
		if err == nil {
			_ = conn.Close()
		}
	}
}

// Run ends while connections and a handshake are open, and the answer that is
// due still goes out.
func TestTLSEnds(t *testing.T) {
	j := &journal{holds: true}
	o, mine := overTLS(t, j)
	r, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- r.Run(ctx) }()
	mute, err := net.Dial("tcp", r.Addresses()["sealed"].String())
	if err != nil {
		t.Fatal(err)
	}
	defer mute.Close()
	conn := connect(t, r, mine)
	say(t, conn, sealed(t, snmp.Build{Inform: true}), sealed(t, snmp.Build{})[:10])
	until(t, "the offer", func() bool { return len(j.arrivals()) == 1 })
	stop()
	until(t, "the sockets to end", func() bool { return r.Accounts().Listeners[0].Tally[Truncated] == 1 })
	j.release(nil)
	hear(t, conn)
	ended(t, conn)
	if err := <-done; err != nil {
		t.Error(err)
	}
	if l := r.Accounts().Listeners[0]; l.InFlight != 0 || l.Arrived != l.Tally.Sum() || l.TLS.Open != 0 {
		t.Errorf("%+v", l)
	}
}
