package correlate_test

import (
	"slices"
	"testing"

	"example.net/standwatch/correlate"
	"pgregory.net/rapid"
)

// auditNow is an audit whose questions are sent now and answered at once.
func (b *bench) auditNow(agent correlate.AgentID, findings ...correlate.Finding) *correlate.Audit {
	for i := range findings {
		findings[i].Asked = b.now
	}
	return &correlate.Audit{Agent: agent, Why: "test", Asked: b.now, From: "192.0.2.1:161", Findings: findings}
}

func found(what correlate.What, alarm string) correlate.Finding {
	return correlate.Finding{Observation: correlate.Observation{Key: key(alarm), What: what}, OID: "1.3.6.1.4.1.32473.10.2.1.2.1", Value: "alarm"}
}

func (b *bench) audit(agent correlate.AgentID, findings ...correlate.Finding) []correlate.Event {
	return b.apply(b.auditNow(agent, findings...))
}

// TestAuditCorrects walks what an audit decides in each state of a point.
func TestAuditCorrects(t *testing.T) {
	for _, c := range []struct {
		name  string
		state func(*bench)
		what  correlate.What
		alarm string
		want  string
	}{
		{"missing raise", nil, correlate.Raise, "hub:mains", "raised(major) announced(raised) audited"},
		{"agrees on normal", nil, correlate.Clear, "hub:mains", "audited"},
		{"agrees on alarm", func(b *bench) { b.raise("hub:mains") }, correlate.Raise, "hub:mains", "audited"},
		{"stale alarm", func(b *bench) { b.raise("hub:mains") }, correlate.Clear, "hub:mains", "cleared audited"},
		{"raise with delay", nil, correlate.Raise, "hub:pump", "pending audited"},
		{"pending raise stays", func(b *bench) { b.raise("hub:pump") }, correlate.Raise, "hub:pump", "audited"},
		{"pending raise ends", func(b *bench) { b.raise("hub:pump") }, correlate.Clear, "hub:pump", "pending-ended audited"},
		{"clear with delay", func(b *bench) { b.raise("hub:pump"); b.at(10) }, correlate.Clear, "hub:pump", "pending audited"},
		{"pending clear stays", func(b *bench) { b.raise("hub:pump"); b.at(10); b.clear("hub:pump") }, correlate.Clear, "hub:pump", "audited"},
		{"pending clear ends", func(b *bench) { b.raise("hub:pump"); b.at(10); b.clear("hub:pump") }, correlate.Raise, "hub:pump", "pending-ended repeated audited"},
		{"latched stays latched", func(b *bench) { b.raise("hub:smoke"); b.clear("hub:smoke") }, correlate.Clear, "hub:smoke", "audited"},
		{"latched rises again", func(b *bench) { b.raise("hub:smoke"); b.clear("hub:smoke") }, correlate.Raise, "hub:smoke", "raised(critical) announced(raised) audited"},
		{"no such point", nil, correlate.Raise, "hub:nowhere", "audited"},
		{"consequence of a cause", func(b *bench) { b.raise("hub:mains") }, correlate.Raise, "hub:rectifier", "raised(major) explained(hub:mains) audited"},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := newBench(t)
			b.apply(&correlate.Start{})
			if c.state != nil {
				c.state(b)
			}
			b.at(b.now.Sub(epoch).Seconds() + 1)
			b.want(b.audit("hub-1", found(c.what, c.alarm)), c.want)
			b.refold()
		})
	}
}

// TestAuditMarksAndKeepsEvidence: what an audit found says so, and the journal
// has what was read for that and nothing of what agreed.
func TestAuditMarksAndKeepsEvidence(t *testing.T) {
	b := newBench(t)
	b.raise("hub:door")
	b.at(1)
	b.audit("hub-1", found(correlate.Raise, "hub:mains"), found(correlate.Clear, "hub:pump"), found(correlate.Clear, "hub:door"))
	st := b.eng.State()
	mains, door := st.Alarms[key("hub:mains")], st.Alarms[key("hub:door")]
	if !mains.Standing || !mains.Audit || mains.Agent != "hub-1" {
		t.Errorf("mains: standing %v, by audit %v, agent %q", mains.Standing, mains.Audit, mains.Agent)
	}
	if door.Standing || !door.Audit {
		t.Errorf("door: standing %v, by audit %v", door.Standing, door.Audit)
	}
	kept := b.journal[len(b.journal)-1].Input.(*correlate.Audit)
	var keys []string
	for _, f := range kept.Findings {
		keys = append(keys, f.Observation.Key.String())
	}
	if !slices.Equal(keys, []string{"hub:mains", "hub:door"}) || kept.Read != 3 || kept.Findings[0].OID == "" {
		t.Errorf("the journal keeps %v of %d", keys, kept.Read)
	}
	if len(door.StatusChanges) != 2 || door.StatusChanges[0].Seq != b.journal[len(b.journal)-1].Seq || door.StatusChanges[1].Seq != 1 {
		t.Errorf("old and new evidence: %+v", door.StatusChanges)
	}
	if a := st.Audits["hub-1"]; a.Read != 3 || a.Raised != 1 || a.Cleared != 1 || !a.Answered.Equal(b.now) {
		t.Errorf("audit state %+v", a)
	}
}

