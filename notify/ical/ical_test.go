package ical

import (
	"strings"
	"testing"
	"time"
)

func TestCalendar(t *testing.T) {
	denver := time.FixedZone("MST", -7*3600)
	got := string(Calendar("North crew", []Turn{{UID: "crew.20260105T150000Z@example.net", From: time.Date(2026, 1, 5, 8, 0, 0, 0, denver),
		To: time.Date(2026, 1, 12, 8, 0, 0, 0, denver), Summary: "On call: north, south; \\ and\nmore"}}, time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)))
	want := strings.ReplaceAll(`BEGIN:VCALENDAR
VERSION:2.0
PRODID:-//example.net//Standwatch//EN
NAME:North crew
BEGIN:VEVENT
UID:crew.20260105T150000Z@example.net
DTSTAMP:20260101T000000Z
DTSTART:20260105T150000Z
DTEND:20260112T150000Z
SUMMARY:On call: north\, south\; \\ and\nmore
TRANSP:TRANSPARENT
END:VEVENT
END:VCALENDAR
`, "\n", "\r\n")
	if got != want {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
}

// TestFold: RFC 5545 section 3.1, lines of no more than 75 octets, characters
// whole, and nothing lost when they are joined again.
func TestFold(t *testing.T) {
	for _, text := range []string{strings.Repeat("x", 300), strings.Repeat("é", 200), "x" + strings.Repeat("€", 150), strings.Repeat("x", 75)} {
		var b strings.Builder
		fold(&b, text)
		for line := range strings.SplitSeq(strings.TrimSuffix(b.String(), "\r\n"), "\r\n") {
			if len(line) > 75 || strings.ToValidUTF8(line, "?") != line {
				t.Errorf("%d octets: %q", len(line), line)
			}
		}
		if joined := strings.TrimSuffix(strings.ReplaceAll(b.String(), "\r\n ", ""), "\r\n"); joined != text {
			t.Errorf("got %q, want %q", joined, text)
		}
	}
}
