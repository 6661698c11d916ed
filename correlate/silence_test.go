package correlate_test

import (
	"strings"
	"testing"
	"time"

	"example.net/standwatch/correlate"
)

// daily is a window of an hour that begins at the given second of every day
// after epoch.
func daily(second float64) func(time.Time) (from, until time.Time, ok bool) {
	first := epoch.Add(time.Duration(second * float64(time.Second)))
	return func(at time.Time) (from, until time.Time, ok bool) {
		from = first
		for !from.Add(time.Hour).After(at) {
			from = from.Add(24 * time.Hour)
		}
		return from, from.Add(time.Hour), true
	}
}

// windowed has a maintenance window that opens 100 s after epoch, every day.
func windowed(t *testing.T, scopes ...correlate.Scope) *bench {
	t.Helper()
	b := newBench(t)
	b.configure(&correlate.Window{ID: "test-run", Scopes: scopes, Reason: "generator test", By: "power crew", When: daily(100)})
	b.eng = correlate.NewEngine(b.net, correlate.NewState())
	return b
}

func (b *bench) configure(windows ...*correlate.Window) {
	b.tb.Helper()
	net, err := b.net.WithWindows(windows)
	if err != nil {
		b.tb.Fatal(err)
	}
	b.net = net
}

func (b *bench) silence(kind correlate.SilenceKind, until float64, scopes ...correlate.Scope) []correlate.Event {
	return b.apply(&correlate.SetSilence{Kind: kind, Scopes: scopes, Until: epoch.Add(time.Duration(until * float64(time.Second))), Reason: "breaker replaced", Actor: "north crew", Via: "console"})
}

func (b *bench) wantSince(n int, want string) {
	b.tb.Helper()
	if got := b.since(n); got != want {
		b.tb.Errorf("at %v decided %q, want %q", b.now.Sub(epoch), got, want)
	}
}

func TestMaintenanceWindowRecordsAndTellsNobody(t *testing.T) {
	b := windowed(t, correlate.Scope{Site: "hub"})
	b.raise("hub:light")
	b.raise("leaf:light")
	n := len(b.journal)
	b.at(100)
	b.wantSince(n, "silence-began suppressed withdrawn(suppressed)")
	b.want(b.raise("hub:mains"), "raised(major) suppressed")
	b.want(b.raise("hub:pump"), "pending")
	b.want(b.raise("leaf:mains"), "raised(major) announced(raised)")
	b.restart()
	b.at(200).want(b.clear("hub:mains"), "cleared")
	b.want(b.raise("hub:mains"), "raised(major) suppressed")
	b.want(b.act("hub:mains", correlate.ActAcknowledge, "", 0), "acknowledged")
	if listed := b.eng.State().Listed(); len(listed) != 1 || !listed[0].Open || listed[0].Until.Sub(epoch) != 3700*time.Second {
		t.Errorf("listed %+v, want one that is open until 3700 s", listed)
	}
	if got := len(b.eng.State().Under("test-run")); got != 3 {
		t.Errorf("%d alarms under the window, want light, mains and pump", got)
	}
	n = len(b.journal)
	b.at(3700)
	// Taken ones stay taken; what nobody has taken is told.
	b.wantSince(n, "silence-ended unsuppressed announced(unsuppressed) unsuppressed unsuppressed announced(unsuppressed)")
	if len(b.eng.State().Listed()) != 0 {
		t.Error("it is listed after its end")
	}
	b.refold()
	n = len(b.journal)
	b.restart()
	b.at(24*3600 + 100)
	if got := b.since(n); !strings.Contains(got, "silence-began") {
		t.Errorf("the next day: %q", got)
	}
}

