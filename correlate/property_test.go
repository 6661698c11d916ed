package correlate_test

import (
	"fmt"
	"testing"
	"time"

	"example.net/standwatch/correlate"
	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// inputs are what the random walks below are made of.
var walkPoints = []string{"hub:mains", "hub:rectifier", "hub:door", "hub:light", "hub:pump", "hub:smoke", "leaf:mains", "leaf:rectifier", "leaf:door"}

// step applies one random input.
func step(t *rapid.T, b *bench) {
	alarm := rapid.SampledFrom(walkPoints).Draw(t, "alarm")
	switch rapid.IntRange(0, 9).Draw(t, "what") {
	case 0, 1, 2:
		b.raise(alarm)
	case 3, 4:
		b.clear(alarm)
	case 5:
		b.act(alarm, rapid.SampledFrom([]correlate.Action{correlate.ActAcknowledge, correlate.ActNote, correlate.ActUnshelve}).Draw(t, "action"), "text", 0)
	case 6:
		in := &correlate.Act{Key: key(alarm), Action: correlate.ActShelve, Actor: "o", Via: "test", Text: "why", Until: b.now.Add(time.Minute)}
		b.apply(in)
	case 7:
		agent := rapid.SampledFrom([]correlate.AgentID{"hub-1", "leaf-1"}).Draw(t, "agent")
		obs := correlate.Observation{Key: key(alarm), What: rapid.SampledFrom([]correlate.What{correlate.Raise, correlate.Clear}).Draw(t, "obs")}
		b.hear(agent, rapid.Uint32Range(0, 100000).Draw(t, "uptime"), obs)
	case 8:
		b.value("hub:volts", rapid.Float64Range(-700, 10).Draw(t, "raw"))
	case 9:
		b.notice(correlate.Happened, "hub:entry")
	}
}

// pass lets time go by, as the ledger does: a tick at each due time.
func pass(t *rapid.T, b *bench) {
	seconds := rapid.Float64Range(0, 40).Draw(t, "seconds")
	b.at(b.now.Sub(epoch).Seconds() + seconds)
}

// sound checks what must hold after every input.
func sound(t *rapid.T, b *bench) {
	for k, a := range b.eng.State().Alarms {
		if a.Key != k {
			t.Fatalf("%v is kept as %v", a.Key, k)
		}
		if a.Announced && (!a.Standing || !a.Cause.IsZero()) {
			t.Fatalf("%v is announced, standing %v, explained by %q", k, a.Standing, a.Cause)
		}
		if !a.Cause.IsZero() && !a.Standing {
			t.Fatalf("%v has cleared and is still explained by %v", k, a.Cause)
		}
		if a.Flapping && !a.Standing {
			t.Fatalf("%v flaps and is off the board", k)
		}
		if p := b.net.Point(k); p != nil && p.Flap != nil && a.Merit > p.Flap.Ceiling()+1e-9 {
			t.Fatalf("%v has a merit of %v above the ceiling %v", k, a.Merit, p.Flap.Ceiling())
		}
		for seen, at := 0, a; !at.Cause.IsZero(); seen++ {
			if at = b.eng.State().Alarms[at.Cause]; at == nil || seen > 10 {
				t.Fatalf("%v has no root cause", k)
			}
		}
	}
}

// TestFoldEqualsStateAndLeavesTheBoardForAReason checks invariants 3 and 4 on
// random walks.
func TestFoldEqualsStateAndLeavesTheBoardForAReason(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		b := newBench(t)
		b.apply(&correlate.Start{})
		onBoard := map[correlate.Key]bool{}
		for range rapid.IntRange(1, 60).Draw(rt, "steps") {
			n := len(b.journal)
			if rapid.Bool().Draw(rt, "wait") {
				pass(rt, b)
			} else {
				step(rt, b)
			}
			sound(rt, b)
			left := map[correlate.Key]bool{}
			for _, r := range b.journal[n:] {
				for _, ev := range r.Events {
					switch ev.(type) {
					case *correlate.AlarmCleared, *correlate.Closed, *correlate.Acked:
						left[ev.Subject()] = true
					}
				}
			}
			now := map[correlate.Key]bool{}
			for _, a := range b.eng.State().Board() {
				now[a.Key] = true
			}
			for k := range onBoard {
				if !now[k] && !left[k] {
					rt.Fatalf("%v left the board without a reason in the journal", k)
				}
			}
			onBoard = now
		}
		b.refold()
	})
}

