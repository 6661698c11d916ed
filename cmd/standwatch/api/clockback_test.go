package api

import (
	"testing"
	"time"

	"example.net/standwatch/cmd/standwatch/api/apitest"
)

// After the clock was set back by an hour the order is that of the numbers, and
// the first time after it is marked.
func TestHistoryMarksAClockThatWasSetBack(t *testing.T) {
	st := newStage(t)
	st.Trap(t, apitest.Raise("harrow-knoll", "mains", ""))
	st.Step(-time.Hour)
	st.Trap(t, apitest.Clear("harrow-knoll", "mains"))
	st.Step(time.Minute)
	st.Trap(t, apitest.Raise("harrow-knoll", "mains", ""))
	list := decode[HistoryPage](t, st.ask("GET", "/api/v1/history?site=harrow-knoll", "")).Records
	if len(list) != 3 || list[0].Seq < list[1].Seq || list[1].Seq < list[2].Seq || !list[1].Time.Before(list[2].Time) {
		t.Fatalf("history %+v", list)
	}
	for i, want := range []float64{0, 3600, 0} {
		if got := list[i].ClockBack; got != want {
			t.Errorf("number %d: set back by %v s, want %v", i, got, want)
		}
	}
}
