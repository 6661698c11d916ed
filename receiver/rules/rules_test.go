package rules

import (
	"fmt"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"example.net/standwatch/correlate"
	"example.net/standwatch/receiver/mib"
	"example.net/standwatch/receiver/snmp"
)

// quarryGate is a small site, with its agent.
func quarryGate() Where {
	points := map[correlate.PointID]*correlate.Point{}
	for i, id := range []correlate.PointID{"mains", "door", "battery", "link", "line"} {
		points[id] = &correlate.Point{ID: id, Name: "The " + string(id), Number: i + 1, Severity: correlate.Minor}
	}
	points["battery"].Scale, points["battery"].Decimals, points["battery"].Unit = 0.1, 1, "V"
	site := &correlate.Site{ID: "quarry-gate", Name: "Quarry Gate", Region: "north", Tags: []string{"radio"}, Points: points}
	return Where{Site: site, Agent: &correlate.Agent{ID: "quarry-gate-a", Site: site.ID, Point: "alive"}}
}

func network(t testing.TB, w Where) *correlate.Network {
	t.Helper()
	net, err := correlate.NewNetwork([]*correlate.Site{w.Site}, []*correlate.Agent{w.Agent}, "test")
	if err != nil {
		t.Fatal(err)
	}
	return net
}

func trap(oid string, varbinds ...snmp.Varbind) *snmp.Notification {
	at, ok := mib.Standard().Lookup(oid)
	if !ok {
		panic(oid)
	}
	return &snmp.Notification{Version: snmp.V2c, TrapOID: []byte(at), Varbinds: varbinds}
}

func bind(name string, tag byte, value string) snmp.Varbind {
	oid, ok := mib.Standard().Lookup(name)
	if !ok {
		panic(name)
	}
	return snmp.Varbind{Name: []byte(oid), Tag: tag, Value: []byte(value)}
}

func number(name string, n byte) snmp.Varbind { return bind(name, snmp.TagInteger, string([]byte{n})) }
func text(name, s string) snmp.Varbind        { return bind(name, snmp.TagOctetString, s) }

func must(t testing.TB, specs ...Spec) *Set {
	t.Helper()
	for i := range specs {
		specs[i].Pos = Pos{"rules/own.yaml", 10 * (i + 1), 5}
		if specs[i].Name == "" {
			specs[i].Name = fmt.Sprint("r", i+1)
		}
	}
	s, problems := Compile(specs, Options{})
	for _, p := range problems {
		t.Fatal(p)
	}
	return s
}

func one(o Observe) []Observe { return []Observe{o} }

var doorRaise = one(Observe{Point: "door", What: "raise"})

