package correlate_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/correlate/flap"
	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
)

var epoch = time.Date(2026, 1, 5, 3, 0, 0, 0, time.UTC)

// bench drives an engine and keeps its journal, in seconds from epoch.
type bench struct {
	tb      testing.TB
	net     *correlate.Network
	eng     *correlate.Engine
	journal []*correlate.Record
	now     time.Time
}

func ptr(v float64) *float64 { return &v }

// network has a hub with a leaf below it, and every kind of point.
func network(tb testing.TB) *correlate.Network {
	tb.Helper()
	quick := &flap.Settings{Cut: 2.5, Reuse: 0.75, HalfLifeClear: time.Minute, HalfLifeStand: 2 * time.Minute, MaxHold: 5 * time.Minute}
	point := func(id correlate.PointID, s correlate.Severity, change func(*correlate.Point)) *correlate.Point {
		p := &correlate.Point{ID: id, Kind: correlate.Discrete, Name: string(id), AlarmWord: string(id) + " alarm", NormalWord: string(id) + " normal", Severity: s}
		if change != nil {
			change(p)
		}
		return p
	}
	points := func(site correlate.SiteID, upstream correlate.SiteID) map[correlate.PointID]*correlate.Point {
		list := []*correlate.Point{
			point("mains", correlate.Major, nil),
			point("rectifier", correlate.Major, func(p *correlate.Point) {
				p.ExplainedBy = []correlate.Ref{{Site: site, Point: "mains"}}
				p.Hold = 10 * time.Second
			}),
			point("door", correlate.Minor, func(p *correlate.Point) {
				p.Flap = quick
				p.ExcusedBy = []correlate.Excuse{{Event: correlate.Ref{Site: site, Point: "entry"}, For: time.Minute}}
			}),
			point("light", correlate.Critical, func(p *correlate.Point) { p.Flap, p.Regulated = quick, true }),
			point("pump", correlate.Minor, func(p *correlate.Point) { p.RaiseAfter, p.ClearAfter = 5*time.Second, 3*time.Second }),
			point("smoke", correlate.Critical, func(p *correlate.Point) { p.Latch, p.ReAlarm = true, 30*time.Second }),
			point("entry", correlate.Indeterminate, func(p *correlate.Point) { p.Kind = correlate.Entry }),
			point("volts", correlate.Minor, func(p *correlate.Point) {
				p.Kind, p.Unit, p.Scale, p.Decimals = correlate.Analog, "V", -0.1, 1
				p.Limits = correlate.Limits{Low: &correlate.Limit{At: 47, DeadBand: 1, Severity: correlate.Major}, LowLow: &correlate.Limit{At: 44, DeadBand: 1, Severity: correlate.Critical},
					High: &correlate.Limit{At: 56.5, DeadBand: 0.5, Severity: correlate.Minor}}
				p.PlausibleMin, p.PlausibleMax = ptr(10), ptr(70)
			}),
			point("alive", correlate.Major, func(p *correlate.Point) {
				p.Kind = correlate.Alive
				if upstream != "" {
					p.ExplainedBy = []correlate.Ref{{Site: upstream, Point: "alive"}, {Site: upstream, Point: "mains"}}
					p.Hold = 20 * time.Second
				}
			}),
		}
		out := map[correlate.PointID]*correlate.Point{}
		for _, p := range list {
			out[p.ID] = p
		}
		return out
	}
	sites := []*correlate.Site{
		{ID: "hub", Name: "Hub", Tags: []string{"hubs"}, Points: points("hub", ""), Agents: []correlate.AgentID{"hub-1"}},
		{ID: "leaf", Name: "Leaf", Upstream: "hub", Points: points("leaf", "hub"), Agents: []correlate.AgentID{"leaf-1"}},
	}
	agents := []*correlate.Agent{
		{ID: "hub-1", Site: "hub", Point: "alive", Heartbeat: time.Minute, Grace: 10 * time.Second},
		{ID: "leaf-1", Site: "leaf", Point: "alive", Heartbeat: time.Minute, Grace: 10 * time.Second},
	}
	net, err := correlate.NewNetwork(sites, agents, "test")
	if err != nil {
		tb.Fatal(err)
	}
	return net
}

