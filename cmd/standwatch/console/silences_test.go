package console

import (
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"example.net/standwatch/cmd/standwatch/access"
	"example.net/standwatch/cmd/standwatch/api"
	"example.net/standwatch/cmd/standwatch/api/apitest"
	"example.net/standwatch/correlate"
	"example.net/standwatch/store/accounts"

	"github.com/google/go-cmp/cmp"
	"golang.org/x/net/html"
)

func TestSilencesAreMadeAndEndedByForm(t *testing.T) {
	st := newStage(t)
	st.busy(t)
	form := url.Values{"kind": {"out-of-service"}, "covers": {"harrow-knoll/mains, agent sallow-fen-1"}, "text": {hostile}, "for": {"8h"}}
	bad := url.Values{"kind": {"maintenance"}, "covers": {"nowhere"}, "text": {"a reason"}, "for": {"1h"}}
	if r := st.post("/silences", bad); r.StatusCode != http.StatusConflict {
		t.Errorf("a silence over nothing answered %d", r.StatusCode)
	}
	form.Set("covers", "harrow-knoll/mains, quarry-gate")
	if r := st.post("/silences", form); r.StatusCode != http.StatusSeeOther || r.Header.Get("Location") != "/silences" {
		t.Fatalf("answered %d", r.StatusCode)
	}
	tree, body := st.page(t, "/silences")
	for n := range tree.Descendants() {
		if n.Type == html.ElementNode {
			foreign(t, n)
		}
	}
	for _, want := range []string{"Out of service", "harrow-knoll/mains, quarry-gate", "Return to service", "Put aside", "Explained by another"} {
		if !strings.Contains(body, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	_, watch := st.page(t, "/")
	if !strings.Contains(watch, "out of service, nobody is told before") || !strings.Contains(watch, "stands under a ") {
		t.Error("the watch does not say that an alarm is under a silence")
	}
	var id correlate.SilenceID
	st.Ledger.Read(func(s *correlate.State, _ *correlate.Network) { id = s.Listed()[0].ID })
	if r := st.post("/silences/"+string(id)+"/end", nil); r.StatusCode != http.StatusSeeOther {
		t.Errorf("ending it answered %d", r.StatusCode)
	}
	if _, body := st.page(t, "/silences"); strings.Contains(body, "Return to service") {
		t.Error("it is still listed")
	}
	if _, body := st.page(t, "/history?site=harrow-knoll"); !strings.Contains(body, "silence began (out of service)") {
		t.Error("the history of the site lacks it")
	}
}

// Longer than a shift is for a supervisor, shelves and silences alike.
func TestOperatorsCannotSilenceForLong(t *testing.T) {
	st := newStage(t)
	st.Trap(t, apitest.Raise("harrow-knoll", "mains", ""))
	for role, want := range map[accounts.Role][2]int{accounts.Operate: {http.StatusConflict, http.StatusConflict}, accounts.Supervise: {http.StatusSeeOther, http.StatusSeeOther}} {
		st.handler = access.As(accounts.Who{Name: "somebody", Role: role}, st.server.handler())
		shelf := st.post("/alarms/harrow-knoll:mains/shelve", url.Values{"text": {"part ordered"}, "for": {"24h"}}).StatusCode
		silence := st.post("/silences", url.Values{"kind": {"maintenance"}, "covers": {"tern-point"}, "text": {"mast work"}, "for": {"24h"}}).StatusCode
		if got := [2]int{shelf, silence}; got != want {
			t.Errorf("%v: answered %v, want %v", role, got, want)
		}
	}
}

func TestScopesAsPeopleWriteThem(t *testing.T) {
	got := scopesIn(" harrow-knoll , harrow-knoll/string:2, agent north-hub-remote, tag generator/mains,,")
	want := []api.Scope{{Site: "harrow-knoll"}, {Site: "harrow-knoll", Point: "string", Instance: "2"}, {Agent: "north-hub-remote"}, {Tag: "generator", Point: "mains"}}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
	for _, s := range want {
		if again := scopesIn(correlate.Scope(s).String()); len(again) != 1 || again[0] != s {
			t.Errorf("%v is shown as %q and read as %v", s, correlate.Scope(s), again)
		}
	}
}

// In a flood the sentence sums up by site and by cause.
func TestFloodIsSummedUp(t *testing.T) {
	st := newStage(t)
	for i := range 12 {
		k := correlate.Key{Site: "sallow-fen", Point: "door", Instance: fmt.Sprint(i)}
		st.Trap(t, correlate.Observation{Key: k, What: correlate.Raise})
		st.Step(time.Second)
	}
	_, body := st.page(t, "/")
	if !strings.Contains(body, "A flood: twelve alarms were told since") || !strings.Contains(body, "Most at Sallow Fen (twelve)") {
		t.Errorf("the sentence of a flood: %s", body[strings.Index(body, "sentence"):][:600])
	}
	// Whoever shows it elsewhere gets the same.
	st.Ledger.Read(func(state *correlate.State, net *correlate.Network) {
		if said := Say(state, net, nil, st.Now(), time.UTC); !strings.Contains(said.Text, "Most at Sallow Fen (twelve)") {
			t.Errorf("elsewhere it says %q", said.Text)
		}
	})
}
