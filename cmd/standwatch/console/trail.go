package console

import (
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"example.net/standwatch/cmd/standwatch/api"
	"example.net/standwatch/correlate"
	"example.net/standwatch/store"
)

// trailPage is who did what when, newest first.
type trailPage struct {
	Filter trailFilter
	Lines  []historyLine
	Groups []string
	Older  string // query of the page that follows, empty at the end
	Newest string // query of the first page, empty when this is it
	Looked bool   // the page is short although more may follow
}

// trailFilter is the form as it was filled in.
type trailFilter struct{ From, To, Actor, Group string }

// trailGroup is what one choice of the form shows.
type trailGroup struct {
	Name  string
	Kinds []string // words of the API
}

// trailGroups are what people do, by the kinds of event it leads to.
func trailGroups() []trailGroup {
	return []trailGroup{
		{"actions on alarms", []string{"acknowledged", "noted", "shelved", "unshelved", "passed", "refused"}},
		{"logins and sessions", []string{"session", "login-refused"}},
		{"accounts and tokens", []string{"account"}},
		{"configuration", []string{"configured"}},
		{"silences", []string{"silence-set", "silence-ended"}},
		{"rosters and shifts", []string{"stand-in-set", "stand-in-ended", "handed-over", "handover-read"}},
	}
}

// trailKinds returns the kinds of a group, or of all when name is empty.
func trailKinds(name string) (kinds []correlate.EventKind, known bool) {
	for _, g := range trailGroups() {
		if name != "" && g.Name != name {
			continue
		}
		known = true
		for _, word := range g.Kinds {
			kinds = append(kinds, api.KindOf(word))
		}
	}
	return kinds, known
}

// Lengths of the trail. Own choice.
const (
	trailLength = 60 // lines of a page
	trailLooked = 30 // pages of the journal that are read for one
)

// trailQuery reads the form. Local times are the centre's.
func trailQuery(q url.Values, zone *time.Location) (out store.Query, f trailFilter, err error) {
	f = trailFilter{From: q.Get("from"), To: q.Get("to"), Actor: strings.TrimSpace(q.Get("actor")), Group: q.Get("group")}
	times := url.Values{"from": {f.From}, "to": {f.To}, "before": {q.Get("before")}}
	if out, _, err = historyQuery(times, zone); err != nil {
		return out, f, err
	}
	known := false
	if out.Kinds, known = trailKinds(f.Group); !known {
		return out, f, badRequest("there is no such group of actions")
	}
	out.Limit = 200
	return out, f, nil
}

// trailLines makes lines of the events of a record that somebody is to answer
// for.
func trailLines(c clock, net *correlate.Network, rec *correlate.Record, kinds []correlate.EventKind, actor string) (out []historyLine) {
	by := ""
	if act, ok := rec.Input.(*correlate.Act); ok {
		by = act.Actor
	}
	for _, ev := range rec.Events {
		if !slices.Contains(kinds, ev.Kind()) {
			continue
		}
		l := eventLine(net, ev)
		if l.By == "" {
			l.By = by
		}
		if actor != "" && !strings.Contains(strings.ToLower(l.By), strings.ToLower(actor)) && !strings.EqualFold(l.Account, actor) {
			continue
		}
		l.Seq, l.At, l.First = rec.Seq, c.at(rec.At), len(out) == 0
		l.By, l.Text = plain(l.By, 80), plain(l.Text, 300)
		out = append(out, l)
	}
	return out
}

func (s *server) trail(w http.ResponseWriter, r *http.Request) error {
	values := r.URL.Query()
	q, f, err := trailQuery(values, s.Zone)
	if err != nil {
		return err
	}
	page := trailPage{Filter: f}
	for _, g := range trailGroups() {
		page.Groups = append(page.Groups, g.Name)
	}
	if q.Before != 0 {
		values.Del("before")
		page.Newest = "?" + values.Encode()
	}
	next, err := s.fillTrail(r, &page, q)
	if err != nil {
		return err
	}
	if next != 0 {
		values.Set("before", strconv.FormatUint(uint64(next), 10))
		page.Older, page.Looked = "?"+values.Encode(), len(page.Lines) < trailLength
	}
	return s.render(w, r, http.StatusOK, "trail", "Audit trail", page)
}

// fillTrail reads the journal until the page is full, and returns where the
// next one begins, 0 at the end.
func (s *server) fillTrail(r *http.Request, page *trailPage, q store.Query) (next correlate.Seq, err error) {
	for range trailLooked {
		got, err := s.Journal.History(q)
		if err != nil {
			return 0, fmt.Errorf("read history: %w", err)
		}
		full := correlate.Seq(0)
		err = s.read(r, func(c clock, src source) {
			for _, rec := range got.Records {
				page.Lines = append(page.Lines, trailLines(c, src.net, rec, q.Kinds, page.Filter.Actor)...)
				if len(page.Lines) >= trailLength {
					full = rec.Seq
					return
				}
			}
		})
		if err != nil || full != 0 {
			return full, err
		}
		if q.Before, next = got.Next, got.Next; next == 0 {
			return 0, nil
		}
	}
	return next, nil
}
