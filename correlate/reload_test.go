package correlate_test

import (
	"maps"
	"testing"
	"time"

	"example.net/standwatch/correlate"
)

// reload changes the points of the hub and puts the result in force.
func (b *bench) reload(change func(points map[correlate.PointID]*correlate.Point)) []correlate.Event {
	b.tb.Helper()
	hub := *b.net.Site("hub")
	hub.Points = maps.Clone(hub.Points)
	change(hub.Points)
	sites := []*correlate.Site{&hub}
	var agents []*correlate.Agent
	for _, id := range b.net.Sites() {
		if id != "hub" {
			sites = append(sites, b.net.Site(id))
		}
		for _, a := range b.net.Site(id).Agents {
			agents = append(agents, b.net.Agent(a))
		}
	}
	net, err := correlate.NewNetwork(sites, agents, "next")
	if err != nil {
		b.tb.Fatal(err)
	}
	b.net = net
	b.eng.Use(net)
	return b.apply(&correlate.Reconfigure{Hash: "next"})
}

// What a removed point explained is not lost with it.
func TestRemovedCauseReleasesWhatItExplained(t *testing.T) {
	b := newBench(t)
	b.raise("hub:mains")
	b.raise("hub:rectifier")
	b.wantBoard("hub:mains hub:rectifier<hub:mains")
	b.want(b.reload(func(points map[correlate.PointID]*correlate.Point) { delete(points, "mains") }), "configured closed unexplained")
	n := len(b.journal)
	b.at(60)
	b.wantSince(n, "announced(held)")
	b.refold()
}

// Nor is what is no longer explained by a cause that still stands.
func TestReloadThatTakesAnExplanationAway(t *testing.T) {
	b := newBench(t)
	b.raise("hub:mains")
	b.raise("hub:rectifier")
	b.want(b.reload(func(points map[correlate.PointID]*correlate.Point) {
		p := *points["rectifier"]
		p.ExplainedBy = nil
		points["rectifier"] = &p
	}), "configured unexplained")
	n := len(b.journal)
	b.at(60)
	b.wantSince(n, "announced(held)")
	b.refold()
}

// A restart under another configuration does what a reload does.
func TestRestartWithAnotherConfiguration(t *testing.T) {
	b := newBench(t)
	b.raise("hub:mains")
	hub := *b.net.Site("hub")
	hub.Points = map[correlate.PointID]*correlate.Point{"door": hub.Points["door"]}
	hub.Agents = nil
	net, err := correlate.NewNetwork([]*correlate.Site{&hub}, nil, "next")
	if err != nil {
		t.Fatal(err)
	}
	b.net = net
	b.restart()
	b.want(b.apply(&correlate.Start{Hash: "next"}), "closed")
	b.refold()
}

// An agent that is gone cannot be heard again: its silence does not stand for
// ever.
func TestSilenceOfARemovedAgent(t *testing.T) {
	b := newBench(t)
	b.apply(&correlate.Start{})
	b.at(60).hear("leaf-1", 100)
	b.at(100).wantBoard("hub:alive")
	hub := *b.net.Site("hub")
	hub.Agents = nil
	net, err := correlate.NewNetwork([]*correlate.Site{&hub, b.net.Site("leaf")}, []*correlate.Agent{b.net.Agent("leaf-1")}, "next")
	if err != nil {
		t.Fatal(err)
	}
	b.net = net
	b.eng.Use(net)
	b.want(b.apply(&correlate.Reconfigure{Hash: "next"}), "configured closed")
	b.refold()
}

// A shorter heartbeat counts from the reload on.
func TestReloadShortensAHeartbeat(t *testing.T) {
	b := newBench(t)
	slow := *b.net.Agent("hub-1")
	slow.Heartbeat = time.Hour
	use := func(a *correlate.Agent) *correlate.Network {
		net, err := correlate.NewNetwork([]*correlate.Site{b.net.Site("hub"), b.net.Site("leaf")}, []*correlate.Agent{a}, "x")
		if err != nil {
			t.Fatal(err)
		}
		return net
	}
	quick := b.net.Agent("hub-1")
	b.net = use(&slow)
	b.eng = correlate.NewEngine(b.net, correlate.NewState())
	b.apply(&correlate.Start{})
	b.at(30)
	b.net = use(quick)
	b.eng.Use(b.net)
	b.apply(&correlate.Reconfigure{Hash: "next"})
	b.at(70).wantBoard("hub:alive")
}