func TestWindowThatTheMasterSlept(t *testing.T) {
	b := windowed(t, correlate.Scope{Site: "hub"})
	b.restart()
	b.now = epoch.Add(5 * time.Hour)
	b.apply(&correlate.Start{})
	b.apply(&correlate.Tick{})
	if n := b.count(25); n != 0 {
		t.Errorf("a window that is over began %d times", n)
	}
	if due, ok := b.eng.NextDue(); !ok || due.Sub(epoch) > 24*time.Hour+100*time.Second {
		t.Errorf("next due %v, %v: the next occurrence does not wait", due.Sub(epoch), ok)
	}
	b.restart()
	b.now = epoch.Add(24*time.Hour + 30*time.Minute)
	b.apply(&correlate.Tick{})
	if n := b.count(25); n != 1 {
		t.Errorf("half an hour late, the window began %d times, want 1", n)
	}
	b.refold()
}

func TestSilencesByHand(t *testing.T) {
	b := newBench(t)
	hub := correlate.Scope{Site: "hub", Point: "mains"}
	refuse := func(why string, change func(*correlate.SetSilence)) {
		t.Helper()
		in := &correlate.SetSilence{Kind: correlate.Maintenance, Scopes: []correlate.Scope{hub}, Until: epoch.Add(time.Hour), Reason: "r", Actor: "a", Via: "test"}
		change(in)
		events := b.apply(in)
		if r, ok := events[0].(*correlate.Refused); !ok || !strings.Contains(r.Why, why) {
			t.Errorf("got %+v, want a refusal that says %q", events[0], why)
		}
	}
	refuse("needs a reason", func(in *correlate.SetSilence) { in.Reason = "" })
	refuse("must end", func(in *correlate.SetSilence) { in.Until = time.Time{} })
	refuse("must end", func(in *correlate.SetSilence) { in.Until = epoch })
	refuse("supervisor", func(in *correlate.SetSilence) { in.Until = epoch.Add(13 * time.Hour) })
	refuse("within 7 days", func(in *correlate.SetSilence) { in.Until, in.MayLong = epoch.Add(8*24*time.Hour), true })
	refuse("no site nowhere", func(in *correlate.SetSilence) { in.Scopes = []correlate.Scope{{Site: "nowhere"}} })
	refuse("no point nothing", func(in *correlate.SetSilence) { in.Scopes = []correlate.Scope{{Site: "hub", Point: "nothing"}} })
	refuse("covers nothing", func(in *correlate.SetSilence) { in.Scopes = nil })
	refuse("not a tag", func(in *correlate.SetSilence) {
		in.Kind, in.Scopes = correlate.OutOfService, []correlate.Scope{{Tag: "hubs"}}
	})

	b.want(b.silence(correlate.OutOfService, 600, hub), "silence-set silence-began")
	b.want(b.raise("hub:mains"), "raised(major) suppressed")
	b.want(b.raise("hub:smoke"), "raised(critical) announced(raised)")
	id := b.eng.State().Listed()[0].ID
	b.want(b.apply(&correlate.EndSilence{ID: id, Actor: "north crew", Via: "console", Text: "tested"}), "silence-ended unsuppressed announced(unsuppressed)")
	b.want(b.apply(&correlate.EndSilence{ID: id, Actor: "x", Via: "console"}), "refused")

	// Planned ahead: listed at once, in force from its time.
	b.want(b.apply(&correlate.SetSilence{Kind: correlate.Maintenance, Scopes: []correlate.Scope{{Tag: "hubs"}}, From: epoch.Add(time.Minute), Until: epoch.Add(2 * time.Minute), Reason: "r", Actor: "a", Via: "api"}), "silence-set")
	b.restart()
	n := len(b.journal)
	b.at(60).want(b.raise("hub:light"), "raised(critical) suppressed")
	b.at(121)
	if got := b.since(n); !strings.Contains(got, "silence-began") || !strings.HasSuffix(got, "announced(unsuppressed)") {
		t.Errorf("planned window: %q", got)
	}
	b.refold()
}

// Of two silences the one that ends last counts, so that nobody is told in
// between.
func TestSilencesOverlap(t *testing.T) {
	b := newBench(t)
	b.silence(correlate.Maintenance, 100, correlate.Scope{Site: "hub"})
	b.silence(correlate.OutOfService, 200, correlate.Scope{Site: "hub", Point: "mains"})
	b.raise("hub:mains")
	n := len(b.journal)
	b.at(150)
	b.wantSince(n, "silence-ended")
	b.at(201)
	b.wantSince(n, "silence-ended silence-ended unsuppressed announced(unsuppressed)")
	b.refold()
}

