//go:build interop

package main

import (
	"fmt"
	"maps"
	"os"
	"slices"
	"strings"
	"testing"
)

// TestInteropDebianAlgorithms: traps and informs by Debian's senders with every
// authentication and privacy protocol that they offer (snmptrap's help lists
// them), each with a user, an engine and a site of its own.
func TestInteropDebianAlgorithms(t *testing.T) {
	files := maps.Clone(trialFiles)
	var users, sites strings.Builder
	type way struct{ user, auth, priv, site, address, engine string }
	var ways []way
	for _, auth := range [][2]string{{"md5", "MD5"}, {"sha1", "SHA"}, {"sha224", "SHA-224"}, {"sha256", "SHA-256"}, {"sha384", "SHA-384"}, {"sha512", "SHA-512"}} {
		for _, priv := range [][2]string{{"", ""}, {"des", "DES"}, {"aes128", "AES"}, {"aes192", "AES-192"}, {"aes256", "AES-256"}} {
			n := len(ways) + 1
			w := way{user: strings.TrimSuffix("all-"+auth[0]+"-"+priv[0], "-"), auth: auth[1], priv: priv[1], site: fmt.Sprintf("hut-%d", n),
				address: fmt.Sprintf("127.9.51.%d", n), engine: fmt.Sprintf("80007ed904616c6c%02x", n)}
			ways = append(ways, w)
			fmt.Fprintf(&users, "    %s: {auth: %s, auth-secret: \"${env:TRIAL_AUTH}\"", w.user, auth[0])
			if priv[0] != "" {
				fmt.Fprintf(&users, ", priv: %s, priv-secret: \"${env:TRIAL_PRIV}\"", priv[0])
			}
			users.WriteString("}\n")
			fmt.Fprintf(&sites, "  %s: {name: Hut %d, templates: hut, agents: {%s-remote: {addresses: %s, engine-id: %s, user: %s}}}\n", w.site, n, w.site, w.address, w.engine, w.user)
		}
	}
	files["standwatch.yaml"] = strings.Replace(files["standwatch.yaml"], "  users:\n", "  users:\n"+users.String(), 1)
	files["sites/sites.yaml"] += sites.String()
	h := startHostileOn(t, files, t.TempDir())
	to := h.receiver.Addresses()["trial"].String()
	env := append(os.Environ(), "SNMP_PERSISTENT_DIR="+t.TempDir(), "SNMPCONFPATH="+t.TempDir())
	arrived := uint64(0)
	for _, w := range ways {
		t.Run(w.user, func(t *testing.T) {
			for _, inform := range []bool{false, true} {
				args := []string{"snmptrap"}
				if inform {
					args[0] = "snmpinform"
				}
				args = append(args, "--clientaddr="+w.address, "-r", "3", "-t", "20", "-m", "", "-v", "3", "-u", w.user, "-a", w.auth, "-A", trialAuth)
				level, state := "authNoPriv", contactAlarm
				if w.priv != "" {
					args, level = append(args, "-x", w.priv, "-X", trialPriv), "authPriv"
				}
				if inform {
					state = contactNormal
				} else {
					args = append(args, "-e", "0x"+w.engine)
				}
				tool(t, env, append(args, "-l", level, to, "", "1.3.6.1.4.1.32473.10.0.1",
					"1.3.6.1.4.1.32473.10.2.1.1.1", "i", "1", "1.3.6.1.4.1.32473.10.2.1.2.1", "i", fmt.Sprint(state))...)
				await(t, "the mains are told "+fmt.Sprint(state), func() bool { return slices.Contains(h.standing(), w.site+":mains") == !inform })
				arrived++
			}
		})
	}
	await(t, "all are matched", func() bool {
		matched := uint64(0)
		for _, l := range h.intake().Listeners {
			matched += l.Accepted["matched"]
		}
		return matched >= arrived // more if a slow answer had one sent again
	})
}
