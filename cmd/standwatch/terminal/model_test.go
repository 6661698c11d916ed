package terminal

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	tea "charm.land/bubbletea/v2"
	"github.com/charmbracelet/x/ansi"

	"example.net/standwatch/cmd/standwatch/api"
	"example.net/standwatch/correlate"
)

var start = time.Date(2026, time.November, 25, 3, 0, 0, 0, time.UTC)

func standing(id string, s correlate.Severity, ago time.Duration, more func(*api.Alarm)) api.Alarm {
	site, point, _ := strings.Cut(id, ":")
	a := api.Alarm{ID: correlate.AlarmID(id), Site: correlate.SiteID(site), SiteName: strings.ToUpper(site[:1]) + site[1:], Point: correlate.PointID(point),
		Severity: s, Text: point + " failed", LastRaised: start.Add(-ago), Seq: 1}
	if more != nil {
		more(&a)
	}
	return a
}

func screenOf(alarms ...api.Alarm) *model {
	m := newModel(context.Background(), nil, func() time.Time { return start }, false)
	m.Update(boardRead{Sentence: "Three alarms stand.", Alarms: alarms})
	return m
}

func shown(m *model) string { return strings.Join(m.screen(), "\n") }

func press(m *model, keys ...string) (last tea.Cmd) {
	for _, k := range keys {
		msg := tea.KeyPressMsg{Text: k, Code: []rune(k)[0]}
		switch k {
		case "enter":
			msg = tea.KeyPressMsg{Code: tea.KeyEnter}
		case "esc":
			msg = tea.KeyPressMsg{Code: tea.KeyEscape}
		case "down":
			msg = tea.KeyPressMsg{Code: tea.KeyDown}
		case "backspace":
			msg = tea.KeyPressMsg{Code: tea.KeyBackspace}
		}
		_, last = m.Update(msg)
	}
	return last
}

// The order is that of the front page: troubled sites worst and oldest first,
// consequences under what stands on its own, what is put aside at the end.
func TestOrderAndWords(t *testing.T) {
	m := screenOf(
		standing("tern:door", correlate.Minor, time.Hour, nil),
		standing("fen:rectifier", correlate.Major, 2*time.Minute, func(a *api.Alarm) { a.ExplainedBy = "fen:mains" }),
		standing("fen:mains", correlate.Critical, 3*time.Minute, func(a *api.Alarm) { a.Acknowledged, a.AckBy = true, "desk" }),
		standing("ridge:smoke", correlate.Critical, 26*time.Hour, func(a *api.Alarm) {
			a.Shelf = &api.Shelf{By: "desk", Reason: "works", Until: start.Add(time.Hour)}
		}),
	)
	want := []string{
		"Three alarms stand.", "",
		" Fen",
		"▸ ■■■■ critical         3 min  mains failed  [desk has it]",
		"    └ ■■■  major            2 min  rectifier failed  [explained by fen:mains]",
		" Tern",
		"  ■■   minor           1 h 00  door failed  [nobody has it]",
		" Put aside",
		"  ■■■■ critical       1 d 2 h  Ridge, smoke failed  [aside for 1 h 00 more, de…",
	}
	for i, l := range m.screen()[:len(want)] {
		if l != want[i] {
			t.Errorf("line %d is\n%q, want\n%q", i, l, want[i])
		}
	}
}

// A record that is older than what is shown changes nothing; a cleared alarm
// goes, a latched one stays.
func TestRecordsChangeTheBoard(t *testing.T) {
	m := screenOf(standing("fen:mains", correlate.Major, time.Minute, func(a *api.Alarm) { a.Seq = 9 }))
	m.Update(changed{standing("fen:mains", correlate.Minor, time.Minute, func(a *api.Alarm) { a.Seq = 8 })})
	if !strings.Contains(shown(m), "major") {
		t.Errorf("an older record overturned a newer one:\n%s", shown(m))
	}
	m.Update(changed{standing("fen:mains", correlate.Major, time.Minute, func(a *api.Alarm) { a.Seq, a.IsCleared, a.Latched = 10, true, true })})
	if !strings.Contains(shown(m), "over, waits") {
		t.Errorf("a latched alarm is not shown as one:\n%s", shown(m))
	}
	m.Update(changed{standing("fen:mains", correlate.Major, time.Minute, func(a *api.Alarm) { a.Seq, a.IsCleared = 11, true })})
	if strings.Contains(shown(m), "mains") {
		t.Errorf("a cleared alarm is still there:\n%s", shown(m))
	}
}

