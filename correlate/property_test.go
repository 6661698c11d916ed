package correlate_test

import (
	"errors"
	"fmt"
	"maps"
	"testing"
	"time"

	"example.net/standwatch/correlate"
	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"
)

// inputs are what the random walks below are made of.
var walkPoints = []string{"hub:mains", "hub:rectifier", "hub:door", "hub:light", "hub:pump", "hub:smoke", "leaf:mains", "leaf:rectifier", "leaf:door"}

// walkScopes are what the silences of the walks cover.
var walkScopes = []correlate.Scope{{Site: "hub"}, {Site: "leaf"}, {Site: "hub", Point: "mains"}, {Agent: "leaf-1"}, {Tag: "hubs"}, {Tag: "hubs", Point: "door"}}

// step draws one random input and returns what applies it, so that several
// benches can be put through the same.
func step(t *rapid.T) func(*bench) {
	alarm := rapid.SampledFrom(walkPoints).Draw(t, "alarm")
	switch rapid.IntRange(0, 13).Draw(t, "what") {
	case 0, 1, 2:
		return func(b *bench) { b.raise(alarm) }
	case 3, 4:
		return func(b *bench) { b.clear(alarm) }
	case 5:
		action := rapid.SampledFrom([]correlate.Action{correlate.ActAcknowledge, correlate.ActNote, correlate.ActUnshelve}).Draw(t, "action")
		return func(b *bench) { b.act(alarm, action, "text", 0) }
	case 6:
		return func(b *bench) {
			b.apply(&correlate.Act{Key: key(alarm), Action: correlate.ActShelve, Actor: "o", Via: "test", Text: "why", Until: b.now.Add(time.Minute)})
		}
	case 7:
		agent := rapid.SampledFrom([]correlate.AgentID{"hub-1", "leaf-1"}).Draw(t, "agent")
		obs := correlate.Observation{Key: key(alarm), What: rapid.SampledFrom([]correlate.What{correlate.Raise, correlate.Clear}).Draw(t, "obs")}
		uptime := rapid.Uint32Range(0, 100000).Draw(t, "uptime")
		return func(b *bench) { b.hear(agent, uptime, obs) }
	case 8:
		raw := rapid.Float64Range(-700, 10).Draw(t, "raw")
		return func(b *bench) { b.value("hub:volts", raw) }
	case 9:
		return func(b *bench) { b.notice(correlate.Happened, "hub:entry") }
	case 10, 11:
		in := correlate.SetSilence{Kind: rapid.SampledFrom([]correlate.SilenceKind{correlate.Maintenance, correlate.OutOfService}).Draw(t, "silence"),
			Scopes: rapid.SliceOfN(rapid.SampledFrom(walkScopes), 1, 2).Draw(t, "scopes"), Reason: "r", Actor: "a", Via: "test"}
		from, lasts := rapid.IntRange(0, 60).Draw(t, "from"), rapid.IntRange(1, 120).Draw(t, "lasts")
		return func(b *bench) {
			ask := in
			ask.From = b.now.Add(time.Duration(from) * time.Second)
			ask.Until = ask.From.Add(time.Duration(lasts) * time.Second)
			b.apply(&ask)
		}
	case 12:
		which := rapid.IntRange(0, 5).Draw(t, "which")
		return func(b *bench) {
			if listed := b.eng.State().Listed(); len(listed) > 0 {
				b.apply(&correlate.EndSilence{ID: listed[which%len(listed)].ID, Actor: "a", Via: "test"})
			}
		}
	}
	without := rapid.SampledFrom([]correlate.PointID{"", "mains", "door", "volts", "derived"}).Draw(t, "without")
	windows := rapid.Bool().Draw(t, "windows")
	return func(b *bench) { b.walkReload(without, windows) }
}

