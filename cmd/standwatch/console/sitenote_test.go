package console

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"

	"example.net/standwatch/cmd/standwatch/access"
	"example.net/standwatch/cmd/standwatch/api"
	"example.net/standwatch/cmd/standwatch/api/apitest"
	"example.net/standwatch/correlate"
	"example.net/standwatch/store"
	"example.net/standwatch/store/accounts"
)

// A note about a site is journaled and shown with who wrote it and when, among
// those on its alarms; the newest are shown at once.
func TestNotesOfASite(t *testing.T) {
	st := newStage(t)
	st.Trap(t, apitest.Raise("harrow-knoll", "mains", ""))
	st.Do(t, &correlate.Act{Key: apitest.Key("harrow-knoll", "mains"), Action: correlate.ActNote, Actor: "lead", Via: "api", Text: "the utility knows"})
	st.Do(t, &correlate.Act{Key: correlate.Key{Site: "sallow-fen"}, Action: correlate.ActNote, Actor: "lead", Via: "api", Text: "another site"})
	for i := range 4 {
		r := st.post("/sites/harrow-knoll/note", url.Values{"text": {fmt.Sprintf("note %d\r\n<b>", i)}})
		if r.StatusCode != http.StatusSeeOther || r.Header.Get("Location") != "/sites/harrow-knoll#s-notes" {
			t.Fatalf("note %d answered %d to %q", i, r.StatusCode, r.Header.Get("Location"))
		}
	}
	page, err := st.Store.History(store.Query{Site: "harrow-knoll", Kinds: []correlate.EventKind{6}})
	if err != nil || len(page.Records) != 5 {
		t.Fatalf("%d notes in the journal, %v", len(page.Records), err)
	}
	if e := page.Records[0].Events[0].(*correlate.Noted); e.Actor != "tester" || e.Via != "console" || e.Text != "note 3 <b>" || e.Key.Point != "" {
		t.Errorf("the journal has %+v", e)
	}
	_, body := st.page(t, "/sites/harrow-knoll")
	notes := body[strings.Index(body, `id="s-notes"`):]
	notes = notes[:strings.Index(notes, "</section>")]
	for _, want := range []string{"<b>tester</b>", "note 3 &lt;b&gt;", "2 older notes", `on <a href="/alarms/harrow-knoll:mains">`, "the utility knows", `action="/sites/harrow-knoll/note"`} {
		if !strings.Contains(notes, want) {
			t.Errorf("the site's notes lack %q:\n%s", want, notes)
		}
	}
	if strings.Contains(notes, "another site") || strings.Index(notes, "note 3") > strings.Index(notes, "note 2") || strings.Index(notes, "note 1") > strings.Index(notes, "older notes") || strings.Index(notes, "note 0") < strings.Index(notes, "older notes") {
		t.Errorf("the notes are not those of the site, newest first and three unfolded:\n%s", notes)
	}
	if _, history := st.page(t, "/history?kind=noted"); !strings.Contains(history, `<a href="/sites/harrow-knoll">`) || strings.Contains(history, `"/alarms/harrow-knoll:"`) {
		t.Error("the history does not lead from the note to the site")
	}
	if r := st.post("/sites/nowhere/note", url.Values{"text": {"a"}}); r.StatusCode != http.StatusNotFound {
		t.Errorf("a note about a site that is not there: %d", r.StatusCode)
	}
}

// A note that is refused is not lost: the page has it in the form again.
func TestRefusedNoteIsKept(t *testing.T) {
	st := newStage(t)
	long := strings.Repeat("x", api.MaxText+1)
	for text, want := range map[string]string{long: "longer than", " \r\n": "a note needs a text"} {
		w := httptest.NewRecorder()
		r := httptest.NewRequest(http.MethodPost, "/sites/harrow-knoll/note", strings.NewReader(url.Values{"text": {text}}.Encode()))
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		access.As(accounts.Who{Name: "tester", Role: accounts.Operate}, st.server.handler()).ServeHTTP(w, r)
		if body := w.Body.String(); w.Code != http.StatusUnprocessableEntity || !strings.Contains(body, want) || !strings.Contains(body, `<details class="write" open>`) || text == long && !strings.Contains(body, long) {
			t.Errorf("%d, without %q", w.Code, want)
		}
	}
}

// Who may only look reads the notes and has no form.
func TestNotesForThoseWhoLook(t *testing.T) {
	st := newStage(t)
	st.Do(t, &correlate.Act{Key: correlate.Key{Site: "harrow-knoll"}, Action: correlate.ActNote, Actor: "lead", Via: "api", Text: "the gate is stiff"})
	w := httptest.NewRecorder()
	access.As(accounts.Who{Name: "wall", Role: accounts.Look}, st.server.handler()).ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/sites/harrow-knoll", nil))
	if body := w.Body.String(); !strings.Contains(body, "the gate is stiff") || strings.Contains(body, "Write it down") {
		t.Errorf("%d\n%s", w.Code, body)
	}
}
