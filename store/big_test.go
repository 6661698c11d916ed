package store_test

import (
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"testing"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/store"
	"example.net/standwatch/store/storetest"
)

// sizeEnv sets how many records BenchmarkBig makes: 1,000,000 when it is empty.
const sizeEnv = "STANDWATCH_RECORDS"

// bigTail is how many records lie behind the checkpoint after kill -9: as many
// as a ledger lets pass between two checkpoints.
const bigTail = 250_000

// BenchmarkBig makes a big folder once and measures what a person waits for:
// the rate of appending in its first and its last tenth, what a record takes on
// disk, the start after a clean end and after kill -9, pages of history anywhere
// in it, and a shift of 100,000 records. With STANDWATCH_RECORDS=10000000 it
// takes some 4 GB and several minutes.
func BenchmarkBig(b *testing.B) {
	total := 1_000_000
	if text := os.Getenv(sizeEnv); text != "" {
		var err error
		if total, err = strconv.Atoi(text); err != nil {
			b.Fatal(err)
		}
	}
	big := makeBig(b, total)
	b.Run("start=clean", func(b *testing.B) { big.start(b, "clean") })
	b.Run("start=killed", func(b *testing.B) { big.start(b, "killed") })
	s, err := store.Open(big.dir, store.Options{})
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { closeStore(b, s) })
	for _, q := range []struct {
		name string
		make func(rnd *rand.Rand) store.Query
	}{
		{"site", func(r *rand.Rand) store.Query { return store.Query{Site: anySite(r)} }},
		{"point", func(r *rand.Rand) store.Query {
			return store.Query{Point: correlate.PointID(fmt.Sprintf("point-%d", r.IntN(32)))}
		}},
		{"site-and-point", func(r *rand.Rand) store.Query {
			return store.Query{Site: anySite(r), Point: correlate.PointID(fmt.Sprintf("point-%d", r.IntN(32)))}
		}},
		{"severity", func(r *rand.Rand) store.Query { return store.Query{Severity: correlate.Severity(2 + r.IntN(5))} }},
		{"site-and-severity", func(r *rand.Rand) store.Query {
			return store.Query{Site: anySite(r), Severity: correlate.Severity(2 + r.IntN(5))}
		}},
	} {
		b.Run("page="+q.name, func(b *testing.B) { pagesAnywhere(b, s, q.make) })
	}
	b.Run("shift=100000", func(b *testing.B) { shiftOf(b, s, 100_000) })
}

// bigSites makes some 100,000 standing alarms of ten million records.
const bigSites = 1000

func anySite(r *rand.Rand) correlate.SiteID {
	return correlate.SiteID(fmt.Sprintf("site-%d", r.IntN(bigSites)))
}

type bigFolder struct {
	dir         string
	checkpoints map[string][]byte // as left by a clean end, and by kill -9
}

func makeBig(b *testing.B, total int) *bigFolder {
	b.Helper()
	big := &bigFolder{dir: b.TempDir(), checkpoints: map[string][]byte{}}
	s, err := store.Open(big.dir, store.Options{})
	if err != nil {
		b.Fatal(err)
	}
	ctx, stop := context.WithCancel(b.Context())
	tended := make(chan error, 1)
	go func() { tended <- s.Tend(ctx) }()
	m := storetest.NewMaker(9, 0)
	m.Sites = bigSites
	st := correlate.NewState()
	const batch = 1000
	var took []time.Duration
	for n := 0; n < total; n += batch {
		recs := m.Records(batch)
		began := time.Now()
		if err := s.Append(recs); err != nil {
			b.Fatal(err)
		}
		took = append(took, time.Since(began))
		for _, r := range recs {
			st.Fold(r)
		}
		if total-n-batch == bigTail/batch*batch {
			big.save(b, s, st, "killed")
		}
	}
	stop()
	if err := <-tended; err != nil {
		b.Fatal(err)
	}
	before, err := s.Usage()
	if err != nil {
		b.Fatal(err)
	}
	tend(b, s)
	big.save(b, s, st, "clean")
	after, err := s.Usage()
	if err != nil {
		b.Fatal(err)
	}
	closeStore(b, s)
	tenth := max(len(took)/10, 1)
	first, last := median(took[:tenth]), median(took[len(took)-tenth:])
	standing := 0
	for _, a := range st.Alarms {
		if a.Standing {
			standing++
		}
	}
	b.Logf("%d records, %d standing alarms, %d segments: %d octets a record on disk (%d before the last sealing); the median batch of 1,000 takes %s in the first tenth, %s in the last (%.0f %%)",
		after.Records, standing, after.Segments, uint64(after.Bytes)/after.Records, uint64(before.Bytes)/before.Records, first, last, 100*float64(last)/float64(first))
	return big
}

func median(d []time.Duration) time.Duration {
	d = slices.Clone(d)
	slices.Sort(d)
	return d[len(d)/2]
}

// save keeps a checkpoint, and its octets under a name.
func (big *bigFolder) save(b *testing.B, s *store.Store, st *correlate.State, name string) {
	b.Helper()
	if err := s.SaveCheckpoint(st.Snapshot()); err != nil {
		b.Fatal(err)
	}
	data, err := os.ReadFile(filepath.Join(big.dir, "checkpoint"))
	if err != nil {
		b.Fatal(err)
	}
	big.checkpoints[name] = data
}

// start measures opening the folder and having its state.
func (big *bigFolder) start(b *testing.B, name string) {
	if big.checkpoints[name] == nil {
		b.Fatalf("too few records for a start that is %s", name)
	}
	if err := os.WriteFile(filepath.Join(big.dir, "checkpoint"), big.checkpoints[name], 0o600); err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		s, err := store.Open(big.dir, store.Options{})
		if err != nil {
			b.Fatal(err)
		}
		if _, err := s.State(b.Context()); err != nil {
			b.Fatal(err)
		}
		b.StopTimer()
		closeStore(b, s)
		b.StartTimer()
	}
}

// pagesAnywhere reads pages of 100 that begin anywhere in the journal, after a
// first round that warms what the measured one reads.
func pagesAnywhere(b *testing.B, s *store.Store, make func(*rand.Rand) store.Query) {
	var all []time.Duration
	round := func(seed uint64) {
		rnd := rand.New(rand.NewPCG(seed, 1))
		for range 40 {
			q := make(rnd)
			q.Before = 1 + correlate.Seq(rnd.Uint64N(uint64(s.Last())))
			began := time.Now()
			if _, err := s.History(q); err != nil {
				b.Fatal(err)
			}
			all = append(all, time.Since(began))
		}
	}
	round(1)
	all = nil
	for b.Loop() {
		round(1)
	}
	slices.Sort(all)
	b.ReportMetric(float64(all[len(all)/2].Microseconds()), "µs/page-p50")
	b.ReportMetric(float64(all[len(all)*95/100].Microseconds()), "µs/page-p95")
	b.ReportMetric(0, "ns/op")
}

// shiftOf counts the events of the newest n records by kind and site.
func shiftOf(b *testing.B, s *store.Store, n correlate.Seq) {
	type cell struct {
		kind correlate.EventKind
		site correlate.SiteID
	}
	for b.Loop() {
		counts := map[cell]int{}
		err := s.ScanEvents(b.Context(), s.Last()+1-n, func(r *correlate.Record) error {
			for _, ev := range r.Events {
				counts[cell{ev.Kind(), ev.Subject().Site}]++
			}
			return nil
		})
		if err != nil || len(counts) == 0 {
			b.Fatal(err)
		}
	}
}
