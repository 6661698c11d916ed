package console

import (
	"net/url"
	"slices"
	"strings"
	"time"

	"example.net/standwatch/cmd/standwatch/api"
	"example.net/standwatch/correlate"
)

// filter says what the watch shows. It lives in the address bar, so that a
// view can be kept as a bookmark.
type filter struct {
	Words    string
	Least    correlate.Severity
	Region   string
	Tag      string
	Untaken  bool
	Mine     bool
	Length   time.Duration // of the strips
	lowered  []string
	fromHour string
}

// lengths are the stretches of time that strips can show.
var lengths = map[string]time.Duration{"2h": 2 * time.Hour, "8h": 8 * time.Hour, "24h": 24 * time.Hour}

func filterOf(q url.Values) (filter, error) {
	f := filter{Words: plain(q.Get("find"), 100), Region: q.Get("region"), Tag: q.Get("tag"),
		Untaken: q.Get("untaken") != "", Mine: q.Get("mine") != "", fromHour: q.Get("span")}
	f.lowered = strings.Fields(strings.ToLower(f.Words))
	if f.fromHour == "" {
		f.fromHour = "8h"
	}
	var ok bool
	if f.Length, ok = lengths[f.fromHour]; !ok {
		return f, badRequest("the strips show 2h, 8h or 24h")
	}
	if least := q.Get("severity"); least != "" {
		var err error
		if f.Least, err = correlate.ParseSeverity(least); err != nil {
			return f, badRequest(err.Error())
		}
	}
	return f, nil
}

// Span is the word of the strips' length.
func (f filter) Span() string { return f.fromHour }

// Narrows reports whether the filter can leave anything out.
func (f filter) Narrows() bool {
	return f.Words != "" || f.Least > correlate.Indeterminate || f.Region != "" || f.Tag != "" || f.Untaken || f.Mine
}

func (f filter) passes(src source, site *correlate.Site, a *correlate.Alarm) bool {
	switch {
	case a.Severity < f.Least,
		f.Untaken && !api.Untaken(a),
		f.Mine && !(a.Acknowledged && a.AckBy == src.actor),
		f.Region != "" && (site == nil || site.Region != f.Region),
		f.Tag != "" && (site == nil || !slices.Contains(site.Tags, f.Tag)):
		return false
	}
	if len(f.lowered) == 0 {
		return true
	}
	text := strings.ToLower(strings.Join([]string{string(a.Key.Site), siteName(src.net, a.Key.Site), laneWords(src.net, a), string(a.Key.Point), a.AckBy}, " "))
	for _, word := range f.lowered {
		if !strings.Contains(text, word) {
			return false
		}
	}
	return true
}
