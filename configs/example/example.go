// Package example embeds a whole configuration: the invented Kestrel Basin
// Cooperative with two hub sites and twenty-two leaf sites, which the
// demonstration runs and which may be read as a pattern for one's own. Names,
// people, telephone numbers (for fiction) and addresses (RFC 5737, loopback) are
// invented. The package only holds files and the secrets that go with them.
package example

import (
	"embed"
)

// FS is the configuration folder.
//
//go:embed standwatch.yaml people.yaml maintenance.yaml sites rules
var FS embed.FS

// Env returns a look-up for the environment variables that the example names:
// the invented secrets, and overlay, which goes before them. Whatever overlay
// lacks of STANDWATCH_TRAPS, STANDWATCH_CONSOLE, STANDWATCH_DATA,
// STANDWATCH_MAIL_HOST, STANDWATCH_MAIL_PORT and STANDWATCH_SMS_URL has the
// default that standwatch.yaml gives it. The process's own environment is not
// looked at. The overlay is read at each look-up, so it may change between two
// loads, but not during one.
func Env(overlay map[string]string) func(name string) (string, bool) {
	secrets := map[string]string{
		"KESTREL_COMMUNITY": "kestrel-basin-demo",
		"KESTREL_AUTH":      "an invented passphrase",
		"KESTREL_PRIV":      "another invented passphrase",
	}
	return func(name string) (string, bool) {
		if v, ok := overlay[name]; ok {
			return v, true
		}
		v, ok := secrets[name]
		return v, ok
	}
}

// Secrets lists the environment variables that hold the example's secrets, for
// those who put it onto a disk.
func Secrets() map[string]string {
	out := map[string]string{}
	env := Env(nil)
	for _, name := range []string{"KESTREL_COMMUNITY", "KESTREL_AUTH", "KESTREL_PRIV"} {
		out[name], _ = env(name)
	}
	return out
}