func TestTerms(t *testing.T) {
	n := trap("kestrelContactChanged",
		number("ifOperStatus.7.9", 2),
		text("ifAlias.7", "north \x07 beam"),
		text("ifDescr.7", "to Tern Point\x00\x00"),
		text("sysName.0", "line\none"),
		bind("alarmActiveModelPointer.1", snmp.TagOID, string(snmp.MustOID("1.3.6.1.2.1.2.2.1.1.42.3"))),
		bind("snmpTrapAddress.0", snmp.TagIPAddress, "\xc0\x00\x02\x07"),
		text("1.3.6.1.4.1.32473.99.1.0", "unnamed"),
		number("kestrelAnalogValue.201", 235),
		bind("1.3.6.1.4.1.32473.99.2.0", snmp.TagCounter64, "\x01\x00\x00\x00\x00"),
		number("dsx1LineStatus.5", 0x42),
		bind("1.3.6.1.4.1.32473.99.3.0", snmp.TagOpaque, "\x9f\x78\x04\x41\x20\x00\x00"),
	)
	cases := map[string]string{
		"ifOperStatus":                   "down",
		"IF-MIB::ifOperStatus":           "down",
		"1.3.6.1.2.1.2.2.1.8":            "down",
		"ifOperStatus.number":            "2",
		"ifOperStatus.index":             "7.9",
		"ifOperStatus.index1":            "7",
		"ifOperStatus.index2":            "9",
		"ifOperStatus.index3":            "?",
		"ifAlias":                        "north \\a beam",
		"ifDescr":                        "to Tern Point",
		"sysName":                        "line one",
		"alarmActiveModelPointer":        "ifIndex.42.3",
		"alarmActiveModelPointer.last":   "3",
		"alarmActiveModelPointer.last2":  "42",
		"alarmActiveModelPointer.last99": "?",
		"snmpTrapAddress":                "192.0.2.7",
		"1.3.6.1.4.1.32473.99.1":         "unnamed",
		"#7":                             "unnamed",
		"#1.number":                      "2",
		"#99":                            "?",
		"sysDescr":                       "?",
		"kestrelAnalogValue":             "-2.1",
		"1.3.6.1.4.1.32473.99.2":         "4294967296",
		"dsx1LineStatus":                 "RcvFarEndLOF LossOfSignal",
		"1.3.6.1.4.1.32473.99.3":         "10",
		"1.3.6.1.4.1.32473.99.3.number":  "10",
		"trap":                           "kestrelContactChanged",
		"trap.oid":                       "1.3.6.1.4.1.32473.10.0.1",
		"agent":                          "quarry-gate-a",
		"site":                           "quarry-gate",
		"site.name":                      "Quarry Gate",
		"point":                          "door",
		"point.name":                     "The door",
		"instance":                       "7.9",
		"what":                           "raise",
		"severity":                       "minor",
		"bit":                            "?",
	}
	for written, want := range cases {
		s := must(t, Spec{On: "kestrelContactChanged", Observe: one(Observe{
			Point: "door", What: "raise", Instance: "${ifOperStatus.index}", Text: "<${" + written + "}>"})})
		res := s.Match(n, quarryGate())
		if len(res.Observations) != 1 {
			t.Errorf("%s: %+v", written, res)
			continue
		}
		if got := res.Observations[0].Text; got != "<"+want+">" {
			t.Errorf("${%s}: got %q, want %q", written, got, want)
		}
	}
}

func TestObservation(t *testing.T) {
	s := must(t, Spec{On: "linkDown", Observe: one(Observe{
		Point: "link", Instance: "${ifIndex}", What: "raise", Severity: "critical",
		Text: "${point.name} ${instance} at ${site.name}", Actor: "x"})})
	res := s.Match(trap("linkDown", number("ifIndex.7", 7)), quarryGate())
	want := Result{Rule: "rules/own.yaml:10 r1", Observations: []correlate.Observation{{
		Key: correlate.Key{Site: "quarry-gate", Point: "link", Instance: "7"}, What: correlate.Raise, Severity: correlate.Critical,
		Text: "The link 7 at Quarry Gate", Rule: "rules/own.yaml:10 r1", Actor: "x"}}}
	if diff := cmp.Diff(want, res); diff != "" {
		t.Error(diff)
	}
}

func TestPrecedence(t *testing.T) {
	observe := func(point string) []Observe { return one(Observe{Point: point, What: "raise"}) }
	s := must(t,
		Spec{Name: "pack on", Pack: "p", On: "linkDown", Observe: observe("battery")},
		Spec{Name: "tree", Under: "snmpTraps", Observe: observe("line")},
		Spec{Name: "longer tree", Under: "kestrelRemote", Observe: observe("line")},
		Spec{Name: "shorter tree", Under: "enterprises", Observe: observe("line")},
		Spec{Name: "plain", On: "linkDown", Observe: observe("mains")},
		Spec{Name: "conditional", On: "linkDown", When: `value["ifIndex"] == 7`, Observe: observe("door")},
		Spec{Name: "pack only", Pack: "p", On: "linkUp", Observe: observe("link")},
	)
	cases := []struct {
		n    *snmp.Notification
		want string
	}{
		{trap("linkDown", number("ifIndex.7", 7)), "conditional"},
		{trap("linkDown", number("ifIndex.8", 8)), "plain"},
		{trap("linkDown"), "plain"}, // value["ifIndex"] fails: the rule gives way
		{trap("linkUp"), "pack only"},
		{trap("coldStart"), "tree"},
		{trap("1.3.6.1.4.1.32473.10.99"), "longer tree"},
		{trap("1.3.6.1.4.1.32473.11"), "shorter tree"},
	}
	for _, c := range cases {
		res := s.Match(c.n, quarryGate())
		if !strings.HasSuffix(res.Rule, " "+c.want) {
			t.Errorf("%s: got %q, want %q", snmp.OID(c.n.TrapOID), res.Rule, c.want)
		}
	}
	if res := s.Match(trap("sysDescr"), quarryGate()); res.Unmatched != "no rule for sysDescr" {
		t.Errorf("unmatched: %+v", res)
	}
	if got := s.Rules()[5].Faults; got != 1 {
		t.Errorf("the failed condition was counted %d times", got)
	}
}

