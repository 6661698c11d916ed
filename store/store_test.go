package store_test

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"example.net/standwatch/correlate"
	"example.net/standwatch/store"
	"example.net/standwatch/store/storetest"
)

// appendAll appends records in batches of the given size.
func appendAll(tb testing.TB, s *store.Store, recs []*correlate.Record, batch int) {
	tb.Helper()
	for len(recs) > 0 {
		n := min(batch, len(recs))
		if err := s.Append(recs[:n]); err != nil {
			tb.Fatalf("append: %v", err)
		}
		recs = recs[n:]
	}
}

func scanAll(tb testing.TB, s *store.Store, from correlate.Seq) []*correlate.Record {
	tb.Helper()
	var out []*correlate.Record
	if err := s.Scan(context.Background(), from, func(r *correlate.Record) error { out = append(out, r); return nil }); err != nil {
		tb.Fatalf("scan: %v", err)
	}
	return out
}

func tend(tb testing.TB, s *store.Store) {
	tb.Helper()
	if err := s.TendOnce(context.Background()); err != nil {
		tb.Fatalf("tend: %v", err)
	}
}

func closeStore(tb testing.TB, s *store.Store) {
	tb.Helper()
	if err := s.Close(); err != nil {
		tb.Fatalf("close: %v", err)
	}
}

func openStore(tb testing.TB, dir string, opts store.Options) *store.Store {
	tb.Helper()
	s, err := store.Open(dir, opts)
	if err != nil {
		tb.Fatalf("open: %v", err)
	}
	return s
}

func TestWhatWasAppendedIsThere(t *testing.T) {
	dir := t.TempDir()
	want := storetest.NewMaker(1, 0).Records(2500)
	s := openStore(t, dir, store.Options{SegmentRecords: 700})
	appendAll(t, s, want[:200], 1)
	appendAll(t, s, want[200:], 130)
	tend(t, s)
	check := func(s *store.Store) {
		t.Helper()
		if s.First() != 1 || s.Last() != 2500 {
			t.Errorf("holds %d to %d", s.First(), s.Last())
		}
		if diff := cmp.Diff(want, scanAll(t, s, 0)); diff != "" {
			t.Errorf("scan (-want +got):\n%s", diff)
		}
		if diff := cmp.Diff(want[1799:], scanAll(t, s, 1800)); diff != "" {
			t.Errorf("scan from 1800 (-want +got):\n%s", diff)
		}
		for _, seq := range []correlate.Seq{1, 32, 33, 700, 701, 1234, 2500} {
			r, err := s.Get(seq)
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(want[seq-1], r); diff != "" {
				t.Errorf("record %d (-want +got):\n%s", seq, diff)
			}
		}
		for _, seq := range []correlate.Seq{0, 2501} {
			if _, err := s.Get(seq); !errors.Is(err, store.ErrNotFound) {
				t.Errorf("record %d: %v", seq, err)
			}
		}
	}
	check(s)
	closeStore(t, s)
	check(storetest.Open(t, dir, store.Options{}))
}

func TestAppendRefusesWhatDoesNotFollow(t *testing.T) {
	s := storetest.Open(t, t.TempDir(), store.Options{})
	recs := storetest.NewMaker(1, 0).Records(5)
	appendAll(t, s, recs[:2], 2)
	for _, bad := range [][]*correlate.Record{{recs[3]}, {recs[1]}, {recs[2], recs[4]}} {
		if err := s.Append(bad); !errors.Is(err, store.ErrSequence) {
			t.Errorf("append %d: %v", bad[0].Seq, err)
		}
	}
	late := *recs[2]
	late.Input = &correlate.Act{Until: time.Date(12026, 1, 1, 0, 0, 0, 0, time.UTC)}
	if err := s.Append([]*correlate.Record{&late}); !errors.Is(err, store.ErrRecord) {
		t.Errorf("a time that cannot be written: %v", err)
	}
	if s.Last() != 2 {
		t.Errorf("last is %d", s.Last())
	}
	appendAll(t, s, recs[2:], 2)
}

