package shift

import (
	"fmt"
	"time"

	"example.net/standwatch/configs"
)

// Span is a shift on a day, or any other stretch of time, in which case it has
// no Name. From is in it, To is not.
type Span struct {
	Name string
	From time.Time
	To   time.Time
}

// Date is the day on which the span begins, in its own zone.
func (s Span) Date() string { return s.From.Format(time.DateOnly) }

// On returns a shift on a day; day is any time of it in the centre's zone.
// Clock times that daylight saving skips or repeats are taken as the time
// package takes them, so that every shift ends where the next begins.
func On(s configs.Shift, day time.Time) Span {
	at := func(minutes, days int) time.Time {
		y, m, d := day.Date()
		return time.Date(y, m, d+days, minutes/60, minutes%60, 0, 0, day.Location())
	}
	end := 0
	if s.To <= s.From {
		end = 1
	}
	return Span{Name: s.Name, From: at(s.From, 0), To: at(s.To, end)}
}

// At returns the shift that watches at a time, the one that began last where
// several do; false between shifts. Zone is the centre's.
func At(shifts []configs.Shift, at time.Time, zone *time.Location) (found Span, ok bool) {
	at = at.In(zone)
	for _, s := range shifts {
		for _, days := range []int{-1, 0} {
			span := On(s, at.AddDate(0, 0, days))
			if !at.Before(span.From) && at.Before(span.To) && (!ok || span.From.After(found.From)) {
				found, ok = span, true
			}
		}
	}
	return found, ok
}

// Named returns the shift of a name on a day (2006-01-02).
func Named(shifts []configs.Shift, date, name string, zone *time.Location) (Span, error) {
	day, err := time.ParseInLocation(time.DateOnly, date, zone)
	if err != nil {
		return Span{}, fmt.Errorf("%q is no day; write it as 2006-01-02", date)
	}
	var names []string
	for _, s := range shifts {
		if s.Name == name {
			return On(s, day), nil
		}
		names = append(names, s.Name)
	}
	return Span{}, fmt.Errorf("there is no shift %q; there are %q", name, names)
}

// Next returns when the watch changes hands after a time: the next begin of
// any shift. Without shifts it is false.
func Next(shifts []configs.Shift, after time.Time, zone *time.Location) (next time.Time, ok bool) {
	after = after.In(zone)
	for _, s := range shifts {
		for days := range 3 {
			from := On(s, after.AddDate(0, 0, days)).From
			if from.After(after) && (!ok || from.Before(next)) {
				next, ok = from, true
			}
		}
	}
	return next, ok
}
