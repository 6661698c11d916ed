package packs_test

import (
	"encoding/hex"
	"testing"

	"example.net/standwatch/correlate"
	"example.net/standwatch/receiver/rules"
	"example.net/standwatch/receiver/snmp"
)

// TestDatagrams has whole datagrams made by an independent encoder (Debian
// snmptrap 5.9.3) through the decoder and the packs.
func TestDatagrams(t *testing.T) {
	set, site := compile(t), everywhere(load(t))
	w := rules.Where{Site: site, Agent: &correlate.Agent{ID: "a", Site: site.ID, Point: "alive"}}
	for _, c := range []struct{ name, datagram, want string }{
		{"UPS alarm added, v1", "305a02010004067075626c6963a44d06072b0601020121024004c000020a020106020103430500ffffffff302f3011060c2b0601020121010602010105020105301a060c2b0601020121010602010205060a2b060102012101060303",
			"raise tern-point:ups-alarm:upsAlarmLowBattery critical \"upsAlarmLowBattery\"\n"},
		{"UPS alarm added, v2c", "307202010104067075626c6963a76502042476f7550201000201003057300e06082b06010201010300430230393016060a2b06010603010104010006082b060102012102033011060c2b0601020121010602010105020105301a060c2b0601020121010602010205060a2b060102012101060303",
			"raise tern-point:ups-alarm:upsAlarmLowBattery critical \"upsAlarmLowBattery\"\n"},
		{"coldStart, v1", "302a02010004067075626c6963a41d06092b0601040181fd59014004c000020a020100020100430230393000",
			"alive tern-point:alive\nrestart\n"},
		{"linkDown, v1, ifIndex alone", "303b02010004067075626c6963a42e06092b0601040181fd59014004c000020a020102020100430230393011300f060a2b060102010202010107020107",
			"raise tern-point:link:7\n"},
		{"linkDown, v2c", "307702010104067075626c6963a76a02042c55f2b5020100020100305c300e06082b06010201010300430230393017060a2b06010603010104010006092b0601060301010503300f060a2b060102010202010107020107300f060a2b060102010202010707020101300f060a2b060102010202010807020102",
			"raise tern-point:link:7\n"},
	} {
		raw, err := hex.DecodeString(c.datagram)
		if err != nil {
			t.Fatal(err)
		}
		var d snmp.Decoder
		if _, err := d.Parse(raw); err != nil {
			t.Fatalf("%s: %v", c.name, err)
		}
		n, err := d.Notification()
		if err != nil {
			t.Fatalf("%s: %v", c.name, err)
		}
		if got := describe(set.Match(n, w)); got != c.want {
			t.Errorf("%s: got %q, want %q", c.name, got, c.want)
		}
	}
}