// naive answers a query by reading everything.
func naive(all []*correlate.Record, q store.Query) []correlate.Seq {
	var out []correlate.Seq
	for i := len(all) - 1; i >= 0; i-- {
		r := all[i]
		arrival, _ := r.Input.(*correlate.Arrival)
		switch {
		case q.Before != 0 && r.Seq >= q.Before,
			!q.From.IsZero() && r.At.Before(q.From),
			!q.To.IsZero() && !r.At.Before(q.To),
			q.Agent != "" && (arrival == nil || arrival.Agent != q.Agent),
			q.Unmatched && (arrival == nil || arrival.Unmatched == ""),
			q.RunAgain && (arrival == nil || arrival.RunAgain == 0),
			!saysSo(r, q):
			continue
		}
		out = append(out, r.Seq)
	}
	return out
}

func saysSo(r *correlate.Record, q store.Query) bool {
	at := func(k correlate.Key) bool {
		return (q.Site == "" || k.Site == q.Site) && (q.Point == "" || k.Point == q.Point) && (q.Instance == "" || k.Instance == q.Instance)
	}
	if q.Site == "" && q.Point == "" && q.Instance == "" && q.Severity == 0 && q.Kinds == nil {
		return true
	}
	for _, ev := range r.Events {
		severity := correlate.Severity(0)
		switch e := ev.(type) {
		case *correlate.Raised:
			severity = e.Severity
		case *correlate.AlarmCleared:
			severity = correlate.Cleared
		}
		kind := q.Kinds == nil
		for _, k := range q.Kinds {
			kind = kind || k == ev.Kind()
		}
		if kind && at(ev.Subject()) && (q.Severity == 0 || q.Severity == severity) {
			return true
		}
	}
	if q.Kinds != nil {
		return false
	}
	switch in := r.Input.(type) {
	case *correlate.Arrival:
		for _, o := range in.Observations {
			if at(o.Key) && (q.Severity == 0 || q.Severity == o.Severity) {
				return true
			}
		}
	case *correlate.Act:
		return at(in.Key) && q.Severity == 0
	}
	return false
}

// reporter is what a test and a property have in common.
type reporter interface {
	Helper()
	Fatalf(format string, args ...any)
}

// pages reads all pages of a query.
func pages(tb reporter, s *store.Store, q store.Query) []correlate.Seq {
	tb.Helper()
	var out []correlate.Seq
	for {
		p, err := s.History(q)
		if err != nil {
			tb.Fatalf("history: %v", err)
		}
		if len(p.Records) > q.Limit {
			tb.Fatalf("%d records on a page of %d", len(p.Records), q.Limit)
		}
		for _, r := range p.Records {
			out = append(out, r.Seq)
		}
		if p.Next == 0 {
			return out
		}
		q.Before = p.Next
	}
}

func drawQuery(t *rapid.T, all []*correlate.Record) store.Query {
	q := store.Query{Limit: rapid.SampledFrom([]int{1, 7, 100, 5000}).Draw(t, "limit")}
	pick := func(what string, set func()) {
		if rapid.IntRange(0, 3).Draw(t, what) == 0 {
			set()
		}
	}
	at := func(what string) time.Time {
		return all[rapid.IntRange(0, len(all)-1).Draw(t, what+" record")].At.Add(time.Duration(rapid.IntRange(-1, 1).Draw(t, what+" off")))
	}
	pick("site", func() { q.Site = correlate.SiteID(fmt.Sprintf("site-%d", rapid.IntRange(0, 24).Draw(t, "site no"))) })
	pick("point", func() {
		q.Point = correlate.PointID(fmt.Sprintf("point-%d", rapid.IntRange(0, 32).Draw(t, "point no")))
	})
	pick("instance", func() { q.Instance = rapid.SampledFrom([]string{"0", "1", "9"}).Draw(t, "instance no") })
	pick("severity", func() { q.Severity = correlate.Severity(rapid.IntRange(1, 6).Draw(t, "severity no")) })
	pick("kinds", func() {
		q.Kinds = rapid.SliceOfN(rapid.SampledFrom([]correlate.EventKind{1, 2, 4, 5, 17, 45}), 1, 3).Draw(t, "kind nos")
	})
	pick("agent", func() {
		q.Agent = correlate.AgentID(fmt.Sprintf("remote-%d", rapid.IntRange(0, 24).Draw(t, "agent no")))
	})
	pick("unmatched", func() { q.Unmatched = true })
	pick("run again", func() { q.RunAgain = true })
	pick("from", func() { q.From = at("from") })
	pick("to", func() { q.To = at("to") })
	pick("before", func() { q.Before = correlate.Seq(rapid.IntRange(1, len(all)+5).Draw(t, "before seq")) })
	return q
}