// TestSpellings has every way a notification whose next-to-last number is not
// zero may come (RFC 3584 sections 3.1 and 3.2): as its MIB has it, and with the
// zero that comes of a v1 trap.
func TestSpellings(t *testing.T) {
	s := must(t, Spec{On: "upsTrapAlarmEntryAdded", Observe: one(Observe{Point: "door", What: "raise", Text: "${trap}"})},
		Spec{On: "1.3.6.1.4.1.32473.10.0.1", Observe: doorRaise})
	for _, oid := range []string{"1.3.6.1.2.1.33.2.3", "1.3.6.1.2.1.33.2.0.3"} {
		res := s.Match(trap(oid), quarryGate())
		if len(res.Observations) != 1 || res.Observations[0].Text != "upsTrapAlarmEntryAdded" {
			t.Errorf("%s: %+v", oid, res)
		}
	}
	if res := s.Match(trap("1.3.6.1.4.1.32473.10.0.0.1"), quarryGate()); res.Unmatched == "" {
		t.Error("an identifier with a zero already has no second spelling")
	}
	// A rule that names the other spelling itself goes first.
	s = must(t, Spec{Name: "v2", On: "1.3.6.1.2.1.33.2.3", Observe: doorRaise}, Spec{Name: "v1", On: "1.3.6.1.2.1.33.2.0.3", Observe: doorRaise})
	if res := s.Match(trap("1.3.6.1.2.1.33.2.0.3"), quarryGate()); !strings.HasSuffix(res.Rule, " v1") {
		t.Errorf("got %q", res.Rule)
	}
}

