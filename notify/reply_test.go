package notify_test

import (
	"testing"
	"time"

	"example.net/standwatch/correlate"
)

func TestAnswer(t *testing.T) {
	w := newWorld(t, nil)
	w.raise("mains")
	w.answer("m1-0", correlate.Accepted, 0)
	code := w.engine.State().CallOuts["c1"].Code
	ask := func(gateway, from, reply string) (string, *correlate.Act) {
		a := w.plan.Answer(w.engine.State(), gateway, from, reply)
		return a.Reply, a.Act
	}
	if reply, act := ask("sms", "+12025550199", code); reply != "" || act != nil {
		t.Errorf("a stranger: got %q %+v", reply, act)
	}
	if reply, act := ask("sms", "+12025550102", code); reply != code+" is not the code of any alarm you were told of." || act != nil {
		t.Errorf("somebody who was not told: got %q %+v", reply, act)
	}
	if reply, act := ask("sms", "+12025550101", "what?"); reply == "" || act != nil {
		t.Errorf("no code: got %q %+v", reply, act)
	}
	reply, act := ask("sms", "+12025550101", "ok "+code)
	if act == nil || act.Actor != "north" || act.Via != "sms" || act.Key != key("mains") || reply != "You have taken "+code+"." {
		t.Fatalf("got %q %+v", reply, act)
	}
	w.after(20 * time.Minute).tick() // the second telling
	w.after(10 * time.Minute).tick() // the chief is told too
	want(t, w.apply(act)[:1], "end c1 taken north")
	if reply, act := ask("mail", "chief@example.net", code); reply != code+" was taken by North crew on call." || act != nil {
		t.Errorf("too late: got %q %+v", reply, act)
	}
	w.clear("mains")
	if reply, act := ask("sms", "+12025550101", code); reply != code+" has cleared; there is nothing to take." || act != nil {
		t.Errorf("after the clear: got %q %+v", reply, act)
	}
}