// clockSteps moves the clock back an hour in the middle.
func clockSteps(recs []*correlate.Record) {
	for _, r := range recs[len(recs)/2:] {
		r.At = r.At.Add(-time.Hour)
	}
}

func TestHistoryAnswersAsAScanWould(t *testing.T) {
	all := storetest.NewMaker(3, 0).Records(6000)
	clockSteps(all)
	s := storetest.Open(t, t.TempDir(), store.Options{SegmentRecords: 1700})
	appendAll(t, s, all[:4000], 333)
	tend(t, s)
	appendAll(t, s, all[4000:], 100)
	rapid.Check(t, func(t *rapid.T) {
		q := drawQuery(t, all)
		if diff := cmp.Diff(naive(all, q), pages(t, s, q)); diff != "" {
			t.Errorf("query %+v (-want +got):\n%s", q, diff)
		}
	})
}

func TestHistoryAcrossWrittenAndGrowingRuns(t *testing.T) {
	dir := t.TempDir()
	all := storetest.NewMaker(4, 0).Records(store.RunRecords + 3000)
	s := openStore(t, dir, store.Options{})
	appendAll(t, s, all, 4000)
	queries := []store.Query{
		{Site: "site-3", Limit: 1000},
		{Site: "site-3", Point: "point-5", Limit: 10},
		{Severity: correlate.Critical, Site: "site-7", Limit: 500},
		{Unmatched: true, Limit: 300},
		{From: all[65000].At, To: all[66500].At, Limit: 400},
	}
	check := func(s *store.Store, when string) {
		t.Helper()
		for _, q := range queries {
			if diff := cmp.Diff(naive(all, q), pages(t, s, q)); diff != "" {
				t.Errorf("%s: query %+v (-want +got):\n%s", when, q, diff)
			}
		}
	}
	check(s, "before the run is written")
	tend(t, s)
	check(s, "after it is written")
	closeStore(t, s)
	s = storetest.Open(t, dir, store.Options{})
	check(s, "opened again")
}

// From is inclusive and To is not, also where they meet the bounds of the
// sparse table of times.
func TestHistoryAtTheEdgesOfTime(t *testing.T) {
	all := storetest.NewMaker(16, 0).Records(2500)
	s := storetest.Open(t, t.TempDir(), store.Options{})
	appendAll(t, s, all, 500)
	for _, seq := range []correlate.Seq{1, 1023, 1024, 1025, 2048, 2049, 2500} {
		at := all[seq-1].At
		q := store.Query{From: at, To: at.Add(1), Limit: 10}
		if diff := cmp.Diff([]correlate.Seq{seq}, pages(t, s, q)); diff != "" {
			t.Errorf("record %d: %s", seq, diff)
		}
	}
}

func TestHistoryWhenTheLookUpIsLost(t *testing.T) {
	dir := t.TempDir()
	all := storetest.NewMaker(5, 0).Records(3000)
	s := openStore(t, dir, store.Options{SegmentRecords: 1000})
	appendAll(t, s, all, 250)
	tend(t, s)
	closeStore(t, s)
	files, err := filepath.Glob(filepath.Join(dir, "journal", "*.lookup"))
	if err != nil || len(files) != 3 {
		t.Fatalf("look-up files %v (%v)", files, err)
	}
	if err := os.Remove(files[0]); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(files[1], []byte("not what it was"), 0o600); err != nil {
		t.Fatal(err)
	}
	q := store.Query{Site: "site-3", Limit: 50}
	s = storetest.Open(t, dir, store.Options{})
	if diff := cmp.Diff(naive(all, q), pages(t, s, q)); diff != "" {
		t.Error(diff)
	}
}

func TestReadersDoNotDisturbTheWriter(t *testing.T) {
	s := storetest.Open(t, t.TempDir(), store.Options{SegmentRecords: 900})
	all := storetest.NewMaker(6, 0).Records(5000)
	ctx, stop := context.WithCancel(t.Context())
	tended, read := make(chan error, 1), make(chan error, 1)
	go func() { tended <- s.Tend(ctx) }()
	go func() {
		for ctx.Err() == nil {
			p, err := s.History(store.Query{Site: "site-1", Limit: 5})
			if err == nil && len(p.Records) > 0 {
				_, err = s.Get(p.Records[0].Seq)
			}
			if err != nil {
				read <- err
				return
			}
		}
		read <- nil
	}()
	appendAll(t, s, all, 50)
	stop()
	if err := errors.Join(<-tended, <-read); err != nil {
		t.Error(err)
	}
}
