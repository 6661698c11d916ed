//go:build interop

package main

import (
	"bytes"
	"encoding/hex"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"example.net/standwatch/receiver/usm"
)

// TestInteropTshark has Debian's tshark, a decoder unrelated to ours, take apart
// what the daemon answers: Responses, whose digest it checks and whose contents
// it decrypts, and Reports.
func TestInteropTshark(t *testing.T) {
	h := startHostile(t, t.TempDir())
	conn := h.talk(t, trialAgents[4].address)
	discovery := ask(t, conn, engineQuestion())
	at := header(t, discovery).Security
	engine := bytes.Clone(at.EngineID)
	forged := func(u *usm.User) { u.AuthPass = "some other secret" }
	answers := [][]byte{
		discovery,
		ask(t, conn, secureInform(t, engine, at.Boots, at.Time, 77, nil)),
		ask(t, conn, secureInform(t, engine, at.Boots, at.Time, 78, forged)),
		ask(t, conn, secureInform(t, engine, at.Boots+3, at.Time, 79, nil)),
		ask(t, h.talk(t, trialAgents[1].address), v2(trialCommunity, pduInform, []byte{0xff, 0x7f}, binding(octets("as it was")))),
	}
	for i, want := range [][]string{
		{"msgAuthoritativeEngineID: " + hex.EncodeToString(engine), "data: report (8)", "1.3.6.1.6.3.15.1.1.4.0"},
		{"Authentication: OK", "data: get-response (2)", "request-id: 77", "error-status: noError (0)", "1.3.6.1.6.3.1.1.5.1"},
		{"data: report (8)", "1.3.6.1.6.3.15.1.1.5.0"},
		{"Authentication: OK", "data: report (8)", "1.3.6.1.6.3.15.1.1.2.0"},
		{"version: v2c (1)", "data: get-response (2)", "request-id: -129", "error-status: noError (0)", `"as it was"`},
	} {
		text := dissect(t, answers[i])
		for _, part := range want {
			if !strings.Contains(text, part) {
				t.Errorf("answer %d: tshark does not say %q:\n%s", i, part, text)
			}
		}
		if strings.Contains(text, "Malformed") || strings.Contains(text, "Severity level: Error") || strings.Contains(text, "Severity level: Warning") {
			t.Errorf("answer %d: tshark finds fault:\n%s", i, text)
		}
	}
}

// dissect has tshark take an SNMP message apart, with the keys of the fifth
// agent's user.
func dissect(t *testing.T, message []byte) string {
	t.Helper()
	dir := t.TempDir()
	dump, capture := filepath.Join(dir, "dump.txt"), filepath.Join(dir, "one.pcap")
	var text strings.Builder
	for at := 0; at < len(message); at += 16 {
		fmt.Fprintf(&text, "%06x % x\n", at, message[at:min(at+16, len(message))])
	}
	if err := os.WriteFile(dump, []byte(text.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	run := func(args ...string) string {
		cmd := exec.CommandContext(t.Context(), args[0], args[1:]...)
		cmd.Env = append(os.Environ(), "HOME="+dir, "XDG_CONFIG_HOME="+dir)
		var complaint strings.Builder
		cmd.Stderr = &complaint
		out, err := cmd.Output()
		if err != nil {
			t.Fatalf("%s: %v\n%s", args[0], err, &complaint)
		}
		return string(out)
	}
	run("text2pcap", "-q", "-u", "161,50000", dump, capture)
	user := fmt.Sprintf(`uat:snmp_users:"","%s","SHA1","%s","AES","%s"`, trialAgents[4].user, trialAuth, trialPriv)
	return run("tshark", "-r", capture, "-O", "snmp", "-V", "-o", user, "-o", "snmp.display_oid:FALSE")
}
