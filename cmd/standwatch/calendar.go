package main

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"net/http"
	"strings"
	"time"
)

// calendarBase is where the calendars are, below the console's address.
const calendarBase = "/calendar/"

// How far a calendar looks back and ahead.
const (
	calendarBack  = 4 * 7 * 24 * time.Hour
	calendarAhead = 26 * 7 * 24 * time.Hour
)

// calendarPath returns where a person's calendar is. The address is its own
// proof: calendar programs have no session. It stays the same for as long as
// the data folder does.
func (d *daemon) calendarPath(person string) string {
	m := hmac.New(sha256.New, d.linkKey)
	m.Write([]byte("calendar of " + person))
	return calendarBase + person + "." + base64.RawURLEncoding.EncodeToString(m.Sum(nil)[:16]) + ".ics"
}

// calendar serves a person's turns (RFC 5545).
func (d *daemon) calendar(w http.ResponseWriter, r *http.Request) {
	person, _, _ := strings.Cut(r.PathValue("file"), ".")
	now := d.opts.Now()
	good := hmac.Equal([]byte(calendarBase+r.PathValue("file")), []byte(d.calendarPath(person)))
	text, known := d.planNow().Calendar(person, "standwatch", now.Add(-calendarBack), now.Add(calendarAhead), now)
	if !good || !known {
		http.Error(w, "there is no such calendar", http.StatusNotFound)
		return
	}
	h := w.Header()
	h.Set("Content-Type", "text/calendar; charset=utf-8")
	h.Set("Content-Disposition", `inline; filename="on-call.ics"`)
	h.Set("Cache-Control", "private, max-age=300")
	h.Set("X-Content-Type-Options", "nosniff")
	// A reader that went away asks again.
	_, _ = w.Write(text)
}
