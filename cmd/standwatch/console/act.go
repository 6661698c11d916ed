package console

import (
	"errors"
	"net/http"
	"net/url"
	"strings"
	"time"

	"example.net/standwatch/cmd/standwatch/access"
	"example.net/standwatch/cmd/standwatch/api"
	"example.net/standwatch/correlate"
)

// actions are the last path segments that act on an alarm.
var actions = map[string]correlate.Action{"take": correlate.ActAcknowledge, "note": correlate.ActNote, "shelve": correlate.ActShelve, "unshelve": correlate.ActUnshelve, "pass": correlate.ActPass}

// act answers POST /alarms/{id}/{action}: a plain form, or the same form sent
// by the script, which asks for no page back.
func (s *server) act(w http.ResponseWriter, r *http.Request) error {
	kind, ok := actions[r.PathValue("action")]
	key, err := correlate.ParseAlarmID(correlate.AlarmID(r.PathValue("id")))
	if !ok || err != nil || !s.known(key) {
		return api.ErrNoSuchAlarm
	}
	r.Body = http.MaxBytesReader(w, r.Body, api.MaxBody)
	if err := r.ParseForm(); err != nil {
		var tooBig *http.MaxBytesError
		if errors.As(err, &tooBig) {
			return err
		}
		return badRequest("the form cannot be read")
	}
	now := s.Now()
	act, err := api.NewAct(correlate.Act{Key: key, Action: kind, Actor: s.Actor(r), Via: "console", Text: r.PostForm.Get("text"), Until: until(r.PostForm, now, s.Zone), MayLong: access.May(r, access.ActLong)}, now)
	if err == nil {
		err = api.Do(r.Context(), s.Submit, act)
	}
	if err != nil {
		return s.notDone(w, r, key, err)
	}
	if byScript(r) {
		w.WriteHeader(http.StatusNoContent)
		return nil
	}
	http.Redirect(w, r, back(r.PostForm, key), http.StatusSeeOther)
	return nil
}

// notDone says why an action was not done: to the script as a problem
// document, to a person on the alarm's page.
func (s *server) notDone(w http.ResponseWriter, r *http.Request, key correlate.Key, err error) error {
	p, known := api.ProblemOf(err)
	if byScript(r) || !known {
		return err
	}
	return s.showAlarm(w, r, key, p.Status, p.Detail)
}

// until reads the end of a shelf: a length, or a local time of the centre.
func until(form url.Values, now time.Time, zone *time.Location) time.Time {
	if at := form.Get("until"); at != "" {
		t, err := time.ParseInLocation("2006-01-02T15:04", at, zone)
		if err != nil {
			return time.Time{}
		}
		return t
	}
	d, err := time.ParseDuration(form.Get("for"))
	if err != nil {
		return time.Time{}
	}
	return now.Add(d)
}

// back returns where a form leads to: never anywhere but the watch, with a
// query that is written anew, or the alarm's own page.
func back(form url.Values, key correlate.Key) string {
	if form.Get("back") != "watch" {
		return alarmHref(key.ID())
	}
	if q, err := url.ParseQuery(form.Get("view")); err == nil && len(q) > 0 {
		return "/?" + q.Encode()
	}
	return "/"
}

// byScript reports whether the page's script sent the request, which wants a
// status and a problem document instead of a page.
func byScript(r *http.Request) bool {
	return strings.Contains(r.Header.Get("Accept"), "application/problem+json")
}

func (s *server) known(key correlate.Key) (found bool) {
	s.Board.Read(func(st *correlate.State, _ *correlate.Network) {
		a := st.Alarms[key]
		found = a != nil && a.Episodes > 0
	})
	return found
}
