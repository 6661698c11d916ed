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

// TestNightWindowEndsByTheClockOnTheWall: a window from 22:00 to 06:00 ends at
// 06:00 on the nights of both changes, and those that begin or end in the hour
// that is left out or comes twice have the instants that RFC 5545 section 3.3.5
// gives such local times: one that does not exist is read with the offset before
// the gap, one that comes twice is the first of the two.
func TestNightWindowEndsByTheClockOnTheWall(t *testing.T) {
	zone, err := time.LoadLocation("America/Denver") // 2026: on at 02:00 on March 8, back at 02:00 on November 1
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		night, at string
		lasts     time.Duration
		from, to  string // in UTC
		real      time.Duration
	}{
		{"2026-03-06", "22:00", 8 * time.Hour, "2026-03-07 05:00", "2026-03-07 13:00", 8 * time.Hour},
		{"2026-03-07", "22:00", 8 * time.Hour, "2026-03-08 05:00", "2026-03-08 12:00", 7 * time.Hour},
		{"2026-03-08", "22:00", 8 * time.Hour, "2026-03-09 04:00", "2026-03-09 12:00", 8 * time.Hour},
		{"2026-10-31", "22:00", 8 * time.Hour, "2026-11-01 04:00", "2026-11-01 13:00", 9 * time.Hour},
		{"2026-11-01", "22:00", 8 * time.Hour, "2026-11-02 05:00", "2026-11-02 13:00", 8 * time.Hour},
		// 02:30 is not there and is read as 03:30, from where it lasts as long as ever:
		// else what has its end in the same hour would be empty or end before it begins.
		{"2026-03-08", "02:30", 2 * time.Hour, "2026-03-08 09:30", "2026-03-08 11:30", 2 * time.Hour},
		{"2026-03-08", "02:00", time.Hour, "2026-03-08 09:00", "2026-03-08 10:00", time.Hour},
		{"2026-03-08", "02:30", 30 * time.Minute, "2026-03-08 09:30", "2026-03-08 10:00", 30 * time.Minute},
		{"2026-03-08", "02:30", 15 * time.Minute, "2026-03-08 09:30", "2026-03-08 09:45", 15 * time.Minute},
		// As long as ever would run into the next one.
		{"2026-03-08", "02:30", 23*time.Hour + 30*time.Minute, "2026-03-08 09:30", "2026-03-09 08:00", 22*time.Hour + 30*time.Minute},
		// The end is what is not there.
		{"2026-03-08", "00:30", 2 * time.Hour, "2026-03-08 07:30", "2026-03-08 09:30", 2 * time.Hour},
		// 01:30 comes twice: the first one begins a window, and the first one ends it.
		{"2026-11-01", "01:30", 2 * time.Hour, "2026-11-01 07:30", "2026-11-01 10:30", 3 * time.Hour},
		{"2026-10-31", "23:30", 2 * time.Hour, "2026-11-01 05:30", "2026-11-01 07:30", 2 * time.Hour},
	} {
		r, err := roster.NewRecurrence(roster.Recurring{Start: "2026-01-01", At: c.at, Rule: "FREQ=DAILY", Lasts: c.lasts}, zone)
		if err != nil {
			t.Fatal(err)
		}
		day, err := time.ParseInLocation(time.DateOnly, c.night, zone)
		if err != nil {
			t.Fatal(err)
		}
		// Asked shortly before it begins, so that a window of the night before is over.
		ask, err := time.Parse("2006-01-02 15:04", c.from)
		if err != nil {
			t.Fatal(err)
		}
		from, until, ok := r.Next(ask.Add(-time.Minute))
		got := from.UTC().Format("2006-01-02 15:04") + " to " + until.UTC().Format("2006-01-02 15:04")
		if !ok || got != c.from+" to "+c.to || until.Sub(from) != c.real {
			t.Errorf("%s %s for %s: %s (%s), want %s to %s (%s)", day.Format("Mon Jan 2"), c.at, c.lasts, got, until.Sub(from), c.from, c.to, c.real)
		}
	}
}