// TestRestartsChangeNothing checks invariant 5: a run with restarts at random
// places decides the same as the run without.
func TestRestartsChangeNothing(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		a, b := newBench(t), newBench(t)
		both := func(f func(*bench)) { f(a); f(b) }
		both(func(x *bench) { x.apply(&correlate.Start{}) })
		for range rapid.IntRange(1, 40).Draw(rt, "steps") {
			alarm := rapid.SampledFrom(walkPoints).Draw(rt, "alarm")
			wait := rapid.Float64Range(0, 30).Draw(rt, "seconds")
			raise := rapid.IntRange(0, 2).Draw(rt, "raise") > 0
			if rapid.Bool().Draw(rt, "restart") {
				b.restart()
			}
			both(func(x *bench) {
				x.at(x.now.Sub(epoch).Seconds() + wait)
				if raise {
					x.raise(alarm)
				} else {
					x.clear(alarm)
				}
			})
		}
		if diff := cmp.Diff(a.since(0), b.since(0)); diff != "" {
			rt.Fatalf("restarts changed what was decided (-without +with):\n%s", diff)
		}
	})
}

// TestCauseAndConsequencesInAnyOrder shuffles a mains failure and its
// consequence at two sites inside the hold: the board must be the same.
func TestCauseAndConsequencesInAnyOrder(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		b := newBench(t)
		order := rapid.Permutation([]string{"hub:mains", "hub:rectifier", "leaf:mains", "leaf:rectifier", "leaf:alive"}).Draw(rt, "order")
		for i, alarm := range order {
			b.at(float64(i)).raise(alarm)
		}
		b.at(60)
		b.wantBoard("hub:mains hub:rectifier<hub:mains leaf:alive<hub:mains leaf:mains leaf:rectifier<leaf:mains")
		b.refold()
	})
}

func benchNetwork(b *testing.B, sites, points int) *correlate.Network {
	b.Helper()
	var list []*correlate.Site
	for s := range sites {
		site := &correlate.Site{ID: correlate.SiteID(fmt.Sprintf("s%d", s)), Points: map[correlate.PointID]*correlate.Point{}}
		for p := range points {
			id := correlate.PointID(fmt.Sprintf("p%d", p))
			site.Points[id] = &correlate.Point{ID: id, Kind: correlate.Discrete, Name: string(id), Severity: correlate.Minor}
		}
		list = append(list, site)
	}
	net, err := correlate.NewNetwork(list, nil, "bench")
	if err != nil {
		b.Fatal(err)
	}
	return net
}

// BenchmarkApply measures observations through the engine: repeats and
// raise-clear pairs, with many alarms standing.
func BenchmarkApply(b *testing.B) {
	for _, standing := range []int{1000, 100000} {
		net := benchNetwork(b, standing/20, 40)
		eng := correlate.NewEngine(net, correlate.NewState())
		at := epoch
		seq := correlate.Seq(0)
		apply := func(what correlate.What, i, p int) {
			seq++
			k := correlate.Key{Site: net.Sites()[i%len(net.Sites())], Point: correlate.PointID(fmt.Sprintf("p%d", p))}
			r := &correlate.Record{Seq: seq, At: at, Input: &correlate.Notice{Observations: []correlate.Observation{{Key: k, What: what}}}}
			eng.Apply(r)
		}
		for i := range standing {
			apply(correlate.Raise, i/20, i%20)
		}
		b.Run(fmt.Sprintf("repeat/standing=%d", standing), func(b *testing.B) {
			b.ReportAllocs()
			for i := 0; b.Loop(); i++ {
				apply(correlate.Raise, i, i%20)
			}
		})
		b.Run(fmt.Sprintf("pair/standing=%d", standing), func(b *testing.B) {
			b.ReportAllocs()
			for i := 0; b.Loop(); i++ {
				apply(correlate.Raise, i, 20+i%20)
				apply(correlate.Clear, i, 20+i%20)
			}
		})
	}
}
