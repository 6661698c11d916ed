package api

import (
	"fmt"
	"net/http"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/store"
)

// SiteNote is a note that somebody wrote about a site, or about an alarm there.
type SiteNote struct {
	Seq      correlate.Seq     `json:"seq"`
	Time     time.Time         `json:"time"`
	Operator string            `json:"operator"`
	Via      string            `json:"via,omitempty"`
	Text     string            `json:"text"`
	Alarm    correlate.AlarmID `json:"alarm,omitempty"` // none: about the site
}

// notesShown is how many notes of a site are told, the newest; the history has
// them all.
const notesShown = 20

// ErrNoSuchSite is returned for a site that is not there, or not to be seen.
var ErrNoSuchSite = problem(http.StatusNotFound, "there is no site of that name")

// kindNoted is the number of [correlate.Noted].
var kindNoted = (*correlate.Noted)(nil).Kind()

// NotesOf returns the newest notes of a site and of its alarms, newest first,
// times in zone.
func NotesOf(j Journal, site correlate.SiteID, zone *time.Location) ([]SiteNote, error) {
	page, err := j.History(store.Query{Site: site, Kinds: []correlate.EventKind{kindNoted}, Limit: notesShown})
	if err != nil {
		return nil, fmt.Errorf("read the notes of %s: %w", site, err)
	}
	out := []SiteNote{}
	for _, r := range page.Records {
		for _, ev := range r.Events {
			e, is := ev.(*correlate.Noted)
			if !is || e.Key.Site != site {
				continue
			}
			n := SiteNote{Seq: r.Seq, Time: in(zone, r.At), Operator: e.Actor, Via: e.Via, Text: e.Text}
			if e.Key.Point != "" {
				n.Alarm = e.Key.ID()
			}
			out = append(out, n)
		}
	}
	return out, nil
}

// NewSiteNote returns the input for a note about a site. The error wraps
// ErrBadAction, or is ErrNoSuchSite.
func NewSiteNote(b Board, site correlate.SiteID, note correlate.Act, now time.Time) (*correlate.Act, error) {
	there := false
	b.Read(func(_ *correlate.State, net *correlate.Network) { there = net.Site(site) != nil })
	if !there {
		return nil, ErrNoSuchSite
	}
	note.Key, note.Action = correlate.Key{Site: site}, correlate.ActNote
	return NewAct(note, now)
}

// noteSite answers POST /sites/{id}/note with the site.
func (s *server) noteSite(w http.ResponseWriter, r *http.Request) error {
	var body ActionRequest
	if err := readBody(w, r, &body); err != nil {
		return err
	}
	act, err := NewSiteNote(s.Board, correlate.SiteID(r.PathValue("id")), correlate.Act{Actor: s.Actor(r), Via: "api", Text: body.Text}, s.Now())
	if err != nil {
		return err
	}
	if err := Do(r.Context(), s.Submit, act); err != nil {
		return err
	}
	return s.site(w, r)
}
