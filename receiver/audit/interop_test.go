//go:build interop

package audit_test

import (
	"bytes"
	"fmt"
	"net"
	"net/netip"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/receiver/audit"
	"example.net/standwatch/receiver/rules"
	"example.net/standwatch/receiver/snmp"
	"example.net/standwatch/receiver/usm"
)

const (
	authSecret = "invented authentication"
	privSecret = "invented privacy"
)

// users are the v3 users of the peer. Debian's snmpd offers SHA-2 and AES-128.
var users = []struct {
	user        usm.User
	peer, level string
}{
	{usm.User{Name: "plain"}, `createUser plain`, "noauth"},
	{usm.User{Name: "md5", Auth: usm.MD5, AuthPass: authSecret}, `createUser md5 MD5 "` + authSecret + `"`, "auth"},
	{usm.User{Name: "sha", Auth: usm.SHA1, AuthPass: authSecret}, `createUser sha SHA "` + authSecret + `"`, "auth"},
	{usm.User{Name: "sha-des", Auth: usm.SHA1, AuthPass: authSecret, Priv: usm.DES, PrivPass: privSecret}, `createUser sha-des SHA "` + authSecret + `" DES "` + privSecret + `"`, "priv"},
	{usm.User{Name: "sha256-aes", Auth: usm.SHA256, AuthPass: authSecret, Priv: usm.AES128, PrivPass: privSecret}, `createUser sha256-aes SHA-256 "` + authSecret + `" AES "` + privSecret + `"`, "priv"},
	{usm.User{Name: "sha512-aes", Auth: usm.SHA512, AuthPass: authSecret, Priv: usm.AES128, PrivPass: privSecret}, `createUser sha512-aes SHA-512 "` + authSecret + `" AES "` + privSecret + `"`, "priv"},
}

// startPeer runs Debian's snmpd on a free port of this machine, with everything
// it keeps in a folder of the test.
func startPeer(t *testing.T) netip.AddrPort {
	t.Helper()
	dir := t.TempDir()
	free, err := net.ListenPacket("udp4", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	at := free.LocalAddr().(*net.UDPAddr).AddrPort()
	if err := free.Close(); err != nil {
		t.Fatal(err)
	}
	lines := []string{"rocommunity trial 127.0.0.1"}
	for _, u := range users {
		lines = append(lines, u.peer, fmt.Sprintf("rouser %s %s", u.user.Name, u.level))
	}
	conf := filepath.Join(dir, "snmpd.conf")
	if err := os.WriteFile(conf, []byte(strings.Join(lines, "\n")+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	var log bytes.Buffer
	cmd := exec.Command("snmpd", "-f", "-Lo", "-C", "-c", conf, "-I", "-smux", "udp:"+at.String())
	cmd.Env = append(os.Environ(), "SNMP_PERSISTENT_DIR="+dir, "MIBS=", "PATH="+os.Getenv("PATH")+":/usr/sbin")
	cmd.Path = "/usr/sbin/snmpd"
	cmd.Stdout, cmd.Stderr = &log, &log
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := cmd.Process.Signal(syscall.SIGTERM); err != nil {
			t.Error(err)
		}
		_ = cmd.Wait() // it ends by the signal
		if t.Failed() {
			t.Log(log.String())
		}
	})
	return at
}

// interfacesBook asks what the pack if asks.
func interfacesBook(t *testing.T) *audit.Book {
	t.Helper()
	up := []rules.Observe{{Point: "link", Instance: "${ifOperStatus.index}", WhatBy: &rules.Choice{Of: "ifOperStatus",
		Map: map[string]string{"up": "clear", "down": "raise", "lowerLayerDown": "raise"}, Other: "nothing"}}}
	b, problems := audit.Compile([]audit.Spec{{Name: "interfaces", Read: "ifAdminStatus ifOperStatus", Cases: []audit.Case{
		{When: `value["ifAdminStatus"] != 1`, Observe: []rules.Observe{{Point: "link", Instance: "${ifAdminStatus.index}", What: "clear"}}}, {Observe: up}}}}, rules.Options{})
	for _, p := range problems {
		t.Fatal(p)
	}
	return b
}

// TestInteropSnmpd asks Debian's snmpd for the interfaces of this machine in
// every version and at every level that it offers, finds that lo works, and
// wants the words for the ways in which it refuses.
func TestInteropSnmpd(t *testing.T) {
	at := startPeer(t)
	b := interfacesBook(t)
	site := &correlate.Site{ID: "here", Points: map[correlate.PointID]*correlate.Point{"link": {ID: "link", Kind: correlate.Link}}}
	where := rules.Where{Site: site, Agent: &correlate.Agent{ID: "here", Site: site.ID}}
	lo, err := net.InterfaceByName("lo")
	if err != nil {
		t.Fatal(err)
	}
	base := audit.Target{Agent: "here", Addresses: []netip.AddrPort{at}, Community: "trial", Questions: b.Lookup("interfaces"), Timeout: time.Second, Retries: 2, Repetitions: 5}
	ticker := time.NewTicker(50 * time.Millisecond)
	defer ticker.Stop()
	for began := time.Now(); ; <-ticker.C {
		first := base
		first.Version, first.Retries = snmp.V2c, 0
		in := audit.NewAsker(time.Now).Ask(t.Context(), &first, where, correlate.Key{}, audit.Source{}).Audit
		if in.Failure == "" {
			break
		}
		if time.Since(began) > 20*time.Second {
			t.Fatal(in.Failure)
		}
	}
	check := func(t *testing.T, to audit.Target) {
		t.Helper()
		if err := to.Check(); err != nil {
			t.Fatal(err)
		}
		in := audit.NewAsker(time.Now).Ask(t.Context(), &to, where, correlate.Key{}, audit.Source{}).Audit
		if in.Failure != "" || len(in.Trouble) > 0 || !in.HasUptime {
			t.Fatalf("failure %q, trouble %q", in.Failure, in.Trouble)
		}
		i := slices.IndexFunc(in.Findings, func(f correlate.Finding) bool { return f.Observation.Key.Instance == fmt.Sprint(lo.Index) })
		if i < 0 {
			t.Fatalf("lo (%d) is not among %+v", lo.Index, in.Findings)
		}
		if f := in.Findings[i]; f.Observation.What != correlate.Clear || f.Value != "ifAdminStatus up (1), ifOperStatus up (1)" {
			t.Errorf("lo: %+v", f)
		}
	}
	for _, version := range []snmp.Version{snmp.V1, snmp.V2c} {
		t.Run(version.String(), func(t *testing.T) {
			to := base
			to.Version = version
			check(t, to)
		})
	}
	for i := range users {
		t.Run(users[i].user.Name, func(t *testing.T) {
			to := base
			to.Version, to.User = snmp.V3, &users[i].user
			check(t, to)
		})
	}
	for name, change := range map[string]func(u *usm.User){
		"does not know the user": func(u *usm.User) { u.Name = "nobody" },
		"authentication secret":  func(u *usm.User) { u.AuthPass = "another passphrase" },
		"let user plain ask":     func(u *usm.User) { u.Name = "plain" },
	} {
		t.Run(name, func(t *testing.T) {
			u := users[4].user
			change(&u)
			to := base
			to.Version, to.User, to.Retries = snmp.V3, &u, 0
			in := audit.NewAsker(time.Now).Ask(t.Context(), &to, where, correlate.Key{}, audit.Source{}).Audit
			if !strings.Contains(in.Failure, name) {
				t.Errorf("failure %q", in.Failure)
			}
		})
	}
}
