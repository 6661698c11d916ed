package correlate_test

import (
	"fmt"
	"testing"
	"time"

	"example.net/standwatch/correlate"
)

// TestHubDownIsOneAlarmWithACount: with a hub down its twenty-two leaf sites
// fall silent with it. One alarm is told, the others hang under it.
func TestHubDownIsOneAlarmWithACount(t *testing.T) {
	var sites []*correlate.Site
	var agents []*correlate.Agent
	add := func(id, upstream correlate.SiteID) {
		p := &correlate.Point{ID: "alive", Kind: correlate.Alive, Name: "Remote", AlarmWord: "Silent", Severity: correlate.Major}
		if upstream != "" {
			p.ExplainedBy, p.Hold = []correlate.Ref{{Site: upstream, Point: "alive"}}, 2*time.Minute
		}
		agent := &correlate.Agent{ID: correlate.AgentID(id) + "-remote", Site: id, Point: "alive", Heartbeat: time.Minute, Grace: 10 * time.Second}
		sites = append(sites, &correlate.Site{ID: id, Upstream: upstream, Points: map[correlate.PointID]*correlate.Point{"alive": p}, Agents: []correlate.AgentID{agent.ID}})
		agents = append(agents, agent)
	}
	for i := range 22 {
		add(correlate.SiteID(fmt.Sprintf("leaf-%02d", i)), "zz-hub")
	}
	add("zz-hub", "") // last in every order
	net, err := correlate.NewNetwork(sites, agents, "hub")
	if err != nil {
		t.Fatal(err)
	}
	b := &bench{tb: t, net: net, eng: correlate.NewEngine(net, correlate.NewState()), now: epoch}
	b.apply(&correlate.Start{})
	for i, a := range agents { // heard one after the other; the hub longest ago is the last to be missed
		b.at(float64(i)).hear(a.ID, uint32(i))
	}
	b.at(1000)
	hub := correlate.Key{Site: "zz-hub", Point: "alive"}
	if told, under := b.count(17), len(b.eng.State().Consequences(hub)); told != 1 || under != 22 {
		t.Errorf("%d were told and %d hang under the hub, want 1 and 22", told, under)
	}
	// All come back but one, which is told on its own then.
	n := len(b.journal)
	for i, a := range agents {
		if i != 7 {
			b.at(1000+float64(i)*0.1).hear(a.ID, uint32(100000+i))
		}
	}
	for s := 1050.0; s <= 1200; s += 50 {
		for i, a := range agents {
			if i != 7 {
				b.at(s).hear(a.ID, uint32(s*100))
			}
		}
	}
	told := 0
	for _, r := range b.journal[n:] {
		for _, ev := range r.Events {
			if e, ok := ev.(*correlate.Announced); ok {
				told++
				if e.Key.Site != "leaf-07" {
					t.Errorf("%v was told", e.Key)
				}
			}
		}
	}
	if told != 1 {
		t.Errorf("%d were told after the hub came back, want the one that stayed silent", told)
	}
	b.refold()
}

// The part of a network that somebody sees has the windows over it, and a state
// made up by hand has its consequences.
func TestPartOfANetworkKeepsItsWindows(t *testing.T) {
	b := windowed(t, correlate.Scope{Site: "hub"}, correlate.Scope{Tag: "hubs"})
	only := func(id correlate.SiteID) *correlate.Network {
		return b.net.Only(func(s *correlate.Site) bool { return s.ID == id })
	}
	if n := len(only("leaf").Windows()); n != 0 {
		t.Errorf("the leaf has %d windows, want none", n)
	}
	if w := only("hub").Windows(); len(w) != 1 || len(w[0].Scopes) != 2 {
		t.Errorf("the hub has %+v, want its window", w)
	}
	b.raise("hub:mains")
	b.raise("hub:rectifier")
	made := correlate.NewState()
	for k, a := range b.eng.State().Alarms {
		made.Alarms[k] = a
	}
	made.Reindex()
	if n := len(made.Consequences(key("hub:mains"))); n != 1 {
		t.Errorf("%d consequences, want the rectifier", n)
	}
}
