package correlate_test

import (
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"example.net/standwatch/correlate"
)

// lifeTable reads the table of states and inputs from DEVELOPERS.md: the words
// of each cell that stand in code quotes, in order of the alphabet.
func lifeTable(t *testing.T) map[string][]string {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("..", "DEVELOPERS.md"))
	if err != nil {
		t.Fatal(err)
	}
	_, after, found := strings.Cut(string(text), "## The life of an alarm")
	if !found {
		t.Fatal("DEVELOPERS.md has no life of an alarm")
	}
	quoted := regexp.MustCompile("`([a-z-]+)`")
	cells := map[string][]string{}
	var columns []string
	for line := range strings.Lines(after) {
		if strings.HasPrefix(line, "## ") {
			break
		}
		if !strings.HasPrefix(line, "| ") || strings.HasPrefix(line, "| ---") {
			continue
		}
		parts := strings.Split(strings.Trim(strings.TrimSpace(line), "|"), "|")
		if columns == nil {
			columns = parts
			continue
		}
		for i := 1; i < len(parts); i++ {
			at := strings.TrimSpace(parts[0]) + " / " + strings.TrimSpace(columns[i])
			for _, m := range quoted.FindAllStringSubmatch(parts[i], -1) {
				cells[at] = append(cells[at], m[1])
			}
			cells[at] = distinct(cells[at])
		}
	}
	return cells
}

func distinct(words []string) []string { return slices.Compact(slices.Sorted(slices.Values(words))) }

// walk is one way through a cell of the table.
type walk struct {
	cell string
	to   func(*bench) // brings the alarm into the state
	do   func(*bench) // applies the input
}

const silenceColumn = " / silence begins; ends"

// walks lead through every cell that decides something, and through those that
// decide nothing.
func walks() []walk {
	nothing := func(*bench) {}
	raise := func(alarm string) func(*bench) { return func(b *bench) { b.raise(alarm) } }
	fall := func(alarm string) func(*bench) { return func(b *bench) { b.clear(alarm) } }
	ack := func(alarm string) func(*bench) {
		return func(b *bench) { b.act(alarm, correlate.ActAcknowledge, "", 0) }
	}
	value := func(raw float64) func(*bench) { return func(b *bench) { b.value("hub:volts", raw) } }
	at := func(second float64) func(*bench) { return func(b *bench) { b.at(second) } }
	worse := func(alarm string, s correlate.Severity) func(*bench) {
		return func(b *bench) {
			b.apply(&correlate.Notice{Observations: []correlate.Observation{{Key: key(alarm), What: correlate.Raise, Severity: s}}})
		}
	}
	hush := func(b *bench) { b.silence(correlate.Maintenance, 500, correlate.Scope{Site: "hub"}) }
	speak := func(b *bench) {
		b.apply(&correlate.EndSilence{ID: b.eng.State().Listed()[0].ID, Actor: "o", Via: "test"})
	}
	all := func(steps ...func(*bench)) func(*bench) {
		return func(b *bench) {
			for _, s := range steps {
				s(b)
			}
		}
	}
	flapping := func(b *bench) {
		for range 3 {
			b.raise("hub:door")
			b.clear("hub:door")
		}
		b.raise("hub:door")
	}
	latched := all(raise("hub:smoke"), fall("hub:smoke"))
	pendingClear := all(raise("hub:pump"), at(6), fall("hub:pump"))
	under := all(hush, raise("hub:mains"))
	return []walk{
		{"cleared / raise", nothing, raise("hub:pump")},
		{"cleared / raise", nothing, raise("hub:mains")},
		{"cleared / raise", hush, raise("hub:mains")},
		{"cleared / raise", raise("hub:mains"), raise("hub:rectifier")},
		{"cleared / raise", nothing, raise("hub:rectifier")},
		{"cleared / raise", all(raise("hub:door"), fall("hub:door"), raise("hub:door"), fall("hub:door")), raise("hub:door")},
		{"cleared / clear", nothing, fall("hub:mains")},
		{"cleared / value", nothing, value(-540)},
		{"cleared / acknowledge", all(raise("hub:mains"), fall("hub:mains")), ack("hub:mains")},
		{"cleared" + silenceColumn, all(raise("hub:mains"), fall("hub:mains")), all(hush, speak)},
		{"pending raise / raise", raise("hub:pump"), raise("hub:pump")},
		{"pending raise / raise", raise("hub:pump"), worse("hub:pump", correlate.Major)},
		{"pending raise / clear", raise("hub:pump"), fall("hub:pump")},
		{"pending raise / acknowledge", raise("hub:pump"), ack("hub:pump")},
		{"pending raise" + silenceColumn, raise("hub:pump"), all(hush, speak)},
		{"pending raise / time", raise("hub:pump"), at(6)},
		{"standing / raise", raise("hub:mains"), raise("hub:mains")},
		{"standing / raise", raise("hub:mains"), worse("hub:mains", correlate.Critical)},
		{"standing / raise", raise("hub:mains"), worse("hub:mains", correlate.Minor)},
		{"standing / clear", raise("hub:mains"), fall("hub:mains")},
		{"standing / clear", all(raise("hub:pump"), at(6)), fall("hub:pump")},
		{"standing / value", value(-468), value(-439)},
		{"standing / value", value(-468), value(-540)},
		{"standing / acknowledge", raise("hub:mains"), ack("hub:mains")},
		{"standing" + silenceColumn, raise("hub:mains"), hush},
		{"standing / time", raise("hub:rectifier"), at(60)},
		{"standing / time", raise("hub:smoke"), at(31)},
		{"standing / time", all(raise("hub:mains"), func(b *bench) { b.act("hub:mains", correlate.ActShelve, "why", 10) }), at(11)},
		{"pending clear / raise", pendingClear, raise("hub:pump")},
		{"pending clear / clear", pendingClear, fall("hub:pump")},
		{"pending clear / acknowledge", pendingClear, ack("hub:pump")},
		{"pending clear" + silenceColumn, pendingClear, hush},
		{"pending clear / time", pendingClear, at(20)},
		{"flapping / raise", flapping, raise("hub:door")},
		{"flapping / raise", all(flapping, fall("hub:door")), raise("hub:door")},
		{"flapping / clear", flapping, fall("hub:door")},
		{"flapping / clear", all(flapping, fall("hub:door")), fall("hub:door")},
		{"flapping / acknowledge", flapping, ack("hub:door")},
		{"flapping" + silenceColumn, flapping, hush},
		{"flapping / time", flapping, at(1000)},
		{"flapping / time", all(flapping, fall("hub:door")), at(1000)},
		{"suppressed / raise", under, raise("hub:mains")},
		{"suppressed / raise", under, worse("hub:mains", correlate.Critical)},
		{"suppressed / clear", under, fall("hub:mains")},
		{"suppressed / acknowledge", under, ack("hub:mains")},
		{"suppressed" + silenceColumn, under, speak},
		{"suppressed" + silenceColumn, all(under, ack("hub:mains")), speak},
		{"suppressed / time", under, at(400)},
		{"latched / raise", latched, raise("hub:smoke")},
		{"latched / clear", latched, fall("hub:smoke")},
		{"latched / acknowledge", latched, ack("hub:smoke")},
		{"latched" + silenceColumn, latched, all(hush, speak)},
		{"latched / time", latched, at(1000)},
	}
}

