package rules

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"example.net/standwatch/correlate"
	"example.net/standwatch/receiver/mib"
)

// TestProblems has every mistake that Compile finds, in one go.
func TestProblems(t *testing.T) {
	choice := func(of string, m map[string]string) *Choice { return &Choice{Of: of, Map: m} }
	specs := []Spec{
		{Name: "a", On: "linkDown", Observe: doorRaise},
		{Name: "b", On: "1.3.6.1.6.3.1.1.5.3", Observe: doorRaise},
		{Name: "c", On: "linkDwon", Observe: doorRaise},
		{Name: "d", Observe: doorRaise},
		{Name: "e", On: "linkUp", Under: "snmpTraps", Observe: doorRaise},
		{Name: "f", On: "linkUp"},
		{Name: "g", On: "linkUp", When: "value.ifIndx == 3", Observe: doorRaise},
		{Name: "h", On: "linkUp", When: "valu == ", Observe: doorRaise},
		{Name: "i", On: "linkUp", When: "1 + 2", Observe: doorRaise},
		{Name: "j", On: "linkUp", When: "false", Observe: doorRaise},
		{Name: "k", On: "warmStart", Observe: one(Observe{Point: "dor", What: "raise"})},
		{Name: "l", On: "warmStart", Observe: one(Observe{Point: "door", What: "rise", Severity: "majr"})},
		{Name: "m", On: "warmStart", Observe: one(Observe{Point: "door", WhatBy: choice("ifOperStatus", map[string]string{"dwon": "raise"})})},
		{Name: "n", On: "warmStart", Observe: one(Observe{Point: "door", What: "raise", Text: "${ifDescr"})},
		{Name: "o", On: "warmStart", Observe: one(Observe{Point: "door", What: "raise", Text: "${#0}"})},
		{Name: "p", On: "warmStart", Observe: one(Observe{What: "value", Point: "door"})},
		{Name: "q", On: "warmStart", Observe: one(Observe{Point: "door", What: "raise", SeverityBy: &Choice{Of: "ifIndex", Lookup: "number"}})},
		{Name: "r", On: "warmStart", Observe: one(Observe{Bits: &Bits{Of: "dsx1LineStatus", Points: map[string]string{"Loss": "line"}}})},
		{Name: "s", On: "ifIndex", Observe: doorRaise},
		{Name: "t", On: "coldStart", When: "agent == 'x'", Observe: doorRaise},
		{Name: "u", On: "coldStart", When: "agent == 'x'", Observe: doorRaise},
		{Name: "v", On: "coldStart", Observe: doorRaise},
		{Name: "w", Pack: "p", On: "coldStart", Observe: one(Observe{Point: "nobody-has-it", What: "raise"})},
		{Name: "x", On: "warmStart", Observe: one(Observe{Point: "door", What: "raise", Severity: "cleared"})},
		{Name: "y", On: "warmStart", Observe: one(Observe{Point: "door", WhatBy: choice("trap", map[string]string{"linkDwon": "raise"})})},
		{Name: "", On: "egpNeighborLoss", Ignore: "nobody speaks it"},
	}
	for i := range specs {
		specs[i].Pos = Pos{"f", i + 1, 3}
	}
	_, problems := Compile(specs, Options{Network: network(t, quarryGate())})
	var got []string
	for _, p := range problems {
		line := p.Error()
		if strings.Contains(line, "CEL") {
			line, _, _ = strings.Cut(line, "CEL") // the rest is the library's wording
		}
		got = append(got, line)
	}
	want := []string{
		`f:2:3: rule "b": can never match: linkDown is claimed already by f:1 a (remove one of the two, or give this one a condition)`,
		`f:3:3: rule "c": there is no notification named "linkDwon" (did you mean linkDown?)`,
		`f:4:3: rule "d": it needs one of on, under and enterprise (name the notification as on, the root of a subtree as under, or the enterprise of a v1 trap)`,
		`f:5:3: rule "e": it needs one of on, under and enterprise (name the notification as on, the root of a subtree as under, or the enterprise of a v1 trap)`,
		`f:6:3: rule "f": it yields nothing (list what it observes, or say with ignore why it is to be passed over)`,
		`f:7:3: rule "g": when: there is no object named "ifIndx" (did you mean ifIndex?)`,
		`f:8:3: rule "h": when: the condition is no `,
		`f:9:3: rule "i": when: the condition yields int, not true or false (compare it with something)`,
		`f:10:3: rule "j": can never match: its condition is always false (leave the rule out, or mend its condition)`,
		`f:11:3: rule "k": point: no site has a point "dor" (did you mean door?)`,
		`f:12:3: rule "l": unknown severity "majr" (known: critical, major, minor, warning, indeterminate, cleared) (did you mean major?)`,
		`f:12:3: rule "l": unknown what "rise" (known: raise, clear, value, alive, event, acknowledge, open, closed, nothing) (did you mean raise?)`,
		`f:13:3: rule "m": what-by: ifOperStatus has no word "dwon" (it has up(1) down(2) testing(3) unknown(4) dormant(5) notPresent(6) lowerLayerDown(7))`,
		`f:14:3: rule "n": text: "${ifDescr" opens ${ and does not close it (end the term with })`,
		`f:15:3: rule "o": text: "#0" is no position of a varbind (count from #1, the first varbind after snmpTrapOID.0)`,
		`f:16:3: rule "p": what value needs a value (name the varbind that carries the reading)`,
		`f:17:3: rule "q": severity-by: there is no lookup "number" (points are looked up by number or name)`,
		`f:18:3: rule "r": bits: "Loss" is no bit of dsx1LineStatus (number bits from 0, or name them as the MIB does)`,
		`f:19:3: rule "s": ifIndex is an object, not a notification (name the notification that carries it)`,
		`f:21:3: rule "u": can never match: coldStart is claimed already under the same condition by f:20 t (remove one of the two)`,
		`f:24:3: rule "x": nothing is raised with severity cleared; say what: clear`,
		`f:25:3: rule "y": what-by: there is no notification named "linkDwon" (did you mean linkDown?)`,
		`f:26:3: rule "": it has no name (a name shows in explanations of alarms)`,
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
}

// TestProblemsLeaveTheRest checks that rules without a mistake work beside
// those with one.
func TestProblemsLeaveTheRest(t *testing.T) {
	s, problems := Compile([]Spec{{Name: "bad", On: "nosuch", Observe: doorRaise}, {Name: "good", On: "linkDown", Observe: doorRaise}}, Options{})
	if len(problems) != 1 {
		t.Errorf("problems: %v", problems)
	}
	if res := s.Match(trap("linkDown"), quarryGate()); len(res.Observations) != 1 {
		t.Errorf("got %+v", res)
	}
}

// TestConditions evaluates conditions over everything they can see.
func TestConditions(t *testing.T) {
	n := trap("kestrelContactChanged", number("kestrelContactNumber.7", 7), number("kestrelContactState.7", 1),
		text("kestrelContactName.7", "MAINS FAIL"), text("1.3.6.1.4.1.32473.99.1.0", "\xff"))
	cases := map[string]bool{
		`value["kestrelContactNumber"] == 7`:                  true,
		`value.kestrelContactNumber > 7`:                      false,
		`value["1.3.6.1.4.1.32473.10.2.1.1"] == 7`:            true,
		`text["kestrelContactState"] == "alarm"`:              true,
		`value["kestrelContactState"] in [1, 2]`:              true,
		`value["kestrelContactName"].startsWith("MAINS")`:     true,
		`index["kestrelContactNumber"] == "7"`:                true,
		`"kestrelSequence" in value`:                          false,
		`trap == "kestrelContactChanged"`:                     true,
		`oid == "1.3.6.1.4.1.32473.10.0.1"`:                   true,
		`version == "v2c" && agent == "quarry-gate-a"`:        true,
		`site.id == "quarry-gate" && "radio" in site.tags`:    true,
		`site.tags.exists(t, t == "fibre")`:                   false,
		`value["1.3.6.1.4.1.32473.99.1"] == b"\xff"`:          true,
		`size(value["kestrelContactName"]) == 10`:             true,
		`value["kestrelContactName"].matches("^M.*FA[IJ]L")`:  true,
		`value.exists(name, name == "kestrelContactName")`:    true,
		`value.all(name, name != "1.3.6.1.4.1.32473.99.1.0")`: false,
		`"1.3.6.1.4.1.32473.99.1.0" in value`:                 true,
		`value["kestrelContactNumber.7"] == 7`:                true,
		`"kestrelContactNumber.8" in value`:                   false,
		// Run-time errors: the rule gives way.
		`value["kestrelSequence"] == 1`:        false,
		`value["kestrelContactNumber"] == 7/0`: false,
		`site.nosuch == "x"`:                   false,
		`value["kestrelContactName"] + 1 == 2`: false,
		`value["kestrelContactName"]`:          false,
		`[1,2,3,4,5,6,7,8,9,10].all(a, [1,2,3,4,5,6,7,8,9,10].all(b, [1,2,3,4,5,6,7,8,9,10].all(c, [1,2,3,4,5,6,7,8,9,10].all(d, a+b+c+d+size(agent) > 0))))`: false,
	}
	for when, want := range cases {
		s := must(t, Spec{On: "kestrelContactChanged", When: when, Observe: doorRaise})
		res := s.Match(n, quarryGate())
		if got := len(res.Observations) == 1; got != want {
			t.Errorf("%s: got %t, want %t (%+v)", when, got, want, res)
		}
	}
}

// FuzzText compiles and renders arbitrary texts.
func FuzzText(f *testing.F) {
	for _, seed := range []string{"${ifIndex}", "${#1.index2}", "${", "}", "${#99999999999}", "${1.3.6.1.2.1.2.2.1.8.last9}", "${ifDescr.index0}"} {
		f.Add(seed, "down", []byte{7})
	}
	names, w := mib.Standard(), quarryGate()
	f.Fuzz(func(t *testing.T, written, key string, value []byte) {
		s, problems := Compile([]Spec{{Name: "f", On: "linkDown", Observe: one(Observe{Point: "door", What: "raise", Text: written, Instance: written,
			SeverityBy: &Choice{Of: written, Map: map[string]string{key: "major"}, Other: "minor"}})}}, Options{Names: names})
		if len(problems) > 0 {
			return
		}
		for _, tag := range []byte{snmpInteger, snmpString, snmpOID, 0x44, 0x46} {
			n := trap("linkDown", bind("ifIndex.7", tag, string(value)), bind("ifDescr.7", tag, string(value)))
			for _, o := range s.Match(n, w).Observations {
				if len(o.Text) > longestText {
					t.Fatalf("text of %d octets", len(o.Text))
				}
			}
		}
	})
}

// TestEnterprise: rules as an SMIv1 MIB would have them, by enterprise and
// specific-trap (RFC 3584 section 3.1), also for what a v2 sender calls
// otherwise.
func TestEnterprise(t *testing.T) {
	s := must(t,
		Spec{Name: "two", Enterprise: "kestrelRemote", Specific: "1 3", Observe: doorRaise},
		Spec{Name: "ups", Enterprise: "upsTraps", Specific: "3", Observe: doorRaise},
		Spec{Name: "rest", Enterprise: "1.3.6.1.4.1.32473.10", Ignore: "noise"})
	for oid, want := range map[string]string{
		"1.3.6.1.4.1.32473.10.0.1": "two", "kestrelRelayChanged": "two", "kestrelHeartbeat": "rest", "1.3.6.1.2.1.33.2.0.3": "ups", "upsTrapAlarmEntryAdded": "ups",
		"1.3.6.1.4.1.32473.10.7": "",
	} {
		if got := s.Match(trap(oid), quarryGate()).Rule; !strings.HasSuffix(got, want) || (want == "") != (got == "") {
			t.Errorf("%s: rule %q, want %q", oid, got, want)
		}
	}
	_, problems := Compile([]Spec{{Name: "a", Enterprise: "kestrelRemot", Specific: "1", Observe: doorRaise}, {Name: "b", Enterprise: "kestrelRemote", Specific: "1 one 1", Observe: doorRaise},
		{Name: "c", Enterprise: "kestrelRemote", On: "linkDown", Observe: doorRaise}}, Options{})
	var got []string
	for _, p := range problems {
		got = append(got, p.What)
	}
	want := []string{`rule "a": there is no enterprise named "kestrelRemot"`, `rule "b": "one" is no specific-trap number`, `rule "b": specific 1 is there twice`, `rule "c": it needs one of on, under and enterprise`}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("problems (-want +got):\n%s", diff)
	}
}

