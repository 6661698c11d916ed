//go:build interop

package mail_test

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"encoding/pem"
	"fmt"
	"math/big"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/notify/mail"
)

// setUp is the configuration of Debian's exim4-daemon-light for one test: it
// listens on loopback, offers STARTTLS, wants a login over it, takes mail for
// one domain into a folder, and refuses one recipient for good and one for now.
const setUp = `
exim_user = root
exim_group = root
primary_hostname = mail.example.net
spool_directory = %[1]s/spool
log_file_path = %[1]s/%%slog
pid_file_path = %[1]s/pid
local_interfaces = 127.0.0.1
daemon_smtp_ports = %[2]d
tls_advertise_hosts = *
tls_certificate = %[1]s/cert.pem
tls_privatekey = %[1]s/key.pem
auth_advertise_hosts = ${if eq{$tls_in_cipher}{}{}{*}}
acl_smtp_rcpt = rcpt
queue_only = false
never_users =
keep_environment =
begin acl
rcpt:
  deny    ! authenticated = *
          message = log in first
  deny    recipients = nobody@example.net
          message = no such mailbox
  defer   recipients = full@example.net
          message = mailbox full for now
  accept  domains = example.net
begin routers
all:
  driver = accept
  transport = folder
begin transports
folder:
  driver = appendfile
  maildir_format
  directory = %[1]s/mail
  create_directory
  user = mail
  group = mail
begin authenticators
plain:
  driver = plaintext
  public_name = PLAIN
  server_prompts = :
  server_condition = ${if and{{eq{$auth2}{watch}}{eq{$auth3}{a good password}}}}
  server_set_id = $auth2
`

// postOffice starts the mail server and returns how to reach it, and the folder
// it delivers into.
func postOffice(t *testing.T) (o mail.Options, folder string) {
	t.Helper()
	dir := t.TempDir()
	// The server delivers as the user mail, never as root, who runs the test.
	open := []string{filepath.Dir(dir), dir, filepath.Join(dir, "mail")}
	if err := os.Mkdir(open[2], 0o777); err != nil {
		t.Fatal(err)
	}
	for i, path := range open {
		if err := os.Chmod(path, []os.FileMode{0o755, 0o755, 0o777}[i]); err != nil {
			t.Fatal(err)
		}
	}
	o.RootCAs = writeCertificate(t, dir)
	ln, err := net.Listen("tcp4", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	o.Host, o.Port = "127.0.0.1", ln.Addr().(*net.TCPAddr).Port
	if err := ln.Close(); err != nil {
		t.Fatal(err)
	}
	conf := filepath.Join(dir, "conf")
	if err := os.WriteFile(conf, fmt.Appendf(nil, setUp, dir, o.Port), 0o600); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command("exim4", "-C", conf, "-bdf", "-q1m")
	cmd.Stdout, cmd.Stderr = os.Stderr, os.Stderr
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		// It may have ended by itself, which the test has noticed then.
		_ = cmd.Process.Signal(syscall.SIGTERM)
		_ = cmd.Wait()
	})
	waitFor(t, "the mail server to listen", func() bool {
		conn, err := net.Dial("tcp4", fmt.Sprintf("127.0.0.1:%d", o.Port))
		if err != nil {
			return false
		}
		return conn.Close() == nil
	})
	o.Username, o.Password, o.From, o.Hello, o.Timeout = "watch", "a good password", "watch@example.net", "watch.example.net", 10*time.Second
	return o, filepath.Join(dir, "mail", "new")
}

func waitFor(t *testing.T, what string, ready func() bool) {
	t.Helper()
	tick := time.NewTicker(50 * time.Millisecond)
	defer tick.Stop()
	for end := time.After(time.Minute); !ready(); {
		select {
		case <-tick.C:
		case <-end:
			t.Fatalf("waited 20 s for %s", what)
		}
	}
}

// writeCertificate writes a certificate for 127.0.0.1 and its key.
func writeCertificate(t *testing.T, dir string) *x509.CertPool {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	tmpl := &x509.Certificate{SerialNumber: big.NewInt(1), IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageDigitalSignature | x509.KeyUsageCertSign, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}}
	der, err := x509.CreateCertificate(rand.Reader, tmpl, tmpl, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	raw, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	for name, block := range map[string]*pem.Block{"cert.pem": {Type: "CERTIFICATE", Bytes: der}, "key.pem": {Type: "PRIVATE KEY", Bytes: raw}} {
		if err := os.WriteFile(filepath.Join(dir, name), pem.EncodeToMemory(block), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	cert, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	pool := x509.NewCertPool()
	pool.AddCert(cert)
	return pool
}

// TestInteropMailServer hands mails to a mail server that is not ours, over
// STARTTLS with a login: one arrives as it was meant, a wrong recipient and a
// wrong password are refused for good, a full mailbox for now.
func TestInteropMailServer(t *testing.T) {
	o, folder := postOffice(t)
	channel := func(change func(*mail.Options)) *mail.Channel {
		t.Helper()
		o := o
		change(&o)
		c, err := mail.New(o)
		if err != nil {
			t.Fatal(err)
		}
		return c
	}
	good := channel(func(*mail.Options) {})
	m := correlate.Message{ID: "m7-0", Key: correlate.Key{Site: "harrow-knoll", Point: "mains"}, Address: "crew@example.net", Subject: "CRITICAL Harrow Knoll: Mains failed [K7M3P]",
		Body: "CRITICAL at Harrow Knoll\n.\nThe line above is a single dot.\n", Queued: time.Now()}
	if r := good.Send(t.Context(), m); r.Outcome != correlate.Accepted || r.Answer == "" {
		t.Fatalf("got %+v", r)
	}
	var names []string
	waitFor(t, "the mail to arrive", func() bool { names, _ = filepath.Glob(filepath.Join(folder, "*")); return len(names) == 1 }) // the pattern is good
	text, err := os.ReadFile(names[0])
	if err != nil {
		t.Fatal(err)
	}
	for _, words := range []string{"Subject: CRITICAL Harrow Knoll: Mains failed [K7M3P]", "Auto-Submitted: auto-generated", "To: <crew@example.net>", "\n.\n", "esmtpsa ", "text/html"} {
		if !strings.Contains(strings.ReplaceAll(string(text), "\r\n", "\n"), words) {
			t.Errorf("the mail lacks %q:\n%s", words, text)
		}
	}
	if r := good.Probe(t.Context()); r.Outcome != correlate.Accepted {
		t.Errorf("logging in: %+v", r)
	}
	for to, want := range map[string]correlate.Outcome{"nobody@example.net": correlate.Permanent, "full@example.net": correlate.Temporary} {
		m.Address = to
		if r := good.Send(t.Context(), m); r.Outcome != want {
			t.Errorf("%s: got %+v", to, r)
		}
	}
	m.Address = "crew@example.net"
	wrong := channel(func(o *mail.Options) { o.Password = "a wrong password" })
	if r := wrong.Send(t.Context(), m); r.Outcome != correlate.Permanent {
		t.Errorf("a wrong password: %+v", r)
	}
	if r := wrong.Probe(t.Context()); r.Outcome == correlate.Accepted {
		t.Errorf("a wrong password lets us in: %+v", r)
	}
	stranger := channel(func(o *mail.Options) { o.RootCAs = x509.NewCertPool() })
	if r := stranger.Send(t.Context(), m); r.Outcome != correlate.Temporary {
		t.Errorf("a certificate that nobody vouches for: %+v", r)
	}
}