// TestLifeTable walks the table of states and inputs in DEVELOPERS.md: what is
// decided in a cell is what the cell says.
func TestLifeTable(t *testing.T) {
	told := lifeTable(t)
	decided := map[string][]string{}
	for _, w := range walks() {
		b := newBench(t)
		w.to(b)
		n := len(b.journal)
		w.do(b)
		decided[w.cell] = append(decided[w.cell], []string{}...)
		for _, r := range b.journal[n:] {
			for _, ev := range r.Events {
				word := correlate.EventKinds[ev.Kind()].Word
				if !strings.HasPrefix(word, "silence-") && word != "measured" {
					decided[w.cell] = append(decided[w.cell], word)
				}
			}
		}
		b.refold()
	}
	if len(told) < 40 {
		t.Fatalf("the table has %d cells", len(told))
	}
	for cell, want := range told {
		if got := distinct(decided[cell]); !slices.Equal(got, want) {
			t.Errorf("%s: decided %v, the table says %v", cell, got, want)
		}
	}
	for cell := range decided {
		if _, there := told[cell]; !there {
			t.Errorf("the table has no cell %q", cell)
		}
	}
}

// TestRebootAndWrapInARow follows one agent over years: its clock wraps after
// 497 days (RFC 2578 section 7.1.8), it reboots, and nothing new counts as late.
func TestRebootAndWrapInARow(t *testing.T) {
	b := newBench(t)
	const wrap = 1 << 32 // 1/100 s
	booted := b.now.Add(-490 * 24 * time.Hour)
	uptime := func() uint32 { return uint32(b.now.Sub(booted).Milliseconds() / 10 % wrap) }
	what := correlate.Raise
	for day := range 40 {
		if day == 30 {
			booted = b.now.Add(-time.Minute)
		}
		got := words(b.hear("hub-1", uptime(), correlate.Observation{Key: key("hub:mains"), What: what}))
		if strings.Contains(got, "ignored") {
			t.Fatalf("day %d, uptime %d: %s", day, uptime(), got)
		}
		if day != 30 { // a minute before was the boot itself
			late := words(b.hear("hub-1", uptime()-6000, correlate.Observation{Key: key("hub:mains"), What: correlate.Raise + correlate.Clear - what}))
			if late != "ignored(late)" {
				t.Fatalf("day %d: a report of a minute ago decided %q", day, late)
			}
		}
		what = correlate.Raise + correlate.Clear - what
		b.now = b.now.Add(24 * time.Hour)
	}
	b.refold()
}
