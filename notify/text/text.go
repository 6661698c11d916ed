// Package text writes what people read when they are told of an alarm: one
// short message, or a mail's subject and body.
//
// Guarantee: pure. A short text fits one segment of a short message: 160
// septets of the GSM 7-bit default alphabet (3GPP TS 23.038, 23.040), or 70
// units of UCS-2 when a name is in a script that the alphabet lacks. It is
// never cut within a word, unless a single word is longer than its share.
//
// It does not decide who reads it, and it translates nothing: the words are
// those of the point list.
package text

import (
	"fmt"
	"strings"
	"time"

	"example.net/standwatch/correlate"
)

// Purpose says what a message is for. The words are written to the journal.
type Purpose string

// The purposes of a message.
const (
	Raised    Purpose = "raised"
	Worse     Purpose = "worse"
	Again     Purpose = "again"
	Flapping  Purpose = "flapping"
	Settled   Purpose = "settled"
	Cleared   Purpose = "cleared"
	Taken     Purpose = "taken"
	Exhausted Purpose = "exhausted"
	Digest    Purpose = "digest"
)

// Asks reports whether somebody is asked to take the alarm.
func (p Purpose) Asks() bool {
	return p == Raised || p == Worse || p == Again || p == Flapping || p == Digest
}

// Facts are what a message says. Empty fields are left out.
type Facts struct {
	Purpose  Purpose
	Severity correlate.Severity
	Site     string
	Region   string
	Crew     string
	Point    string // what is watched: "Mains supply"
	Instance string
	Word     string    // what stands: "Mains failed"
	Now      string    // what is said of the change: "Mains present" when it cleared
	Since    time.Time // when the alarm rose, in the site's zone
	At       time.Time // when this was decided, in the site's zone
	Value    string    // last reading with its unit
	Code     string
	TakenBy  string
	Explains int // alarms that this one explains
	Count    int // how often it rose while it flapped

	Instructions string
	Caution      string
	SiteCaution  string
	Access       string
	AlarmURL     string
	TakeURL      string // a page with buttons to take it and to pass it on
	Hears        bool   // an answer to the message comes in
	Centre       string
}

// lead is the word or words that a text begins with.
func (f Facts) lead() string {
	severity := strings.ToUpper(f.Severity.String())
	switch f.Purpose {
	case Worse:
		return "WORSE, " + severity
	case Again:
		return "STILL " + severity
	case Cleared:
		return "CLEARED"
	case Settled:
		return "SETTLED, " + severity
	case Taken:
		return "TAKEN by " + f.TakenBy
	case Exhausted:
		return "NOBODY TOOK IT, " + severity
	}
	return severity
}

// what is the fact itself, with the instance it is about.
func (f Facts) what() string {
	what := f.Word
	if f.Purpose == Cleared {
		what = f.Now
	}
	if f.Instance != "" {
		what += " (" + f.Instance + ")"
	}
	return what
}

// Short returns the text of a short message: how bad, where, what, when, and
// the code to take it by; then, while there is room, the value, the dangers,
// what else this explains and what to do.
func Short(f Facts) string {
	lead, site, what, at := Plain(f.lead()), Plain(f.Site), Plain(f.what()), f.At.Format("15:04")
	extras := f.extras()
	in := unitsOf(append([]string{lead, site, what}, extras...)...)
	tail := " " + at
	if f.Purpose.Asks() {
		tail += ". " + f.Code
	}
	room := in.room() - in.measure(tail) - in.measure(": ") - in.measure(" ")
	// The site and the fact are what the message is about; the lead gives way
	// first, then the longer of the two.
	lead = in.cut(lead, room/3)
	room -= in.measure(lead)
	site = in.cut(site, max(room/3, room-in.measure(what)))
	what = in.cut(what, room-in.measure(site))
	return in.fill(lead+" "+site+": "+what+tail, extras)
}

// extras are what a short text says while there is room, most wanted first.
func (f Facts) extras() []string {
	var out []string
	add := func(text string) {
		if text = Plain(text); text != "" {
			out = append(out, text)
		}
	}
	add(f.Value)
	if f.Purpose == Flapping {
		add("Comes and goes, told once")
	}
	if f.Count > 1 {
		add(fmt.Sprintf("Rose %d times", f.Count))
	}
	if f.Purpose == Cleared {
		add("Was: " + f.Word)
	}
	if f.Explains > 0 {
		add(fmt.Sprintf("and %d more explained", f.Explains))
	}
	if f.Purpose.Asks() {
		if f.Caution != "" {
			add("CAUTION " + f.Caution)
		}
		add(f.Instructions)
	}
	return out
}

