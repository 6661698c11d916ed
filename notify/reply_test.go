package notify_test

import (
	"strings"
	"testing"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/notify"
)

// hear submits what came in, as the daemon does, and returns what is said back.
func (w *world) hear(gateway, from, text string) (said string, in *correlate.Reply) {
	w.Helper()
	in = w.plan.Reply(w.engine.State(), notify.Heard{Gateway: gateway, From: from, Text: text})
	w.apply(in)
	for _, ev := range w.log[len(w.log)-1].Events {
		if q, ok := ev.(*correlate.MessageQueued); ok && q.Message.Purpose == "answer" {
			if said != "" || !strings.Contains(strings.ToLower(q.Message.Address), strings.ToLower(from)) || q.Message.Channel != gateway {
				w.Errorf("answered %+v", q.Message)
			}
			said = strings.TrimSpace(q.Message.Body)
		}
	}
	return said, in
}

func (w *world) code() string { return w.engine.State().CallOuts["c1"].Code }

// TestReplies: what cannot take anything changes nothing and is answered in
// words that help; the first who can takes it; whoever comes later hears who
// has it.
func TestReplies(t *testing.T) {
	w := newWorld(t, nil)
	w.raise("mains")
	w.answer("m1-0", correlate.Accepted, 0)
	code := w.code()
	standing := func() {
		t.Helper()
		if a := w.engine.State().Alarms[key("mains")]; a.Acknowledged {
			t.Fatal("it was taken")
		}
	}
	if said, _ := w.hear("sms", "+12025550199", code); said != "" {
		t.Errorf("a stranger: got %q", said)
	}
	standing()
	if said, _ := w.hear("sms", "+12025550102", code); said != code+" is not the code of any alarm you were told of." {
		t.Errorf("somebody who was not told: got %q", said)
	}
	standing()
	if said, _ := w.hear("sms", "+12025550101", "what?"); !strings.HasPrefix(said, "Not understood. Answer with the code alone") {
		t.Errorf("no code: got %q", said)
	}
	standing()
	w.after(20 * time.Minute).tick() // the second telling
	w.after(10 * time.Minute).tick() // the chief is told too
	// Gateways write numbers as they like.
	if said, in := w.hear("sms", "12025550101", "ok "+strings.ToLower(code)); said != "You have taken "+code+", mains failed at Harrow Knoll." || in.Acts[0].Via != "sms" || in.Acts[0].Actor != "north" {
		t.Errorf("got %q %+v", said, in)
	}
	o := w.engine.State().CallOuts["c1"]
	if o.State != correlate.CallOutTaken || o.TakenBy != "north" {
		t.Fatalf("got %+v", o)
	}
	if said, _ := w.hear("sms", "+12025550101", code); said != "You have "+code+" already." {
		t.Errorf("again: got %q", said)
	}
	if said, _ := w.hear("mail", "Chief@example.net", code); said != code+" was taken by North crew on call at 02:44." {
		t.Errorf("too late: got %q", said)
	}
	w.clear("mains")
	if said, _ := w.hear("sms", "+12025550101", code); said != code+" has cleared; there is nothing to take." {
		t.Errorf("after the clear: got %q", said)
	}
	w.after(time.Hour).raise("mains")
	if said, in := w.hear("sms", "+12025550101", code); len(in.Acts) != 0 || said != code+" has cleared; there is nothing to take." {
		t.Errorf("the code of an earlier episode: got %q", said)
	}
}

// TestRaceIsTold: two answers read before either is applied; the second is
// told who has it.
func TestRaceIsTold(t *testing.T) {
	w := newWorld(t, func(b *notify.Book) {
		b.Ladders[0].Rungs[0].Whom = []notify.Target{{Person: "north"}, {Person: "south"}}
	})
	w.raise("mains")
	code := w.code()
	second := w.plan.Reply(w.engine.State(), notify.Heard{Gateway: "sms", From: "+12025550102", Text: code})
	w.hear("sms", "+12025550101", code)
	w.apply(second)
	events := w.log[len(w.log)-1].Events
	q, ok := events[len(events)-1].(*correlate.MessageQueued)
	if !ok || q.Message.Person != "south" || q.Message.Body != code+": it was taken by North crew on call." {
		t.Errorf("got %+v", events)
	}
	if by := w.engine.State().Alarms[key("mains")].AckBy; by != "north" {
		t.Errorf("taken by %s", by)
	}
}

// TestNotMe: "not me" goes to the next rung at once and does not come back to
// whoever said so, until it gets worse.
func TestNotMe(t *testing.T) {
	w := newWorld(t, nil)
	w.raise("rectifier")
	w.answer("m1-0", correlate.Accepted, 0)
	said, _ := w.hear("sms", "+12025550101", "no "+w.code())
	if said != "Passed on: "+w.code()+", rectifier failed at Harrow Knoll." {
		t.Errorf("got %q", said)
	}
	got := lines(w.log[len(w.log)-1].Events)
	want(t, got, "*correlate.Passed",
		"step 1/0 due 09:14:05 north said it is not for them",
		"step 2/0 due 09:14:05 nobody is on call in roster days",
		"step 3/0 due 09:29:05", "send m3-0 raised to chief by mail from 09:14:05 until 13:14:05",
		"send m3-1 answer to north by sms from 09:14:05 until 09:29:05")
	want(t, w.says("rectifier", correlate.Raise, correlate.Critical), "drop m3-0 it got worse",
		"step 3/0 due 09:29:05", "step 0/0 due 09:24:05", "send m4-0 worse to north by sms from 09:14:05 until 09:19:05")
}

func TestMailReplies(t *testing.T) {
	w := newWorld(t, nil)
	w.raise("rectifier")
	w.after(20 * time.Minute).tick()
	subject := "Re: MAJOR Harrow Knoll: rectifier failed [" + w.code() + "]"
	for text, acts := range map[string]int{
		"Out of office until Monday.\n\n> Code " + w.code(): 0,
		"Thanks, see below\n> ok":                           0,
		"\n ok \n\n> " + w.code():                           1,
		"Not me, sorry.":                                    1,
		w.code():                                            1,
	} {
		in := w.plan.Reply(w.engine.State(), notify.Heard{Gateway: "mail", From: "north@example.net", Text: text, Hint: subject})
		if len(in.Acts) != acts {
			t.Errorf("%q: got %+v", text, in)
		}
	}
}

// What looks like a code is taken out of a text, and nothing else is.
func TestUncoded(t *testing.T) {
	const gone = notify.CodeGone
	for text, want := range map[string]string{
		"":                                   "",
		"MAJOR Harrow: 03:12. K7M3P":         "MAJOR Harrow: 03:12. " + gone,
		"[K7M3P]":                            "[" + gone + "]",
		"k7m3p, TWX473.":                     gone + ", " + gone + ".",
		"K7M3 K7M3PQQ XK7M3PX":               "K7M3 K7M3PQQ XK7M3PX",
		"Mains failed at Quarry Gate":        "Mains failed at Quarry Gate",
		"12345 and 2026":                     "12345 and 2026",
		"\u201cK7M3P\u201d, K7M3P\u2013 end": "\u201c" + gone + "\u201d, " + gone + "\u2013 end",
		"\nK7M3P\n":                          "\n" + gone + "\n",
	} {
		if got := notify.Uncoded(text); got != want {
			t.Errorf("%q becomes %q, want %q", text, got, want)
		}
	}
}