// walkNetwork is the network of the tests above with more to go wrong: derived
// points, a rate, a stuck value, two paths and a window that recurs every two
// minutes. One point may be left out.
func walkNetwork(tb testing.TB, without correlate.PointID, windows bool) *correlate.Network {
	net := network(tb)
	var sites []*correlate.Site
	var agents []*correlate.Agent
	for _, id := range net.Sites() {
		site := *net.Site(id)
		site.Points = maps.Clone(site.Points)
		site.Points["derived"] = &correlate.Point{ID: "derived", Kind: correlate.Derived, Name: "derived", Severity: correlate.Minor, RaiseAfter: 5 * time.Second,
			Derive: &correlate.Derivation{Of: sources("mains", "volts"), Holds: func(f correlate.Facts) (bool, error) {
				v, ok := f.Reading(correlate.Source{Point: "volts"})
				if !ok {
					return false, errors.New("no reading")
				}
				return f.Stands(correlate.Source{Point: "mains"}) && v < 50, nil
			}}}
		site.Points["twice"] = &correlate.Point{ID: "twice", Kind: correlate.Derived, Name: "twice", Severity: correlate.Minor,
			Derive: &correlate.Derivation{Of: sources("derived", "door"), Holds: func(f correlate.Facts) (bool, error) {
				return f.Stands(correlate.Source{Point: "derived"}) || f.Stands(correlate.Source{Point: "door"}), nil
			}}}
		site.Points["path"] = &correlate.Point{ID: "path", Kind: correlate.Alive, Name: "path", Severity: correlate.Minor}
		volts := *site.Points["volts"]
		volts.Rate = &correlate.RateLimit{Rise: 10, Fall: 10, Within: time.Minute, DeadBand: 2, Severity: correlate.Minor}
		volts.Stuck = &correlate.StuckLimit{After: time.Minute, By: 5, Severity: correlate.Warning}
		site.Points["volts"] = &volts
		if without != "" && id == "hub" {
			delete(site.Points, without)
		}
		sites = append(sites, &site)
		agent := *net.Agent(site.Agents[0])
		agent.Paths, agent.PathPoint, agent.PathAllowed = []string{"192.0.2.1", "192.0.2.2"}, "path", 15*time.Minute
		agents = append(agents, &agent)
	}
	out, err := correlate.NewNetwork(sites, agents, "walk")
	if err != nil {
		tb.Fatal(err)
	}
	if !windows {
		return out
	}
	out, err = out.WithWindows([]*correlate.Window{{ID: "often", Scopes: []correlate.Scope{{Site: "leaf"}}, Reason: "r", By: "b", When: func(at time.Time) (from, until time.Time, ok bool) {
		from = at.Truncate(2 * time.Minute)
		if !from.Add(30 * time.Second).After(at) {
			from = from.Add(2 * time.Minute)
		}
		return from, from.Add(30 * time.Second), true
	}}})
	if err != nil {
		tb.Fatal(err)
	}
	return out
}

func walkBench(tb testing.TB) *bench {
	net := walkNetwork(tb, "", true)
	return &bench{tb: tb, net: net, eng: correlate.NewEngine(net, correlate.NewState()), now: epoch}
}

func (b *bench) walkReload(without correlate.PointID, windows bool) {
	b.net = walkNetwork(b.tb, without, windows)
	b.eng.Use(b.net)
	b.apply(&correlate.Reconfigure{Hash: "walk"})
}

// pass lets time go by, as the ledger does: a tick at each due time.
func pass(t *rapid.T, b *bench) {
	seconds := rapid.Float64Range(0, 40).Draw(t, "seconds")
	b.at(b.now.Sub(epoch).Seconds() + seconds)
}

// sound checks what must hold after every input.
func sound(t *rapid.T, b *bench) {
	st := b.eng.State()
	for k, a := range st.Alarms {
		if a.Key != k {
			t.Fatalf("%v is kept as %v", a.Key, k)
		}
		if a.Announced && (!a.Standing || !a.Cause.IsZero() || a.Shelf != nil || a.Suppressed != nil) {
			t.Fatalf("%v is announced, standing %v, explained by %q, shelved %v, suppressed %v", k, a.Standing, a.Cause, a.Shelf, a.Suppressed)
		}
		if (!a.Cause.IsZero() || a.Suppressed != nil) && !a.Standing {
			t.Fatalf("%v has cleared and is still explained by %v, suppressed %v", k, a.Cause, a.Suppressed)
		}
		if a.Suppressed != nil && (st.Silences[a.Suppressed.By] == nil || !st.Silences[a.Suppressed.By].Open) {
			t.Fatalf("%v is suppressed by %s, which does not hold", k, a.Suppressed.By)
		}
		if a.Flapping && !a.Standing {
			t.Fatalf("%v flaps and is off the board", k)
		}
		if a.OnBoard() && b.net.Point(k) == nil {
			t.Fatalf("%v is on the board and no longer configured", k)
		}
		if p := b.net.Point(k); p != nil && p.Flap != nil && a.Merit > p.Flap.Ceiling()+1e-9 {
			t.Fatalf("%v has a merit of %v above the ceiling %v", k, a.Merit, p.Flap.Ceiling())
		}
		if !a.Cause.IsZero() && !st.Alarms[a.Cause].Standing {
			t.Fatalf("%v is explained by %v, which does not stand", k, a.Cause)
		}
		for seen, at := 0, a; !at.Cause.IsZero(); seen++ {
			if at = st.Alarms[at.Cause]; at == nil || seen > 10 {
				t.Fatalf("%v has no root cause", k)
			}
		}
	}
	for id, s := range st.Silences {
		if !s.Until.After(b.now) || s.Until.Sub(s.From) > correlate.MaxOutOfService {
			t.Fatalf("silence %s ends %v, now is %v", id, s.Until, b.now)
		}
	}
}