// fill appends extras while there is room: whole ones, except that the last,
// if it is long, may lose words at its end.
func (u units) fill(s string, extras []string) string {
	for i, x := range extras {
		sep := ". "
		if strings.HasSuffix(s, ".") {
			sep = " "
		}
		room := u.room() - u.measure(s) - u.measure(sep)
		switch {
		case u.measure(x) <= room:
			s += sep + x
		case i == len(extras)-1 && room >= 24 && !strings.HasPrefix(x, "CAUTION"):
			// Half a caution is worse than none; half an instruction is a hint.
			return s + sep + u.cut(x, room)
		}
	}
	return s
}

// cut shortens a text to at most room units by leaving off words at its end,
// and says so by "...". A single word that is too long is cut as it must be.
func (u units) cut(s string, room int) string {
	if u.measure(s) <= room {
		return s
	}
	const mark = "..."
	words := strings.Fields(s)
	for n := len(words) - 1; n > 0; n-- {
		short := strings.TrimRight(strings.Join(words[:n], " "), ",;:-") + mark
		if u.measure(short) <= room {
			return short
		}
	}
	short := ""
	for _, r := range words[0] {
		if u.measure(short+string(r)+mark) > room {
			break
		}
		short += string(r)
	}
	return short + mark
}

// Subject returns a mail's subject.
func Subject(f Facts) string {
	subject := f.lead() + " " + f.Site + ": " + f.what()
	if f.Purpose.Asks() {
		subject += " [" + f.Code + "]"
	}
	return strings.Join(strings.Fields(subject), " ")
}

// Body returns a mail's body as plain text with LF line ends.
func Body(f Facts) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s at %s: %s\n\n", f.lead(), f.Site, f.what())
	for _, row := range f.rows() {
		if row[1] != "" {
			fmt.Fprintf(&b, "%-10s %s\n", row[0], row[1])
		}
	}
	for _, s := range f.sections() {
		if text := strings.TrimSpace(s[1]); text != "" {
			fmt.Fprintf(&b, "\n%s\n%s\n", s[0], text)
		}
	}
	b.WriteString(f.howToTake())
	if f.AlarmURL != "" {
		fmt.Fprintf(&b, "\nEverything about it:\n%s\n", f.AlarmURL)
	}
	// The signature delimiter of RFC 3676 section 4.3.
	fmt.Fprintf(&b, "\n-- \n%s\nThis message advises; it protects nobody by itself.\n", f.Centre)
	return b.String()
}

// howToTake says how to take the alarm or to pass it on, or nothing.
func (f Facts) howToTake() string {
	const byMail = "answer this mail with TAKE, or with NO if it is not for you"
	switch {
	case !f.Purpose.Asks() || (!f.Hears && f.TakeURL == ""):
		return ""
	case f.TakeURL == "":
		return "\nTo take it, " + byMail + ".\n"
	case f.Hears:
		return "\nTo take it, " + byMail + ";\nor press a button on this page, which is yours alone:\n" + f.TakeURL + "\n"
	}
	return "\nTo take it, or to pass it on, press a button on this page, which is yours alone:\n" + f.TakeURL + "\n"
}

func (f Facts) rows() [][2]string {
	rows := [][2]string{{"Site", both(f.Site, f.Region)}, {"Point", both(f.Point, f.Instance)}, {"Severity", f.Severity.String()}}
	if f.Purpose == Cleared {
		rows = append(rows, [2]string{"Was", f.Word})
	}
	rows = append(rows, [2]string{"Since", stamp(f.Since)})
	if !f.At.Equal(f.Since) {
		rows = append(rows, [2]string{"Now", stamp(f.At)})
	}
	rows = append(rows, [2]string{"Value", f.Value})
	if f.Count > 1 {
		rows = append(rows, [2]string{"Rose", fmt.Sprintf("%d times while it came and went", f.Count)})
	}
	if f.Explains > 0 {
		rows = append(rows, [2]string{"Explains", fmt.Sprintf("and %d more explained", f.Explains)})
	}
	rows = append(rows, [2]string{"Taken by", f.TakenBy}, [2]string{"Crew", f.Crew})
	if f.Purpose.Asks() {
		rows = append(rows, [2]string{"Code", f.Code})
	}
	return rows
}

func (f Facts) sections() [][2]string {
	if !f.Purpose.Asks() {
		return nil
	}
	return [][2]string{
		{"CAUTION", strings.TrimSpace(f.Caution + "\n" + f.SiteCaution)},
		{"What to do", f.Instructions},
		{"How to get in", f.Access},
	}
}

func both(a, b string) string {
	if b == "" {
		return a
	}
	return a + " (" + b + ")"
}

func stamp(at time.Time) string {
	if at.IsZero() {
		return ""
	}
	return at.Format("Mon 2006-01-02 15:04:05 MST")
}
