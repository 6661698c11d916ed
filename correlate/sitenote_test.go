package correlate_test

import (
	"testing"

	"example.net/standwatch/correlate"
)

// A note about a site is journaled and changes nothing; nothing else can be done
// to a site.
func TestNoteAboutASite(t *testing.T) {
	b := newBench(t)
	site := b.net.Sites()[0]
	act := func(site correlate.SiteID, action correlate.Action, text string) correlate.Event {
		t.Helper()
		got := b.apply(&correlate.Act{Key: correlate.Key{Site: site}, Action: action, Actor: "operator", Via: "console", Text: text})
		if len(got) != 1 {
			t.Fatalf("got %d events", len(got))
		}
		return got[0]
	}
	e, noted := act(site, correlate.ActNote, "the key hangs behind the meter").(*correlate.Noted)
	if !noted || e.Key != (correlate.Key{Site: site}) || e.Actor != "operator" || e.Via != "console" || e.Text != "the key hangs behind the meter" {
		t.Errorf("got %+v", e)
	}
	if n := len(b.eng.State().Alarms); n != 0 {
		t.Errorf("a note about a site made %d alarms", n)
	}
	b.refold()
	for _, tt := range []struct {
		site   correlate.SiteID
		action correlate.Action
		text   string
		want   string
	}{
		{"nowhere", correlate.ActNote, "a", "there is no such site"},
		{site, correlate.ActNote, "", "a note needs a text"},
		{site, correlate.ActAcknowledge, "", "the action is for an alarm, and this is a site"},
		{site, correlate.ActShelve, "works", "the action is for an alarm, and this is a site"},
		{site, correlate.ActPass, "", "the action is for an alarm, and this is a site"},
	} {
		if r, refused := act(tt.site, tt.action, tt.text).(*correlate.Refused); !refused || r.Why != tt.want {
			t.Errorf("action %d on %s: got %+v, want a refusal: %s", tt.action, tt.site, r, tt.want)
		}
	}
	b.refold()
}
