package correlate_test

import (
	"testing"
	"time"

	"example.net/standwatch/correlate"
)

// again runs a notification of the past again, with what other rules make of it.
func (b *bench) again(came float64, obs ...correlate.Observation) []correlate.Event {
	at := epoch.Add(time.Duration(came * float64(time.Second)))
	return b.apply(&correlate.Arrival{Agent: "hub-1", From: "192.0.2.1:5000", Version: "v2c", Uptime: uint32(5000 + came*100), HasUptime: true,
		RunAgain: 1, Came: at, Observations: obs})
}

func obsOf(what correlate.What, alarm string) correlate.Observation {
	return correlate.Observation{Key: key(alarm), What: what}
}

func TestRunAgain(t *testing.T) {
	t.Run("stands since its own time and is told after a hold", func(t *testing.T) {
		b := newBench(t).at(100)
		b.want(b.again(10, obsOf(correlate.Raise, "hub:mains")), "raised(major) held(run again)")
		a := b.eng.State().Alarms[key("hub:mains")]
		if own := epoch.Add(10 * time.Second); !a.Raised.Equal(own) || !a.Created.Equal(own) || !a.StatusChanges[0].At.Equal(own) {
			t.Errorf("stands since %s, created %s", a.Raised, a.Created)
		}
		if b.at(109); a.Announced {
			t.Error("told before the hold was over")
		}
		if b.at(111); !a.Announced {
			t.Error("never told")
		}
		b.refold()
	})
	t.Run("what is over is not told", func(t *testing.T) {
		b := newBench(t).at(100)
		b.again(10, obsOf(correlate.Raise, "hub:mains"))
		b.again(20, obsOf(correlate.Clear, "hub:mains"))
		n := len(b.journal)
		if got := b.at(200).since(n); got != "" {
			t.Errorf("afterwards came %s", got)
		}
		a := b.eng.State().Alarms[key("hub:mains")]
		if a.Standing || a.Cleared.Sub(a.Raised) != 10*time.Second {
			t.Errorf("standing %v from %s to %s", a.Standing, a.Raised, a.Cleared)
		}
		b.refold()
	})
	t.Run("a delay that is long over still waits for the clear", func(t *testing.T) {
		b := newBench(t).at(100)
		b.want(b.again(10, obsOf(correlate.Raise, "hub:pump")), "pending")
		b.at(101)
		b.again(20, obsOf(correlate.Clear, "hub:pump"))
		b.at(200).wantBoard("")
		b.refold()
	})
	t.Run("never overturns what is newer", func(t *testing.T) {
		b := newBench(t)
		b.at(10).hear("hub-1", 6000, obsOf(correlate.Raise, "hub:mains"))
		b.at(30).hear("hub-1", 8000, obsOf(correlate.Clear, "hub:mains"))
		b.at(100)
		b.want(b.again(20, obsOf(correlate.Raise, "hub:mains")), "ignored(late)")
		b.want(b.again(5, obsOf(correlate.Raise, "hub:mains")), "ignored(late)")
		b.want(b.again(40, obsOf(correlate.Raise, "hub:mains")), "raised(major) held(run again)")
		b.at(200).wantBoard("hub:mains")
		b.want(b.again(35, obsOf(correlate.Clear, "hub:mains")), "ignored(late)")
		b.notice(correlate.Clear, "hub:mains")
		b.want(b.again(150, obsOf(correlate.Raise, "hub:mains")), "ignored(late)")
		b.refold()
	})
	t.Run("late by the journal", func(t *testing.T) {
		b := newBench(t).at(100)
		o := obsOf(correlate.Raise, "hub:mains")
		o.Late = true
		b.want(b.again(10, o), "ignored(late)")
		b.refold()
	})
	t.Run("a reading", func(t *testing.T) {
		b := newBench(t)
		reading := func(raw float64) correlate.Observation {
			return correlate.Observation{Key: key("hub:volts"), What: correlate.Value, Value: raw}
		}
		b.at(50).hear("hub-1", 10000, reading(-540))
		b.at(100)
		b.want(b.again(10, reading(-450)), "ignored(late)")
		b.want(b.again(60, reading(-450)), "measured raised(major) held(run again)")
		if r := b.eng.State().Readings[key("hub:volts")]; !r.At.Equal(epoch.Add(time.Minute)) {
			t.Errorf("the reading is of %s", r.At)
		}
		b.refold()
	})
	t.Run("it is no sign of life", func(t *testing.T) {
		b := newBench(t)
		b.apply(&correlate.Start{})
		b.at(60)
		b.again(10, obsOf(correlate.Clear, "hub:mains"))
		b.at(71).wantBoard("hub:alive leaf:alive<hub:alive")
		b.refold()
	})
}
