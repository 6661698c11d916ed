package terminal

import (
	"fmt"
	"strings"
	"time"

	tea "charm.land/bubbletea/v2"
	"github.com/charmbracelet/x/ansi"

	"example.net/standwatch/cmd/standwatch/api"
	"example.net/standwatch/correlate"
)

// hues are of the palette of Okabe and Ito (2008), as on the pages.
var hues = map[correlate.Severity]string{
	correlate.Critical: "213;94;0", correlate.Major: "230;159;0", correlate.Minor: "240;228;66",
	correlate.Warning: "86;180;233", correlate.Indeterminate: "204;121;167",
}

// blocks returns the sign of a severity, as wide for each.
func blocks(s correlate.Severity) string {
	n := map[correlate.Severity]int{correlate.Critical: 4, correlate.Major: 3, correlate.Minor: 2, correlate.Warning: 1}[s]
	if n == 0 {
		return "□   "
	}
	return strings.Repeat("■", n) + strings.Repeat(" ", 4-n)
}

// what says which alarm it is.
func what(a api.Alarm) string {
	site := a.SiteName
	if site == "" {
		site = string(a.Site)
	}
	return api.PlainText(site + ", " + text(a))
}

func text(a api.Alarm) string {
	t := a.Text
	if t == "" {
		t = a.PointName
	}
	return api.PlainText(t)
}

// short is a time in few letters.
func short(d time.Duration) string {
	switch d = max(0, d); {
	case d < time.Minute:
		return fmt.Sprintf("%d s", int(d.Seconds()))
	case d < time.Hour:
		return fmt.Sprintf("%d min", int(d.Minutes()))
	case d < 24*time.Hour:
		return fmt.Sprintf("%d h %02d", int(d.Hours()), int(d.Minutes())%60)
	}
	return fmt.Sprintf("%d d %d h", int(d.Hours())/24, int(d.Hours())%24)
}

// line is one line of the list: a heading, or an alarm.
type line struct {
	heading string
	alarm   *api.Alarm
}

// View draws the screen.
func (m *model) View() tea.View {
	v := tea.NewView(strings.Join(m.screen(), "\n"))
	v.AltScreen = true
	v.WindowTitle = "Standwatch"
	return v
}

func (m *model) screen() []string {
	if m.help {
		return helpLines
	}
	head := m.head()
	foot := m.foot()
	body := m.body(m.height - len(head) - len(foot))
	return append(append(head, body...), foot...)
}

var helpLines = []string{
	"", "  up, down, j, k   choose an alarm", "  page up, down    by a screen", "  t                take it: say that you see to it", "  n                write a note",
	"  a                put it aside until a time, with a reason; again: bring it back",
	"  /                show only what holds some words; esc shows all", "  q                leave", "", "  any key goes back",
}

// head is the sentence, and above it, loudly, that the stream is lost.
func (m *model) head() []string {
	var out []string
	if m.lost != nil {
		since := "The master was not reached yet"
		if !m.truth.IsZero() {
			since = "LOST since " + m.truth.Format("15:04:05") + ": what stands below was true then"
		}
		out = append(out, m.paint("7", m.fit(" "+since+" ("+api.PlainText(m.lost.err.Error())+"). Asking again. ")))
	}
	for l := range strings.SplitSeq(ansi.Wordwrap(m.sentence, max(20, m.width-1), ""), "\n") {
		out = append(out, m.paint("1", l))
	}
	return append(out, "")
}

// foot is the question that is open, or what was done, and the keys.
func (m *model) foot() []string {
	switch {
	case m.ask != nil:
		return []string{"", m.fit(m.ask.question + ": " + m.ask.text + "▏")}
	case m.word != "":
		return []string{"", m.fit(m.word)}
	}
	keys := "t take  n note  a put aside  / find  ? help  q leave"
	if m.find != "" {
		keys = "only what holds “" + m.find + "” is shown; esc shows all"
	}
	return []string{"", m.paint("2", m.fit(keys))}
}

// listHeight is how many lines the list has, as near as need be for paging.
func (m *model) listHeight() int { return max(1, m.height-6) }

// body is the part of the list that is on the screen, with the chosen alarm in it.
func (m *model) body(height int) []string {
	lines := m.lines()
	if len(lines) == 0 {
		return nil
	}
	chosen, _ := m.current()
	at := 0
	for i, l := range lines {
		if l.alarm != nil && l.alarm.ID == chosen.ID {
			at = i
		}
	}
	height = max(1, height)
	m.top = min(m.top, max(0, at-1)) // the heading above, too
	m.top = max(m.top, at-height+1)
	m.top = max(0, min(m.top, len(lines)-height))
	var out []string
	for _, l := range lines[m.top:min(m.top+height, len(lines))] {
		sign := " "
		if l.alarm != nil && l.alarm.ID == chosen.ID {
			sign = "▸"
		}
		out = append(out, sign+m.draw(l))
	}
	return out
}

// draw makes the text of one line. Only what is on the screen is drawn.
func (m *model) draw(l line) string {
	if l.alarm == nil {
		return m.paint("1", m.fit(l.heading))
	}
	return m.alarmLine(*l.alarm)
}

// lines are all lines of the list.
func (m *model) lines() []line {
	var out []line
	last := ""
	for _, a := range m.list() {
		heading := api.PlainText(a.SiteName)
		if heading == "" {
			heading = string(a.Site)
		}
		if a.Shelf != nil {
			heading = "Put aside"
		}
		if heading != last {
			out = append(out, line{heading: heading})
			last = heading
		}
		out = append(out, line{alarm: &a})
	}
	return out
}

func (m *model) alarmLine(a api.Alarm) string {
	sign := m.paint("38;2;"+hues[a.Severity], blocks(a.Severity))
	words := text(a)
	if a.Shelf != nil {
		words = what(a)
	}
	indent := " "
	if a.ExplainedBy != "" {
		indent = "   └ "
	}
	rest := fmt.Sprintf(" %-13s %8s  %s%s", a.Severity, short(m.now().Sub(a.LastRaised)), words, marks(a, m.now()))
	return indent + sign + ansi.Truncate(rest, max(10, m.width-len(indent)-6), "…")
}

// marks say what else an operator wants to know at a glance.
func marks(a api.Alarm, now time.Time) string {
	var out []string
	add := func(text string) { out = append(out, api.PlainText(text)) }
	switch {
	case a.Shelf != nil:
		add("aside for " + short(a.Shelf.Until.Sub(now)) + " more, " + a.Shelf.By + ": " + a.Shelf.Reason)
	case a.Acknowledged:
		add(a.AckBy + " has it")
	case a.ExplainedBy != "":
		add("explained by " + string(a.ExplainedBy))
	default:
		add("nobody has it")
	}
	if a.IsCleared {
		add("over, waits to be taken")
	}
	if a.Flapping {
		add(fmt.Sprintf("flapping, %d times", a.FlapCount))
	}
	if a.Repeats > 0 {
		add(fmt.Sprintf("repeated %d times", a.Repeats))
	}
	return "  [" + strings.Join(out, "; ") + "]"
}

func (m *model) fit(s string) string { return ansi.Truncate(s, max(10, m.width-2), "…") }

// paint puts a style around text where the terminal may have one.
func (m *model) paint(style, s string) string {
	if !m.colour || s == "" {
		return s
	}
	return "\x1b[" + style + "m" + s + "\x1b[0m"
}