func TestChoices(t *testing.T) {
	spec := func(o Observe) Spec { return Spec{On: "linkDown", Observe: one(o)} }
	status := &Choice{Of: "ifOperStatus", Map: map[string]string{"up": "clear", "down": "raise", "3": "nothing"}}
	cases := []struct {
		name    string
		spec    Spec
		n       *snmp.Notification
		key     string
		what    correlate.What
		unmatch string
	}{
		{"word", spec(Observe{Point: "link", WhatBy: status}), trap("linkDown", number("ifOperStatus.1", 2)), "quarry-gate:link", correlate.Raise, ""},
		{"other word", spec(Observe{Point: "link", WhatBy: status}), trap("linkDown", number("ifOperStatus.1", 1)), "quarry-gate:link", correlate.Clear, ""},
		{"number, nothing", spec(Observe{Point: "link", WhatBy: status}), trap("linkDown", number("ifOperStatus.1", 3)), "", 0, ""},
		{"no entry", spec(Observe{Point: "link", WhatBy: status}), trap("linkDown", number("ifOperStatus.1", 7)), "", 0,
			`rule rules/own.yaml:10 r1: ifOperStatus is "lowerLayerDown", for which the rule has no entry`},
		{"missing", spec(Observe{Point: "link", WhatBy: status}), trap("linkDown"), "", 0,
			"rule rules/own.yaml:10 r1: ifOperStatus is missing in the notification"},
		{"by text", spec(Observe{What: "raise", PointBy: &Choice{Of: "ifDescr", Map: map[string]string{"gate": "door"}, Other: "line"}}),
			trap("linkDown", text("ifDescr.1", "gate\x00")), "quarry-gate:door", correlate.Raise, ""},
		{"otherwise", spec(Observe{What: "raise", PointBy: &Choice{Of: "ifDescr", Map: map[string]string{"gate": "door"}, Other: "line"}}),
			trap("linkDown", text("ifDescr.1", "roof")), "quarry-gate:line", correlate.Raise, ""},
		{"by index", spec(Observe{What: "raise", PointBy: &Choice{Of: "ifIndex.index2", Map: map[string]string{"5": "door"}}}),
			trap("linkDown", number("ifIndex.4.5", 1)), "quarry-gate:door", correlate.Raise, ""},
		{"by OID value", spec(Observe{What: "raise", PointBy: &Choice{Of: "upsAlarmDescr", Map: map[string]string{"upsAlarmInputBad": "mains"}}}),
			trap("linkDown", bind("upsAlarmDescr.1", snmp.TagOID, string(snmp.MustOID("1.3.6.1.2.1.33.1.6.3.6")))), "quarry-gate:mains", correlate.Raise, ""},
		{"look-up by number", spec(Observe{What: "raise", PointBy: &Choice{Of: "ifIndex", Lookup: "number"}}),
			trap("linkDown", number("ifIndex.1", 2)), "quarry-gate:door", correlate.Raise, ""},
		{"look-up of no such number", spec(Observe{What: "raise", PointBy: &Choice{Of: "ifIndex", Lookup: "number"}}),
			trap("linkDown", number("ifIndex.1", 77)), "", 0, "rule rules/own.yaml:10 r1: site quarry-gate has no point number 77"},
		{"look-up by name", spec(Observe{What: "raise", PointBy: &Choice{Of: "ifDescr", Lookup: "name"}}),
			trap("linkDown", text("ifDescr.1", "the  MAINS ")), "quarry-gate:mains", correlate.Raise, ""},
		{"look-up of no such name", spec(Observe{What: "raise", PointBy: &Choice{Of: "ifDescr", Lookup: "name"}}),
			trap("linkDown", text("ifDescr.1", "roof")), "", 0, `rule rules/own.yaml:10 r1: site quarry-gate has no point named "roof"`},
		{"by template", spec(Observe{What: "raise", Point: "${ifDescr}"}), trap("linkDown", text("ifDescr.1", "door")), "quarry-gate:door", correlate.Raise, ""},
		{"no such point", spec(Observe{What: "raise", Point: "${ifDescr}"}), trap("linkDown", text("ifDescr.1", "roof")), "", 0,
			`rule rules/own.yaml:10 r1: site quarry-gate has no point "roof"`},
		{"alive", spec(Observe{What: "alive"}), trap("linkDown"), "quarry-gate:alive", correlate.AliveSign, ""},
		{"ignored", Spec{On: "linkDown", Ignore: "chatter"}, trap("linkDown"), "", 0, ""},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			res := must(t, c.spec).Match(c.n, quarryGate())
			if res.Unmatched != c.unmatch {
				t.Errorf("unmatched: got %q, want %q", res.Unmatched, c.unmatch)
			}
			if c.key == "" {
				if len(res.Observations) != 0 {
					t.Errorf("got %+v", res.Observations)
				}
				return
			}
			if len(res.Observations) != 1 || string(res.Observations[0].Key.ID()) != c.key || res.Observations[0].What != c.what {
				t.Errorf("got %+v, want %s %s", res.Observations, c.what, c.key)
			}
		})
	}
}