// An agent's silence and what it reports are covered by its scope, what another
// agent reports is not.
func TestSilenceOfAnAgent(t *testing.T) {
	b := newBench(t)
	b.apply(&correlate.Start{})
	b.silence(correlate.OutOfService, 600, correlate.Scope{Agent: "leaf-1"})
	obs := correlate.Observation{Key: key("leaf:mains"), What: correlate.Raise}
	b.want(b.hear("leaf-1", 100, obs), "raised(major) suppressed")
	b.want(b.raise("leaf:smoke"), "raised(critical) announced(raised)")
	b.at(60).hear("hub-1", 100)
	b.at(120).hear("hub-1", 100)
	if a := b.eng.State().Alarms[key("leaf:alive")]; a == nil || !a.Standing || a.Suppressed == nil {
		t.Errorf("the silence of an agent that is out of service: %+v", a)
	}
	b.refold()
}

func TestEndingAnOccurrenceByHandEndsThatOne(t *testing.T) {
	b := windowed(t, correlate.Scope{Site: "hub"})
	b.at(101).raise("hub:mains")
	b.want(b.apply(&correlate.EndSilence{ID: "test-run", Actor: "o", Via: "api"}), "silence-ended unsuppressed announced(unsuppressed)")
	b.restart()
	n := len(b.journal)
	b.at(4000)
	if got := b.since(n); strings.Contains(got, "silence") {
		t.Errorf("the same day: %q", got)
	}
	b.at(24*3600 + 101)
	if got := b.since(n); !strings.Contains(got, "silence-began") {
		t.Errorf("the next day: %q", got)
	}
	b.refold()
}

// A reload keeps silences in line with the configuration: none is left behind.
func TestReloadEndsAndBeginsWindows(t *testing.T) {
	b := windowed(t, correlate.Scope{Site: "hub"})
	b.at(101).raise("hub:mains")
	b.raise("leaf:mains")
	reload := func(windows ...*correlate.Window) []correlate.Event {
		b.configure(windows...)
		b.eng.Use(b.net)
		return b.apply(&correlate.Reconfigure{Hash: "next"})
	}
	b.want(reload(), "configured silence-ended unsuppressed announced(unsuppressed)")
	w := &correlate.Window{ID: "test-run", Scopes: []correlate.Scope{{Site: "hub"}}, Reason: "r", By: "b", When: daily(100)}
	b.want(reload(w), "configured silence-began suppressed withdrawn(suppressed)")
	moved := *w
	moved.Scopes = []correlate.Scope{{Site: "leaf"}}
	b.want(reload(&moved), "configured silence-began suppressed withdrawn(suppressed) unsuppressed announced(unsuppressed)")
	if got := len(b.eng.State().Under("test-run")); got != 1 {
		t.Errorf("%d alarms under it, want leaf:mains alone", got)
	}
	b.refold()
}

func TestLongShelvesNeedTheRole(t *testing.T) {
	b := newBench(t)
	b.raise("hub:mains")
	in := &correlate.Act{Key: key("hub:mains"), Action: correlate.ActShelve, Actor: "supervisor", Via: "console", Text: "part is ordered", Until: epoch.Add(48 * time.Hour)}
	b.want(b.apply(in), "refused")
	in.MayLong = true
	b.want(b.apply(in), "shelved withdrawn(shelved)")
	in.Until = epoch.Add(8 * 24 * time.Hour)
	b.want(b.apply(in), "refused")
}

func TestWindowsAreChecked(t *testing.T) {
	net := network(t)
	bad := []*correlate.Window{{ID: "w", Scopes: []correlate.Scope{{Site: "nowhere"}}, When: daily(0)}}
	if _, err := net.WithWindows(bad); err == nil {
		t.Error("a window over nothing was taken")
	}
	if _, err := net.WithWindows([]*correlate.Window{{ID: "w", When: daily(0)}, {ID: "w", When: daily(0)}}); err == nil {
		t.Error("two windows of one name were taken")
	}
}