func newBench(tb testing.TB) *bench {
	net := network(tb)
	return &bench{tb: tb, net: net, eng: correlate.NewEngine(net, correlate.NewState()), now: epoch}
}

// at moves to a second after epoch, ticking at every due time on the way.
func (b *bench) at(second float64) *bench {
	b.tb.Helper()
	to := epoch.Add(time.Duration(second * float64(time.Second)))
	for {
		due, ok := b.eng.NextDue()
		if !ok || due.After(to) {
			break
		}
		b.now = later(b.now, due)
		b.apply(&correlate.Tick{})
	}
	b.now = later(b.now, to)
	return b
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

func (b *bench) apply(in correlate.Input) []correlate.Event {
	r := &correlate.Record{Seq: correlate.Seq(len(b.journal) + 1), At: b.now, Input: in}
	b.eng.Apply(r)
	if _, tick := in.(*correlate.Tick); !tick || len(r.Events) > 0 {
		b.journal = append(b.journal, r)
	}
	return r.Events
}

func key(text string) correlate.Key {
	k, err := correlate.ParseAlarmID(correlate.AlarmID(text))
	if err != nil {
		panic(err)
	}
	return k
}

func (b *bench) notice(what correlate.What, alarm string) []correlate.Event {
	return b.apply(&correlate.Notice{Source: "test", Observations: []correlate.Observation{{Key: key(alarm), What: what}}})
}

func (b *bench) raise(alarm string) []correlate.Event { return b.notice(correlate.Raise, alarm) }
func (b *bench) clear(alarm string) []correlate.Event { return b.notice(correlate.Clear, alarm) }

func (b *bench) value(alarm string, raw float64) []correlate.Event {
	return b.apply(&correlate.Notice{Source: "test", Observations: []correlate.Observation{{Key: key(alarm), What: correlate.Value, Value: raw}}})
}

func (b *bench) act(alarm string, action correlate.Action, text string, until float64) []correlate.Event {
	in := &correlate.Act{Key: key(alarm), Action: action, Actor: "operator", Via: "console", Text: text}
	if until > 0 {
		in.Until = epoch.Add(time.Duration(until * float64(time.Second)))
	}
	return b.apply(in)
}

// hear applies an arrival from an agent with observations.
func (b *bench) hear(agent correlate.AgentID, uptime uint32, obs ...correlate.Observation) []correlate.Event {
	return b.apply(&correlate.Arrival{Agent: agent, From: "192.0.2.1:40000", Version: "v2c", Uptime: uptime, HasUptime: true, Observations: obs})
}

// words writes events the way the tables below spell them.
func words(events []correlate.Event) string {
	var out []string
	for _, ev := range events {
		w := correlate.EventKinds[ev.Kind()].Word
		switch e := ev.(type) {
		case *correlate.Announced:
			w += "(" + e.Why + ")"
		case *correlate.Held:
			w += "(" + e.Why + ")"
		case *correlate.Ignored:
			w += "(" + e.Why + ")"
		case *correlate.Withdrawn:
			w += "(" + e.Why + ")"
		case *correlate.Explained:
			w += "(" + e.By.String() + ")"
		case *correlate.Raised:
			w += "(" + e.Severity.String() + ")"
		case *correlate.Changed:
			w += "(" + e.Severity.String() + ")"
		}
		out = append(out, w)
	}
	return strings.Join(out, " ")
}

func (b *bench) want(got []correlate.Event, want string) {
	b.tb.Helper()
	if w := words(got); w != want {
		b.tb.Errorf("at %v decided %q, want %q", b.now.Sub(epoch), w, want)
	}
}

// since returns the words of everything decided after the first n records.
func (b *bench) since(n int) string {
	var events []correlate.Event
	for _, r := range b.journal[n:] {
		events = append(events, r.Events...)
	}
	return words(events)
}

// board writes the alarms on the board.
func (b *bench) board() string {
	var out []string
	for _, a := range b.eng.State().Board() {
		w := a.Key.String()
		switch {
		case !a.Cause.IsZero():
			w += "<" + a.Cause.String()
		case a.Flapping:
			w += "~"
		case a.Latched:
			w += "_"
		}
		if a.Acknowledged {
			w += "+"
		}
		out = append(out, w)
	}
	return strings.Join(out, " ")
}

func (b *bench) wantBoard(want string) {
	b.tb.Helper()
	if got := b.board(); got != want {
		b.tb.Errorf("at %v the board is %q, want %q", b.now.Sub(epoch), got, want)
	}
}

// refold checks invariant 3: the fold of the journal is the state.
func (b *bench) refold() {
	b.tb.Helper()
	st := correlate.NewState()
	for _, r := range b.journal {
		st.Fold(r)
	}
	opts := cmp.Options{cmpopts.EquateEmpty(), cmpopts.IgnoreFields(correlate.Snapshot{}, "Seq", "At")}
	if diff := cmp.Diff(b.eng.State().Snapshot(), st.Snapshot(), opts); diff != "" {
		b.tb.Errorf("the fold of the journal differs from the state (-state +fold):\n%s", diff)
	}
}

// restart replaces the engine by one that starts from the journal alone.
func (b *bench) restart() {
	st := correlate.NewState()
	for _, r := range b.journal {
		st.Fold(r)
	}
	b.eng = correlate.NewEngine(b.net, correlate.Restore(st.Snapshot()))
}

func TestLife(t *testing.T) {
	b := newBench(t)
	b.want(b.clear("hub:mains"), "ignored(not standing)")
	b.want(b.raise("hub:mains"), "raised(major) announced(raised)")
	b.want(b.raise("hub:mains"), "repeated")
	b.wantBoard("hub:mains")
	b.want(b.act("hub:mains", correlate.ActAcknowledge, "", 0), "acknowledged")
	b.want(b.act("hub:mains", correlate.ActAcknowledge, "", 0), "refused")
	b.wantBoard("hub:mains+")
	b.want(b.clear("hub:mains"), "cleared")
	b.wantBoard("")
	b.want(b.raise("hub:mains"), "raised(major) announced(raised)")
	if a := b.eng.State().Alarms[key("hub:mains")]; a.Episodes != 2 || a.Acknowledged {
		t.Errorf("second episode: %d episodes, acknowledged %v; want 2, false", a.Episodes, a.Acknowledged)
	}
	b.refold()
}

func TestSeverityChange(t *testing.T) {
	b := newBench(t)
	change := func(s correlate.Severity) []correlate.Event {
		return b.apply(&correlate.Notice{Observations: []correlate.Observation{{Key: key("hub:mains"), What: correlate.Raise, Severity: s}}})
	}
	change(correlate.Minor)
	b.act("hub:mains", correlate.ActAcknowledge, "", 0)
	b.want(change(correlate.Warning), "changed(warning)")
	b.wantBoard("hub:mains+")
	b.want(change(correlate.Critical), "changed(critical) announced(worse)")
	b.wantBoard("hub:mains")
	b.refold()
}

func TestDelays(t *testing.T) {
	b := newBench(t)
	b.at(0).want(b.raise("hub:pump"), "pending")
	b.at(4).want(b.clear("hub:pump"), "pending-ended")
	n := len(b.journal)
	b.at(20)
	if got := b.since(n); got != "" {
		t.Errorf("a condition that did not hold yielded %q", got)
	}
	b.raise("hub:pump")
	b.restart()
	n = len(b.journal)
	b.at(25)
	if got := b.since(n); got != "raised(minor) announced(raised)" {
		t.Errorf("after the delay, across a restart: %q", got)
	}
	if a := b.eng.State().Alarms[key("hub:pump")]; a.RaisedBy != correlate.Seq(n) || a.LastSeq != correlate.Seq(n+1) {
		t.Errorf("raised by record %d, decided in %d; want the report's %d and %d", a.RaisedBy, a.LastSeq, n, n+1)
	}
	b.at(30).want(b.clear("hub:pump"), "pending")
	b.at(31).want(b.raise("hub:pump"), "pending-ended repeated")
	b.at(32).want(b.clear("hub:pump"), "pending")
	b.at(36).wantBoard("")
	b.refold()
}

func TestLatchAndAskingAgain(t *testing.T) {
	b := newBench(t)
	b.raise("hub:smoke")
	n := len(b.journal)
	b.at(70)
	if got := b.since(n); got != "announced(again) announced(again)" {
		t.Errorf("untaken for 70 s with re-alarm 30 s: %q", got)
	}
	b.want(b.clear("hub:smoke"), "cleared")
	b.wantBoard("hub:smoke_")
	b.want(b.act("hub:smoke", correlate.ActAcknowledge, "", 0), "acknowledged")
	b.wantBoard("")
	b.refold()
}

func TestFlapping(t *testing.T) {
	b := newBench(t)
	b.at(0).want(b.raise("hub:door"), "raised(minor) announced(raised)")
	b.at(5).want(b.clear("hub:door"), "cleared")
	b.at(10).want(b.raise("hub:door"), "raised(minor) announced(raised)")
	b.at(15).want(b.clear("hub:door"), "cleared")
	b.at(20).want(b.raise("hub:door"), "raised(minor) flapping announced(flapping)")
	b.at(25).want(b.clear("hub:door"), "turned")
	b.at(30).want(b.raise("hub:door"), "turned")
	b.at(35).want(b.clear("hub:door"), "turned")
	b.wantBoard("hub:door~")
	n := len(b.journal)
	b.at(400)
	if got := b.since(n); got != "settled cleared" {
		t.Errorf("quiet for six minutes: %q", got)
	}
	b.wantBoard("")
	b.refold()
}

func TestFlappingSettlesInAlarm(t *testing.T) {
	b := newBench(t)
	for s := 0.0; s < 30; s += 5 {
		b.at(s).raise("hub:door")
		b.at(s + 2).clear("hub:door")
	}
	b.at(31).raise("hub:door")
	n := len(b.journal)
	b.at(1000)
	if got := b.since(n); got != "settled" {
		t.Errorf("standing since 31 s: %q", got)
	}
	b.wantBoard("hub:door")
	b.refold()
}

// A regulated point is never hidden by suppression: each rise and clear is an
// episode of its own (47 CFR 17.48 counts from the observed failure).
func TestRegulatedPointIsNotSuppressed(t *testing.T) {
	b := newBench(t)
	for s := 0.0; s < 60; s += 10 {
		b.at(s).want(b.raise("hub:light"), "raised(critical) announced(raised)")
		b.at(s+5).want(b.clear("hub:light"), "cleared")
	}
	b.refold()
}

func TestConsequenceInEitherOrder(t *testing.T) {
	b := newBench(t)
	b.raise("hub:mains")
	b.want(b.raise("hub:rectifier"), "raised(major) explained(hub:mains)")
	first := b.board()

	b = newBench(t)
	b.at(0).want(b.raise("hub:rectifier"), "raised(major) held(cause)")
	b.at(4).want(b.raise("hub:mains"), "raised(major) announced(raised) explained(hub:mains)")
	b.wantBoard(first)
	b.want(b.clear("hub:mains"), "cleared unexplained")
	n := len(b.journal)
	b.at(60)
	if got := b.since(n); got != "announced(held)" {
		t.Errorf("the consequence stayed: %q", got)
	}
	b.refold()
}

func TestConsequenceWithoutCauseIsToldAfterItsHold(t *testing.T) {
	b := newBench(t)
	b.at(0).raise("hub:rectifier")
	b.restart()
	n := len(b.journal)
	b.at(9.9)
	if got := b.since(n); got != "" {
		t.Errorf("within the hold: %q", got)
	}
	b.at(11)
	if got := b.since(n); got != "announced(held)" {
		t.Errorf("after the hold: %q", got)
	}
	// A cause that comes long after stands beside it.
	b.at(100).want(b.raise("hub:mains"), "raised(major) announced(raised)")
	b.refold()
}

func TestExcused(t *testing.T) {
	b := newBench(t)
	b.at(0).want(b.notice(correlate.Happened, "hub:entry"), "occurred")
	b.at(5).want(b.raise("hub:door"), "raised(minor) held(excused)")
	n := len(b.journal)
	b.at(70)
	if got := b.since(n); got != "announced(held)" {
		t.Errorf("the door stayed open: %q", got)
	}
	b.refold()
}

func TestShelving(t *testing.T) {
	b := newBench(t)
	b.at(0).raise("hub:mains")
	b.want(b.act("hub:mains", correlate.ActShelve, "", 60), "refused")
	b.want(b.act("hub:mains", correlate.ActShelve, "crew on site", 24*3600), "refused")
	b.want(b.act("hub:mains", correlate.ActShelve, "crew on site", 60), "shelved withdrawn(shelved)")
	b.clear("hub:mains")
	b.at(30).want(b.raise("hub:mains"), "raised(major)")
	n := len(b.journal)
	b.restart()
	b.at(61)
	if got := b.since(n); got != "unshelved announced(unshelved)" {
		t.Errorf("the shelf's end: %q", got)
	}
	b.refold()
}

func TestAnalog(t *testing.T) {
	b := newBench(t)
	// A -48 V plant that reports tenths, negative: scale -0.1.
	b.want(b.value("hub:volts", -540), "measured")
	b.want(b.value("hub:volts", -468), "measured raised(major) announced(raised)")
	if a := b.eng.State().Alarms[key("hub:volts")]; a.Text != "volts 46.8 V, below the low limit of 47.0 V" {
		t.Errorf("text %q", a.Text)
	}
	b.want(b.value("hub:volts", -467), "measured")
	b.want(b.value("hub:volts", -475), "measured") // inside the dead band
	b.act("hub:volts", correlate.ActAcknowledge, "", 0)
	b.want(b.value("hub:volts", -439), "measured changed(critical) announced(worse)")
	b.want(b.value("hub:volts", -445), "measured")
	b.want(b.value("hub:volts", -451), "measured changed(major)")
	b.want(b.value("hub:volts", -481), "measured cleared")
	b.want(b.value("hub:volts", -3), "measured raised(minor) announced(raised)")
	if r := b.eng.State().Readings[key("hub:volts")]; r.Value != 48.1 && fmt.Sprintf("%.1f", r.Value) != "48.1" {
		t.Errorf("an implausible reading was taken: %v", r.Value)
	}
	b.want(b.value("hub:volts", -540), "measured cleared measured")
	b.refold()
}

func TestSilence(t *testing.T) {
	b := newBench(t)
	b.apply(&correlate.Start{})
	b.at(60).hear("hub-1", 6000)
	b.at(60).hear("leaf-1", 6000)
	b.at(120).hear("hub-1", 12000)
	b.at(125).wantBoard("")
	b.at(131).wantBoard("leaf:alive")
	b.at(180).hear("hub-1", 18000)
	b.at(181).want(b.hear("leaf-1", 18100), "cleared")
	b.wantBoard("")
	// A restart of the master starts the clock of silence anew.
	b.restart()
	b.now = epoch.Add(time.Hour)
	b.apply(&correlate.Start{})
	b.at(3600 + 69).wantBoard("")
	b.at(3600 + 100).wantBoard("hub:alive leaf:alive<hub:alive")
	b.refold()
}

func TestOrderOfArrival(t *testing.T) {
	obs := func(w correlate.What) correlate.Observation {
		return correlate.Observation{Key: key("hub:mains"), What: w}
	}
	day := uint32(24 * 3600 * 100)
	cases := []struct {
		name          string
		first, second uint32 // uptimes
		gap           float64
		what          correlate.What
		want          string
	}{
		{"newer", 5 * day, 5*day + 1000, 10, correlate.Clear, "cleared"},
		{"same instant", 5 * day, 5 * day, 0.01, correlate.Clear, "cleared"},
		{"late", 5 * day, 5*day - 500, 10, correlate.Clear, "ignored(late)"},
		{"wrapped after 497 days", 4294967290, 900, 9.06, correlate.Clear, "cleared"},
		{"rebooted", 5 * day, 800, 60, correlate.Clear, "cleared"},
		{"sent again under one request-id", 5 * day, 5 * day, 0, correlate.Raise, "repeated"},
		{"after half a year", 5 * day, 305 * day, 300 * 86400, correlate.Clear, "cleared"},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			b := newBench(t)
			b.hear("hub-1", c.first, obs(correlate.Raise))
			b.now = b.now.Add(time.Duration(c.gap * float64(time.Second)))
			b.want(b.hear("hub-1", c.second, obs(c.what)), c.want)
			b.refold()
		})
	}
}

