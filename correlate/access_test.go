package correlate_test

import (
	"testing"
	"time"

	"example.net/standwatch/correlate"
)

// What happens to accounts is journaled with one event, and moves nothing in
// the state but the place in the journal.
func TestAccessIsJournaledAndChangesNoState(t *testing.T) {
	net, err := correlate.NewNetwork(nil, nil, "hash")
	if err != nil {
		t.Fatal(err)
	}
	kinds := map[correlate.AccessWhat]string{correlate.AccountAdded: "account", correlate.AccountRole: "account", correlate.AccountScope: "account", correlate.AccountPassword: "account",
		correlate.AccountRemoved: "account", correlate.TokenMade: "account", correlate.TokenEnded: "account",
		correlate.SessionBegan: "session", correlate.SessionEnded: "session", correlate.LoginFailed: "login-refused"}
	engine := correlate.NewEngine(net, correlate.NewState())
	seq := correlate.Seq(0)
	for what := correlate.AccountAdded; what <= correlate.LoginFailed; what++ {
		seq++
		r := &correlate.Record{Seq: seq, At: time.Date(2026, 11, 25, 6, 0, 0, 0, time.UTC), Input: &correlate.Access{What: what, Account: "north-desk", Actor: "administrator", Via: "console", Times: 3}}
		engine.Apply(r)
		if len(r.Events) != 1 || correlate.EventKinds[r.Events[0].Kind()].Word != kinds[what] || !r.Events[0].Subject().IsZero() {
			t.Errorf("%s decided %v", what, r.Events)
		}
		if what.String() == "unset" {
			t.Errorf("number %d has no words", what)
		}
	}
	if st := engine.State(); st.Seq != seq || len(st.Alarms) != 0 {
		t.Errorf("the state is at %d with %d alarms", st.Seq, len(st.Alarms))
	}
}
