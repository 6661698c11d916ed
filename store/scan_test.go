package store_test

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"example.net/standwatch/correlate"
	"example.net/standwatch/store"
	"example.net/standwatch/store/storetest"
)

// A scan of events from the number that Since gives meets what was decided at
// and after the time, over sealed and growing segments.
func TestScanOfEventsSinceATime(t *testing.T) {
	s := storetest.Open(t, t.TempDir(), store.Options{SegmentRecords: 3000})
	all := storetest.NewMaker(21, 0).Records(10_000)
	appendAll(t, s, all, 500)
	tend(t, s)
	for _, i := range []int{0, 1, 2999, 3000, 5000, 9999} {
		from := s.Since(all[i].At)
		if from > all[i].Seq || from+1024 < all[i].Seq {
			t.Errorf("since record %d: from %d", all[i].Seq, from)
		}
		next := from
		err := s.ScanEvents(t.Context(), from, func(r *correlate.Record) error {
			want := all[next-1]
			if r.Input != nil || r.Seq != want.Seq || !r.At.Equal(want.At) || cmp.Diff(want.Events, r.Events) != "" {
				t.Errorf("record %d reads as %+v", next, r)
			}
			next++
			return nil
		})
		if err != nil || next != s.Last()+1 {
			t.Errorf("scan from %d ended before %d: %v", from, next, err)
		}
	}
	if got := s.Since(all[len(all)-1].At.Add(time.Hour)); got != s.Last()+1 {
		t.Errorf("since the future: %d", got)
	}
}
