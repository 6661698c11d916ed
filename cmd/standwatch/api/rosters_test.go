package api

import (
	"encoding/json"
	"net/http"
	"strings"
	"testing"
	"time"

	"example.net/standwatch/cmd/standwatch/api/apitest"
	"example.net/standwatch/correlate"
)

func into(t *testing.T, r *http.Response, status int, v any) {
	t.Helper()
	if r.StatusCode != status {
		t.Fatalf("got %d, want %d", r.StatusCode, status)
	}
	if err := json.NewDecoder(r.Body).Decode(v); err != nil {
		t.Fatal(err)
	}
}

func TestStandIns(t *testing.T) {
	st := newStage(t)
	const path = "/api/v1/rosters/north"
	var set StandIn
	into(t, st.ask("POST", path+"/stand-ins", `{"person":"n2","for":"n1","from":"2026-11-26 18:00","to":"2026-11-27 06:00","why":"doctor"}`), 200, &set)
	if set.ID == "" || set.By != "tester" || set.Via != "api" || set.To.Sub(set.From) != 12*time.Hour {
		t.Errorf("got %+v", set)
	}
	var turns Turns
	into(t, st.ask("GET", path+"/turns?from=2026-11-26T00:00:00Z&to=2026-11-28T00:00:00Z", ""), 200, &turns)
	if len(turns.Turns) != 3 || turns.Turns[1].People[0].ID != "n2" || !turns.Turns[1].StandIn || len(turns.StandIns) != 1 {
		t.Errorf("got %+v", turns)
	}
	for body, status := range map[string]int{
		`{"person":"nobody","from":"2026-11-26 18:00","to":"2026-11-27 06:00"}`:        422,
		`{"person":"n2","from":"2026-11-26 18:00","to":"2026-11-26 18:00"}`:            422,
		`{"person":"n2","from":"2026-11-20 18:00","to":"2026-11-21 18:00"}`:            422,
		`{"person":"n2","from":"soon","to":"2026-11-27 06:00"}`:                        422,
		`{"person":"n1","for":"n1","from":"2026-11-26 18:00","to":"2026-11-27 06:00"}`: 422,
		`{"person":"n2","until":"x"}`:                                                  400,
	} {
		if r := st.ask("POST", path+"/stand-ins", body); r.StatusCode != status {
			t.Errorf("%s: got %d, want %d", body, r.StatusCode, status)
		}
	}
	if r := st.ask("POST", "/api/v1/rosters/none/stand-ins", `{"person":"n2","from":"2026-11-26 18:00","to":"2026-11-27 06:00"}`); r.StatusCode != 404 {
		t.Errorf("no such roster: %d", r.StatusCode)
	}
	into(t, st.ask("POST", path+"/stand-ins/"+set.ID+"/end", ""), 200, &set)
	if r := st.ask("POST", path+"/stand-ins/"+set.ID+"/end", ""); r.StatusCode != 404 {
		t.Errorf("ended twice: %d", r.StatusCode)
	}
}

func TestExplanation(t *testing.T) {
	st := newStage(t)
	st.Trap(t, apitest.Raise("harrow-knoll", "mains", ""))
	st.ask("POST", "/api/v1/alarms/harrow-knoll:mains/acknowledge", "")
	var e Explanation
	into(t, st.ask("GET", "/api/v1/alarms/harrow-knoll:mains/explanation", ""), 200, &e)
	var all []string
	for _, s := range e.Steps {
		all = append(all, s.What+" "+s.Text)
	}
	text := strings.Join(all, "\n")
	for _, words := range []string{"came trap v2c 1.3.6.1.4.1.32473.10.0.1 from ", "decided raised", "decided announced", "answer tester by api", "answer taken by tester by api"} {
		if !strings.Contains(text, words) {
			t.Errorf("it lacks %q:\n%s", words, text)
		}
	}
	if r := st.ask("GET", "/api/v1/alarms/harrow-knoll:nothing/explanation", ""); r.StatusCode != 404 {
		t.Errorf("no such alarm: %d", r.StatusCode)
	}
}

func TestWouldTell(t *testing.T) {
	st := newStage(t)
	var w WouldTell
	into(t, st.ask("GET", "/api/v1/would-tell?site=harrow-knoll&point=mains&at=Sat+03:00", ""), 200, &w)
	// The centre's zone is an hour east; the next Saturday is 28 November.
	if !w.At.Equal(time.Date(2026, 11, 28, 2, 0, 0, 0, time.UTC)) || w.Route != "all" || len(w.Steps) != 1 || w.Steps[0].Told[0].Person != "n1" {
		t.Errorf("got %+v", w)
	}
	for query, status := range map[string]int{"site=none&point=mains": 404, "site=harrow-knoll&point=none": 404, "site=harrow-knoll&point=mains&at=soon": 400} {
		if r := st.ask("GET", "/api/v1/would-tell?"+query, ""); r.StatusCode != status {
			t.Errorf("%s: got %d, want %d", query, r.StatusCode, status)
		}
	}
}

func TestMoment(t *testing.T) {
	now := time.Date(2026, 11, 25, 6, 0, 0, 0, time.UTC) // a Wednesday
	for text, want := range map[string]string{
		"": "2026-11-25 06:00", "07:00": "2026-11-25 07:00", "06:00": "2026-11-26 06:00", "wed 05:00": "2026-12-02 05:00", "Saturday 03:00": "2026-11-28 03:00",
		"2026-12-24 18:00": "2026-12-24 18:00", "2026-12-24T18:00:00Z": "2026-12-24 18:00",
	} {
		if got, err := Moment(text, now, time.UTC); err != nil || got.Format("2006-01-02 15:04") != want {
			t.Errorf("%q: got %v %v, want %s", text, got, err, want)
		}
	}
	for _, text := range []string{"noon", "xx 03:00", "s 03:00", "Sat", "25:00"} {
		if got, err := Moment(text, now, time.UTC); err == nil {
			t.Errorf("%q is read as %v", text, got)
		}
	}
}

// TestRosterActIsJournaled: who agreed a stand-in, and by what.
func TestRosterActIsJournaled(t *testing.T) {
	st := newStage(t)
	st.ask("POST", "/api/v1/rosters/north/stand-ins", `{"person":"n2","from":"2026-11-26 18:00","to":"2026-11-27 06:00"}`)
	var page HistoryPage
	into(t, st.ask("GET", "/api/v1/history?limit=1", ""), 200, &page)
	if r := page.Records[0]; r.Input.Kind != "roster" || r.Input.Operator != "tester" || r.Input.Via != "api" || r.Events[0].Kind != correlate.EventKinds[47].Word {
		t.Errorf("got %+v", r)
	}
}