// TestAuditNeverOverturnsANewerTrap: the read's start time counts.
func TestAuditNeverOverturnsANewerTrap(t *testing.T) {
	for _, alarmKnown := range []bool{true, false} {
		b := newBench(t)
		b.apply(&correlate.Start{})
		b.at(1)
		if alarmKnown {
			b.hear("hub-1", 100, correlate.Observation{Key: key("hub:mains"), What: correlate.Raise})
		}
		b.at(5)
		asked := b.auditNow("hub-1", found(correlate.Raise, "hub:mains"))
		b.at(6) // the condition goes while the agent is being read
		b.hear("hub-1", 600, correlate.Observation{Key: key("hub:mains"), What: correlate.Clear})
		b.at(7)
		b.want(b.apply(asked), "ignored(late) audited")
		b.wantBoard("")
		if st := b.eng.State().Audits["hub-1"]; st.Raised != 0 {
			t.Errorf("raised %d", st.Raised)
		}
		b.refold()
	}
}

// TestTrapSentBeforeTheReadDoesNotUndoIt: a trap that was under way while the
// agent was read is older than the answer, by the agent's own clock.
func TestTrapSentBeforeTheReadDoesNotUndoIt(t *testing.T) {
	b := newBench(t)
	b.apply(&correlate.Start{})
	b.hear("hub-1", 1000)
	b.hear("hub-1", 1000, correlate.Observation{Key: key("hub:mains"), What: correlate.Raise})
	b.at(60)
	in := b.auditNow("hub-1", found(correlate.Clear, "hub:mains"))
	in.Uptime, in.HasUptime = 7000, true
	b.want(b.apply(in), "cleared audited")
	b.at(61)
	b.want(b.hear("hub-1", 4000, correlate.Observation{Key: key("hub:mains"), What: correlate.Raise}), "ignored(late)")
	b.want(b.hear("hub-1", 7100, correlate.Observation{Key: key("hub:mains"), What: correlate.Raise}), "raised(major) announced(raised)")
}

// TestForeignClockIsNotCompared: a subagent's uptime in traps is another than
// what was read; its traps must not be taken for late.
func TestForeignClockIsNotCompared(t *testing.T) {
	b := newBench(t)
	b.apply(&correlate.Start{})
	b.hear("hub-1", 20_000, correlate.Observation{Key: key("hub:mains"), What: correlate.Raise})
	b.at(60)
	in := b.auditNow("hub-1", found(correlate.Clear, "hub:mains"))
	in.Uptime, in.HasUptime = 900_000_000, true
	b.want(b.apply(in), "cleared audited")
	b.at(61)
	b.want(b.hear("hub-1", 26_100, correlate.Observation{Key: key("hub:mains"), What: correlate.Raise}), "raised(major) announced(raised)")
}

// TestAbsenceClears: a table of alarms that was read to its end clears what it
// no longer has, but only what this agent reported.
func TestAbsenceClears(t *testing.T) {
	b := newBench(t)
	b.apply(&correlate.Start{})
	for _, instance := range []string{"a", "b"} {
		b.hear("hub-1", 100, correlate.Observation{Key: key("hub:mains:" + instance), What: correlate.Raise})
	}
	b.hear("leaf-1", 100, correlate.Observation{Key: key("hub:mains:c"), What: correlate.Raise})
	b.at(5)
	in := b.auditNow("hub-1", found(correlate.Raise, "hub:mains:a"))
	in.Absent = []correlate.Absence{{Point: "mains", Asked: b.now, OID: "1.3.6.1.2.1.33.1.6.2.1.2"}}
	b.want(b.apply(in), "cleared audited")
	b.wantBoard("hub:mains:a hub:mains:c")
	if kept := b.journal[len(b.journal)-1].Input.(*correlate.Audit); len(kept.Absent) != 1 {
		t.Errorf("the journal keeps %+v", kept.Absent)
	}
	b.refold()
}

