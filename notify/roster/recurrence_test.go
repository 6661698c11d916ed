package roster_test

import (
	"strings"
	"testing"
	"time"

	"example.net/standwatch/notify/roster"
)

func newYork(t *testing.T) *time.Location {
	t.Helper()
	zone, err := time.LoadLocation("America/New_York")
	if err != nil {
		t.Fatal(err)
	}
	return zone
}

// TestRecurrenceOfTheStandard walks "every other week on Monday, Wednesday and
// Friday until December 24, 1997" and "the first Friday, monthly" of RFC 5545
// section 3.8.5.3, over the end of daylight saving time on October 26.
func TestRecurrenceOfTheStandard(t *testing.T) {
	zone := newYork(t)
	for _, c := range []struct {
		rule  string
		start string
		want  []string
	}{
		{"FREQ=MONTHLY;UNTIL=19971224T000000Z;BYDAY=1FR", "1997-09-05", []string{"Sep 5 09:00 EDT", "Oct 3 09:00 EDT", "Nov 7 09:00 EST", "Dec 5 09:00 EST"}},
		{"FREQ=WEEKLY;INTERVAL=2;COUNT=8;WKST=SU;BYDAY=TU,TH", "1997-09-02", []string{"Sep 2 09:00 EDT", "Sep 4 09:00 EDT", "Sep 16 09:00 EDT", "Sep 18 09:00 EDT", "Sep 30 09:00 EDT", "Oct 2 09:00 EDT", "Oct 14 09:00 EDT", "Oct 16 09:00 EDT"}},
	} {
		r, err := roster.NewRecurrence(roster.Recurring{Start: c.start, At: "09:00", Rule: c.rule, Lasts: 2 * time.Hour}, zone)
		if err != nil {
			t.Fatal(err)
		}
		at := time.Date(1997, 1, 1, 0, 0, 0, 0, zone)
		var got []string
		for {
			from, until, ok := r.Next(at)
			if !ok {
				break
			}
			if until.Sub(from) != 2*time.Hour {
				t.Errorf("%v lasts %v", from, until.Sub(from))
			}
			got = append(got, from.In(zone).Format("Jan 2 15:04 MST"))
			at = until
		}
		if strings.Join(got, ", ") != strings.Join(c.want, ", ") {
			t.Errorf("%s:\ngot  %s\nwant %s", c.rule, strings.Join(got, ", "), strings.Join(c.want, ", "))
		}
	}
}

// A window lasts by the clock on the wall: 01:00 to 04:00 is two hours of time
// when the clocks go forward and four when they go back.
func TestWindowOverAClockChange(t *testing.T) {
	zone := newYork(t)
	r, err := roster.NewRecurrence(roster.Recurring{Start: "1998-01-01", At: "01:00", Rule: "FREQ=DAILY", Lasts: 3 * time.Hour}, zone)
	if err != nil {
		t.Fatal(err)
	}
	for day, want := range map[time.Time]time.Duration{
		time.Date(1998, 4, 4, 0, 0, 0, 0, zone): 3 * time.Hour, time.Date(1998, 4, 5, 0, 0, 0, 0, zone): 2 * time.Hour, time.Date(1998, 10, 25, 0, 0, 0, 0, zone): 4 * time.Hour,
	} {
		from, until, ok := r.Next(day)
		if !ok || until.Sub(from) != want || until.In(zone).Hour() != 4 {
			t.Errorf("%v: from %v to %v, want %v that end at 04:00", day, from, until, want)
		}
		again, _, _ := r.Next(until.Add(-time.Second))
		if !again.Equal(from) {
			t.Errorf("within it: %v, want the one that holds", again)
		}
	}
}

func TestRecurrencesThatCannotBe(t *testing.T) {
	good := roster.Recurring{Start: "2026-01-05", At: "09:00", Rule: "FREQ=DAILY", Lasts: time.Hour}
	for want, change := range map[string]func(*roster.Recurring){
		"start:":                 func(r *roster.Recurring) { r.Start = "today" },
		"at:":                    func(r *roster.Recurring) { r.At = "9" },
		"rule: a recurrence":     func(r *roster.Recurring) { r.Rule = "" },
		"rule: turns recur":      func(r *roster.Recurring) { r.Rule = "FREQ=HOURLY" },
		"lasts: it must last":    func(r *roster.Recurring) { r.Lasts = 0 },
		"lasts: one occurrence":  func(r *roster.Recurring) { r.Lasts = 24 * time.Hour },
		"lasts: 30s is not":      func(r *roster.Recurring) { r.Lasts = 30 * time.Second },
		"rule: it never comes":   func(r *roster.Recurring) { r.Rule = "FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=30" },
		"rule: wrong format":     func(r *roster.Recurring) { r.Rule = "DAILY" },
		"rule: one recurrence r": func(r *roster.Recurring) { r.Rule = "DTSTART:20260101T000000Z\nRRULE:FREQ=DAILY" },
	} {
		r := good
		change(&r)
		if _, err := roster.NewRecurrence(r, time.UTC); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%+v: %v, want %q", r, err, want)
		}
	}
}