func TestTheSameReportByAnotherPath(t *testing.T) {
	b := newBench(t)
	in := correlate.Arrival{Agent: "hub-1", From: "192.0.2.1:5000", Version: "v2c", Uptime: 500, HasUptime: true, RequestID: 7,
		Observations: []correlate.Observation{{Key: key("hub:mains"), What: correlate.Raise}}}
	first, path, again := in, in, in
	path.From = "198.51.100.1:5000"
	b.want(b.apply(&first), "raised(major) announced(raised)")
	b.want(b.apply(&path), "ignored(duplicate)")
	b.want(b.apply(&again), "ignored(duplicate)")
	b.refold()
}

func TestAcknowledgedAtTheSite(t *testing.T) {
	b := newBench(t)
	b.raise("hub:mains")
	b.want(b.notice(correlate.Acknowledge, "hub:mains"), "acknowledged")
	if a := b.eng.State().Alarms[key("hub:mains")]; a.AckVia != "site" {
		t.Errorf("taken via %q, want site", a.AckVia)
	}
}

func TestRemovedPointClosesItsAlarm(t *testing.T) {
	b := newBench(t)
	b.raise("hub:mains")
	site := *b.net.Site("hub")
	site.Points = map[correlate.PointID]*correlate.Point{"door": site.Points["door"]}
	site.Agents = nil
	net, err := correlate.NewNetwork([]*correlate.Site{&site}, nil, "smaller")
	if err != nil {
		t.Fatal(err)
	}
	b.eng.Use(net)
	b.want(b.apply(&correlate.Reconfigure{Hash: "smaller"}), "configured closed")
	b.wantBoard("")
	b.refold()
}

