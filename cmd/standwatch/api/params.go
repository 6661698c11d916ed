package api

import (
	"cmp"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"example.net/standwatch/correlate"
)

// query is the query part of a request. The first fault found sticks, so that
// a handler reads all it needs and asks once.
type query struct {
	values url.Values
	err    error
}

// params returns the query part; names it does not know are a fault, since a
// filter that is ignored shows more than was asked for.
func params(r *http.Request, known ...string) *query {
	q := &query{values: r.URL.Query()}
	for name := range q.values {
		if !slices.Contains(known, name) {
			q.bad("%q is not a parameter here (known: %s)", name, cmp.Or(strings.Join(known, ", "), "none"))
		}
	}
	return q
}

func (q *query) bad(format string, args ...any) {
	if q.err == nil {
		q.err = problem(http.StatusBadRequest, fmt.Sprintf(format, args...))
	}
}

func (q *query) text(name string) string { return q.values.Get(name) }

func (q *query) time(name string) time.Time {
	text := q.text(name)
	if text == "" {
		return time.Time{}
	}
	t, err := time.Parse(time.RFC3339Nano, text)
	if err != nil {
		q.bad("%s: %q is not an RFC 3339 time with offset", name, text)
	}
	return t
}

// sites returns the sites asked for, nil if none are. One that is not there is
// no fault: it may come with the next configuration.
func (q *query) sites() map[correlate.SiteID]bool {
	var sites map[correlate.SiteID]bool
	for _, id := range q.values["site"] {
		if sites == nil {
			sites = map[correlate.SiteID]bool{}
		}
		sites[correlate.SiteID(id)] = true
	}
	return sites
}

func (q *query) severity() correlate.Severity {
	text := q.text("severity")
	if text == "" {
		return 0
	}
	s, err := correlate.ParseSeverity(text)
	if err != nil {
		q.bad("severity: %v", err)
	}
	return s
}

func (q *query) number(name string, least, most, otherwise uint64) uint64 {
	text := q.text(name)
	if text == "" {
		return otherwise
	}
	n, err := strconv.ParseUint(text, 10, 64)
	if err != nil || n < least || n > most {
		q.bad("%s: %q is not a whole number from %d to %d", name, text, least, most)
	}
	return n
}

func (q *query) kinds() (kinds []correlate.EventKind) {
	for _, word := range q.values["kind"] {
		kind := KindOf(word)
		if kind == 0 {
			q.bad("kind: %q is no kind of event", word)
		}
		kinds = append(kinds, kind)
	}
	return kinds
}

// alarmFilter reads site, severity (at least) and state.
func (q *query) alarmFilter() (func(*correlate.Alarm) bool, error) {
	site, least := correlate.SiteID(q.text("site")), q.severity()
	inState := map[string]func(*correlate.Alarm) bool{
		"":         (*correlate.Alarm).OnBoard,
		"standing": (*correlate.Alarm).OnBoard,
		"cleared":  func(a *correlate.Alarm) bool { return !a.Standing },
		"untaken":  Untaken,
		"shelved":  func(a *correlate.Alarm) bool { return a.Shelf != nil },
		"all":      func(*correlate.Alarm) bool { return true },
	}[q.text("state")]
	if inState == nil {
		q.bad("state: %q is not one of standing, cleared, untaken, shelved, all", q.text("state"))
	}
	return func(a *correlate.Alarm) bool {
		return (site == "" || a.Key.Site == site) && a.Severity >= least && inState(a)
	}, q.err
}

// KindOf returns the kind of event that a word of the API names, 0 if none.
func KindOf(word string) correlate.EventKind {
	for kind, def := range correlate.EventKinds {
		if def.Word == word {
			return kind
		}
	}
	return 0
}