// told checks that nobody was told of what a silence or a shelf covers, and of
// each alarm only as often as the rules allow: once an episode, and again when
// it got worse, when nobody took it in time, and when it comes back from where
// it was put.
func told(t *rapid.T, journal []*correlate.Record) {
	may := map[correlate.Key]int{}
	for _, r := range journal {
		for _, ev := range r.Events {
			switch e := ev.(type) {
			case *correlate.Raised:
				may[e.Key] = 1
			case *correlate.Withdrawn:
				may[e.Key]++
			case *correlate.Announced:
				switch {
				case e.Why == "worse" || e.Why == "again":
				case may[e.Key] == 0:
					t.Fatalf("%v was told in record %d (%s) beyond what the rules allow", e.Key, r.Seq, e.Why)
				default:
					may[e.Key]--
				}
			}
		}
	}
}

// TestFoldEqualsStateAndLeavesTheBoardForAReason checks invariants 3 and 4 on
// random walks.
func TestFoldEqualsStateAndLeavesTheBoardForAReason(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		b := walkBench(t)
		b.apply(&correlate.Start{})
		onBoard := map[correlate.Key]bool{}
		for range rapid.IntRange(1, 60).Draw(rt, "steps") {
			n := len(b.journal)
			if rapid.Bool().Draw(rt, "wait") {
				pass(rt, b)
			} else {
				step(rt)(b)
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
		told(rt, b.journal)
		b.refold()
	})
}

// TestRestartsChangeNothing checks invariant 5: a run with restarts at random
// places decides the same as the run without.
func TestRestartsChangeNothing(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		a, b := walkBench(t), walkBench(t)
		both := func(f func(*bench)) { f(a); f(b) }
		both(func(x *bench) { x.apply(&correlate.Start{}) })
		for range rapid.IntRange(1, 40).Draw(rt, "steps") {
			wait := rapid.Float64Range(0, 60).Draw(rt, "seconds")
			if rapid.Bool().Draw(rt, "restart") {
				b.restart()
			}
			do := step(rt)
			both(func(x *bench) {
				x.at(x.now.Sub(epoch).Seconds() + wait)
				do(x)
			})
		}
		if diff := cmp.Diff(a.eng.State().Snapshot(), b.eng.State().Snapshot(), cmpopts.EquateEmpty(), cmpopts.IgnoreFields(correlate.Snapshot{}, "Seq", "At")); diff != "" {
			rt.Fatalf("restarts changed the state (-without +with):\n%s", diff)
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
	var agents []*correlate.Agent
	var ids []correlate.PointID // as the template gives them to all sites
	for p := range points {
		ids = append(ids, correlate.PointID(fmt.Sprintf("p%d", p)))
	}
	for s := range sites {
		site := &correlate.Site{ID: correlate.SiteID(fmt.Sprintf("s%d", s)), Points: map[correlate.PointID]*correlate.Point{}}
		site.Agents = []correlate.AgentID{correlate.AgentID(site.ID)}
		for _, id := range ids {
			site.Points[id] = &correlate.Point{ID: id, Kind: correlate.Discrete, Name: string(id), Severity: correlate.Minor}
		}
		site.Points["alive"] = &correlate.Point{ID: "alive", Kind: correlate.Alive, Name: "Remote", AlarmWord: "Silent", Severity: correlate.Major}
		list = append(list, site)
		agents = append(agents, &correlate.Agent{ID: site.Agents[0], Site: site.ID, Point: "alive", Heartbeat: 15 * time.Minute, Grace: time.Minute})
	}
	net, err := correlate.NewNetwork(list, agents, "bench")
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
