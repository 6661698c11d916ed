package correlate_test

import (
	"errors"
	"testing"
	"time"

	"example.net/standwatch/correlate"
)

func sources(ids ...correlate.PointID) (out []correlate.Source) {
	for _, id := range ids {
		out = append(out, correlate.Source{Point: id})
	}
	return out
}

// derivedBench has two of three temperatures, and a generator that owes to run
// when the mains fails.
func derivedBench(t *testing.T) *bench {
	t.Helper()
	points := map[correlate.PointID]*correlate.Point{}
	add := func(p *correlate.Point) {
		p.Severity = correlate.Major
		p.Name = string(p.ID)
		points[p.ID] = p
	}
	for _, id := range []correlate.PointID{"t1", "t2", "t3"} {
		add(&correlate.Point{ID: id, Kind: correlate.Analog, Unit: "°C", Scale: 1})
	}
	add(&correlate.Point{ID: "mains", Kind: correlate.Discrete})
	add(&correlate.Point{ID: "running", Kind: correlate.Discrete})
	add(&correlate.Point{ID: "hot", Kind: correlate.Derived, RaiseAfter: 5 * time.Minute, Derive: &correlate.Derivation{Of: sources("t1", "t2", "t3"), Holds: func(f correlate.Facts) (bool, error) {
		n := 0
		for _, s := range sources("t1", "t2", "t3") {
			v, ok := f.Reading(s)
			if !ok {
				return false, errors.New("no reading of " + string(s.Point))
			}
			if v > 30 {
				n++
			}
		}
		return n >= 2, nil
	}}})
	add(&correlate.Point{ID: "no-power", Kind: correlate.Derived, RaiseAfter: 90 * time.Second, Derive: &correlate.Derivation{Of: sources("mains", "running"), Holds: func(f correlate.Facts) (bool, error) {
		return f.Stands(correlate.Source{Point: "mains"}) && !f.Stands(correlate.Source{Point: "running"}), nil
	}}})
	// worse looks at mains and at what is derived from it.
	add(&correlate.Point{ID: "a-worse", Kind: correlate.Derived, Derive: &correlate.Derivation{Of: sources("mains", "no-power"), Holds: func(f correlate.Facts) (bool, error) {
		return f.Stands(correlate.Source{Point: "mains"}) && f.Stands(correlate.Source{Point: "no-power"}), nil
	}}})
	net, err := correlate.NewNetwork([]*correlate.Site{{ID: "hub", Points: points}}, nil, "derived")
	if err != nil {
		t.Fatal(err)
	}
	return &bench{tb: t, net: net, eng: correlate.NewEngine(net, correlate.NewState()), now: epoch}
}

func TestTwoOfThreeTemperatures(t *testing.T) {
	b := derivedBench(t)
	b.want(b.value("hub:t1", 31), "measured computed")
	b.want(b.value("hub:t2", 20), "measured computed")
	b.want(b.value("hub:t3", 20), "measured computed")
	if d := b.eng.State().Derived[key("hub:hot")]; d.Failures != 2 || d.Err != "" || d.Holds {
		t.Errorf("after two readings of three were missing: %+v", d)
	}
	b.at(10).want(b.value("hub:t2", 32), "measured computed pending")
	b.at(200).want(b.value("hub:t1", 29), "measured computed pending-ended")
	b.at(210).want(b.value("hub:t1", 31), "measured computed pending")
	b.restart()
	n := len(b.journal)
	b.at(511)
	b.wantSince(n, "raised(major) announced(raised)")
	b.want(b.value("hub:t1", 10), "measured computed cleared")
	b.refold()
}

func TestGeneratorThatDoesNotStart(t *testing.T) {
	b := derivedBench(t)
	b.want(b.raise("hub:mains"), "raised(major) announced(raised) computed pending")
	b.at(30).want(b.raise("hub:running"), "raised(major) announced(raised) computed pending-ended")
	b.at(40).want(b.clear("hub:running"), "cleared computed pending")
	n := len(b.journal)
	b.at(131)
	b.wantSince(n, "raised(major) announced(raised) computed raised(major) announced(raised)")
	b.want(b.clear("hub:mains"), "cleared computed cleared computed cleared")
	b.refold()
}

func TestDerivedPointsMustNotLookAtEachOther(t *testing.T) {
	never := func(correlate.Facts) (bool, error) { return false, nil }
	site := &correlate.Site{ID: "hub", Points: map[correlate.PointID]*correlate.Point{
		"a": {ID: "a", Kind: correlate.Derived, Derive: &correlate.Derivation{Of: sources("b"), Holds: never}},
		"b": {ID: "b", Kind: correlate.Derived, Derive: &correlate.Derivation{Of: sources("c", "x"), Holds: never}},
		"c": {ID: "c", Kind: correlate.Derived, Derive: &correlate.Derivation{Of: sources("a"), Holds: never}},
		"x": {ID: "x", Kind: correlate.Discrete},
	}}
	_, err := correlate.NewNetwork([]*correlate.Site{site}, nil, "")
	if err == nil || err.Error() != `site "hub": derived points look at each other in a circle: a looks at b, which looks at c, which looks at a` {
		t.Errorf("got %v", err)
	}
}

// A reload computes anew: what no longer holds clears, and what is derived no
// longer leaves the board with a reason.
func TestReloadComputesAnew(t *testing.T) {
	b := derivedBench(t)
	b.raise("hub:mains")
	b.at(91).wantBoard("hub:a-worse hub:mains hub:no-power")
	site := *b.net.Site("hub")
	points := map[correlate.PointID]*correlate.Point{}
	for id, p := range site.Points {
		points[id] = p
	}
	noPower := *points["no-power"]
	noPower.Derive = &correlate.Derivation{Of: sources("running"), Holds: func(f correlate.Facts) (bool, error) { return f.Stands(correlate.Source{Point: "running"}), nil }}
	plain := *points["a-worse"]
	plain.Kind, plain.Derive = correlate.Discrete, nil
	points["no-power"], points["a-worse"] = &noPower, &plain
	site.Points = points
	net, err := correlate.NewNetwork([]*correlate.Site{&site}, nil, "next")
	if err != nil {
		t.Fatal(err)
	}
	b.net = net
	b.eng.Use(net)
	b.want(b.apply(&correlate.Reconfigure{Hash: "next"}), "configured closed computed computed cleared") // hot, which has no readings, fails
	b.wantBoard("hub:mains")
	b.refold()
}
