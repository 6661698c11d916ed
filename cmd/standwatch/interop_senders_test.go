//go:build interop

package main

import (
	"encoding/json"
	"net"
	"os"
	"path/filepath"
	"strconv"
	"testing"
)

// script is a sender that takes what to say as JSON.
type script struct {
	command []string
	env     []string
	speaks  func(a trialAgent, inform bool) bool
	engine  bool // its v3 traps can be given the engine ID of their sender
}

// through has every agent that the script can play report contact 1 both ways.
func (sc script) through(t *testing.T) {
	tr := newTrial(t)
	host, port, err := net.SplitHostPort(tr.traps)
	if err != nil {
		t.Fatal(err)
	}
	number, err := strconv.Atoi(port)
	if err != nil {
		t.Fatal(err)
	}
	for _, a := range trialAgents {
		for _, inform := range []bool{false, true} {
			if inform && a.version == "v1" || !sc.speaks(a, inform) {
				continue // SNMPv1 has no informs
			}
			t.Run(wayOf(a, inform), func(t *testing.T) {
				o := map[string]any{
					"target": host, "port": number, "from": a.address, "version": a.version, "inform": inform, "community": trialCommunity,
					"user": a.user, "auth": a.auth, "auth_secret": trialAuth, "priv": a.priv, "priv_secret": trialPriv, "engine": "", "number": 1,
				}
				if sc.engine && !inform {
					o["engine"] = a.engine
				}
				for _, state := range []int{contactAlarm, contactNormal} {
					o["state"] = state
					text, err := json.Marshal(o)
					if err != nil {
						t.Fatal(err)
					}
					tool(t, append(os.Environ(), sc.env...), append(sc.command, string(text))...)
					if state == contactAlarm {
						tr.stands(t, a.site+":mains", a.site+" mains major")
					} else {
						tr.clears(t, a.site+":mains")
					}
				}
			})
		}
	}
}

// TestInteropNode sends with the npm package net-snmp, which .ci/run installs
// into .ci/node. Its senders have no clock: they say boots 0 and time 0.
func TestInteropNode(t *testing.T) {
	modules, err := filepath.Abs(filepath.Join("..", "..", ".ci", "node", "node_modules"))
	if err != nil {
		t.Fatal(err)
	}
	script{command: []string{"node", "testdata/notify.js"}, env: []string{"NODE_PATH=" + modules}, engine: true,
		speaks: func(trialAgent, bool) bool { return true }}.through(t)
}

// TestInteropPerl sends with Debian's libnet-snmp-perl, which asks for the
// master's engine ID first. It knows neither SHA-2 nor AES-256, and cannot send
// traps of v3 at all ("must be an authoritative SNMP engine").
func TestInteropPerl(t *testing.T) {
	script{command: []string{"perl", "testdata/notify.pl"}, speaks: func(a trialAgent, inform bool) bool {
		return a.version != "v3" || inform && (a.auth == "none" || a.auth == "sha1")
	}}.through(t)
}
