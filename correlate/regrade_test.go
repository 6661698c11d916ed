package correlate_test

import (
	"testing"

	"example.net/standwatch/correlate"
)

// find returns an alarm.
func (b *bench) find(alarm string) *correlate.Alarm { return b.eng.State().Alarms[key(alarm)] }

// graded is a change of the severity of one point.
func graded(id correlate.PointID, s correlate.Severity) func(map[correlate.PointID]*correlate.Point) {
	return func(points map[correlate.PointID]*correlate.Point) {
		p := *points[id]
		p.Severity = s
		points[id] = &p
	}
}

// The board follows a configuration that gives a point another severity. Worse
// asks for acknowledgement again, milder keeps it, and neither counts as a
// report of the condition.
func TestReloadWithAnotherSeverity(t *testing.T) {
	b := newBench(t)
	b.raise("hub:mains")
	b.act("hub:mains", correlate.ActAcknowledge, "", 0)
	seen := b.find("hub:mains").LastSeen
	b.at(60)
	b.want(b.reload(graded("mains", correlate.Critical)), "configured changed(critical) announced(worse)")
	a := b.find("hub:mains")
	if a.Severity != correlate.Critical || a.Acknowledged || a.Repeats != 0 || !a.LastSeen.Equal(seen) || a.Text != "mains alarm" {
		t.Errorf("after a worse severity: %+v", a)
	}
	b.act("hub:mains", correlate.ActAcknowledge, "", 0)
	b.want(b.reload(graded("mains", correlate.Warning)), "configured changed(warning)")
	if a := b.find("hub:mains"); a.Severity != correlate.Warning || !a.Acknowledged {
		t.Errorf("after a milder severity: %+v", a)
	}
	b.want(b.reload(graded("mains", correlate.Warning)), "configured")
	// A restart does the same, also after another reload.
	b.at(90)
	graded("mains", correlate.Minor)(b.net.Site("hub").Points)
	b.restart()
	b.want(b.apply(&correlate.Start{Hash: "later"}), "changed(minor) announced(worse)")
	b.refold()
}

// What a rule has said of the severity stands until a report says otherwise.
func TestReloadKeepsTheSeverityOfAReport(t *testing.T) {
	b := newBench(t)
	b.apply(&correlate.Notice{Observations: []correlate.Observation{{Key: key("hub:mains"), What: correlate.Raise, Severity: correlate.Minor}}})
	b.want(b.reload(graded("mains", correlate.Critical)), "configured")
	b.raise("hub:mains") // and now a report leaves it to the point
	if a := b.find("hub:mains"); a.Severity != correlate.Critical {
		t.Errorf("severity %v after a report that leaves it to the point", a.Severity)
	}
	b.want(b.reload(graded("mains", correlate.Major)), "configured changed(major)")
	b.refold()
}

// An analog alarm follows the limit that was passed, and stays as it is if that
// limit is gone.
func TestReloadWithAnotherSeverityOfALimit(t *testing.T) {
	b := newBench(t)
	b.value("hub:volts", -460) // 46.0 V: low
	limited := func(low *correlate.Limit) func(map[correlate.PointID]*correlate.Point) {
		return func(points map[correlate.PointID]*correlate.Point) {
			p := *points["volts"]
			p.Limits.Low = low
			points["volts"] = &p
		}
	}
	b.want(b.reload(limited(&correlate.Limit{At: 47, DeadBand: 1, Severity: correlate.Warning})), "configured changed(warning)")
	if a := b.find("hub:volts"); a.Measure == nil || a.Measure.Level != correlate.LevelLow {
		t.Errorf("what was measured is gone: %+v", a.Measure)
	}
	b.want(b.reload(limited(nil)), "configured")
	if a := b.find("hub:volts"); a.Severity != correlate.Warning {
		t.Errorf("severity %v without the limit", a.Severity)
	}
	b.refold()
}

// What has yet to hold rises with the severity that is in force then, what is
// explained or silenced is not told of a worse one, and what has cleared keeps
// the severity it had.
func TestReloadWithAnotherSeverityOfWhatIsNotTold(t *testing.T) {
	b := newBench(t)
	b.raise("hub:pump")
	b.want(b.reload(graded("pump", correlate.Critical)), "configured pending")
	n := len(b.journal)
	b.at(6)
	b.wantSince(n, "raised(critical) announced(raised)")
	b.raise("hub:mains")
	b.raise("hub:rectifier")
	b.want(b.reload(graded("rectifier", correlate.Critical)), "configured changed(critical)")
	b.raise("hub:smoke")
	b.clear("hub:smoke")
	b.want(b.reload(graded("smoke", correlate.Minor)), "configured")
	if a := b.find("hub:smoke"); !a.Latched || a.Severity != correlate.Critical {
		t.Errorf("a latched alarm that has cleared: %+v", a)
	}
	b.refold()
}
