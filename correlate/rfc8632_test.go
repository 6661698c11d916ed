package correlate_test

import (
	"fmt"
	"testing"

	"github.com/google/go-cmp/cmp"

	"example.net/standwatch/correlate"
)

// TestSeveritySeries is the series of the worked example at notify-severity-level
// in the module ietf-alarms (RFC 8632): major, minor, warning, minor, major,
// critical, major, and cleared with major. It is one alarm throughout; every
// step is a status change, newest first; and only what gets worse asks to be
// taken again.
func TestSeveritySeries(t *testing.T) {
	b := newBench(t)
	at := 0.0
	report := func(what correlate.What, s correlate.Severity) []correlate.Event {
		at += 60
		return b.at(at).apply(&correlate.Notice{Source: "test", Observations: []correlate.Observation{{Key: key("hub:mains"), What: what, Severity: s}}})
	}
	var asked []int
	series := []correlate.Severity{correlate.Major, correlate.Minor, correlate.Warning, correlate.Minor, correlate.Major, correlate.Critical, correlate.Major}
	for i, s := range series {
		for _, ev := range report(correlate.Raise, s) {
			if _, told := ev.(*correlate.Announced); told {
				asked = append(asked, i+1)
			}
		}
		b.apply(&correlate.Act{Key: key("hub:mains"), Action: correlate.ActAcknowledge, Actor: "desk", Via: "test"})
	}
	report(correlate.Clear, 0)
	if diff := cmp.Diff([]int{1, 4, 5, 6}, asked); diff != "" {
		t.Errorf("asked to be taken (-want +got):\n%s", diff)
	}
	var got []string
	for _, c := range b.eng.State().Alarms[key("hub:mains")].StatusChanges {
		got = append(got, fmt.Sprintf("T%d %s", int(c.At.Sub(epoch).Minutes()), c.Severity))
	}
	want := []string{"T8 cleared", "T7 major", "T6 critical", "T5 major", "T4 minor", "T3 warning", "T2 minor", "T1 major"}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("status-change (-want +got):\n%s", diff)
	}
	b.refold()
}
