package rehearse

import (
	"fmt"
	"io"
	"strings"
	"time"
)

// listed bounds how many lines of one kind the text shows.
const listed = 40

// WriteText writes the result as a person reads it in a terminal.
func WriteText(w io.Writer, r *Result) error {
	t := &writer{w: w}
	if r.Records == 0 {
		t.line("%s", r.nothing())
		return t.err
	}
	if c := r.Capture; c != nil {
		t.line("%s", r.Books())
	}
	t.line("From %s to %s: %d records, %d notifications.", when(r.From), when(r.To), r.Records, r.Notifications)
	if r.Sealed > 0 {
		t.line("%d notifications could not be opened with this configuration's keys; %s.", r.Sealed, r.sealedWord())
	}
	if r.Refused > 0 {
		t.line("%d notifications would not have been heard: their sender may not speak so any more.", r.Refused)
	}
	if r.RunAgain > 0 {
		t.line("%d notifications that were run again later would have been understood at once.", r.RunAgain)
	}
	t.line("")
	if r.Capture != nil {
		t.line("Nothing was decided about a capture before, so that \"was\" is 0 throughout.")
	}
	t.line("%-34s %9s %9s", "", "was", "would be")
	t.pair("Episodes that began", r.Episodes)
	t.pair("Messages to people", r.Messages)
	t.pair("Times an alarm began to flap", r.Flapping)
	t.pair("Turns kept quiet while flapping", r.Turns)
	t.pair("Notifications nothing came of", r.Unmatched)
	t.alarms(r)
	t.people(r)
	t.left(r)
	t.silent(r)
	return t.err
}

// Books say what became of each packet of a capture.
func (r *Result) Books() string {
	c := r.Capture
	if c == nil {
		return ""
	}
	text := fmt.Sprintf("The capture has %d packets: %d datagrams to the ports, %d others, %d cut short, %d fragments, %d broken.", c.Packets, c.Datagrams, c.Others, c.Truncated, c.Fragments, c.Broken)
	if c.CutOff {
		text += " The file ends within a packet."
	}
	if r.Again > 0 {
		text += fmt.Sprintf(" %d datagrams were informs sent again.", r.Again)
	}
	return text
}

func (r *Result) sealedWord() string {
	if r.Capture != nil {
		return "they are left out"
	}
	return "what was recorded of them was taken"
}

func (r *Result) nothing() string {
	if r.Capture != nil {
		return r.Books() + " Nothing of it is a notification in that time."
	}
	return "The journal holds nothing in that time."
}

// writer keeps the first error.
type writer struct {
	w   io.Writer
	err error
}

func (t *writer) line(format string, args ...any) {
	if t.err == nil {
		_, t.err = fmt.Fprintln(t.w, strings.TrimRight(fmt.Sprintf(format, args...), " "))
	}
}

func (t *writer) pair(what string, p Pair) { t.line("%-34s %9d %9d", what, p.Before, p.After) }

// more says how many lines were left out.
func (t *writer) more(all int) {
	if all > listed {
		t.line("and %d more; --form json lists all", all-listed)
	}
}

func (t *writer) alarms(r *Result) {
	t.line("")
	if len(r.Alarms) == 0 {
		t.line("Every alarm would have risen and cleared as it did.")
		return
	}
	t.line("Alarms that would have gone another way (episodes):")
	t.line("%-48s %7s %8s %9s %7s", "alarm", "was", "would be", "not risen", "risen")
	for _, a := range r.Alarms[:min(listed, len(r.Alarms))] {
		t.line("%-48s %7d %8d %9d %7d", a.ID, a.Episodes.Before, a.Episodes.After, a.GoneCount, a.NewCount)
	}
	t.more(len(r.Alarms))
}

func (t *writer) people(r *Result) {
	t.line("")
	if len(r.People) == 0 {
		t.line("Nobody was told of anything, or would have been.")
		return
	}
	t.line("Messages to each person, and the most in one hour:")
	t.line("%-30s %7s %8s %9s %9s", "person", "was", "would be", "most was", "would be")
	for _, p := range r.People {
		t.line("%-30s %7d %8d %9d %9d", p.Person, p.Before, p.After, p.Most.Before, p.Most.After)
	}
	var lines []string
	for _, p := range r.People {
		for _, h := range p.Hours {
			if h.Before != h.After {
				lines = append(lines, fmt.Sprintf("%s  %-30s %7d %8d", when(h.Begin), p.Person, h.Before, h.After))
			}
		}
	}
	if len(lines) == 0 {
		t.line("No hour would have been different for anybody.")
		return
	}
	t.line("Hours that would have been different:")
	for _, l := range lines[:min(listed, len(lines))] {
		t.line("%s", l)
	}
	t.more(len(lines))
}

func (t *writer) left(r *Result) {
	if len(r.Left) == 0 {
		return
	}
	t.line("")
	t.line("Notifications that nothing would come of:")
	for _, l := range r.Left[:min(listed, len(r.Left))] {
		t.line("%7d  %-15s %s: %s", l.Count, l.Origin, l.TrapOID, l.Why)
	}
	t.more(len(r.Left))
}

func (t *writer) silent(r *Result) {
	if len(r.NeverSpoke) == 0 {
		return
	}
	t.line("")
	t.line("Points that nothing was ever heard of (%d):", len(r.NeverSpoke))
	for _, p := range r.NeverSpoke[:min(listed, len(r.NeverSpoke))] {
		t.line("  %s", p)
	}
	t.more(len(r.NeverSpoke))
}

func when(t time.Time) string { return t.Format("2006-01-02 15:04") }
