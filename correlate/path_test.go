package correlate_test

import (
	"testing"
	"time"

	"example.net/standwatch/correlate"
)

// twoPaths has an agent on two networks.
func twoPaths(t *testing.T) *bench {
	t.Helper()
	site := &correlate.Site{ID: "hub", Agents: []correlate.AgentID{"hub-1"}, Points: map[correlate.PointID]*correlate.Point{
		"mains": {ID: "mains", Kind: correlate.Discrete, Name: "mains", Severity: correlate.Major},
		"alive": {ID: "alive", Kind: correlate.Alive, Name: "alive", AlarmWord: "Silent", Severity: correlate.Major},
		"path":  {ID: "path", Kind: correlate.Alive, Name: "path", AlarmWord: "Path silent", Severity: correlate.Minor},
	}}
	agent := &correlate.Agent{ID: "hub-1", Site: "hub", Point: "alive", Heartbeat: time.Minute, Grace: time.Minute,
		Paths: []string{"192.0.2.1", "2001:db8::1"}, PathPoint: "path", PathAllowed: 15 * time.Minute}
	net, err := correlate.NewNetwork([]*correlate.Site{site}, []*correlate.Agent{agent}, "paths")
	if err != nil {
		t.Fatal(err)
	}
	b := &bench{tb: t, net: net, eng: correlate.NewEngine(net, correlate.NewState()), now: epoch}
	b.apply(&correlate.Start{})
	return b
}

func (b *bench) over(address string) []correlate.Event {
	return b.apply(&correlate.Arrival{Agent: "hub-1", From: address, Version: "v2c"})
}

func TestPathThatFallsSilentIsAnAlarm(t *testing.T) {
	b := twoPaths(t)
	for s := 0.0; s <= 1800; s += 60 {
		b.at(s).over("192.0.2.1:40000")
		if s <= 600 {
			b.over("[2001:db8::1]:40000")
		}
		if s == 700 {
			b.restart()
		}
	}
	b.wantBoard("hub:path:2001:db8::1")
	if a := b.eng.State().Alarms[correlate.Key{Site: "hub", Point: "path", Instance: "2001:db8::1"}]; a.Raised.Sub(epoch) != 1500*time.Second {
		t.Errorf("raised after %v, want 600 s and 15 min", a.Raised.Sub(epoch))
	}
	b.want(b.over("[2001:db8::1]:40001"), "cleared")
	b.refold()
}

// When the whole agent is silent that is one alarm, not one for each path, and
// the paths have their whole time when it comes back.
func TestSilentAgentRaisesNoPaths(t *testing.T) {
	b := twoPaths(t)
	b.at(10).over("192.0.2.1:40000")
	b.over("[2001:db8::1]:40000")
	b.at(7200).wantBoard("hub:alive")
	b.over("192.0.2.1:40000")
	b.at(7201).wantBoard("")
	b.over("[2001:db8::1]:40000")
	for s := 7260.0; s < 9000; s += 60 {
		b.at(s).over("192.0.2.1:40000")
		b.over("[2001:db8::1]:40000")
	}
	if n := b.count(1); n != 1 {
		t.Errorf("%d alarms rose, want the agent's silence alone", n)
	}
	b.refold()
}

// TestPathOf: an address is written as netip writes it, however it came, so that
// it compares equal to those of [correlate.Agent.Paths].
func TestPathOf(t *testing.T) {
	for from, want := range map[string]string{
		"192.0.2.7:162":            "192.0.2.7",
		"[2001:db8::7]:162":        "2001:db8::7",
		"[2001:DB8:0::7]:162":      "2001:db8::7",
		"[::ffff:192.0.2.7]:162":   "192.0.2.7",
		"[fe80::1%eth0]:162":       "fe80::1%eth0",
		"192.0.2.7":                "",
		"192.0.2.007:162":          "",
		"tls:fort-remote":          "",
		"":                         "",
		"[2001:db8::7%25zone]:162": "2001:db8::7%25zone",
	} {
		if got := correlate.PathOf(from); got != want {
			t.Errorf("%q: %q, want %q", from, got, want)
		}
	}
	if n := testing.AllocsPerRun(100, func() { correlate.PathOf("192.0.2.7:162"); correlate.PathOf("[2001:db8::7]:162") }); n > 0 {
		t.Errorf("%v allocations", n)
	}
}
