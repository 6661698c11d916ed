package notify_test

import (
	"testing"
	"time"

	"example.net/standwatch/correlate"
)

// TestStandIn: a stand-in is told from its beginning to its end, survives a
// restart, and can be ended before.
func TestStandIn(t *testing.T) {
	w := newWorld(t, nil)
	set := func(from, to time.Duration) {
		t.Helper()
		w.apply(&correlate.RosterAct{Action: correlate.ActStandIn, Roster: "crew", Person: "south", For: "north", From: w.at.Add(from), To: w.at.Add(to), Actor: "desk", Via: "console"})
	}
	on := func() string {
		t.Helper()
		st := correlate.Restore(w.engine.State().Snapshot())
		people := w.plan.As(st).OnCall("crew", w.at)
		if len(people) != 1 {
			t.Fatalf("on call are %+v", people)
		}
		return people[0].ID
	}
	set(time.Hour, 3*time.Hour)
	if got := on(); got != "north" {
		t.Errorf("before: %s", got)
	}
	w.after(time.Hour)
	if got := on(); got != "south" {
		t.Errorf("from its beginning: %s", got)
	}
	want(t, w.raise("mains"), "open c2 urgent told=0", "step 0/0 due 10:24:05", "send m2-0 raised to south by sms from 10:14:05 until 14:14:05")
	w.after(time.Hour).apply(&correlate.RosterAct{Action: correlate.ActEndStandIn, ID: "s1", Actor: "desk"})
	if got := on(); got != "north" {
		t.Errorf("ended: %s", got)
	}
	set(time.Hour, 2*time.Hour)
	w.apply(&correlate.RosterAct{Action: correlate.ActEndStandIn, ID: "s4", Actor: "desk"})
	if st := w.engine.State(); st.StandIns["s4"] != nil || st.StandIns["s1"] == nil {
		t.Errorf("kept are %+v", st.StandIns)
	}
	for name, in := range map[string]correlate.RosterAct{
		"over":    {Action: correlate.ActStandIn, Roster: "crew", Person: "south", From: w.at.Add(-2 * time.Hour), To: w.at},
		"no end":  {Action: correlate.ActStandIn, Roster: "crew", Person: "south", From: w.at},
		"nobody":  {Action: correlate.ActStandIn, Roster: "crew", From: w.at, To: w.at.Add(time.Hour)},
		"ended":   {Action: correlate.ActEndStandIn, ID: "s1"},
		"unknown": {Action: correlate.ActEndStandIn, ID: "s99"},
	} {
		before := len(w.engine.State().StandIns)
		w.apply(&in)
		if r := w.log[len(w.log)-1]; len(r.Events) != 1 || len(w.engine.State().StandIns) != before {
			t.Errorf("%s: %+v", name, r.Events)
		} else if _, refused := r.Events[0].(*correlate.Refused); !refused {
			t.Errorf("%s: %T", name, r.Events[0])
		}
	}
}
