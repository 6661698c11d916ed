package api

import (
	"encoding/json"
	"net/http"
	"strings"
	"testing"
	"time"

	"example.net/standwatch/cmd/standwatch/api/apitest"
)

func (st *stage) silences(t *testing.T) (out Silences) {
	t.Helper()
	if err := json.NewDecoder(st.ask("GET", "/api/v1/silences", "").Body).Decode(&out); err != nil {
		t.Fatal(err)
	}
	return out
}

func TestSilencesAreSetListedAndEnded(t *testing.T) {
	st := newStage(t)
	st.Trap(t, apitest.Raise("harrow-knoll", "mains", ""))
	until := st.Now().Add(2 * time.Hour).Format(time.RFC3339)
	body := `{"kind":"maintenance","scope":[{"site":"harrow-knoll"}],"until":"` + until + `","reason":"rectifier replaced"}`
	for path, want := range map[string]int{
		`{"kind":"holiday","scope":[{"site":"harrow-knoll"}],"until":"` + until + `","reason":"r"}`:                                                        http.StatusUnprocessableEntity,
		`{"kind":"maintenance","scope":[{"site":"harrow-knoll"}],"until":"` + until + `"}`:                                                                 http.StatusUnprocessableEntity,
		`{"kind":"maintenance","scope":[{"site":"harrow-knoll"}],"reason":"r"}`:                                                                            http.StatusUnprocessableEntity,
		`{"kind":"maintenance","scope":[],"until":"` + until + `","reason":"r"}`:                                                                           http.StatusUnprocessableEntity,
		`{"kind":"maintenance","scope":[{"site":"nowhere"}],"until":"` + until + `","reason":"r"}`:                                                         http.StatusConflict,
		`{"kind":"maintenance","scope":[{"site":"harrow-knoll"}],"until":"` + st.Now().Add(8*24*time.Hour).Format(time.RFC3339) + `","reason":"too long"}`: http.StatusConflict,
	} {
		if r := st.ask("POST", "/api/v1/silences", path); r.StatusCode != want {
			t.Errorf("%s answered %d, want %d", path, r.StatusCode, want)
		}
	}
	if r := st.ask("POST", "/api/v1/silences", body); r.StatusCode != http.StatusOK {
		t.Fatalf("answered %d", r.StatusCode)
	}
	st.Step(time.Hour)
	got := st.silences(t)
	if len(got.Silences) != 1 {
		t.Fatalf("listed %+v", got)
	}
	s := got.Silences[0]
	if s.Left != 3600 || !s.Open || s.Reason != "rectifier replaced" || len(s.Alarms) != 1 || s.Alarms[0] != "harrow-knoll:mains" || s.By == "" || s.Via != "api" {
		t.Errorf("listed %+v", s)
	}
	var a Alarm
	if err := json.NewDecoder(st.ask("GET", "/api/v1/alarms/harrow-knoll:mains", "").Body).Decode(&a); err != nil {
		t.Fatal(err)
	}
	if a.Suppressed == nil || a.Suppressed.By != s.ID || a.Announced {
		t.Errorf("the alarm: suppressed %+v, announced %v", a.Suppressed, a.Announced)
	}
	if r := st.ask("POST", "/api/v1/silences/"+string(s.ID)+"/end", `{"text":"done early"}`); r.StatusCode != http.StatusOK {
		t.Errorf("ending it answered %d", r.StatusCode)
	}
	if r := st.ask("POST", "/api/v1/silences/"+string(s.ID)+"/end", ``); r.StatusCode != http.StatusConflict {
		t.Errorf("ending it twice answered %d", r.StatusCode)
	}
	if got := st.silences(t); len(got.Silences) != 0 {
		t.Errorf("still listed: %+v", got)
	}
	// The history of the site has it.
	var page HistoryPage
	if err := json.NewDecoder(st.ask("GET", "/api/v1/history?site=harrow-knoll", "").Body).Decode(&page); err != nil {
		t.Fatal(err)
	}
	var kinds []string
	for _, r := range page.Records {
		for _, ev := range r.Events {
			if strings.HasPrefix(ev.Kind, "silence") {
				kinds = append(kinds, ev.Kind)
			}
		}
	}
	if got := strings.Join(kinds, " "); got != "silence-ended silence-set silence-began" {
		t.Errorf("history %q", got)
	}
}

// Whatever keeps people from being told of an alarm is listed, with what ends
// it.
func TestEveryKindOfSilenceIsListed(t *testing.T) {
	st := newStage(t)
	fill(t, st)
	got := st.silences(t)
	if len(got.Silences) != 1 || len(got.Shelved) != 1 || len(got.Flapping) != 1 || len(got.Explained) != 1 {
		t.Errorf("got %+v", got)
	}
	if f := got.Flapping; len(f) == 1 && (f[0].Until.IsZero() || f[0].Count == 0) {
		t.Errorf("flapping %+v", f[0])
	}
}
