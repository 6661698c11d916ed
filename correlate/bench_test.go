package correlate_test

import (
	"fmt"
	"math/rand/v2"
	"runtime"
	"syscall"
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

// report is what a benchmark reports once more: a key in the network's own words,
// as rules make it, and whose trap brings it.
type report struct {
	key   correlate.Key
	agent correlate.AgentID
	from  string
}

// bigEngine is an engine of that size. standing is what stands, in an order that
// no cache foresees.
func bigEngine(b *testing.B) (eng *correlate.Engine, standing []report, seq correlate.Seq) {
	b.Helper()
	net := benchNetwork(b, bigSites, bigPoints)
	eng = correlate.NewEngine(net, correlate.NewState())
	for i := range bigStanding {
		site := net.Site(net.Sites()[i%bigSites])
		r := report{correlate.Key{Site: site.ID, Point: site.Points[correlate.PointID(fmt.Sprintf("p%d", i/bigSites))].ID}, site.Agents[0], fmt.Sprintf("192.0.2.%d:%d", i%bigSites%250, 1024+i%bigSites)}
		seq++
		eng.Apply(&correlate.Record{Seq: seq, At: epoch, Input: &correlate.Notice{Observations: []correlate.Observation{{Key: r.key, What: correlate.Raise}}}})
		standing = append(standing, r)
	}
	rand.New(rand.NewPCG(1, 2)).Shuffle(len(standing), func(i, j int) { standing[i], standing[j] = standing[j], standing[i] })
	return eng, standing, seq
}

// BenchmarkRepeat measures repeats through the engine at its full size, brought
// by a notice, and by a trap whose agent lives by it. The input is filled in just
// before, as the receiver does; decoding and rules are not part of it.
//
// A core is time of the processor, the collector's included: on a machine that
// others use, the clock on the wall tells of them and not of the engine.
func BenchmarkRepeat(b *testing.B) {
	b.Run("by=notice", func(b *testing.B) {
		in := &correlate.Notice{Observations: make([]correlate.Observation, 1)}
		repeat(b, in, func(r *report, _ int) { in.Observations[0] = correlate.Observation{Key: r.key, What: correlate.Raise} })
	})
	b.Run("by=trap", func(b *testing.B) {
		in := &correlate.Arrival{Version: "v2c", HasUptime: true, Observations: make([]correlate.Observation, 1)}
		repeat(b, in, func(r *report, i int) {
			in.Agent, in.From, in.Uptime, in.RequestID = r.agent, r.from, uint32(i), int32(i)
			in.Observations[0] = correlate.Observation{Key: r.key, What: correlate.Raise}
		})
	})
}

func repeat(b *testing.B, in correlate.Input, fill func(r *report, i int)) {
	b.Helper()
	eng, standing, seq := bigEngine(b)
	runtime.GC() // what was built is not part of it
	var r correlate.Record
	b.ReportAllocs()
	spent := processorTime(b)
	for i := 0; b.Loop(); i++ {
		fill(&standing[i%len(standing)], i)
		r = correlate.Record{Seq: seq + correlate.Seq(i) + 1, At: epoch.Add(time.Minute + time.Duration(i)*10*time.Millisecond), Input: in}
		eng.Apply(&r)
	}
	b.ReportMetric(float64(b.N)/(processorTime(b)-spent).Seconds(), "observations/core-s")
}

// processorTime is how long the processors have worked for this program.
func processorTime(b *testing.B) time.Duration {
	b.Helper()
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// TestRepeatAllocatesLittle holds the bound: under one allocation a repeat.
func TestRepeatAllocatesLittle(t *testing.T) {
	b := newBench(t)
	b.raise("hub:mains")
	repeated := []correlate.Observation{{Key: key("hub:mains"), What: correlate.Raise}}
	for _, in := range []correlate.Input{
		&correlate.Notice{Observations: repeated},
		&correlate.Arrival{Agent: "hub-1", From: "192.0.2.1:1161", Version: "v2c", Observations: repeated},
		&correlate.Arrival{Agent: "hub-1", From: "[2001:db8::1]:1161", Version: "v2c", Observations: repeated},
	} {
		var r correlate.Record
		const repeats = 1000
		if n := testing.AllocsPerRun(10, func() {
			for range repeats {
				r = correlate.Record{Seq: b.eng.State().Seq + 1, At: b.now, Input: in}
				b.eng.Apply(&r)
			}
		}) / repeats; n >= 1 || len(r.Events) != 1 {
			t.Errorf("%T: %.2f allocations a repeat, %d events", in, n, len(r.Events))
		}
	}
}

// BenchmarkTick measures a tick at which some delays are over while many wait:
// what it costs goes with what is due, and not with what waits. What was due is
// raised anew after each, so that as many wait all the time.
func BenchmarkTick(b *testing.B) {
	const step = 100 * time.Millisecond // between two raises
	for _, c := range []struct{ due, waiting int }{{10, 10_000}, {10, 100_000}, {100, 100_000}} {
		b.Run(fmt.Sprintf("due=%d/waiting=%d", c.due, c.waiting), func(b *testing.B) {
			net := benchNetwork(b, c.waiting/20, 20)
			for _, id := range net.Sites() {
				for _, p := range net.Site(id).Points {
					p.RaiseAfter = 24 * time.Hour
				}
			}
			eng := correlate.NewEngine(net, correlate.NewState())
			seq, at := correlate.Seq(0), epoch
			apply := func(in correlate.Input) *correlate.Record {
				seq++
				r := &correlate.Record{Seq: seq, At: at, Input: in}
				eng.Apply(r)
				return r
			}
			raise := func(k correlate.Key) {
				at = at.Add(step)
				apply(&correlate.Notice{Observations: []correlate.Observation{{Key: k, What: correlate.Clear}, {Key: k, What: correlate.Raise}}})
			}
			for i := range c.waiting {
				raise(correlate.Key{Site: net.Sites()[i/20], Point: correlate.PointID(fmt.Sprintf("p%d", i%20))})
			}
			raised := 0
			b.ReportAllocs()
			for b.Loop() {
				b.StopTimer()
				due, _ := eng.NextDue()
				at = later(at, due.Add(time.Duration(c.due-1)*step))
				b.StartTimer()
				r := apply(&correlate.Tick{})
				b.StopTimer()
				for _, ev := range r.Events {
					if ev, ok := ev.(*correlate.Raised); ok {
						raise(ev.Key)
						raised++
					}
				}
				b.StartTimer()
			}
			b.ReportMetric(float64(raised)/float64(b.N), "raised/op")
		})
	}
}

// BenchmarkFold measures the rebuild of a state from records in memory, a
// million a turn: three repeats to each raise and clear.
func BenchmarkFold(b *testing.B) {
	eng, standing, seq := bigEngine(b)
	var journal []*correlate.Record
	for i := range 1_000_000 {
		seq++
		what := correlate.Raise
		if i%5 == 4 {
			what = correlate.Clear
		}
		in := &correlate.Notice{Observations: []correlate.Observation{{Key: standing[i/5%len(standing)].key, What: what}}}
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
