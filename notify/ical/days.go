package ical

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/teambition/rrule-go"
)

// Bounds of what is read. Own choice, no source.
const (
	maxDayEvents = 2000
	maxDayLength = 366 // days of one event
)

// Days are the days of a calendar: holidays, for rosters and hours. They are
// safe for concurrent use.
type Days struct {
	events []dayEvent

	mu    sync.Mutex // guards years
	years map[int]map[string]bool
}

// dayEvent is one VEVENT, in whole days; UTC stands for no zone.
type dayEvent struct {
	start  time.Time
	length int // days
	rule   *rrule.RRule
	except []string
	also   []time.Time
}

const dateForm = "20060102"

// ReadDays reads the events of an iCalendar text (RFC 5545) as days: DTSTART
// and DTEND or DURATION in days, RRULE, RDATE and EXDATE. Of a DATE-TIME the
// date counts as it stands. Other components are passed over.
func ReadDays(octets []byte) (*Days, error) {
	d := &Days{years: map[int]map[string]bool{}}
	var event map[string][]string
	depth := 0
	for n, line := range unfolded(string(octets)) {
		name, value, ok := property(line)
		if !ok {
			return nil, fmt.Errorf("line %d: %q is no content line", n+1, shorten(line))
		}
		switch {
		case name == "BEGIN" && strings.EqualFold(value, "VEVENT"):
			event, depth = map[string][]string{}, 0
		case name == "BEGIN" && event != nil:
			depth++ // an alarm within the event
		case name == "END" && strings.EqualFold(value, "VEVENT") && event != nil:
			e, err := eventOf(event)
			if err != nil {
				return nil, fmt.Errorf("the event that ends on line %d: %w", n+1, err)
			}
			if d.events = append(d.events, e); len(d.events) > maxDayEvents {
				return nil, fmt.Errorf("it has more than %d events", maxDayEvents)
			}
			event = nil
		case name == "END" && event != nil:
			depth--
		case event != nil && depth == 0:
			event[name] = append(event[name], value)
		}
	}
	if len(d.events) == 0 {
		return nil, errors.New("it has no events")
	}
	return d, nil
}

// unfolded lists the content lines (section 3.1).
func unfolded(text string) []string {
	text = strings.NewReplacer("\r\n ", "", "\r\n\t", "", "\n ", "", "\n\t", "").Replace(text)
	var out []string
	for line := range strings.Lines(text) {
		if line = strings.TrimRight(line, "\r\n"); line != "" {
			out = append(out, line)
		}
	}
	return out
}

// property parts a content line into its name, without parameters, and value.
func property(line string) (name, value string, ok bool) {
	quoted := false
	for i, r := range line {
		switch {
		case r == '"':
			quoted = !quoted
		case r == ':' && !quoted:
			name, _, _ = strings.Cut(line[:i], ";")
			return strings.ToUpper(name), line[i+1:], name != ""
		}
	}
	return "", "", false
}

func eventOf(p map[string][]string) (e dayEvent, err error) {
	if len(p["DTSTART"]) != 1 {
		return e, errors.New("it has no DTSTART")
	}
	if e.start, err = day(p["DTSTART"][0]); err != nil {
		return e, err
	}
	e.length = 1
	switch {
	case len(p["DTEND"]) > 0:
		end, err := day(p["DTEND"][0])
		if err != nil {
			return e, err
		}
		e.length = max(1, int(end.Sub(e.start)/(24*time.Hour)))
	case len(p["DURATION"]) > 0:
		n := 0
		if _, err := fmt.Sscanf(p["DURATION"][0], "P%dD", &n); err == nil {
			e.length = max(1, n)
		}
	}
	if e.length > maxDayLength {
		return e, errors.New("it is longer than a year")
	}
	for _, list := range p["EXDATE"] {
		for one := range strings.SplitSeq(list, ",") {
			at, err := day(one)
			if err != nil {
				return e, err
			}
			e.except = append(e.except, at.Format(dateForm))
		}
	}
	for _, list := range p["RDATE"] {
		for one := range strings.SplitSeq(list, ",") {
			at, err := day(one)
			if err != nil {
				return e, err
			}
			e.also = append(e.also, at)
		}
	}
	if len(p["RRULE"]) == 0 {
		return e, nil
	}
	option, err := rrule.StrToROption(p["RRULE"][0])
	if err != nil {
		return e, fmt.Errorf("RRULE: %w", err)
	}
	if option.Freq >= rrule.HOURLY {
		return e, errors.New("RRULE: holidays recur by day, week, month or year")
	}
	option.Dtstart = e.start
	if e.rule, err = rrule.NewRRule(*option); err != nil {
		return e, fmt.Errorf("RRULE: %w", err)
	}
	return e, nil
}

// day reads the date of a DATE or DATE-TIME (sections 3.3.4 and 3.3.5).
func day(value string) (time.Time, error) {
	if len(value) < len(dateForm) {
		return time.Time{}, fmt.Errorf("%q is no date", shorten(value))
	}
	at, err := time.Parse(dateForm, value[:len(dateForm)])
	if err != nil {
		return time.Time{}, fmt.Errorf("%q is no date", shorten(value))
	}
	return at, nil
}

func shorten(s string) string {
	if runes := []rune(s); len(runes) > 40 {
		return string(runes[:40]) + "..."
	}
	return s
}

// Has reports whether a day, given by its year, month and day alone, is one of
// them.
func (d *Days) Has(at time.Time) bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	year := at.Year()
	days := d.years[year]
	if days == nil {
		days = d.year(year)
		d.years[year] = days
	}
	return days[at.Format(dateForm)]
}

// year works out the days of a year.
func (d *Days) year(year int) map[string]bool {
	out := map[string]bool{}
	from, to := time.Date(year-1, 1, 1, 0, 0, 0, 0, time.UTC), time.Date(year, 12, 31, 0, 0, 0, 0, time.UTC)
	for _, e := range d.events {
		starts := append([]time.Time{e.start}, e.also...)
		if e.rule != nil {
			starts = append(starts, e.rule.Between(from, to, true)...)
		}
		for _, start := range starts {
			if start.Before(from) || start.After(to) || slices.Contains(e.except, start.Format(dateForm)) {
				continue
			}
			for i := range e.length {
				out[start.AddDate(0, 0, i).Format(dateForm)] = true
			}
		}
	}
	return out
}