// TestNeverMatches: a condition that no agent and no notification of the rule
// can fulfil is a mistake, whatever else it asks for.
func TestNeverMatches(t *testing.T) {
	w := quarryGate()
	w.Site.Agents = []correlate.AgentID{w.Agent.ID}
	for when, want := range map[string]bool{
		`site.region == "south"`: true, `site.region == "north"`: false, `"radio" in site.tags && value["ifIndex"] == 3`: false, `"fibre" in site.tags && value["ifIndex"] == 3`: true,
		`agent == "nobody"`: true, `agent == "quarry-gate-a"`: false, `trap == "linkUp"`: true, `trap == "linkDown"`: false, `1 > 2`: true,
		`value["ifIndex"] == 3 || site.id == "elsewhere"`: false, `site.nothing == "x"`: false,
	} {
		_, problems := Compile([]Spec{{Name: "r", On: "linkDown", When: when, Observe: doorRaise}}, Options{Network: network(t, w)})
		if got := len(problems) == 1 && strings.Contains(problems[0].What, "can never match"); got != want || len(problems) > 1 {
			t.Errorf("%s: %v, want never %t", when, problems, want)
		}
	}
}

// TestOtherPlaceholders: what other languages write is named, and what is meant
// suggested.
func TestOtherPlaceholders(t *testing.T) {
	for text, want := range map[string]string{
		"link $1 down": "${#1}", "link {ifIndex}": "${ifIndex}", "at $site": "${site}", "%2 failed": "${#2}", "costs $ and 100 % of {nothing}": "", "${ifIndex} of ${site.name}": "",
	} {
		_, problems := Compile([]Spec{{Name: "r", On: "linkDown", Observe: one(Observe{Point: "door", What: "raise", Text: text})}}, Options{})
		if want == "" && len(problems) > 0 || want != "" && (len(problems) != 1 || !strings.Contains(problems[0].Mend, want)) {
			t.Errorf("%q: %v, want %q", text, problems, want)
		}
	}
}
