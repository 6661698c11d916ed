//go:build interop

package main

import (
	"encoding/json"
	"fmt"
	"net"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"testing"
)

// TestInteropDebianTools sends with the command-line senders of Debian's snmp
// package, an implementation unrelated to ours and to the one that our own
// sender uses.
func TestInteropDebianTools(t *testing.T) {
	tr := newTrial(t)
	env := append(os.Environ(), "SNMP_PERSISTENT_DIR="+t.TempDir(), "SNMPCONFPATH="+t.TempDir())
	for _, a := range trialAgents {
		for _, inform := range []bool{false, true} {
			if inform && a.version == "v1" {
				continue // SNMPv1 has no informs
			}
			t.Run(wayOf(a, inform), func(t *testing.T) {
				id := a.site + ":mains"
				tool(t, env, debianArgs(tr.traps, a, inform, contactAlarm)...)
				tr.stands(t, id, a.site+" mains major")
				tool(t, env, debianArgs(tr.traps, a, inform, contactNormal)...)
				tr.clears(t, id)
			})
		}
	}
}

// States of kestrelContactState.
const (
	contactAlarm  = 1
	contactNormal = 2
)

// wayOf names a way of speaking.
func wayOf(a trialAgent, inform bool) string {
	words := []string{a.version}
	if a.user != "" {
		words = append(words, a.user)
	}
	if inform {
		return strings.Join(append(words, "inform"), " ")
	}
	return strings.Join(append(words, "trap"), " ")
}

// tool runs a command to its end and wants success: of an inform that means
// that it was answered.
func tool(t *testing.T, env []string, args ...string) {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), args[0], args[1:]...)
	cmd.Env = env
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("%s: %v\n%s", strings.Join(args, " "), err, out)
	}
}

// debianArgs is the command line that reports contact 1, the mains.
func debianArgs(target string, a trialAgent, inform bool, state int) []string {
	args := []string{"snmptrap"}
	if inform {
		args[0] = "snmpinform"
	}
	// -r and -t: three more tries of 2 s.
	args = append(args, "--clientaddr="+a.address, "-r", "3", "-t", "2", "-m", "")
	switch a.version {
	case "v1":
		args = append(args, "-v", "1", "-c", trialCommunity, target, "1.3.6.1.4.1.32473.10", a.address, "6", "1", "")
	case "v2c":
		args = append(args, "-v", "2c", "-c", trialCommunity, target, "", "1.3.6.1.4.1.32473.10.0.1")
	case "v3":
		args = append(args, debianLogin(a, inform)...)
		args = append(args, target, "", "1.3.6.1.4.1.32473.10.0.1")
	}
	return append(args,
		"1.3.6.1.4.1.32473.10.2.1.1.1", "i", "1",
		"1.3.6.1.4.1.32473.10.2.1.2.1", "i", strconv.Itoa(state),
		"1.3.6.1.4.1.32473.10.2.1.3.1", "s", "told by Debian's tools")
}

func debianLogin(a trialAgent, inform bool) []string {
	auth := map[string]string{"sha1": "SHA", "sha256": "SHA-256", "sha512": "SHA-512"}
	priv := map[string]string{"aes128": "AES", "aes256": "AES-256"}
	level := "noAuthNoPriv"
	args := []string{"-v", "3", "-u", a.user}
	if a.auth != "none" {
		level = "authNoPriv"
		args = append(args, "-a", auth[a.auth], "-A", trialAuth)
	}
	if a.priv != "none" {
		level = "authPriv"
		args = append(args, "-x", priv[a.priv], "-X", trialPriv)
	}
	if !inform { // a trap speaks for its own engine, an inform asks for ours
		args = append(args, "-e", "0x"+a.engine)
	}
	return append(args, "-l", level)
}

// TestInteropPysnmp sends with pysnmp of Debian's python3-pysnmp4, an encoder
// unrelated to ours and to Debian's snmp package.
func TestInteropPysnmp(t *testing.T) {
	tr := newTrial(t)
	host, port, err := net.SplitHostPort(tr.traps)
	if err != nil {
		t.Fatal(err)
	}
	number, err := strconv.Atoi(port)
	if err != nil {
		t.Fatal(err)
	}
	env := append(os.Environ(), "TMPDIR="+t.TempDir()) // it keeps its engine boots there
	for _, a := range trialAgents {
		if a.auth == "sha512" {
			continue // pysnmp 4 has no AES-256 of the kind that the others have
		}
		for _, inform := range []bool{false, true} {
			if inform && a.version == "v1" {
				continue // SNMPv1 has no informs
			}
			t.Run(wayOf(a, inform), func(t *testing.T) {
				o := map[string]any{
					"target": host, "port": number, "from": a.address, "version": a.version, "inform": inform, "community": trialCommunity,
					"user": a.user, "auth": a.auth, "auth_secret": trialAuth, "priv": a.priv, "priv_secret": trialPriv, "engine": "", "number": 2,
				}
				if !inform {
					o["engine"] = a.engine
				}
				for _, state := range []int{contactAlarm, contactNormal} {
					o["state"] = state
					text, err := json.Marshal(o)
					if err != nil {
						t.Fatal(err)
					}
					// Not whatever python3 comes first: the package belongs to Debian's.
					tool(t, env, "/usr/bin/python3", "testdata/notify.py", string(text))
					if state == contactAlarm {
						tr.stands(t, a.site+":door", a.site+" door minor")
					} else {
						tr.clears(t, a.site+":door")
					}
				}
			})
		}
	}
}

// TestInteropOwnSender: `send` of the same binary, with every way it has.
func TestInteropOwnSender(t *testing.T) {
	tr := newTrial(t)
	path, err := binary()
	if err != nil {
		t.Fatal(err)
	}
	env := append(os.Environ(), "A="+trialAuth, "P="+trialPriv, "C="+trialCommunity)
	for _, a := range trialAgents {
		for _, inform := range []bool{false, true} {
			if inform && a.version == "v1" {
				continue // SNMPv1 has no informs
			}
			t.Run(wayOf(a, inform), func(t *testing.T) {
				for _, state := range []int{contactAlarm, contactNormal} {
					args := []string{path, "send", "--target", tr.traps, "--from", a.address, "--version", a.version, fmt.Sprintf("--inform=%t", inform),
						"--trap", "1.3.6.1.4.1.32473.10.0.1", "--varbind", "1.3.6.1.4.1.32473.10.2.1.1.3=int:3",
						"--varbind", fmt.Sprintf("1.3.6.1.4.1.32473.10.2.1.2.3=int:%d", state)}
					if a.version == "v3" {
						args = append(args, "--user", a.user, "--auth", a.auth, "--auth-secret", "env:A", "--priv", a.priv, "--priv-secret", "env:P", "--engine", a.engine)
					} else {
						args = append(args, "--community", "env:C")
					}
					tool(t, env, args...)
					if state == contactAlarm {
						tr.stands(t, a.site+":battery", a.site+" battery critical")
					} else {
						tr.clears(t, a.site+":battery")
					}
				}
			})
		}
	}
}
