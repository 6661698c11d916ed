package ical

import (
	"strings"
	"testing"
	"time"
)

const holidays = "BEGIN:VCALENDAR\r\nVERSION:2.0\r\n" +
	"BEGIN:VEVENT\r\nDTSTART;VALUE=DATE:20200101\r\nRRULE:FREQ=YEARLY\r\nSUMMARY:New Year's\r\n  Day\r\nEND:VEVENT\r\n" +
	"BEGIN:VEVENT\r\nDTSTART;VALUE=DATE:20201126\r\nRRULE:FREQ=YEARLY;BYMONTH=11;BYDAY=4TH\r\nEXDATE;VALUE=DATE:20271125\r\nBEGIN:VALARM\r\nTRIGGER:-PT1H\r\nDTSTART:19990101\r\nEND:VALARM\r\nEND:VEVENT\r\n" +
	"BEGIN:VEVENT\r\nDTSTART;VALUE=DATE:20261224\r\nDTEND;VALUE=DATE:20261227\r\nEND:VEVENT\r\n" +
	"BEGIN:VEVENT\r\nDTSTART;TZID=America/Denver:20260703T000000\r\nRDATE;VALUE=DATE:20270705\r\nEND:VEVENT\r\nEND:VCALENDAR\r\n"

// TestDays: the fourth Thursday of November, days that belong together, one
// that is left out (EXDATE beats RRULE, RFC 5545 section 3.8.5.1).
func TestDays(t *testing.T) {
	d, err := ReadDays([]byte(holidays))
	if err != nil {
		t.Fatal(err)
	}
	for text, want := range map[string]bool{
		"2026-01-01": true, "2031-01-01": true, "2026-01-02": false, "2026-11-26": true, "2027-11-25": false, "2028-11-23": true,
		"2026-12-23": false, "2026-12-24": true, "2026-12-26": true, "2026-12-27": false, "2026-07-03": true, "2027-07-05": true, "1999-01-01": false,
	} {
		at, err := time.Parse("2006-01-02", text)
		if err != nil {
			t.Fatal(err)
		}
		if got := d.Has(at); got != want {
			t.Errorf("%s: got %v", text, got)
		}
	}
	for name, text := range map[string]string{
		"empty": "", "no line": "hello", "no start": "BEGIN:VEVENT\nEND:VEVENT\n", "no date": "BEGIN:VEVENT\nDTSTART:soon\nEND:VEVENT\n",
		"hourly": "BEGIN:VEVENT\nDTSTART:20260101\nRRULE:FREQ=HOURLY\nEND:VEVENT\n", "rule": "BEGIN:VEVENT\nDTSTART:20260101\nRRULE:FREQ=NEVER\nEND:VEVENT\n",
		"long": "BEGIN:VEVENT\nDTSTART:20260101\nDTEND:20990101\nEND:VEVENT\n", "many": strings.Repeat("BEGIN:VEVENT\nDTSTART:20260101\nEND:VEVENT\n", maxDayEvents+1),
	} {
		if _, err := ReadDays([]byte(text)); err == nil {
			t.Errorf("%s is accepted", name)
		}
	}
}

// FuzzReadDays: whatever is in the file, it is read or refused.
func FuzzReadDays(f *testing.F) {
	f.Add(holidays)
	f.Fuzz(func(t *testing.T, text string) {
		if d, err := ReadDays([]byte(text)); err == nil {
			d.Has(time.Date(2026, 11, 26, 0, 0, 0, 0, time.UTC))
		}
	})
}
