package console

import (
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"

	"example.net/standwatch/cmd/standwatch/api/apitest"
)

func (st *stage) submitForm(path string, form url.Values) *http.Response {
	r := httptest.NewRequest("POST", path, strings.NewReader(form.Encode()))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	w := httptest.NewRecorder()
	st.handler.ServeHTTP(w, r)
	return w.Result()
}

func (st *stage) shown(t *testing.T, path string) string {
	t.Helper()
	w := httptest.NewRecorder()
	st.handler.ServeHTTP(w, httptest.NewRequest("GET", path, nil))
	if w.Code != http.StatusOK {
		t.Fatalf("%s answered %d", path, w.Code)
	}
	return w.Body.String()
}

// TestRostersPage names who is on call, every hole, and lets somebody stand in
// and end it.
func TestRostersPage(t *testing.T) {
	st := newStage(t)
	page := st.shown(t, "/rosters")
	for _, words := range []string{"North crew on call", "Nobody is on call", "One person at every hour of the next 4 weeks."} {
		if !strings.Contains(page, words) {
			t.Errorf("the page lacks %q", words)
		}
	}
	if r := st.submitForm("/rosters/north/stand-ins", url.Values{"person": {"n2"}, "from": {"2026-11-26T18:00"}, "to": {"2026-11-27T06:00"}, "why": {hostile}}); r.StatusCode != http.StatusSeeOther {
		t.Errorf("agreeing answered %d", r.StatusCode)
	}
	page = st.shown(t, "/rosters")
	if !strings.Contains(page, "(stands in)") || !strings.Contains(page, "tester") || strings.Contains(page, "<script>alert") {
		t.Errorf("the stand-in is not shown as it should be")
	}
	id := ""
	for _, in := range st.server.Plan().StandIns("north") {
		id = in.ID
	}
	if r := st.submitForm("/rosters/north/stand-ins/"+id+"/end", nil); r.StatusCode != http.StatusSeeOther || len(st.server.Plan().StandIns("north")) != 0 {
		t.Errorf("ending answered %d", r.StatusCode)
	}
	if r := st.submitForm("/rosters/north/stand-ins", url.Values{"person": {"n2"}, "from": {"2026-11-26T18:00"}, "to": {"2026-11-26T18:00"}}); r.StatusCode != http.StatusUnprocessableEntity {
		t.Errorf("a stand-in without length answered %d", r.StatusCode)
	}
}

func TestExplanationPage(t *testing.T) {
	st := newStage(t)
	st.Trap(t, apitest.Raise("harrow-knoll", "mains", ""))
	page := st.shown(t, "/alarms/harrow-knoll:mains/explanation?at=Sat+03:00")
	for _, words := range []string{"1.3.6.1.4.1.32473.10.0.1", "announced", "North crew on call over sms", "Sat 2026-11-28 03:00"} {
		if !strings.Contains(page, words) {
			t.Errorf("the page lacks %q", words)
		}
	}
	if page := st.shown(t, "/alarms/harrow-knoll:mains/explanation?at=soon"); !strings.Contains(page, "is no time") {
		t.Error("a time that is none is not refused in words")
	}
}
