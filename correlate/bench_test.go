package correlate_test

import (
	"fmt"
	"math/rand/v2"
	"runtime"
	"testing"
	"time"

	"example.net/standwatch/correlate"
)

// The size that the engine is built for: 5,000 sites of 176 points, 100,000
// alarms standing.
const (
	bigSites    = 5000
	bigPoints   = 176
	bigStanding = 100_000
)

// bigEngine is an engine of that size. repeats are the inputs that repeat what
// stands, in an order that no cache foresees.
func bigEngine(b *testing.B) (eng *correlate.Engine, repeats []*correlate.Notice, seq correlate.Seq) {
	b.Helper()
	net := benchNetwork(b, bigSites, bigPoints)
	eng = correlate.NewEngine(net, correlate.NewState())
	for i := range bigStanding {
		k := correlate.Key{Site: net.Sites()[i%bigSites], Point: correlate.PointID(fmt.Sprintf("p%d", i/bigSites))}
		in := &correlate.Notice{Observations: []correlate.Observation{{Key: k, What: correlate.Raise}}}
		seq++
		eng.Apply(&correlate.Record{Seq: seq, At: epoch, Input: in})
		repeats = append(repeats, in)
	}
	rand.New(rand.NewPCG(1, 2)).Shuffle(len(repeats), func(i, j int) { repeats[i], repeats[j] = repeats[j], repeats[i] })
	return eng, repeats, seq
}

// BenchmarkRepeat measures repeats through the engine at its full size. The
// inputs are made before: making them is the receiver's.
func BenchmarkRepeat(b *testing.B) {
	eng, repeats, seq := bigEngine(b)
	runtime.GC() // what was built is not part of it
	var r correlate.Record
	b.ReportAllocs()
	for i := 0; b.Loop(); i++ {
		r = correlate.Record{Seq: seq + correlate.Seq(i) + 1, At: epoch.Add(time.Minute), Input: repeats[i%len(repeats)]}
		eng.Apply(&r)
	}
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "observations/s")
}

// TestRepeatAllocatesLittle holds the bound: under one allocation a repeat.
func TestRepeatAllocatesLittle(t *testing.T) {
	b := newBench(t)
	b.raise("hub:mains")
	in := &correlate.Notice{Observations: []correlate.Observation{{Key: key("hub:mains"), What: correlate.Raise}}}
	var r correlate.Record
	const repeats = 1000
	if n := testing.AllocsPerRun(10, func() {
		for range repeats {
			r = correlate.Record{Seq: b.eng.State().Seq + 1, At: b.now, Input: in}
			b.eng.Apply(&r)
		}
	}) / repeats; n >= 1 || len(r.Events) != 1 {
		t.Errorf("%.2f allocations a repeat, %d events", n, len(r.Events))
	}
}

// BenchmarkTick measures a tick at which ten things are due while many wait.
func BenchmarkTick(b *testing.B) {
	for _, waiting := range []int{10_000, 100_000} {
		b.Run(fmt.Sprintf("due=10/waiting=%d", waiting), func(b *testing.B) {
			net := benchNetwork(b, waiting/20, 20)
			for _, id := range net.Sites() {
				for _, p := range net.Site(id).Points {
					p.RaiseAfter = 24 * time.Hour
				}
			}
			eng := correlate.NewEngine(net, correlate.NewState())
			seq, at := correlate.Seq(0), epoch
			raise := func(i int) {
				seq++
				k := correlate.Key{Site: net.Sites()[i/20%len(net.Sites())], Point: correlate.PointID(fmt.Sprintf("p%d", i%20))}
				for _, what := range []correlate.What{correlate.Clear, correlate.Raise} {
					eng.Apply(&correlate.Record{Seq: seq, At: at, Input: &correlate.Notice{Observations: []correlate.Observation{{Key: k, What: what}}}})
				}
			}
			for i := range waiting {
				at = at.Add(time.Second)
				raise(i)
			}
			b.ReportAllocs()
			for i := 0; b.Loop(); i++ {
				b.StopTimer()
				due, _ := eng.NextDue()
				at = due.Add(9 * time.Second)
				b.StartTimer()
				seq++
				eng.Apply(&correlate.Record{Seq: seq, At: at, Input: &correlate.Tick{}})
				b.StopTimer()
				for j := range 10 {
					at = at.Add(time.Second)
					raise(i*10 + j)
				}
				b.StartTimer()
			}
		})
	}
}

// BenchmarkFold measures the rebuild of a state from records in memory, a
// million a turn: three repeats to each raise and clear.
func BenchmarkFold(b *testing.B) {
	eng, repeats, seq := bigEngine(b)
	var journal []*correlate.Record
	for i := range 1_000_000 {
		seq++
		in := repeats[i/5%len(repeats)]
		if i%5 == 4 {
			in = &correlate.Notice{Observations: []correlate.Observation{{Key: in.Observations[0].Key, What: correlate.Clear}}}
		}
		r := &correlate.Record{Seq: seq, At: epoch.Add(time.Duration(i) * time.Millisecond), Input: in}
		eng.Apply(r)
		journal = append(journal, r)
	}
	b.ReportAllocs()
	for b.Loop() {
		st := correlate.NewState()
		for _, r := range journal {
			st.Fold(r)
		}
	}
}
