package main

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"example.net/standwatch/configs"
	"example.net/standwatch/correlate"
	"example.net/standwatch/store/accounts"
)

// writeCertificate writes a self-signed certificate that ends after a while.
func writeCertificate(t *testing.T, files *configs.TLS, lasts time.Duration) *x509.Certificate {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	serial, err := rand.Int(rand.Reader, big.NewInt(1<<62))
	if err != nil {
		t.Fatal(err)
	}
	shape := &x509.Certificate{SerialNumber: serial, Subject: pkix.Name{CommonName: "watch.example.net"}, NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(lasts),
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, DNSNames: []string{"watch.example.net"}, IsCA: true, BasicConstraintsValid: true}
	der, err := x509.CreateCertificate(rand.Reader, shape, shape, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	secret, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	for name, block := range map[string]*pem.Block{files.Certificate: {Type: "CERTIFICATE", Bytes: der}, files.Key: {Type: "PRIVATE KEY", Bytes: secret}} {
		if err := os.WriteFile(name, pem.EncodeToMemory(block), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	leaf, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	return leaf
}

// served asks the console for its certificate.
func (g *guarded) served() *x509.Certificate {
	g.Helper()
	// What it is, is what is asked; whether it is trusted is the browser's.
	conn, err := tls.Dial("tcp", g.d.webAt.Addr().String(), &tls.Config{InsecureSkipVerify: true})
	if err != nil {
		g.Fatal(err)
	}
	defer conn.Close()
	return conn.ConnectionState().PeerCertificates[0]
}

func (g *guarded) standing(point correlate.PointID) (text string, stands bool) {
	g.d.ledger.Read(func(st *correlate.State, _ *correlate.Network) {
		if a := st.Alarms[correlate.Key{Site: correlate.SiteSelf, Point: point}]; a != nil {
			text, stands = a.Text, a.Standing
		}
	})
	return text, stands
}

// until polls for half a minute: files are looked at every few seconds.
func (g *guarded) until(what string, ok func() bool) {
	g.Helper()
	tick := time.NewTicker(50 * time.Millisecond)
	defer tick.Stop()
	for end := time.Now().Add(time.Minute); !ok(); <-tick.C {
		if time.Now().After(end) {
			g.Fatalf("waited in vain until %s", what)
		}
	}
}

// TestCertificates: TLS from files, HSTS and a cookie for https alone; another
// certificate is taken without a restart; one that ends soon, and files that do
// not serve, stand on the site self.
func TestCertificates(t *testing.T) {
	dir := t.TempDir()
	files := &configs.TLS{Certificate: filepath.Join(dir, "console.pem"), Key: filepath.Join(dir, "console.key")}
	first := writeCertificate(t, files, 10*24*time.Hour)
	g := newGuarded(t, func(c *configs.Config) { c.Console.TLS = files })
	g.add("desk", accounts.Look, accounts.Scope{})
	if !g.served().Equal(first) {
		t.Error("another certificate is served")
	}
	pool := x509.NewCertPool()
	pool.AddCert(first)
	p := g.browser()
	p.Transport = trusting(t, pool)
	r := p.post("/login", map[string][]string{"name": {"desk"}, "password": {passphrase}})
	if c := r.header.Get("Set-Cookie"); !strings.HasPrefix(c, "__Host-standwatch=") || !strings.Contains(c, "; Secure;") {
		t.Errorf("cookie %q", c)
	}
	if r = p.get("/"); r.status != 200 || r.header.Get("Strict-Transport-Security") != "max-age=31536000" {
		t.Errorf("%d, %q", r.status, r.header.Get("Strict-Transport-Security"))
	}
	g.until("the end of the certificate stands", func() bool {
		text, stands := g.standing(configs.SelfCertificate)
		return stands && strings.Contains(text, "ends on")
	})
	second := writeCertificate(t, files, 100*24*time.Hour)
	g.until("the new certificate is served", func() bool { return g.served().Equal(second) })
	g.until("the fault is over", func() bool { _, stands := g.standing(configs.SelfCertificate); return !stands })
	if err := os.WriteFile(files.Key, []byte("no key at all"), 0o600); err != nil {
		t.Fatal(err)
	}
	g.until("the broken file stands", func() bool {
		text, stands := g.standing(configs.SelfCertificate)
		return stands && strings.Contains(text, "cannot be served")
	})
	if !g.served().Equal(second) {
		t.Error("the certificate before is not served any more")
	}
}