func TestEachAndBits(t *testing.T) {
	line := func(res Result) (out []string) {
		for _, o := range res.Observations {
			out = append(out, fmt.Sprintf("%s %s %g %s %s", o.What, o.Key, o.Value, o.Severity, o.Text))
		}
		return out
	}
	s := must(t, Spec{On: "kestrelAnalogReport", Observe: one(Observe{Each: "kestrelAnalogValue", Point: "battery",
		Instance: "${kestrelAnalogNumber}", Value: "kestrelAnalogValue", Text: "${value}"})})
	res := s.Match(trap("kestrelAnalogReport", number("kestrelAnalogNumber.1", 1), number("kestrelAnalogNumber.2", 2),
		number("kestrelAnalogValue.1", 5), number("kestrelAnalogValue.2", 0x80)), quarryGate())
	want := []string{"value quarry-gate:battery:1 5 unset 0.5 V", "value quarry-gate:battery:2 -128 unset -12.8 V"}
	if diff := cmp.Diff(want, line(res)); diff != "" {
		t.Error(diff)
	}
	if res := s.Match(trap("kestrelAnalogReport"), quarryGate()); !strings.HasSuffix(res.Unmatched, "kestrelAnalogValue is missing in the notification") {
		t.Errorf("got %+v", res)
	}

	// RFC 2578 section 7.1.4: bit 0 is the most significant of the first octet.
	s = must(t, Spec{On: "kestrelContactsReport", Observe: one(Observe{Bits: &Bits{Of: "kestrelContactMap", Lookup: "number", First: 1}})})
	res = s.Match(trap("kestrelContactsReport", text("kestrelContactMap.0", "\x48")), quarryGate())
	want = []string{"clear quarry-gate:mains 0 unset ", "raise quarry-gate:door 0 unset ", "clear quarry-gate:battery 0 unset ",
		"clear quarry-gate:link 0 unset ", "raise quarry-gate:line 0 unset "}
	if diff := cmp.Diff(want, line(res)); diff != "" {
		t.Error(diff)
	}

	// RFC 4805: bit 6, worth 64, is loss of signal; 2 is yellow.
	s = must(t, Spec{On: "dsx1LineStatusChange", Observe: one(Observe{
		Bits: &Bits{Of: "dsx1LineStatus", Points: map[string]string{"LossOfSignal": "line", "1": "link"}, Unset: "nothing"},
		Text: "${bit}", SeverityBy: &Choice{Of: "bit", Map: map[string]string{"6": "major", "1": "warning"}}})})
	res = s.Match(trap("dsx1LineStatusChange", number("dsx1LineStatus.5", 0x42)), quarryGate())
	want = []string{"raise quarry-gate:link 0 warning RcvFarEndLOF", "raise quarry-gate:line 0 major LossOfSignal"}
	if diff := cmp.Diff(want, line(res)); diff != "" {
		t.Error(diff)
	}
	res = s.Match(trap("dsx1LineStatusChange", bind("dsx1LineStatus.5", snmp.TagIPAddress, "\x01\x02\x03\x04")), quarryGate())
	if res.Unmatched == "" {
		t.Errorf("bits of an address: %+v", res)
	}
}

func TestAcknowledge(t *testing.T) {
	s := must(t, Spec{On: "kestrelAcknowledged", Observe: one(Observe{Point: "door", What: "acknowledge"})})
	res := s.Match(trap("kestrelAcknowledged"), quarryGate())
	if len(res.Observations) != 1 || res.Observations[0].Actor != "at Quarry Gate" {
		t.Errorf("got %+v", res)
	}
}

func TestRestart(t *testing.T) {
	s := must(t, Spec{On: "kestrelRestarted", Restart: true})
	for oid, want := range map[string]bool{"coldStart": true, "warmStart": true, "kestrelRestarted": true, "linkDown": false} {
		if got := s.Match(trap(oid), quarryGate()).Restart; got != want {
			t.Errorf("%s: restart %t", oid, got)
		}
	}
}

