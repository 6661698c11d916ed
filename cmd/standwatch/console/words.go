package console

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"example.net/standwatch/correlate"
)

// moment is a time as pages show it: At in the centre's zone, beside the Now
// of the page. The zero moment is no time.
type moment struct{ At, Now time.Time }

// clock makes the moments of one page.
type clock struct {
	now  time.Time
	zone *time.Location
}

func (c clock) at(t time.Time) moment {
	if t.IsZero() {
		return moment{}
	}
	return moment{At: t.In(c.zone), Now: c.now.In(c.zone)}
}

// Is reports whether there is a time at all.
func (m moment) Is() bool { return !m.At.IsZero() }

// ISO returns RFC 3339, for machines.
func (m moment) ISO() string { return m.At.Format(time.RFC3339) }

// Full returns everything a person may want to know, for a title.
func (m moment) Full() string { return m.At.Format("Monday 2 January 2006, 15:04:05 MST") }

// Clock returns the time of day, with the date in front when it is another day.
func (m moment) Clock() string {
	if m.At.Year() != m.Now.Year() {
		return m.At.Format("2 Jan 2006 15:04")
	}
	if m.At.YearDay() != m.Now.YearDay() {
		return m.At.Format("2 Jan 15:04")
	}
	return m.At.Format("15:04:05")
}

// Age returns how long ago it was, or how long it still is.
func (m moment) Age() string { return short(m.Now.Sub(m.At).Abs()) }

// short returns a duration in few letters: "42 s", "12 min", "3 h 05", "2 d 4 h".
// The script does the same; keep them alike.
func short(d time.Duration) string {
	switch {
	case d < time.Minute:
		return fmt.Sprintf("%d s", int(d.Seconds()))
	case d < time.Hour:
		return fmt.Sprintf("%d min", int(d.Minutes()))
	case d < 24*time.Hour:
		return fmt.Sprintf("%d h %02d", int(d.Hours()), int(d.Minutes())%60)
	}
	return fmt.Sprintf("%d d %d h", int(d.Hours())/24, int(d.Hours())%24)
}

// spoken returns a duration in words, coarse.
func spoken(d time.Duration) string {
	switch {
	case d < time.Second:
		return "a moment"
	case d < 2*time.Minute:
		return count(int(d.Seconds()), "second", "seconds")
	case d < 2*time.Hour:
		return count(int(d.Minutes()), "minute", "minutes")
	case d < 48*time.Hour:
		return count(int(d.Hours()), "hour", "hours")
	}
	return count(int(d.Hours())/24, "day", "days")
}

// number writes small numbers as words, as running text does.
func number(n int) string {
	words := []string{"no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve"}
	if n >= 0 && n < len(words) {
		return words[n]
	}
	return strconv.Itoa(n)
}

func count(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return strconv.Itoa(n) + " " + many
}

func upperFirst(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

// list joins words as running text does: "a, b and c".
func list(words []string) string {
	if len(words) < 2 {
		return strings.Join(words, "")
	}
	return strings.Join(words[:len(words)-1], ", ") + " and " + words[len(words)-1]
}

// plain is text from outside, ready for a single line of a page.
func plain(text string, most int) string {
	text = strings.ToValidUTF8(text, "\uFFFD")
	if runes := []rune(text); len(runes) > most {
		return string(runes[:most]) + "…"
	}
	return text
}

// pointWords says what an alarm is about: its text, else the point's words,
// else its ID.
func pointWords(net *correlate.Network, a *correlate.Alarm) string {
	if a.Text != "" {
		return plain(a.Text, 200)
	}
	if p := net.Point(a.Key); p != nil {
		if p.AlarmWord != "" {
			return p.AlarmWord
		}
		return p.Name
	}
	return string(a.Key.Point)
}

func siteName(net *correlate.Network, id correlate.SiteID) string {
	if s := net.Site(id); s != nil && s.Name != "" {
		return s.Name
	}
	return string(id)
}
