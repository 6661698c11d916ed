package console

import (
	"testing"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/store"
)

func TestHistoryPageMarksAClockThatWasSetBack(t *testing.T) {
	noon := time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)
	st := newStage(t)
	page := store.Page{}
	for i, at := range []time.Time{noon.Add(-50 * time.Minute), noon.Add(-time.Hour), noon} { // newest first
		page.Records = append(page.Records, &correlate.Record{Seq: correlate.Seq(3 - i), At: at, Input: &correlate.Start{}})
	}
	lines := historyView(clock{noon, st.zone}, st.Net, page, st.server.namedText)
	if len(lines) != 3 || lines[0].Back != "" || lines[1].Back != spoken(time.Hour) || lines[2].Back != "" {
		t.Errorf("lines %+v", lines)
	}
}