// TestAuditMeasures: values are readings like any other.
func TestAuditMeasures(t *testing.T) {
	b := newBench(t)
	low := found(correlate.Value, "hub:volts")
	low.Observation.Value = -460
	b.want(b.audit("hub-1", low), "measured raised(major) announced(raised) audited")
	b.at(10)
	b.want(b.audit("hub-1", low), "measured audited")
	late := b.auditNow("hub-1", low)
	b.at(11)
	b.value("hub:volts", -540)
	b.want(b.apply(late), "audited")
	b.wantBoard("")
}

// TestUnansweredChangesNothingButAlive checks what a failed audit decides, for
// an agent that owes a heartbeat and for one that owes none.
func TestUnansweredChangesNothingButAlive(t *testing.T) {
	b := newBench(t)
	b.apply(&correlate.Start{})
	b.raise("hub:mains")
	fail := func() *correlate.Audit { return &correlate.Audit{Agent: "hub-1", Asked: b.now, Failure: "no answer"} }
	b.want(b.apply(fail()), "audited")
	b.wantBoard("hub:mains")
	b.net.Agent("hub-1").Heartbeat = 0
	b.want(b.apply(fail()), "raised(major) announced(raised) audited")
	b.want(b.apply(fail()), "audited")
	b.wantBoard("hub:alive hub:mains")
	if st := b.eng.State().Audits["hub-1"]; st.Failures != 3 || st.Failure != "no answer" || !st.Answered.IsZero() {
		t.Errorf("audit state %+v", st)
	}
	b.at(1)
	b.want(b.audit("hub-1"), "cleared audited")
	b.wantBoard("hub:mains")
	// One that reports and does not answer lives: its reports and the failures
	// must not turn its alive point over and over.
	for second := 10.0; second < 60; second += 10 {
		b.at(second)
		b.hear("hub-1", uint32(100*second))
		b.at(second + 1)
		b.want(b.apply(fail()), "audited")
	}
	b.at(100)
	b.want(b.apply(fail()), "raised(major) announced(raised) audited")
}

// TestAnswerDoesNotEndSilence: an agent that owes traps and answers has lost
// the way of its traps; that is no health.
func TestAnswerDoesNotEndSilence(t *testing.T) {
	b := newBench(t)
	b.apply(&correlate.Start{})
	b.at(75)
	b.wantBoard("hub:alive leaf:alive<hub:alive")
	b.want(b.audit("hub-1"), "repeated audited")
	b.want(b.audit("hub-1"), "audited")
	if got := b.eng.State().Alarms[key("hub:alive")].Text; got != "Silent: nothing heard for 1m10s; it answers when asked" && got != "alive alarm: nothing heard for 1m10s; it answers when asked" {
		t.Errorf("text %q", got)
	}
}

// TestAuditsInRandomWalks: the invariants hold with audits among the inputs,
// and an audit twice in a row decides nothing the second time.
func TestAuditsInRandomWalks(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		b := newBench(t)
		b.apply(&correlate.Start{})
		for range rapid.IntRange(1, 40).Draw(rt, "steps") {
			switch rapid.IntRange(0, 2).Draw(rt, "kind") {
			case 0:
				step(rt)(b)
			case 1:
				pass(rt, b)
			default:
				b.at(b.now.Sub(epoch).Seconds() + 1)
				var list []correlate.Finding
				for _, alarm := range walkPoints {
					if rapid.Bool().Draw(rt, "asked") {
						list = append(list, found(rapid.SampledFrom([]correlate.What{correlate.Raise, correlate.Clear}).Draw(rt, "says"), alarm))
					}
				}
				b.audit("hub-1", list...)
				sound(rt, b)
				if got := words(b.audit("hub-1", list...)); got != "audited" {
					rt.Fatalf("the same answer again decided %q", got)
				}
				for _, f := range list {
					if b.net.Point(f.Observation.Key) == nil {
						continue // a reload took the point away
					}
					a := b.eng.State().Alarms[f.Observation.Key]
					agrees := a != nil && (a.Standing && a.Condition && (a.Wait == nil || a.Wait.What == correlate.Raise) || a.Wait != nil && a.Wait.What == correlate.Raise)
					if agrees != (f.Observation.What == correlate.Raise) {
						rt.Fatalf("%v was found %v and is %+v", f.Observation.Key, f.Observation.What, a)
					}
				}
			}
			sound(rt, b)
		}
		b.refold()
	})
}
