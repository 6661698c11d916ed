//go:build interop

package main

import (
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/receiver"
)

// openssl runs the program of that name.
func openssl(t *testing.T, dir string, args ...string) string {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), "openssl", args...)
	cmd.Dir = dir
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("openssl %s: %v\n%s", strings.Join(args, " "), err, out)
	}
	return string(out)
}

// certificates makes those of the master, of a remote that is known by its
// fingerprint, and of an authority with a remote that is known by its name.
func certificates(t *testing.T) (dir, fingerprint string) {
	t.Helper()
	dir = t.TempDir()
	self := func(name string, more ...string) {
		openssl(t, dir, append([]string{"req", "-x509", "-newkey", "rsa:2048", "-nodes", "-keyout", name + ".key", "-out", name + ".crt", "-days", "2",
			"-subj", "/CN=" + name + ".example.net"}, more...)...)
	}
	self("master", "-addext", "subjectAltName=DNS:master.example.net")
	self("pinned")
	self("authority")
	openssl(t, dir, "req", "-newkey", "rsa:2048", "-nodes", "-keyout", "named.key", "-out", "named.csr", "-subj", "/CN=any")
	if err := os.WriteFile(filepath.Join(dir, "named.ext"), []byte("subjectAltName=DNS:named.example.net\nextendedKeyUsage=clientAuth\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	openssl(t, dir, "x509", "-req", "-in", "named.csr", "-CA", "authority.crt", "-CAkey", "authority.key", "-CAcreateserial", "-days", "2", "-extfile", "named.ext", "-out", "named.crt")
	_, fingerprint, _ = strings.Cut(openssl(t, dir, "x509", "-in", "pinned.crt", "-noout", "-fingerprint", "-sha256"), "=")
	return dir, strings.TrimSpace(fingerprint)
}

// tlsDaemon is a daemon that speaks TLS to both remotes.
func tlsDaemon(t *testing.T, dir, fingerprint string) (d *daemon, sealed string) {
	t.Helper()
	for name, file := range map[string]string{"TLS_CRT": "master.crt", "TLS_KEY": "master.key", "TLS_CA": "authority.crt"} {
		text, err := os.ReadFile(filepath.Join(dir, file))
		if err != nil {
			t.Fatal(err)
		}
		t.Setenv(name, string(text))
	}
	site := func(name, agent string) string {
		return fmt.Sprintf("  %s:\n    agents: {%s-remote: {%s}}\n    points:\n      mains: {number: 1, name: Mains, alarm: Mains failed, normal: Mains present, severity: major, flap: off}\n", name, name, agent)
	}
	files := fstest.MapFS{
		"standwatch.yaml": {Data: []byte("traps:\n  listeners:\n    sealed: {address: '127.0.0.1:0', tls: {certificate: '${env:TLS_CRT}', key: '${env:TLS_KEY}', clients: '${env:TLS_CA}'}}\n" +
			"console: {listen: '127.0.0.1:0'}\n")},
		"people.yaml":      {Data: []byte("routes: [{name: board, board-only: yes}]\n")},
		"rules/rules.yaml": {Data: []byte("use: [kestrel-remote]\n")},
		"sites/sites.yaml": {Data: []byte("sites:\n" + site("pinned", "certificate: '"+fingerprint+"'") + site("named", "certificate-name: named.example.net"))},
	}
	d, _ = startSmall(t, files, t.TempDir())
	return d, d.receiver.Addresses()["sealed"].String()
}

// relay runs socat between Debian's senders, whose TLS is 1.0 and nothing else
// (5.9.3), and the daemon, which RFC 8996 forbids that. It ends their TLS and
// begins TLS of the version given with the sender's own certificate; what is
// said inside stays octet for octet the sender's.
func relay(t *testing.T, dir, as, version, to string) string {
	t.Helper()
	for _, name := range []string{"master", as} {
		var both []byte
		for _, part := range []string{".crt", ".key"} {
			text, err := os.ReadFile(filepath.Join(dir, name+part))
			if err != nil {
				t.Fatal(err)
			}
			both = append(both, text...)
		}
		if err := os.WriteFile(filepath.Join(dir, name+".pem"), both, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	at := loopbackPort(t)
	_, port, err := net.SplitHostPort(at)
	if err != nil {
		t.Fatal(err)
	}
	var log logBuffer
	cmd := exec.Command("socat", "-T", "20",
		"OPENSSL-LISTEN:"+port+",bind=127.0.0.1,reuseaddr,fork,cert="+filepath.Join(dir, "master.pem")+",verify=0,openssl-min-proto-version=TLS1.0,cipher=ALL:@SECLEVEL=0",
		"OPENSSL:"+to+",cert="+filepath.Join(dir, as+".pem")+",cafile="+filepath.Join(dir, "master.crt")+",commonname=master.example.net,openssl-min-proto-version="+version+",openssl-max-proto-version="+version)
	cmd.Stdout, cmd.Stderr = &log, &log
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = cmd.Process.Kill() // it is ended by nothing else
		_ = cmd.Wait()
		if t.Failed() {
			t.Logf("socat:\n%s", &log)
		}
	})
	await(t, "socat listens", func() bool {
		conn, err := net.Dial("tcp", at)
		if err != nil {
			return false
		}
		return conn.Close() == nil
	})
	return at
}

// debianTLS is the environment in which Debian's senders find the certificates.
func debianTLS(t *testing.T, dir string) []string {
	t.Helper()
	home := t.TempDir()
	for folder, files := range map[string][]string{"certs": {"master.crt", "pinned.crt", "named.crt"}, "private": {"pinned.key", "named.key"}} {
		if err := os.MkdirAll(filepath.Join(home, "tls", folder), 0o700); err != nil {
			t.Fatal(err)
		}
		for _, name := range files {
			text, err := os.ReadFile(filepath.Join(dir, name))
			if err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(filepath.Join(home, "tls", folder, name), text, 0o600); err != nil {
				t.Fatal(err)
			}
		}
	}
	conf := filepath.Join(home, "openssl.cnf")
	text := "openssl_conf = a\n[a]\nssl_conf = b\n[b]\nsystem_default = c\n[c]\nMinProtocol = TLSv1\nCipherString = DEFAULT@SECLEVEL=0\n"
	if err := os.WriteFile(conf, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return append(os.Environ(), "SNMPCONFPATH="+home, "SNMP_PERSISTENT_DIR="+t.TempDir(), "HOME="+home, "OPENSSL_CONF="+conf)
}

func tlsArgs(program, as, target string, state int) []string {
	return []string{program, "-m", ":", "-r", "1", "-t", "5", "-v", "3", "--defSecurityModel=tsm", "-l", "authPriv", "-u", as,
		"-T", "our_identity=" + as, "-T", "their_identity=master", "tlstcp:" + target, "", "1.3.6.1.4.1.32473.10.0.1",
		"1.3.6.1.4.1.32473.10.2.1.1.1", "i", "1", "1.3.6.1.4.1.32473.10.2.1.2.1", "i", strconv.Itoa(state), "1.3.6.1.4.1.32473.10.2.1.3.1", "s", "over TLS"}
}

// TestInteropTLS: SNMP over TLS (RFC 6353) under the transport security model
// (RFC 5591) with messages and TLS of implementations unrelated to ours: those
// of Debian's snmp package and OpenSSL.
func TestInteropTLS(t *testing.T) {
	dir, fingerprint := certificates(t)
	d, sealed := tlsDaemon(t, dir, fingerprint)
	env := debianTLS(t, dir)
	standing := func(site string) bool {
		found := false
		d.ledger.Read(func(st *correlate.State, _ *correlate.Network) {
			for key, a := range st.Alarms {
				found = found || string(key.Site) == site && a.Standing
			}
		})
		return found
	}
	for _, as := range []string{"pinned", "named"} {
		for _, version := range []string{"TLS1.2", "TLS1.3"} {
			at := relay(t, dir, as, version, sealed)
			for _, program := range []string{"snmptrap", "snmpinform"} {
				t.Run(as+" "+version+" "+program, func(t *testing.T) {
					tool(t, env, tlsArgs(program, as, at, contactAlarm)...)
					await(t, "the alarm stands", func() bool { return standing(as) })
					tool(t, env, tlsArgs(program, as, at, contactNormal)...)
					await(t, "the alarm has cleared", func() bool { return !standing(as) })
				})
			}
		}
	}
	// Before each inform the sender asks for the engine ID (RFC 5343).
	l := d.receiver.Accounts().Listeners[0]
	if l.Tally[receiver.Matched] != 16 || l.Tally[receiver.Discovery] != 8 || l.Tally.Refused() != 0 || l.TLS.Invalid != 0 {
		t.Errorf("counted %+v", l)
	}

	// Straight to the daemon they fail, since their TLS is too old.
	before := l.TLS.Failed
	cmd := exec.CommandContext(t.Context(), "snmptrap", tlsArgs("snmptrap", "pinned", sealed, contactAlarm)[1:]...)
	cmd.Env, cmd.WaitDelay = env, time.Second
	if out, err := cmd.CombinedOutput(); err == nil {
		t.Errorf("a sender of TLS 1.0 is served:\n%s", out)
	}
	await(t, "the failed handshake is counted", func() bool { return d.receiver.Accounts().Listeners[0].TLS.Failed == before+1 })
}
