package notify_test

import (
	"fmt"
	"testing"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/notify"
)

// manyOpen returns a plan and a state in which n call-outs are open, one alarm
// each.
func manyOpen(t testing.TB, n int) (*notify.Plan, *correlate.Engine) {
	t.Helper()
	site := &correlate.Site{ID: "harrow-knoll", Name: "Harrow Knoll", Points: map[correlate.PointID]*correlate.Point{
		"port": {ID: "port", Kind: correlate.Link, Name: "Port", AlarmWord: "Port down", Severity: correlate.Critical}}}
	net, err := correlate.NewNetwork([]*correlate.Site{site}, nil, "h")
	if err != nil {
		t.Fatal(err)
	}
	b := book()
	b.Routes = []notify.Route{{Name: "all", Ladder: "urgent"}}
	plan, problems := notify.NewPlan(b, notify.Options{Network: net})
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	engine := correlate.NewEngine(net, correlate.NewState())
	for i := range n {
		r := &correlate.Record{Seq: correlate.Seq(i + 1), At: night.Add(time.Duration(i) * time.Millisecond), Input: portDown(i)}
		engine.Apply(r)
		engine.Extend(r, plan.Climb(r, engine.State(), nil))
	}
	if got := len(engine.State().CallOuts); got != n {
		t.Fatalf("%d call-outs, want %d", got, n)
	}
	return plan, engine
}

func portDown(i int) correlate.Input {
	return &correlate.Notice{Observations: []correlate.Observation{{Key: correlate.Key{Site: "harrow-knoll", Point: "port", Instance: fmt.Sprint(i)}, What: correlate.Raise}}}
}

// BenchmarkClimb: what is decided depends on what is due or opened, not on how
// many call-outs are open.
func BenchmarkClimb(b *testing.B) {
	for _, open := range []int{100, 10_000} {
		plan, engine := manyOpen(b, open)
		for _, due := range []int{1, 100} {
			b.Run(fmt.Sprintf("open=%d/due=%d", open, due), func(b *testing.B) {
				ids := make([]correlate.CallOutID, due)
				for i := range ids {
					ids[i] = correlate.CallOutID(fmt.Sprintf("c%d", i+1))
				}
				r := &correlate.Record{Seq: 1_000_000, At: night.Add(12 * time.Minute), Input: &correlate.Tick{}}
				b.ReportAllocs()
				for b.Loop() {
					if len(plan.Climb(r, engine.State(), ids)) < 2*due {
						b.Fatal("nothing climbed")
					}
				}
			})
		}
		b.Run(fmt.Sprintf("open=%d/opening", open), func(b *testing.B) {
			r := &correlate.Record{Seq: 1_000_000, At: night.Add(time.Hour), Input: portDown(open + 1)}
			engine.Apply(r)
			b.ReportAllocs()
			for b.Loop() {
				if len(plan.Climb(r, engine.State(), nil)) != 3 {
					b.Fatal("nothing opened")
				}
			}
		})
	}
}

// TestCodes: 10,000 open call-outs have 10,000 codes, and so has a record that
// opens 300 more at once, far enough on that the short codes come round.
func TestCodes(t *testing.T) {
	plan, engine := manyOpen(t, 10_000)
	for n, seq := range []correlate.Seq{63_815, 127_700} {
		in := &correlate.Notice{}
		for i := range 300 {
			in.Observations = append(in.Observations, portDown(20_000+1000*n+i).(*correlate.Notice).Observations...)
		}
		r := &correlate.Record{Seq: seq, At: night.Add(time.Duration(n+1) * time.Hour), Input: in}
		engine.Apply(r)
		engine.Extend(r, plan.Climb(r, engine.State(), nil))
	}
	codes, short := map[string]bool{}, 0
	for _, o := range engine.State().CallOuts {
		if codes[o.Code] {
			t.Fatalf("code %s is there twice", o.Code)
		}
		codes[o.Code] = true
		if len(o.Code) == 5 {
			short++
		}
	}
	if len(codes) != 10_600 || short < 10_064 {
		t.Errorf("%d codes, %d of them short", len(codes), short)
	}
}
