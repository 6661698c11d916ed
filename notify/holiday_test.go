package notify_test

import (
	"testing"
	"time"

	"example.net/standwatch/notify"
	"example.net/standwatch/notify/ical"
)

// TestHolidays: a roster by working days and one by holidays leave no hole
// together, and a route's hours do not count on a holiday.
func TestHolidays(t *testing.T) {
	days, err := ical.ReadDays([]byte("BEGIN:VEVENT\r\nDTSTART;VALUE=DATE:20260101\r\nRRULE:FREQ=YEARLY\r\nEND:VEVENT\r\nBEGIN:VEVENT\r\nDTSTART;VALUE=DATE:20260113\r\nEND:VEVENT\r\n"))
	if err != nil {
		t.Fatal(err)
	}
	w := newWorld(t, func(b *notify.Book) {
		b.Calendars = []notify.Calendar{{Name: "state", Days: days}}
		b.Rosters[1].Turns = []notify.Turn{
			{People: []string{"south"}, Start: "2026-01-05", HandOver: "08:00", Every: "day", Lasts: 24 * time.Hour, Except: "state"},
			{People: []string{"north"}, Start: "2026-01-05", HandOver: "08:00", Every: "day", Lasts: 24 * time.Hour, On: "state"},
		}
		b.Routes[0].Hours[0].Except = "state"
	})
	from := time.Date(2026, 1, 6, 0, 0, 0, 0, time.UTC)
	for _, g := range w.plan.Holes(from, from.AddDate(1, 0, 0)) {
		if g.Roster == "days" {
			t.Errorf("flaw %+v", g)
		}
	}
	noon := time.Date(2026, 1, 13, 19, 0, 0, 0, time.UTC) // a Tuesday and a holiday
	if on := w.plan.OnCall("days", noon); len(on) != 1 || on[0].ID != "north" {
		t.Errorf("on the holiday: %+v", on)
	}
	if on := w.plan.OnCall("days", noon.AddDate(0, 0, 1)); len(on) != 1 || on[0].ID != "south" {
		t.Errorf("the day after: %+v", on)
	}
	if p := w.plan.Preview(key("mains"), 5, noon); p.BoardOnly {
		t.Errorf("on the holiday the board alone: %+v", p)
	}
	if p := w.plan.Preview(key("mains"), 5, noon.AddDate(0, 0, 1)); !p.BoardOnly {
		t.Errorf("on a working day: %+v", p)
	}
	b := book()
	b.Routes[0].Hours[0].Except = "none"
	if _, problems := notify.NewPlan(b, notify.Options{Network: network(t)}); len(problems) != 1 {
		t.Errorf("an unknown calendar: %v", problems)
	}
}