// TestHostileText has what a remote may send to break pages and journals.
func TestHostileText(t *testing.T) {
	s := must(t, Spec{On: "linkDown", Observe: one(Observe{Point: "link", What: "raise",
		Text: strings.Repeat("${ifDescr}", 20)})})
	for _, sent := range []string{strings.Repeat("ä", 40_000), strings.Repeat("\n", 1000), "\xff\xfe", strings.Repeat("x", 399) + "é"} {
		o := s.Match(trap("linkDown", text("ifDescr.1", sent)), quarryGate()).Observations[0]
		if len(o.Text) > longestText || strings.ContainsAny(o.Text, "\n\x00") || !strings.Contains(strings.ToValidUTF8(o.Text, "\x00"), o.Text) {
			t.Errorf("%.20q became %d octets: %.40q", sent, len(o.Text), o.Text)
		}
	}
	s = must(t, Spec{On: "linkDown", Observe: one(Observe{Point: "battery", Value: "ifDescr"})})
	for _, sent := range []string{"NaN", "+Inf", "1e999", ""} {
		if res := s.Match(trap("linkDown", text("ifDescr.1", sent)), quarryGate()); len(res.Observations) != 0 || res.Unmatched == "" {
			t.Errorf("%q became a reading: %+v", sent, res)
		}
	}
}

func TestTrace(t *testing.T) {
	s := must(t,
		Spec{Name: "never today", On: "upsTrapAlarmEntryAdded", When: "site.region == 'south'", Observe: doorRaise},
		Spec{Name: "it", On: "upsTrapAlarmEntryAdded", Observe: one(Observe{Point: "door", What: "raise"})},
		Spec{Name: "too late", Under: "upsMIB", Observe: doorRaise})
	res, tr := s.MatchTrace(trap("1.3.6.1.2.1.33.2.0.3", number("upsAlarmId.5", 5)), quarryGate())
	if len(res.Observations) != 1 {
		t.Fatalf("got %+v", res)
	}
	want := `notification upsTraps.0.3 (1.3.6.1.2.1.33.2.0.3), v2c
looked up as upsTrapAlarmEntryAdded (1.3.6.1.2.1.33.2.3): a v1 trap puts a zero before the last number
#1 upsAlarmId.5 = 5
rules/own.yaml:10 never today gives way: site.region == 'south' is false
rules/own.yaml:20 it wins
rules/own.yaml:30 too late would have matched, too, but comes after
raise quarry-gate:door
`
	if diff := cmp.Diff(want, tr.String()); diff != "" {
		t.Error(diff)
	}
}

func TestUnknownAgent(t *testing.T) {
	s := must(t, Spec{On: "linkDown", Observe: doorRaise})
	if res := s.Match(trap("coldStart"), Where{}); res.Unmatched != "unknown agent" || !res.Restart {
		t.Errorf("got %+v", res)
	}
}

// TestConcurrent matches with one set from several tests at once; the race
// detector is the judge.
func TestConcurrent(t *testing.T) {
	s := must(t, Spec{On: "linkDown", When: `value["ifIndex"] == 7 && site.region == "north"`, Observe: one(Observe{
		PointBy: &Choice{Of: "ifDescr", Lookup: "name"}, What: "raise", Text: "${ifDescr} ${site.name}"})})
	w := quarryGate()
	for range 4 {
		t.Run("", func(t *testing.T) {
			t.Parallel()
			for range 200 {
				res := s.Match(trap("linkDown", number("ifIndex.7", 7), text("ifDescr.7", "mains")), w)
				if len(res.Observations) != 1 || res.Observations[0].Text != "mains Quarry Gate" {
					t.Fatalf("got %+v", res)
				}
			}
		})
	}
}

// TestCounts: a match counts for its rule, an explanation does not.
func TestCounts(t *testing.T) {
	s := must(t, Spec{On: "linkDown", Observe: one(Observe{Point: "link", What: "raise", Instance: "${ifIndex}"})})
	s.Match(trap("linkDown", number("ifIndex.7", 7)), quarryGate())
	s.Match(trap("linkDown"), quarryGate())
	s.MatchTrace(trap("linkDown"), quarryGate())
	if got := s.Rules()[0]; got.Matched != 2 || got.Faults != 1 {
		t.Errorf("got %+v", got)
	}
}
