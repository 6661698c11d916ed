package rules_test

import (
	"strings"
	"testing"

	"example.net/standwatch/correlate"
	"example.net/standwatch/receiver/rules"
)

// known is what a site is known to be.
type known struct {
	stands map[string]bool
	values map[string]float64
}

func (k known) Stands(s correlate.Source) bool { return k.stands[string(s.Point)+s.Instance] }

func (k known) Reading(s correlate.Source) (float64, bool) {
	v, ok := k.values[string(s.Point)+s.Instance]
	return v, ok
}

func TestDerivedConditions(t *testing.T) {
	var d rules.Derivations
	hot := `[value["t-1"], value["t-2"], value["t-3"]].filter(v, v > 30).size() >= 2`
	for _, c := range []struct {
		written string
		is      known
		want    bool
		err     string
	}{
		{hot, known{values: map[string]float64{"t-1": 31, "t-2": 20, "t-3": 30.5}}, true, ""},
		{hot, known{values: map[string]float64{"t-1": 31, "t-2": 20, "t-3": 30}}, false, ""},
		{hot, known{values: map[string]float64{"t-1": 31}}, false, "there is no reading of t-2 yet"},
		{`stands["mains"] && !stands["running"]`, known{stands: map[string]bool{"mains": true}}, true, ""},
		{`stands["mains"] && !stands.running`, known{stands: map[string]bool{"mains": true, "running": true}}, false, ""},
		{`"volts" in value && value["volts"] < 47.5`, known{}, false, ""},
		{`stands["string:2"]`, known{stands: map[string]bool{"string2": true}}, true, ""},
		{`value["a"] / 0.0 > 1.0 && 1 / int(value["a"]) > 0`, known{values: map[string]float64{"a": 0}}, false, ""},
		{`1 / int(value["a"]) > 0`, known{values: map[string]float64{"a": 0}}, false, "division by zero"},
		{`["` + strings.Repeat(`x", "`, 200) + `x"].all(a, ["` + strings.Repeat(`x", "`, 200) + `x"].all(b, a == b || stands["mains"]))`, known{}, false, "cost limit exceeded"},
	} {
		made, _, wrong := d.Compile(c.written)
		if wrong != nil {
			t.Errorf("%s: %s", c.written, wrong.What)
			continue
		}
		got, err := made.Holds(c.is)
		if got != c.want || (err == nil) != (c.err == "") || err != nil && !strings.Contains(err.Error(), c.err) {
			t.Errorf("%s: %v, %v; want %v, %q", c.written, got, err, c.want, c.err)
		}
	}
	first, readings, _ := d.Compile(hot)
	again, _, _ := d.Compile(hot)
	if first != again || len(first.Of) != 3 || len(readings) != 3 {
		t.Errorf("compiled twice: %v; of %v", first != again, first.Of)
	}
}

func TestDerivedConditionsThatCannotBe(t *testing.T) {
	var d rules.Derivations
	for written, want := range map[string]string{
		`stands["mains"`:                     "is no CEL",
		`value["t"]`:                         "yields double",
		`true`:                               "looks at no point",
		`["a", "b"].exists(p, stands[p])`:    "does not say which points",
		`stands["Not An ID"]`:                "names no point",
		`nothing["mains"]`:                   "is no CEL",
		`size(value) > 2 && stands["mains"]`: "does not say which points",
	} {
		if _, _, wrong := d.Compile(written); wrong == nil || !strings.Contains(wrong.What, want) {
			t.Errorf("%s: %v, want %q", written, wrong, want)
		}
	}
}
