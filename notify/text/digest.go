package text

import (
	"fmt"
	"strings"
	"time"

	"example.net/standwatch/correlate"
)

// Line is one alarm of a digest.
type Line struct {
	Purpose  Purpose
	Severity correlate.Severity
	Site     string
	What     string
	Instance string
	Since    time.Time // in the site's zone
	Explains int       // alarms that this one explains
	TakenBy  string
	Code     string // of its call-out
}

// DigestFacts are what a digest says. Asks and News are in the order in which
// they are read: causes first, then the worst.
type DigestFacts struct {
	Asks     []Line // somebody is asked to take these
	News     []Line // what became of others
	Code     string // takes all of Asks; empty when there are none
	At       time.Time
	Centre   string
	BoardURL string
	TakeURL  string
	Hears    bool

	// Next is when the person hears of what else comes in the flood, at the
	// latest, and NextCritical of what is critical; zero when it is no digest of
	// a flood. In the reader's zone.
	Next, NextCritical time.Time
}

// maxDigestLines bounds the lines of a mail; the board has the rest.
const maxDigestLines = 200

// head is the sentence that a digest begins with.
func (d DigestFacts) head() string {
	switch n := len(d.Asks); {
	case n == 0 && len(d.News) == 1:
		return "News of 1 alarm"
	case n == 0:
		return fmt.Sprintf("News of %d alarms", len(d.News))
	case n == 1:
		return "1 alarm, " + strings.ToUpper(d.worst().String())
	default:
		return fmt.Sprintf("%d alarms, worst %s", n, strings.ToUpper(d.worst().String()))
	}
}

func (d DigestFacts) worst() (worst correlate.Severity) {
	for _, l := range d.Asks {
		worst = max(worst, l.Severity)
	}
	return worst
}

// short is the line in a few words.
func (l Line) short() string {
	s := Plain(l.Site + ": " + l.what())
	if l.Explains > 0 {
		s += fmt.Sprintf(" +%d", l.Explains)
	}
	return s
}

func (l Line) what() string {
	what := l.What
	if l.Instance != "" {
		what += " (" + l.Instance + ")"
	}
	switch l.Purpose {
	case Taken:
		what += ", taken by " + l.TakenBy
	case Cleared:
		what = "CLEARED " + what
	case Exhausted:
		what += ", nobody took it"
	}
	return what
}

// Short returns the text of a short message: how many and how bad, as many
// lines as fit, how many are left out, the time and the code that takes all.
func (d DigestFacts) Short() string {
	lines := append(append([]Line{}, d.Asks...), d.News...)
	head, tail := d.head()+":", " "+d.At.Format("15:04")
	if d.Code != "" {
		tail += ". All: " + d.Code
	}
	if !d.Next.IsZero() {
		tail += ". Next by " + d.Next.Format("15:04")
	}
	in := gsm7
	for _, l := range lines[:min(len(lines), 8)] { // more never fit
		if unitsOf(l.short()) == ucs2 {
			in = ucs2
		}
	}
	room := in.room() - in.measure(tail)
	s := head
	for i, l := range lines {
		rest := ""
		if n := len(lines) - i - 1; n > 0 {
			rest = fmt.Sprintf("; %d more", n)
		}
		sep := "; "
		if i == 0 {
			sep = " "
		}
		next := s + sep + l.short()
		switch {
		case in.measure(next+rest) <= room:
			s = next
			continue
		case i == 0:
			s += sep + in.cut(l.short(), room-in.measure(s+sep+rest)) + rest
		default:
			s += fmt.Sprintf("; %d more", len(lines)-i)
		}
		break
	}
	return s + tail
}

// Subject returns a mail's subject.
func (d DigestFacts) Subject() string {
	s := d.head()
	if d.Code != "" {
		s += " [" + d.Code + "]"
	}
	return s
}

// Body returns a mail's body as plain text with LF line ends.
func (d DigestFacts) Body() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s at %s.\n", d.head(), d.At.Format("Mon 2006-01-02 15:04 MST"))
	d.list(&b, "To be taken, causes first:", d.Asks)
	d.list(&b, "What became of others:", d.News)
	if d.Code != "" {
		fmt.Fprintf(&b, "\nThe code %s takes all that nobody has taken; the code of a line takes that one.\n", d.Code)
		b.WriteString(Facts{Purpose: Raised, Hears: d.Hears, TakeURL: d.TakeURL}.howToTake())
	}
	if !d.Next.IsZero() {
		fmt.Fprintf(&b, "\nThis is a flood: what else comes is told in one message, by %s at the latest, and what is critical by %s.\n",
			d.Next.Format("15:04"), d.NextCritical.Format("15:04:05"))
	}
	if d.BoardURL != "" {
		fmt.Fprintf(&b, "\nThe board:\n%s\n", d.BoardURL)
	}
	fmt.Fprintf(&b, "\n-- \n%s\nThis message advises; it protects nobody by itself.\n", d.Centre)
	return b.String()
}

func (d DigestFacts) list(b *strings.Builder, title string, lines []Line) {
	if len(lines) == 0 {
		return
	}
	fmt.Fprintf(b, "\n%s\n", title)
	for i, l := range lines {
		if i == maxDigestLines {
			fmt.Fprintf(b, "  and %d more; the board has them all.\n", len(lines)-i)
			break
		}
		fmt.Fprintf(b, "  %-9s %s: %s", l.Severity, l.Site, l.what())
		if !l.Since.IsZero() {
			fmt.Fprintf(b, ", since %s", l.Since.Format("Mon 15:04"))
		}
		if l.Explains > 0 {
			fmt.Fprintf(b, ", explains %d more", l.Explains)
		}
		if l.Purpose.Asks() {
			fmt.Fprintf(b, "  %s", l.Code)
		}
		b.WriteByte('\n')
	}
}

// copyMark goes before a message that may have arrived already.
const copyMark = "COPY "

// Copy marks a text as one that may have been received before: the gateway
// broke off after it may have taken it, or the master ended in the midst of
// handing it over. A short text keeps within its segment, which leaves room.
func Copy(s string) string { return copyMark + s }

// room is how long a short text may be so that it can still be marked a copy.
func (u units) room() int { return u.segment() - len(copyMark) }
