package correlate_test

import (
	"fmt"
	"testing"
	"time"

	"example.net/standwatch/correlate"
)

// floodBench has many points that know nothing of each other.
func floodBench(t *testing.T, points int) *bench {
	t.Helper()
	site := &correlate.Site{ID: "hub", Points: map[correlate.PointID]*correlate.Point{}}
	for i := range points {
		id := correlate.PointID(fmt.Sprintf("p%d", i))
		site.Points[id] = &correlate.Point{ID: id, Kind: correlate.Discrete, Name: string(id), Severity: correlate.Minor}
	}
	net, err := correlate.NewNetwork([]*correlate.Site{site}, nil, "flood")
	if err != nil {
		t.Fatal(err)
	}
	return &bench{tb: t, net: net, eng: correlate.NewEngine(net, correlate.NewState()), now: epoch}
}

func (b *bench) count(of correlate.EventKind) (n int) {
	for _, r := range b.journal {
		for _, ev := range r.Events {
			if ev.Kind() == of {
				n++
			}
		}
	}
	return n
}

// TestFloodOfElevenMinutes replays the load of Milford Haven 1994: 275 alarms
// in the last 11 minutes (HSE, Chemicals Sheet No 6).
func TestFloodOfElevenMinutes(t *testing.T) {
	b := floodBench(t, 275)
	marked := 0
	for i := range 275 {
		b.at(float64(i) * 660 / 275).raise(fmt.Sprintf("hub:p%d", i))
		if i == 100 {
			b.restart()
		}
	}
	for _, r := range b.journal {
		for _, ev := range r.Events {
			if a, ok := ev.(*correlate.Announced); ok && a.Flood {
				marked++
			}
		}
	}
	if raised, began := b.count(1), b.count(29); raised != 275 || began != 1 || marked != 265 {
		t.Errorf("%d raised, %d floods began, %d marked; want 275, 1 and 265 (the eleventh on)", raised, began, marked)
	}
	if f := b.eng.State().Flood; !f.On() || f.Count != 275 {
		t.Errorf("the flood counts %d, want 275", f.Count)
	}
	// The fifth newest came at 274-4 = 270 steps of 2.4 s, so the flood ends ten
	// minutes after that.
	b.at(270*2.4 + 599)
	if b.count(30) != 0 {
		t.Error("the flood ended while five had come in ten minutes")
	}
	b.at(270*2.4 + 600)
	if b.count(30) != 1 || b.eng.State().Flood.On() {
		t.Error("the flood did not end")
	}
	b.refold()
}

func TestTenAlarmsInTenMinutesAreNoFlood(t *testing.T) {
	b := floodBench(t, 30)
	for i := range 10 {
		b.at(float64(i)).raise(fmt.Sprintf("hub:p%d", i))
	}
	b.at(600).want(b.raise("hub:p10"), "raised(minor) announced(raised)")
	if b.eng.State().Flood.On() {
		t.Error("ten in ten minutes began a flood")
	}
	b.at(601.5).want(b.raise("hub:p11"), "raised(minor) announced(raised)")
	b.refold()
}

// What tells nobody makes no flood, and asking again is no new alarm.
func TestFloodCountsWhatIsToldAnew(t *testing.T) {
	b := floodBench(t, 40)
	for i := range 30 {
		id := fmt.Sprintf("hub:p%d", i)
		b.raise(id)
		b.apply(&correlate.Act{Key: key(id), Action: correlate.ActAcknowledge, Actor: "o", Via: "test"})
		b.clear(id)
		b.now = b.now.Add(2 * time.Minute)
	}
	if n := b.count(29); n != 0 {
		t.Errorf("one alarm every two minutes began %d floods", n)
	}
	b.refold()
}

// Whoever sees some sites is told of a flood how many alarms of theirs are in
// it, and nothing when it passes them by.
func TestFloodOfSomeSites(t *testing.T) {
	var sites []*correlate.Site
	for id, points := range map[correlate.SiteID]int{"wide": 30, "small": 6, "spared": 3} {
		s := &correlate.Site{ID: id, Points: map[correlate.PointID]*correlate.Point{}}
		for i := range points {
			p := correlate.PointID(fmt.Sprintf("p%d", i))
			s.Points[p] = &correlate.Point{ID: p, Kind: correlate.Discrete, Name: string(p), Severity: correlate.Minor}
		}
		sites = append(sites, s)
	}
	net, err := correlate.NewNetwork(sites, nil, "flood of some")
	if err != nil {
		t.Fatal(err)
	}
	b := &bench{tb: t, net: net, eng: correlate.NewEngine(net, correlate.NewState()), now: epoch}
	for i := range 30 {
		b.at(float64(i)).raise(fmt.Sprintf("wide:p%d", i))
		if i < 6 {
			b.raise(fmt.Sprintf("small:p%d", i))
		}
		if i < 3 {
			b.raise(fmt.Sprintf("spared:p%d", i))
		}
	}
	whole := b.eng.State()
	for site, want := range map[correlate.SiteID]int{"wide": 30, "small": 6, "spared": 0} {
		part := whole.Only(net.Only(func(s *correlate.Site) bool { return s.ID == site }))
		if f := part.Flood; f.Count != want || f.On() != (want > 0) || len(f.Recent)+len(f.Told) > 0 {
			t.Errorf("at %s: %+v, want %d alarms", site, f, want)
		}
	}
	if whole.Flood.Count != 39 {
		t.Errorf("the whole counts %d", whole.Flood.Count)
	}
}
