package console

import (
	"strings"
	"testing"
	"time"

	"example.net/standwatch/correlate"
)

// The outbox page shows all that a gateway said, what is in doubt, and how other
// managers take what is handed on; a person of some sites has none of the last.
func TestOutboxShowsAnswersAndForwards(t *testing.T) {
	st := newStage(t)
	st.busy(t)
	long := strings.Repeat("450 busy ", 100) + "the very end"
	st.server.Board = answered{st.server.Board, long}
	st.server.Forwards = func() []Forward {
		return []Forward{{Name: "umbrella", How: "traps and informs", Sent: 12, Position: 340},
			{Name: "log-host", How: "syslog", Sent: 3, Backlog: 7, Failures: 4, Err: "dial tcp 192.0.2.9:601: " + hostile, Since: st.Now().Add(-time.Minute)}}
	}
	_, body := st.page(t, "/outbox")
	for _, want := range []string{long, "it may have been taken all the same", `its number: <span class="octets">gw-77</span>`, "our number: m1", "umbrella", "took all up to record 340", "log-host", "tried 4 times", "dial tcp 192.0.2.9:601", "One other manager takes no alarms"} {
		if !strings.Contains(body, want) && !strings.Contains(body, strings.Replace(want, "One", "1", 1)) {
			t.Errorf("the outbox lacks %q", want)
		}
	}
	if strings.Contains(body, "<script>alert") {
		t.Error("what another manager said is not escaped")
	}
	st.server.Forwards = nil
	if _, body := st.page(t, "/outbox"); strings.Contains(body, "Handed on") {
		t.Error("who sees some sites is told of other managers")
	}
}

// answered lends a state in which a gateway said much about each message.
type answered struct {
	inner interface {
		Read(func(*correlate.State, *correlate.Network))
		Follow() (<-chan struct{}, func())
	}
	words string
}

func (b answered) Follow() (<-chan struct{}, func()) { return b.inner.Follow() }

func (b answered) Read(fn func(*correlate.State, *correlate.Network)) {
	b.inner.Read(func(st *correlate.State, net *correlate.Network) {
		for _, m := range st.Messages {
			m.Attempts = []correlate.Attempt{{At: m.Queued, Outcome: correlate.Temporary, Answer: b.words, GatewayID: "gw-77", InDoubt: true}}
		}
		fn(st, net)
	})
}
