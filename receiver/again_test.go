package receiver

import (
	"net/netip"
	"strings"
	"testing"

	"example.net/standwatch/receiver/rules"
	"example.net/standwatch/receiver/snmp"
	"example.net/standwatch/receiver/usm"
)

// TestAgain: what was kept is taken by the configuration that came after it,
// as if it came now, and not where that would be a way round its security.
func TestAgain(t *testing.T) {
	keep := func(t *testing.T, before func(*Options), datagram []byte, after func(*Config)) (*Retrial, error) {
		j := &journal{}
		o := base(t, j)
		if before != nil {
			before(&o)
		}
		r := start(t, o)
		send(t, dial(t, r, "north"), datagram)
		settled(t, r, 1)
		kept := j.arrivals()
		if len(kept) != 1 || kept[0].Unmatched == "" {
			t.Fatalf("not kept: %+v", kept)
		}
		after(&o.Config)
		if err := r.Use(o.Config); err != nil {
			t.Fatal(err)
		}
		again, err := r.Again(kept[0])
		if got := settled(t, r, 1).Tally.Sum(); got != 1 {
			t.Errorf("running again counts: %d", got)
		}
		return again, err
	}
	stranger := func(o *Options) { o.Config.Agents = nil }
	known := Agent{ID: harrow, Addresses: []netip.Addr{loopback}}

	t.Run("a rule came", func(t *testing.T) {
		again, err := keep(t, nil, trap(t, snmp.Build{TrapOID: unruled}), func(c *Config) {
			c.Rules, _ = rules.Compile([]rules.Spec{{Name: "new", On: unruled.String(), Observe: []rules.Observe{{Point: "mains", What: "raise"}}}},
				rules.Options{Network: c.Network})
		})
		if err != nil || again.Arrival.Unmatched != "" || len(again.Arrival.Observations) != 1 || again.Arrival.Observations[0].Key.String() != "harrow:mains" {
			t.Errorf("%+v, %v", again, err)
		}
	})
	t.Run("no rule came", func(t *testing.T) {
		again, err := keep(t, nil, trap(t, snmp.Build{TrapOID: unruled}), func(*Config) {})
		if err != nil || !strings.Contains(again.Arrival.Unmatched, "no rule") || again.Arrival.Agent != harrow || again.Where.Site == nil {
			t.Errorf("%+v, %v", again, err)
		}
	})
	t.Run("the agent came", func(t *testing.T) {
		again, err := keep(t, stranger, trap(t, snmp.Build{}), func(c *Config) { c.Agents = []Agent{known} })
		if err != nil || again.Arrival.Agent != harrow || len(again.Arrival.Observations) != 1 {
			t.Errorf("%+v, %v", again, err)
		}
	})
	t.Run("the agent came with another community", func(t *testing.T) {
		_, err := keep(t, stranger, trap(t, snmp.Build{}), func(c *Config) {
			a := known
			a.Communities = []Secret{"another"}
			c.Agents = []Agent{a}
		})
		if err == nil || !strings.Contains(err.Error(), "community") {
			t.Errorf("got %v", err)
		}
	})
	t.Run("the agent came and must speak v3", func(t *testing.T) {
		_, err := keep(t, stranger, trap(t, snmp.Build{}), func(c *Config) {
			a := known
			a.MinLevel = usm.AuthPriv
			c.Agents = []Agent{a}
		})
		if err == nil || !strings.Contains(err.Error(), "v3") {
			t.Errorf("got %v", err)
		}
	})
	t.Run("v3, and its agent came", func(t *testing.T) {
		user := factsUser
		user.EngineIDs = [][]byte{factsEngine}
		again, err := keep(t, func(o *Options) { stranger(o); o.Config.Users = append(o.Config.Users, user) }, recorded(t)["v3_authPriv_SHA256_AES128"],
			func(c *Config) { c.Agents = []Agent{{ID: harrow, EngineIDs: [][]byte{factsEngine}}} })
		if err != nil || again.Arrival.Agent != harrow || again.Arrival.Unmatched != "" || !again.Arrival.Restart {
			t.Errorf("%+v, %v", again, err)
		}
	})
	t.Run("v3, and its agent wants another user", func(t *testing.T) {
		user := factsUser
		user.EngineIDs = [][]byte{factsEngine}
		_, err := keep(t, func(o *Options) { stranger(o); o.Config.Users = append(o.Config.Users, user) }, recorded(t)["v3_authPriv_SHA256_AES128"],
			func(c *Config) { c.Users = nil })
		if err == nil {
			t.Error("opened without the user")
		}
	})
}
