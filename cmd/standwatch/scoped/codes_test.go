package scoped_test

import (
	"strings"
	"testing"

	"example.net/standwatch/cmd/standwatch/api/apitest"
	"example.net/standwatch/cmd/standwatch/scoped"
	"example.net/standwatch/correlate"
	"example.net/standwatch/store/accounts"
)

// Every field that can hold a code is without one for those who may only look,
// by all ways of reading, and untouched for the others.
func TestCodesOfLookers(t *testing.T) {
	c := apitest.Open(t)
	const code, all = "K7M3P", "TWX473"
	key := apitest.Key("quarry-gate", "mains")
	o := correlate.CallOut{ID: "c1", Key: key, Code: code, State: correlate.CallOutOpen}
	m := correlate.Message{ID: "m1", Key: key, CallOut: "c1", Subject: "MAJOR Quarry Gate [" + code + "]", Body: "MAJOR Quarry Gate: Mains failed 03:12. " + code, Attempts: []correlate.Attempt{{Answer: "taken: " + code}}}
	digest := correlate.Message{ID: "m2", Key: key, Subject: "2 alarms", Body: "All: " + all, Code: all, Covers: []correlate.CallOutID{"c1"}}
	answer := correlate.Message{ID: "m3", Key: key, Purpose: "answer", Body: "Passed on: all 2 of " + all + "."}
	tried := &correlate.MessageTried{On: correlate.On{Key: key}, Message: "m1", Attempt: correlate.Attempt{Answer: "450 not now: " + code}}
	reply := &correlate.Reply{Gateway: "sms", Person: "north", Text: "k 7m3p please", Say: code + " is an old code.", Code: code}
	st := correlate.NewState()
	st.CallOuts[o.ID], st.Messages[m.ID], st.Messages[digest.ID], st.Messages[answer.ID] = &o, &m, &digest, &answer
	record := &correlate.Record{Seq: 1, At: c.Now(), Input: reply, Events: []correlate.Event{&correlate.CallOutOpened{CallOut: o}, &correlate.MessageQueued{Message: m}, &correlate.MessageQueued{Message: digest}, &correlate.MessageQueued{Message: answer}, tried}}
	src := scoped.Source{Board: &digested{st: st, net: c.Net}, Journal: journalOf{c.Store, record}}
	says := func(who accounts.Who) string {
		v := scoped.Of(src, who, false)
		var out strings.Builder
		for range 2 { // the second is what was kept of the first
			v.Read(func(st *correlate.State, _ *correlate.Network) {
				out.WriteString(st.CallOuts["c1"].Code + " " + st.CallOuts["c1"].State.String() + "\n")
				for _, id := range []correlate.MessageID{"m1", "m2", "m3"} {
					m := st.Messages[id]
					out.WriteString(m.Subject + "|" + m.Body + "|" + m.Code)
					for _, a := range m.Attempts {
						out.WriteString("|" + a.Answer)
					}
					out.WriteString("\n")
				}
			})
		}
		r, err := v.Get(1)
		if err != nil {
			t.Fatal(err)
		}
		out.WriteString(text(r))
		if in, is := r.Input.(*correlate.Reply); is {
			out.WriteString(in.Text + in.Say + in.Code)
		}
		return out.String()
	}
	look, part := accounts.Who{Name: "wall", Role: accounts.Look}, south
	for name, who := range map[string]accounts.Who{"all": look, "some": {Name: "wall", Role: accounts.Look, Scopes: south.Scopes}} {
		got := says(who)
		for _, secret := range []string{code, "k 7m3p", all} {
			if strings.Contains(got, secret) {
				t.Errorf("somebody who may look at %s is told %q:\n%s", name, secret, got)
			}
		}
		if !strings.Contains(got, "Mains failed 03:12") || !strings.Contains(got, "open\n") {
			t.Errorf("somebody who may look at %s is told less than they may:\n%s", name, got)
		}
	}
	if got := says(accounts.Who{Name: "desk", Role: accounts.Operate}); strings.Count(got, code) < 8 || strings.Count(got, all) < 4 {
		t.Errorf("somebody who may take is told\n%s", got)
	}
	// Who sees some sites is told the codes of their call-outs, and not by an
	// answer the one of a digest.
	if got := says(part); strings.Contains(got, all) || !strings.Contains(got, "03:12. "+code) {
		t.Errorf("somebody who may take at some sites is told\n%s", got)
	}
	if o.Code != code || m.Attempts[0].Answer != "taken: "+code || tried.Attempt.Answer != "450 not now: "+code || reply.Code != code {
		t.Error("the state or the journal was changed by looking")
	}
}

// A state is made without codes anew after each record.
func TestCodesOfLaterRecords(t *testing.T) {
	c := apitest.Open(t)
	st := correlate.NewState()
	v := scoped.Of(scoped.Source{Board: &digested{st: st, net: c.Net}}, accounts.Who{Name: "wall", Role: accounts.Look}, false)
	for seq := range correlate.Seq(3) {
		st.Seq = seq
		st.Messages["m1"] = &correlate.Message{ID: "m1", Body: strings.Repeat("again ", int(seq)) + "K7M3P"}
		v.Read(func(seen *correlate.State, _ *correlate.Network) {
			if body := seen.Messages["m1"].Body; strings.Count(body, "again") != int(seq) || strings.Contains(body, "K7M3P") {
				t.Errorf("at record %d: %q", seq, body)
			}
		})
	}
}
