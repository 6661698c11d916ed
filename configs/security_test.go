package configs_test

import (
	"bytes"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/sha256"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/hex"
	"encoding/pem"
	"math/big"
	"os"
	"testing"
	"testing/fstest"
	"time"

	"example.net/standwatch/configs"
	"example.net/standwatch/receiver"
	"example.net/standwatch/receiver/usm"
)

// The same user on three engines: with a passphrase, with another, and with a
// localised key (RFC 3414 section A.3.2), which is worth what its passphrase is.
func TestOneUserOnSeveralEngines(t *testing.T) {
	fsys := base()
	fsys["standwatch.yaml"] = &fstest.MapFile{Data: []byte(`
security:
  users:
    first: {name: operator, auth: sha1, auth-secret: "${env:MAPLE}", engine-id: 80007ed90466697273}
    second: {name: operator, auth: sha1, auth-secret: "${env:PASS}", engine-id: 80007ed9047365636f, informs: yes}
    third: {name: operator, auth: sha1, auth-key: "${env:KUL}", priv: aes128, priv-key: "${env:KUL}", engine-id: "000000000000000000000002"}
`)}
	fsys["sites/one.yaml"] = &fstest.MapFile{Data: []byte(`
sites:
  one:
    agents:
      one-remote: {engine-id: 80007ed90466697273, user: first}
      two-remote: {engine-id: 80007ed9047365636f, user: second}
      three-remote: {engine-id: "000000000000000000000002", user: third}
    points: {door: {severity: minor}}
`)}
	opts := testOptions()
	env := opts.Env
	opts.Env = func(name string) (string, bool) {
		switch name {
		case "MAPLE":
			return "maplesyrup", true
		case "KUL":
			return "0x6695febc 9288e362 82235fc7 151f1284 97b38f3f", true
		}
		return env(name)
	}
	cfg, problems := configs.Load(t.Context(), fsys, opts)
	if problems.Mistakes() {
		t.Fatal(problems)
	}
	own := []byte("\x80\x00\x7e\xd9\x04master")
	table, err := usm.NewTable(usm.Options{LocalID: own, LocalBoots: 1, Started: time.Now(), Users: cfg.Receiver.Users})
	if err != nil {
		t.Fatal(err)
	}
	message := bytes.Repeat([]byte{1}, 64)
	sign := func(engine []byte) string {
		k := table.Keys(engine, []byte("operator"))
		if k == nil {
			t.Fatalf("no keys on %x", engine)
		}
		m := bytes.Clone(message)
		k.Sign(m, 0)
		return hex.EncodeToString(m[:12])
	}
	rfc := make([]byte, 12)
	rfc[11] = 2
	macs := map[string]bool{sign([]byte("\x80\x00\x7e\xd9\x04firs")): true, sign([]byte("\x80\x00\x7e\xd9\x04seco")): true, sign(rfc): true, sign(own): true}
	if len(macs) != 4 {
		t.Errorf("keys of different engines sign alike: %v", macs)
	}
	spelled, err := usm.NewKeys(usm.User{Name: "operator", Auth: usm.SHA1, AuthPass: "maplesyrup"}, rfc)
	if err != nil {
		t.Fatal(err)
	}
	m := bytes.Clone(message)
	spelled.Sign(m, 0)
	if hex.EncodeToString(m[:12]) != sign(rfc) {
		t.Error("the localised key is not that of its passphrase")
	}
	for i, want := range []string{"operator", "operator", "operator"} {
		if got := cfg.Receiver.Agents[i]; len(got.Users) != 1 || got.Users[0] != want {
			t.Errorf("agent %s takes %v", got.ID, got.Users)
		}
	}
}

func TestListenerWithTLS(t *testing.T) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	c := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "watch.example.net"}, NotBefore: time.Now(), NotAfter: time.Now().Add(time.Hour)}
	der, err := x509.CreateCertificate(rand.Reader, c, c, key.Public(), key)
	if err != nil {
		t.Fatal(err)
	}
	private, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	files := map[string][]byte{
		"/etc/standwatch/master.crt": pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}),
		"/etc/standwatch/master.key": pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: private}),
	}
	opts := testOptions()
	opts.ReadFile = func(path string) ([]byte, error) {
		if b, ok := files[path]; ok {
			return b, nil
		}
		return nil, os.ErrNotExist
	}
	print := sha256.Sum256(der)
	load := func() *configs.Config {
		fsys := base()
		fsys["standwatch.yaml"] = &fstest.MapFile{Data: []byte(`
security: {communities: {field: "${env:COMMUNITY}"}}
traps:
  listeners:
    open: {address: 127.0.0.1:10162}
    sealed:
      address: 127.0.0.1:10162
      tls: {certificate: "${file:/etc/standwatch/master.crt}", key: "${file:/etc/standwatch/master.key}", clients: "${file:/etc/standwatch/master.crt}", name: san-dns}
`)}
		fsys["sites/one.yaml"] = &fstest.MapFile{Data: []byte("sites:\n  one:\n    agents:\n      one-remote: {certificate: \"" + hex.EncodeToString(print[:]) +
			"\"}\n      two-remote: {certificate-name: two.example.net, addresses: 192.0.2.2, community: field}\n    points: {door: {severity: minor}}\n")}
		cfg, problems := configs.Load(t.Context(), fsys, opts)
		if problems.Mistakes() {
			t.Fatal(problems)
		}
		return cfg
	}
	cfg := load()
	policy := cfg.Receiver.Policies[1]
	if !cfg.Listeners[1].TLS || policy.TLS == nil || policy.TLS.Name != receiver.SANDNS || policy.TLS.Clients == nil || len(policy.TLS.Certificate.Certificate) != 1 {
		t.Errorf("%+v, %+v", cfg.Listeners[1], policy)
	}
	one, two := cfg.Receiver.Agents[0], cfg.Receiver.Agents[1]
	if !one.OnlyTLS || one.MinLevel != usm.AuthPriv || one.Certificates[0] != receiver.Fingerprint(print) {
		t.Errorf("%+v", one)
	}
	if two.OnlyTLS || two.MinLevel != 0 || two.CertNames[0] != "two.example.net" {
		t.Errorf("%+v", two)
	}
	if s := configs.Diff(cfg, load()); s.Security || s.Restart {
		t.Errorf("the same configuration differs: %+v", s)
	}
}
