package console

import (
	"strings"
	"testing"
	"time"

	"example.net/standwatch/cmd/standwatch/api/apitest"
	"example.net/standwatch/correlate"
)

// The last months are read from the journal, of this instance alone, and what
// lies beyond the bound is said.
func TestAlarmPageTellsTheLastMonths(t *testing.T) {
	st := newStage(t)
	const at = "/alarms/quarry-gate:mains"
	other := correlate.Observation{Key: correlate.Key{Site: "quarry-gate", Point: "mains", Instance: "second"}, What: correlate.Raise}
	st.Trap(t, other)
	for range 3 {
		st.Trap(t, apitest.Raise("quarry-gate", "mains", ""))
		st.Step(10 * time.Second)
		st.Trap(t, apitest.Clear("quarry-gate", "mains"))
		st.Step(10 * time.Second)
	}
	st.Step(10 * 24 * time.Hour)
	st.Trap(t, apitest.Raise("quarry-gate", "mains", ""))
	st.Step(2 * time.Hour)
	tree, _ := st.page(t, at)
	got := text(byID(tree, "a-months"))
	for _, want := range []string{"December 2026 1 2 h 00 2 h 00 0", "November 2026 3 30 s 10 s 1"} {
		if !strings.Contains(got, want) {
			t.Errorf("the months lack %q: %s", want, got)
		}
	}
	if bars := classed(byID(tree, "a-months"), "bar"); len(bars) != 4 {
		t.Errorf("%d bars, want 4", len(bars))
	}
	if strings.Contains(got, "newest") {
		t.Errorf("a bound is said that was not reached: %s", got)
	}
	for range monthsRead/2 + 1 {
		st.Step(time.Minute)
		st.Trap(t, apitest.Clear("quarry-gate", "mains"))
		st.Step(time.Minute)
		st.Trap(t, apitest.Raise("quarry-gate", "mains", ""))
	}
	tree, _ = st.page(t, at)
	if got := text(byID(tree, "a-months")); !strings.Contains(got, "Only the newest 200 events were read") {
		t.Errorf("the bound is not said: %s", got)
	}
}
