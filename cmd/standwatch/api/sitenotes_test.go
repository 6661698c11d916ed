package api

import (
	"encoding/json"
	"net/http"
	"testing"

	"example.net/standwatch/cmd/standwatch/api/apitest"
	"example.net/standwatch/correlate"
)

func TestNotesOfASite(t *testing.T) {
	st := newStage(t)
	st.Trap(t, apitest.Raise("harrow-knoll", "mains", ""))
	st.Do(t, &correlate.Act{Key: apitest.Key("harrow-knoll", "mains"), Action: correlate.ActNote, Actor: "lead", Via: "console", Text: "the utility knows"})
	for body, want := range map[string]int{`{"text":" "}`: http.StatusUnprocessableEntity, `{"txt":"a"}`: http.StatusBadRequest, `{"text":"the gate is stiff"}`: http.StatusOK} {
		if r := st.ask("POST", "/api/v1/sites/harrow-knoll/note", body); r.StatusCode != want {
			t.Errorf("%s answered %d, want %d", body, r.StatusCode, want)
		}
	}
	if r := st.ask("POST", "/api/v1/sites/nowhere/note", `{"text":"a"}`); r.StatusCode != http.StatusNotFound {
		t.Errorf("a note about a site that is not there answered %d", r.StatusCode)
	}
	var site Site
	if err := json.NewDecoder(st.ask("GET", "/api/v1/sites/harrow-knoll", "").Body).Decode(&site); err != nil {
		t.Fatal(err)
	}
	if len(site.Notes) != 2 || site.Notes[0].Text != "the gate is stiff" || site.Notes[0].Via != "api" || site.Notes[0].Operator == "" || site.Notes[0].Alarm != "" || !site.Notes[0].Time.Equal(st.Now()) ||
		site.Notes[1].Alarm != "harrow-knoll:mains" || site.Notes[1].Operator != "lead" {
		t.Errorf("notes %+v", site.Notes)
	}
	var page HistoryPage
	if err := json.NewDecoder(st.ask("GET", "/api/v1/history?site=harrow-knoll&kind=noted", "").Body).Decode(&page); err != nil {
		t.Fatal(err)
	}
	if ev := page.Records[0].Events[0]; len(page.Records) != 2 || ev.Alarm != "" || ev.Site != "harrow-knoll" || ev.Text != "the gate is stiff" {
		t.Errorf("history %+v", page.Records)
	}
}
