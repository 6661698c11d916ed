// Package ical writes a calendar of turns as iCalendar text (RFC 5545), for
// people to subscribe to, and reads holidays from such text.
//
// Guarantee: pure; the same turns give the same octets. What it writes has no
// recurrence: each turn is an event of its own, in UTC, so that no reader's idea
// of a time zone can move it. What it reads it knows by the day alone.
package ical

import (
	"fmt"
	"strings"
	"time"
	"unicode/utf8"
)

// Turn is one event.
type Turn struct {
	UID     string // unique for ever (section 3.8.4.7)
	From    time.Time
	To      time.Time
	Summary string
}

// Calendar returns the calendar. stamp is when it was made (DTSTAMP, section
// 3.8.7.2).
func Calendar(name string, turns []Turn, stamp time.Time) []byte {
	var b strings.Builder
	line := func(property, value string) { fold(&b, property+":"+value) }
	line("BEGIN", "VCALENDAR")
	line("VERSION", "2.0")
	line("PRODID", "-//example.net//Standwatch//EN")
	line("NAME", escape(name)) // RFC 7986 section 5.1
	for _, t := range turns {
		line("BEGIN", "VEVENT")
		line("UID", escape(t.UID))
		line("DTSTAMP", utc(stamp))
		line("DTSTART", utc(t.From))
		line("DTEND", utc(t.To))
		line("SUMMARY", escape(t.Summary))
		line("TRANSP", "TRANSPARENT") // a turn does not make its person busy
		line("END", "VEVENT")
	}
	line("END", "VCALENDAR")
	return []byte(b.String())
}

// utc writes a DATE-TIME in form 2 (section 3.3.5).
func utc(at time.Time) string { return at.UTC().Format("20060102T150405Z") }

// escape writes a TEXT value (section 3.3.11).
func escape(s string) string {
	return strings.NewReplacer(`\`, `\\`, ";", `\;`, ",", `\,`, "\r\n", `\n`, "\n", `\n`, "\r", "").Replace(s)
}

// fold writes a content line of at most 75 octets a piece, never parting a
// character (section 3.1).
func fold(b *strings.Builder, line string) {
	room := 75
	for len(line) > room {
		cut := room
		for !utf8.RuneStart(line[cut]) {
			cut--
		}
		fmt.Fprintf(b, "%s\r\n ", line[:cut])
		line, room = line[cut:], 74 // the space counts
	}
	b.WriteString(line + "\r\n")
}
