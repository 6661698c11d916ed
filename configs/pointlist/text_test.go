package pointlist_test

import (
	"encoding/binary"
	"strings"
	"testing"
	"unicode/utf16"

	"github.com/google/go-cmp/cmp"

	"example.net/standwatch/configs"
	"example.net/standwatch/configs/pointlist"
)

// TestWaysToSave: one list, in the ways that spreadsheets save it, is the same
// list, and its lines keep their numbers.
func TestWaysToSave(t *testing.T) {
	const plain = "Site,Description,Alarm word,Severity\nGull Rock,Hüttentür,offen – 5 €,minor\nGull Rock,Netz,aus,dreadful\n"
	marked := func(order binary.AppendByteOrder) string {
		out := order.AppendUint16(nil, 0xfeff)
		for _, u := range utf16.Encode([]rune(strings.ReplaceAll(plain, ",", "\t"))) {
			out = order.AppendUint16(out, u)
		}
		return string(out)
	}
	for name, c := range map[string]struct {
		text    string
		guessed bool
		line    int
	}{
		"UTF-8":                  {plain, false, 3},
		"with a mark":            {"\ufeff" + plain, false, 3},
		"semicolons, CRLF":       {"\ufeff" + strings.NewReplacer(",", ";", "\n", "\r\n").Replace(plain), false, 3},
		"CR alone":               {strings.ReplaceAll(plain, "\n", "\r"), false, 3},
		"sep=":                   {"sep=;\r\n" + strings.NewReplacer(",", ";", "\n", "\r\n").Replace(plain), false, 4},
		"UTF-16 little endian":   {marked(binary.LittleEndian), false, 3},
		"UTF-16 big endian":      {marked(binary.BigEndian), false, 3},
		"Windows-1252":           {strings.NewReplacer("ü", "\xfc", "–", "\x96", "€", "\x80").Replace(plain), true, 3},
		"quoted, blanks between": {"\"Site\", \"Description\", \"Alarm word\", \"Severity\"\n" + strings.SplitN(plain, "\n", 2)[1], false, 3},
	} {
		l, problems := pointlist.Read([]byte(c.text), pointlist.Options{Name: "list.csv"})
		var mistakes configs.Problems
		for _, p := range problems {
			if p.Grade == configs.Mistake {
				mistakes = append(mistakes, p)
			}
		}
		if guessed := len(problems) > len(mistakes); guessed != c.guessed {
			t.Errorf("%s: %v", name, problems)
		}
		if len(mistakes) != 1 || mistakes[0].Line != c.line || !strings.Contains(mistakes[0].What, "dreadful") || !strings.Contains(mistakes[0].Source, "Netz") {
			t.Errorf("%s: %+v", name, mistakes)
		}
		text, _ := l.YAML()
		const want = "points:\n  gull-rock:\n    huettentuer:\n      name: \"Hüttentür\"\n      alarm: \"offen – 5 €\"\n      severity: minor\n"
		_, got, _ := strings.Cut(string(text), "\n")
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("%s (-want +got):\n%s", name, diff)
		}
	}
}

// TestRowsFindTheirPoint: a row without an ID is the point that has its number,
// whatever it is described as; and what has a unit or limits is analog.
func TestRowsFindTheirPoint(t *testing.T) {
	l, problems := pointlist.Read([]byte("Site;Pt;Description;Severity;Low limit;Unit\nHarrow Knoll;5;Main entrance;major;;\nHarrow Knoll;201;Battery;minor;47,5;V\n"), pointlist.Options{Name: "list.csv"})
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	trial, problems := pointlist.Try(t.Context(), small(), "sites/points-list.yaml", l, options())
	if problems.Mistakes() {
		t.Fatal(problems)
	}
	want := []string{"point added: harrow-knoll:battery", `point changed: harrow-knoll:door: name "Main entrance", was "Door"`, "severity changed: harrow-knoll:door from minor to major"}
	if diff := cmp.Diff(want, trial.Summary.Lines(10)); diff != "" {
		t.Errorf("changes (-want +got):\n%s", diff)
	}
	if !strings.Contains(string(trial.Text), "kind: analog") {
		t.Errorf("no analog point in\n%s", trial.Text)
	}
}