func TestTransportLoopIsRefused(t *testing.T) {
	sites := []*correlate.Site{{ID: "a", Upstream: "b"}, {ID: "b", Upstream: "a"}}
	if _, err := correlate.NewNetwork(sites, nil, ""); err == nil {
		t.Error("a loop in the transport tree was taken")
	}
}

func TestAlarmIDRoundTrip(t *testing.T) {
	for _, k := range []correlate.Key{{Site: "a", Point: "b"}, {Site: "a-1", Point: "b", Instance: "7"}, {Site: "a", Point: "b", Instance: "x:/ y%"}} {
		got, err := correlate.ParseAlarmID(k.ID())
		if err != nil || got != k {
			t.Errorf("%q: %v, %v", k.ID(), got, err)
		}
	}
	for _, bad := range []string{"", "a", "a:", ":b", "A:b", "a:b:%zz"} {
		if _, err := correlate.ParseAlarmID(correlate.AlarmID(bad)); err == nil {
			t.Errorf("%q was taken", bad)
		}
	}
}

// TestSeverityNumbers pins the numbering to RFC 8632 (typedef severity), and
// the words to X.733 as RFC 3877's ITU-ALARM-TC-MIB cites them.
func TestSeverityNumbers(t *testing.T) {
	want := map[string]int{"cleared": 1, "indeterminate": 2, "warning": 3, "minor": 4, "major": 5, "critical": 6}
	for word, n := range want {
		s, err := correlate.ParseSeverity(word)
		if err != nil || int(s) != n || s.String() != word {
			t.Errorf("%s: %d, %v", word, s, err)
		}
	}
	if !slices.IsSortedFunc(correlate.Severities(), func(a, b correlate.Severity) int { return int(b) - int(a) }) {
		t.Error("severities are not most severe first")
	}
}

// A delay that ends by itself does not forget the sender's time: what was sent
// before the raise stays late.
func TestLateAfterADelay(t *testing.T) {
	b := newBench(t)
	obs := func(w correlate.What) correlate.Observation {
		return correlate.Observation{Key: key("hub:pump"), What: w}
	}
	b.want(b.hear("hub-1", 900000, obs(correlate.Raise)), "pending")
	b.at(6).wantBoard("hub:pump")
	b.want(b.hear("hub-1", 899000, obs(correlate.Clear)), "ignored(late)")
	b.refold()
}