// The loss of the stream is said first, with the time of the last truth, and
// is taken back by the first sign of life.
func TestLostIsSaidLoudly(t *testing.T) {
	m := screenOf(standing("fen:mains", correlate.Major, time.Minute, nil))
	m.Update(lost{err: errors.New("the master ended the stream"), again: time.Second})
	if first := m.screen()[0]; !strings.HasPrefix(first, " LOST since 03:00:00: what stands below was true then") {
		t.Errorf("the first line is %q", first)
	}
	m.Update(alive{})
	if strings.Contains(shown(m), "LOST") {
		t.Errorf("it is still lost:\n%s", shown(m))
	}
}

// Whatever a remote puts into a text, the terminal gets no control character
// of it.
func TestTextsCannotCommandTheTerminal(t *testing.T) {
	m := screenOf(standing("fen:mains", correlate.Major, time.Minute, func(a *api.Alarm) { a.Text = "\x1b]0;owned\x07\x1b[2Jred\u202e\r\nalarm" }))
	for _, r := range shown(m) {
		if r != '\n' && (r < ' ' || r == 0x7f || r == '\u202e' || (r >= 0x80 && r < 0xa0)) {
			t.Fatalf("the screen holds %U:\n%q", r, shown(m))
		}
	}
}

func TestFindNarrowsAsItIsTyped(t *testing.T) {
	m := screenOf(standing("fen:mains", correlate.Major, time.Minute, nil), standing("tern:door", correlate.Minor, time.Minute, nil))
	press(m, "/", "d", "o", "o", "x")
	if s := shown(m); strings.Contains(s, "mains") || strings.Contains(s, "door failed") {
		t.Errorf("nothing holds doox, and yet:\n%s", s)
	}
	press(m, "backspace", "enter")
	if s := shown(m); strings.Contains(s, "mains") || !strings.Contains(s, "door failed") || !strings.Contains(s, "“doo”") {
		t.Errorf("not narrowed to doo:\n%s", s)
	}
	press(m, "esc")
	if s := shown(m); !strings.Contains(s, "mains") {
		t.Errorf("esc does not show all again:\n%s", s)
	}
}

func TestPuttingAsideAsksForTimeAndReason(t *testing.T) {
	m := screenOf(standing("fen:mains", correlate.Major, time.Minute, nil))
	press(m, "a", "backspace", "backspace", "x", "enter")
	if !strings.Contains(shown(m), "x is no time") {
		t.Errorf("a time that is none was taken:\n%s", shown(m))
	}
	press(m, "a", "enter", "enter")
	if !strings.Contains(shown(m), "nothing was written") {
		t.Errorf("put aside without a reason:\n%s", shown(m))
	}
	press(m, "a", "enter", "w")
	if !strings.Contains(shown(m), "Why put it aside for 1 h 00: w") {
		t.Errorf("the reason is not asked for:\n%s", shown(m))
	}
}

// A list that is longer than the screen keeps the chosen alarm on it, and no
// line is wider than the screen.
func TestLongListsScroll(t *testing.T) {
	var many []api.Alarm
	for i := range 200 {
		many = append(many, standing(fmt.Sprintf("fen:p%03d", i), correlate.Major, time.Duration(200-i)*time.Minute, func(a *api.Alarm) { a.Text = strings.Repeat("long ", 40) }))
	}
	m := screenOf(many...)
	m.Update(tea.WindowSizeMsg{Width: 60, Height: 12})
	for range 150 {
		press(m, "down")
		lines := m.screen()
		if len(lines) > 12 || !strings.Contains(shown(m), "▸") {
			t.Fatalf("%d lines, or the chosen one is not there:\n%s", len(lines), shown(m))
		}
		for _, l := range lines {
			if ansi.StringWidth(l) > 60 {
				t.Fatalf("wider than the screen: %q", l)
			}
		}
	}
	if m.chosen != "fen:p150" {
		t.Errorf("chosen is %s", m.chosen)
	}
}
