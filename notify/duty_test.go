package notify_test

import (
	"strings"
	"testing"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/notify"
)

// TestProof goes to whoever is on call, once a day, and says when nobody is.
func TestProof(t *testing.T) {
	w := newWorld(t, func(b *notify.Book) { b.Rosters[0].Proof, b.Rosters[1].Proof = "08:00", "20:00" })
	due := func(at time.Time) string { return strings.Join(w.plan.ProofsDue(w.engine.State(), at), " ") }
	// Denver is seven hours behind; night is 02:14 there.
	for at, want := range map[time.Duration]string{0: "", 5*time.Hour + 45*time.Minute: "", 5*time.Hour + 46*time.Minute: "crew", 8 * time.Hour: ""} {
		if got := due(night.Add(at)); got != want {
			t.Errorf("after %s: %q, want %q", at, got, want)
		}
	}
	w.raise("mains")
	w.after(5*time.Hour + 50*time.Minute).apply(&correlate.RosterAct{Action: correlate.ActProve, Roster: "crew"})
	got := w.sent()
	if len(got) != 1 || got[0].Person != "north" || got[0].Body != "PROOF Sat 08:04: Kestrel Basin Cooperative lives. You are on call: Crews. 1 stand, 1 untaken." {
		t.Errorf("got %+v", got)
	}
	if got := due(w.at.Add(time.Minute)); got != "" {
		t.Errorf("due again: %q", got)
	}
	w.after(12*time.Hour - 4*time.Minute).apply(&correlate.RosterAct{Action: correlate.ActProve, Roster: "days"})
	if e, ok := w.log[len(w.log)-1].Events[0].(*correlate.Proved); !ok || e.Nobody == "" || len(w.sent()) != 0 {
		t.Errorf("in a hole: %+v", w.log[len(w.log)-1].Events)
	}
}

// TestBrokenGateway: while a gateway is out of order people are told over
// another, where they have one.
func TestBrokenGateway(t *testing.T) {
	denver := time.UTC
	w := manySites(t, 2, nil)
	self := &correlate.Site{ID: correlate.SiteSelf, Name: "This master", Zone: denver, Points: map[correlate.PointID]*correlate.Point{
		notify.GatewayPoint: {ID: notify.GatewayPoint, Kind: correlate.Discrete, Name: "Gateway", AlarmWord: "Messages cannot be handed over", Severity: correlate.Major}}}
	site := &correlate.Site{ID: "site-0001", Name: "Site 1", Points: map[correlate.PointID]*correlate.Point{"mains": {ID: "mains", Kind: correlate.Discrete, Name: "Mains", AlarmWord: "Mains failed", Severity: correlate.Major}}}
	net, err := correlate.NewNetwork([]*correlate.Site{self, site}, nil, "h")
	if err != nil {
		t.Fatal(err)
	}
	b := book()
	b.Routes = []notify.Route{{Name: "all", Ladder: "one"}}
	b.Ladders = []notify.Ladder{{Name: "one", Rungs: []notify.Rung{{Whom: []notify.Target{{Person: "north"}, {Person: "south"}}, Wait: 30 * time.Minute}}}}
	plan, problems := notify.NewPlan(b, notify.Options{Network: net})
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	w = &world{TB: t, engine: correlate.NewEngine(net, correlate.NewState()), plan: plan, at: night}
	over := func() (out []string) {
		for _, m := range w.sent() {
			out = append(out, m.Person+" "+m.Channel)
		}
		return out
	}
	w.apply(&correlate.Notice{Observations: []correlate.Observation{{Key: correlate.Key{Site: correlate.SiteSelf, Point: notify.GatewayPoint, Instance: "sms"}, What: correlate.Raise}}})
	want(t, over(), "north mail", "south sms") // south has nothing else
	w.at1(1, "mains", correlate.Raise)
	want(t, over(), "north mail", "south sms")
	w.apply(&correlate.Notice{Observations: []correlate.Observation{{Key: correlate.Key{Site: correlate.SiteSelf, Point: notify.GatewayPoint, Instance: "sms"}, What: correlate.Clear}}})
	w.at1(1, "mains", correlate.Clear)
	w.after(time.Hour).at1(1, "mains", correlate.Raise)
	want(t, over(), "north sms", "south sms")
}

// TestRungsBySeverity: a rung can be for the worse alarms alone.
func TestRungsBySeverity(t *testing.T) {
	w := newWorld(t, func(b *notify.Book) { b.Ladders[0].Rungs[0].AtLeast = correlate.Critical })
	want(t, w.raise("rectifier"), "open c1 urgent told=0",
		"step 0/0 due 09:14:05 the rung is for critical alarms and worse", "step 1/0 due 09:14:05 the rung is for critical alarms and worse",
		"step 2/0 due 09:14:05 nobody is on call in roster days", "step 3/0 due 09:29:05",
		"send m1-0 raised to chief by mail from 09:14:05 until 13:14:05", "send m1-1 raised to north by mail from 09:14:05 until 09:21:35")
}

// TestLadderThatFollows is climbed when nobody took it; a circle is refused.
func TestLadderThatFollows(t *testing.T) {
	w := newWorld(t, func(b *notify.Book) {
		b.Ladders[1].Then = "urgent"
		b.Ladders[0].Rounds = 1
		b.Routes = []notify.Route{{Name: "all", Ladder: "calm"}}
	})
	w.raise("rectifier")
	w.answer("m1-0", correlate.Accepted, 0)
	want(t, w.after(30*time.Minute).tick(), "end c1 withdrawn", "open c3 urgent told=1", "step 0/0 due 09:54:05", "send m3-0 again to north by sms from 09:44:05 until 09:49:05")
	b := book()
	b.Ladders[0].Then, b.Ladders[1].Then = "calm", "urgent"
	if _, problems := notify.NewPlan(b, notify.Options{Network: network(t)}); len(problems) != 2 || !strings.Contains(problems[0].What, "circle") {
		t.Errorf("got %v", problems)
	}
}
