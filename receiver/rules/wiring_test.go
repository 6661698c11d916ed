package rules

import (
	"strings"
	"testing"

	"example.net/standwatch/correlate"
	"example.net/standwatch/receiver/snmp"
)

// TestWiring: a remote that reports what its contacts do is understood by how
// each is wired.
func TestWiring(t *testing.T) {
	w := quarryGate()
	w.Site.Points["door"].Normally = correlate.NormallyClosed // opens in alarm
	w.Site.Points["mains"].Normally = correlate.NormallyOpen  // closes in alarm
	state := &Choice{Of: "kestrelContactState", Map: map[string]string{"1": "closed", "2": "open"}}
	byNumber := must(t, Spec{On: "kestrelContactChanged", Observe: one(Observe{PointBy: &Choice{Of: "kestrelContactNumber", Lookup: "number"}, WhatBy: state})})
	for _, c := range []struct {
		point, state byte // of the point list: mains 1, door 2, battery 3
		want         string
	}{{1, 1, "raise mains"}, {1, 2, "clear mains"}, {2, 1, "clear door"}, {2, 2, "raise door"}, {3, 1, "does not say whether its contact is normally open or closed"}} {
		res := byNumber.Match(trap("kestrelContactChanged", number("kestrelContactNumber.1", c.point), number("kestrelContactState.1", c.state)), w)
		got := res.Unmatched
		if len(res.Observations) == 1 {
			got = res.Observations[0].What.String() + " " + string(res.Observations[0].Key.Point)
		}
		if !strings.Contains(got, c.want) {
			t.Errorf("contact %d in state %d: %q, want %q", c.point, c.state, got, c.want)
		}
	}
	// A map of closed contacts: bit 0 is mains, bit 1 the door.
	bits := must(t, Spec{On: "kestrelContactsReport", Observe: one(Observe{Bits: &Bits{Of: "kestrelContactMap",
		Points: map[string]string{"0": "mains", "1": "door"}, Set: "closed", Unset: "open"}})})
	res := bits.Match(trap("kestrelContactsReport", bind("kestrelContactMap.0", snmp.TagOctetString, "\x80")), w)
	if len(res.Observations) != 2 || res.Observations[0].What != correlate.Raise || res.Observations[1].What != correlate.Raise {
		t.Errorf("mains closed and door open: %+v", res)
	}
}

func TestWiringIsAskedForAtLoad(t *testing.T) {
	w := quarryGate()
	w.Site.Points["door"].Normally = correlate.NormallyClosed
	specs := []Spec{
		{Name: "said", On: "kestrelContactChanged", Observe: one(Observe{Point: "door", What: "open"})},
		{Name: "not said", On: "kestrelRelayChanged", Observe: one(Observe{Point: "mains", WhatBy: &Choice{Of: "kestrelRelayState", Map: map[string]string{"on": "closed", "off": "clear"}}})},
		{Name: "bits", On: "kestrelContactsReport", Observe: one(Observe{Bits: &Bits{Of: "kestrelContactMap", Points: map[string]string{"0": "mains"}, Set: "closed"}})},
	}
	_, problems := Compile(specs, Options{Network: network(t, w)})
	if len(problems) != 2 || !strings.Contains(problems[0].What, `rule "not said": it reports point mains open or closed`) || !strings.Contains(problems[1].What, `rule "bits"`) {
		t.Errorf("got %v", problems)
	}
}
