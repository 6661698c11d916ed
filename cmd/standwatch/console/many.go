package console

import (
	"fmt"
	"net/http"
	"slices"

	"example.net/standwatch/cmd/standwatch/access"
	"example.net/standwatch/cmd/standwatch/api"
	"example.net/standwatch/correlate"
)

// mostAtOnce bounds the alarms of one form. Own choice, no source.
const mostAtOnce = 200

// manyPage says what became of each alarm that was chosen.
type manyPage struct {
	Did     string
	Done    []link
	Refused []notDoneView
}

// notDoneView is an alarm that stayed as it was.
type notDoneView struct {
	Alarm link
	Why   string
}

// actMany answers POST /alarms: several alarms taken, noted, put aside or brought
// back, with one text. Each is an action of its own in the journal; one that is refused
// keeps none of the others from being done.
func (s *server) actMany(w http.ResponseWriter, r *http.Request) error {
	if err := parseForm(w, r); err != nil {
		return err
	}
	did := map[string]string{"take": "taken", "note": "noted", "shelve": "put aside", "unshelve": "brought back"}[r.PostForm.Get("do")]
	kind := actions[r.PostForm.Get("do")]
	chosen := slices.Compact(slices.Sorted(slices.Values(r.PostForm["alarm"])))
	switch {
	case did == "":
		return badRequest("several alarms can be taken, noted, put aside or brought back")
	case len(chosen) == 0:
		return badRequest("no alarm was chosen")
	case len(chosen) > mostAtOnce:
		return badRequest(fmt.Sprintf("%d alarms were chosen, and at most %d can be acted on at once", len(chosen), mostAtOnce))
	}
	now := s.Now()
	act := correlate.Act{Action: kind, Actor: s.Actor(r), Via: "console", Text: r.PostForm.Get("text"), Until: until(r.PostForm, now, s.Zone), MayLong: access.May(r, access.ActLong)}
	if _, err := api.NewAct(act, now); err != nil {
		return err // the reason or the end is at fault, for all alike
	}
	page, failed := manyPage{Did: did}, map[string]string{}
	for _, id := range chosen {
		if err := s.actOne(r, act, correlate.AlarmID(id)); err != nil {
			p, known := api.ProblemOf(err)
			if !known {
				s.Log.Error().Err(err).Str("alarm", id).Msg("action cannot be done")
			}
			failed[id] = p.Detail
		}
	}
	if err := s.read(r, func(_ clock, src source) {
		for _, id := range chosen {
			l := linkTo(src, correlate.AlarmID(id))
			l.Text = plain(l.Text, 200)
			if why, ok := failed[id]; ok {
				page.Refused = append(page.Refused, notDoneView{l, why})
			} else {
				page.Done = append(page.Done, l)
			}
		}
	}); err != nil {
		return err
	}
	if byScript(r) {
		return s.toldScript(w, page)
	}
	return s.render(w, r, http.StatusOK, "many", "Several alarms", page)
}

func (s *server) actOne(r *http.Request, act correlate.Act, id correlate.AlarmID) error {
	key, err := correlate.ParseAlarmID(id)
	if err != nil || !s.known(key) {
		return api.ErrNoSuchAlarm
	}
	act.Key = key
	one, err := api.NewAct(act, s.Now())
	if err != nil {
		return err
	}
	return api.Do(r.Context(), s.Submit, one)
}

// toldScript says to the page's script what became of it: nothing when all was
// done, else a problem document that names each refusal.
func (s *server) toldScript(w http.ResponseWriter, page manyPage) error {
	if len(page.Refused) == 0 {
		w.WriteHeader(http.StatusNoContent)
		return nil
	}
	detail := count(len(page.Done), "alarm was ", "alarms were ") + page.Did
	for _, v := range page.Refused {
		detail += "; " + v.Alarm.Text + ": " + v.Why
	}
	return problemOf(http.StatusConflict, detail)
}
