package pointlist_test

import (
	"bytes"
	"fmt"
	"os"
	"strings"
	"testing"
	"testing/fstest"

	"github.com/google/go-cmp/cmp"
	"go.yaml.in/yaml/v4"

	"example.net/standwatch/configs"
	"example.net/standwatch/configs/example"
	"example.net/standwatch/configs/pointlist"
	"example.net/standwatch/correlate"
)

func options() configs.Options { return configs.Options{Env: example.Env(nil)} }

func load(t *testing.T, fsys fstest.MapFS) *configs.Config {
	t.Helper()
	cfg, problems := configs.Load(t.Context(), fsys, options())
	if cfg == nil {
		problems.Print(os.Stderr)
		t.Fatal("the configuration was refused")
	}
	return cfg
}

// small is a configuration with two sites.
func small() fstest.MapFS {
	file := func(text string) *fstest.MapFile { return &fstest.MapFile{Data: []byte(text)} }
	return fstest.MapFS{
		"standwatch.yaml": file("centre: {name: Test}\n"),
		"people.yaml":     file("routes: [{name: all, board-only: yes}]\n"),
		"sites/two.yaml":  file("templates: {base: {points: {door: {severity: minor, number: 5, name: Door}}}}\nsites:\n  harrow-knoll: {templates: base}\n  tern-point: {templates: base}\n"),
	}
}

// spreadsheet is a list as crews keep them.
const spreadsheet = "\ufeffSite name;Site;Pt No.;Point Description;Alarm Text;Normal Text;NO/NC;Priority;Delay (s);Action;Hi limit\r\n" +
	";Harrow Knoll;1;Mains supply;Mains failed;Mains present;NC;MAJ;5;Call the utility.;\r\n" +
	";Harrow Knoll;5;Door;;;;Crit;2 min;;\r\n" +
	";;;;;;;;;;\r\n" +
	";Tern Point;201;Room temp;;;;;;\"Two\nlines; with \"\"quotes\"\" and {braces}\";35,5\r\n"

func TestSpreadsheetIsReadLeniently(t *testing.T) {
	l, problems := pointlist.Read([]byte(spreadsheet), pointlist.Options{Name: "crew.csv"})
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	want := []pointlist.Header{{"Site name", ""}, {"Site", "site"}, {"Pt No.", "number"}, {"Point Description", "name"}, {"Alarm Text", "alarm"}, {"Normal Text", "normal"},
		{"NO/NC", "normally"}, {"Priority", "severity"}, {"Delay (s)", "raise-after"}, {"Action", "instructions"}, {"Hi limit", "limits.high.at"}}
	if diff := cmp.Diff(want, l.Headers); diff != "" {
		t.Errorf("headers (-want +got):\n%s", diff)
	}
	text, lines := l.YAML()
	wantYAML := `# Imported from crew.csv. An import of the same list writes this file anew.
points:
  harrow-knoll:
    mains-supply:
      number: 1
      name: Mains supply
      alarm: Mains failed
      normal: Mains present
      normally: closed
      severity: major
      raise-after: 5s
      instructions: Call the utility.
    door:
      number: 5
      name: Door
      severity: critical
      raise-after: 2min
  tern-point:
    room-temp:
      number: 201
      name: Room temp
      kind: analog
      instructions: "Two\nlines; with \"quotes\" and {{braces}"
      limits:
        high:
          at: 35.5
`
	wantYAML = strings.Replace(wantYAML, "2min", "2m", 1)
	if diff := cmp.Diff(wantYAML, string(text)); diff != "" {
		t.Errorf("YAML (-want +got):\n%s", diff)
	}
	if len(lines) != 1+strings.Count(wantYAML, "\n") || lines[5] != 2 || lines[13] != 3 || lines[18] != 5 {
		t.Errorf("lines: %v", lines)
	}
}

func TestEveryBadRowIsNamedWithItsLine(t *testing.T) {
	_, problems := pointlist.Read([]byte(`Site,No,Description,Severity,Delay,Normally,High,Priority
one,1,Door,majr,5,NO,1,
one,x,Window,minor,soon,ajar,1.2.3,
,3,Gate,minor,,,,
one,4,,minor,,,,
one,5,Hatch,minor,,,,
one,6,Hatch,minor,,,,
one,5,Lid,minor,,,,
one,8,---,minor,,,,
one,9,Bad ${env:HOME},minor,,,,
`), pointlist.Options{Name: "crew.csv"})
	want := []string{
		`crew.csv:1:50: headers "Severity" and "Priority" both mean severity`,
		`crew.csv:2:12: unknown severity "majr"`,
		`crew.csv:3:5: "x" is no whole number`,
		`crew.csv:3:20: "soon" is no length of time, such as 30s or 5m`,
		`crew.csv:3:25: "ajar" is neither normally open (NO) nor normally closed (NC)`,
		`crew.csv:3:30: "1.2.3" is no number`,
		`crew.csv:4: the row names no site`,
		`crew.csv:5: the row names no point`,
		`crew.csv:7: point hatch of site one is there twice, first on line 6`,
		`crew.csv:8: number 5 of site one is there twice, first on line 6`,
		`crew.csv:9: the row names no point`,
		`crew.csv:10:7: a cell cannot have ${ in it`,
	}
	var got []string
	for _, p := range problems {
		text, _, _ := strings.Cut(p.Error(), " (known")
		if p.Mend != "" {
			text = strings.TrimSuffix(p.Error(), " ("+p.Mend+")")
		}
		got = append(got, text)
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("problems (-want +got):\n%s", diff)
	}
}

func TestListsThatCannotBeRead(t *testing.T) {
	for text, want := range map[string]string{
		"":                                      "the list is empty",
		"\n\n":                                  "the list is empty",
		"Description,Severity\nDoor,minor\n":    "no column says which site",
		"Site,Severity\none,minor\n":            "no column names the points",
		"Site,Description\none,\"Door\x07\"\n":  "a character that cannot be shown",
		"Site,Description\none,\"Door,minor\n,": "the row cannot be read",
		"Site,Description\none,12\" pipe\n":     "the row cannot be read",
		"Site,\"Description\n":                  "the headers cannot be read",
	} {
		_, problems := pointlist.Read([]byte(text), pointlist.Options{})
		if !problems.Mistakes() || !strings.Contains(problems.Error(), want) {
			t.Errorf("%q: %v, want %s", text, problems, want)
		}
	}
	l, problems := pointlist.Read([]byte("Description,Severity\nDoor,minor\n"), pointlist.Options{Site: "one"})
	if len(problems) > 0 || len(l.Rows) != 1 || l.Rows[0].Site != "one" {
		t.Errorf("a list of one site: %v, %v", l.Rows, problems)
	}
}

func TestTryChangesNothingAndSaysWhatWouldChange(t *testing.T) {
	fsys := small()
	list := "Site,Number,Description,Severity,Delay\nharrow-knoll,5,Door,critical,5\ntern-point,7,Smoke,major,\n"
	l, problems := pointlist.Read([]byte(list), pointlist.Options{Name: "crew.csv"})
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	trial, problems := pointlist.Try(t.Context(), fsys, "sites/imported.yaml", l, options())
	if problems.Mistakes() {
		t.Fatal(problems)
	}
	if got, want := trial.Summary.String(), "1 point added, 1 point changed, 1 severity changed"; got != want {
		t.Errorf("got %s, want %s", got, want)
	}
	if fsys["sites/imported.yaml"] != nil {
		t.Error("a trial wrote the file")
	}
	fsys["sites/imported.yaml"] = &fstest.MapFile{Data: trial.Text}
	p := load(t, fsys).Network.Point(correlate.Key{Site: "harrow-knoll", Point: "door"})
	if p.Severity != correlate.Critical || p.RaiseAfter.Seconds() != 5 || p.Name != "Door" {
		t.Errorf("imported: %+v", p)
	}
	again, _ := pointlist.Try(t.Context(), fsys, "sites/imported.yaml", l, options())
	if got := again.Summary.String(); got != "nothing changed" {
		t.Errorf("the same list again: %s", got)
	}
}

func TestTryPlacesMistakesInTheList(t *testing.T) {
	l, _ := pointlist.Read([]byte("Site,Description,Severity,Probable cause\nharow-knoll,Door,minor,\ntern-point,Smoke,major,\ntern-point,Fire,major,smoek\n"), pointlist.Options{Name: "crew.csv"})
	_, problems := pointlist.Try(t.Context(), small(), "sites/imported.yaml", l, options())
	if len(problems) != 2 {
		t.Fatal(problems)
	}
	if p := problems[0]; p.File != "crew.csv" || p.Line != 2 || p.Mend != "did you mean harrow-knoll?" {
		t.Errorf("the unknown site: %v", p)
	}
	if p := problems[1]; p.File != "crew.csv" || p.Line != 4 || p.Mend != "did you mean smoke?" {
		t.Errorf("the unknown cause: %v", p)
	}
	if _, problems := pointlist.Try(t.Context(), small(), "../x.yaml", l, options()); !problems.Mistakes() {
		t.Error("a file outside the folder is taken")
	}
}

// TestExportAndImportLoseNothing exports every point of the example and of a
// configuration with all that a point can have, imports the list into sites that
// have no points of their own, and compares.
func TestExportAndImportLoseNothing(t *testing.T) {
	exampleFS := fstest.MapFS{}
	for _, name := range []string{"standwatch.yaml", "people.yaml", "rules/rules.yaml", "sites/north.yaml", "sites/south.yaml", "sites/templates.yaml"} {
		text, err := example.FS.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		exampleFS[name] = &fstest.MapFile{Data: text}
	}
	everything := small()
	everything["standwatch.yaml"] = &fstest.MapFile{Data: []byte("defaults: {flap: {cut: 3}, hold: 9s, raise-after: 3s, re-alarm: 1h}\n")}
	everything["sites/two.yaml"] = &fstest.MapFile{Data: []byte(`
sites:
  harrow-knoll:
    points:
      a: {severity: minor, number: 1, normally: open, name: "=1+1", instructions: "'- x\ny: \"{{z}\"\n\n  # ü\\", caution: "@", raise-after: 0s, hold: 1m30s, latch: yes}
      b: {severity: major, normally: closed, flap: off, excused-by: [{event: c, for: 1h}, {event: tern-point/c, for: 90s}], regulated: yes, quiet-clear: yes}
      c: {kind: entry}
      d: {severity: warning, flap: {cut: 4, count-only: yes}, explained-by: [a, "tern-point/c:2", b], class: "null", re-alarm: 0s, cause: other}
      e: {kind: analog, unit: "%", scale: -0.001, offset: 1e-7, decimals: 0, limits: {low-low: {at: -5e3, severity: major}, high-high: {at: 7, dead-band: 0.25, severity: minor}}, plausible: {min: -1e4}}
      f: {severity: minor, flap: count-only, alarm: "yes", normal: "~"}
      g: {severity: minor, flap: {cut: 2.5}, alarm: "1.50", normal: "0x1f"}
      alive: {kind: alive, severity: critical, clear-after: 1ms}
      h: {kind: analog, unit: degC, limits: {high: {at: 40, severity: minor}}, rate: {rise: 2.5, within: 10m, dead-band: 0.5, severity: major}, stuck: {after: 6h, by: 0.1, severity: warning}}
      i: {kind: derived, severity: major, when: 'stands["a"] && !stands["b"] && value["h"] > 30.0'}
  tern-point: {points: {c: {kind: entry, severity: minor}}}
`)}
	for name, fsys := range map[string]fstest.MapFS{"example": exampleFS, "everything": everything} {
		t.Run(name, func(t *testing.T) {
			before := load(t, fsys)
			var list bytes.Buffer
			if err := pointlist.Export(&list, before); err != nil {
				t.Fatal(err)
			}
			after := load(t, bare(t, fsys, before, list.Bytes()))
			summary := configs.Diff(before, after)
			if len(summary.PointsAdded)+len(summary.PointsRemoved)+len(summary.PointsChanged)+len(summary.Severities) > 0 {
				t.Errorf("after the round trip: %s\n%s", summary, strings.Join(summary.Lines(5), "\n"))
				for _, k := range summary.PointsChanged {
					t.Log(cmp.Diff(before.Network.Point(k.Key), after.Network.Point(k.Key)))
				}
			}
			var again bytes.Buffer
			if err := pointlist.Export(&again, after); err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(list.String(), again.String()); diff != "" {
				t.Errorf("the list of what was imported (-first +second):\n%s", diff)
			}
		})
	}
}

// bare is a configuration with the sites of cfg, their points from a list alone.
func bare(t *testing.T, fsys fstest.MapFS, cfg *configs.Config, list []byte) fstest.MapFS {
	t.Helper()
	l, problems := pointlist.Read(list, pointlist.Options{Name: "list.csv"})
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	text, _ := l.YAML()
	var sites strings.Builder
	sites.WriteString("sites:\n")
	for _, id := range cfg.Network.Sites() {
		if id != correlate.SiteSelf {
			fmt.Fprintf(&sites, "  %s: {upstream: %q}\n", id, cfg.Network.Site(id).Upstream)
		}
	}
	return fstest.MapFS{
		"standwatch.yaml": fsys["standwatch.yaml"],
		"people.yaml":     {Data: []byte("routes: [{name: all, board-only: yes}]\n")},
		"sites/a.yaml":    {Data: []byte(sites.String())},
		"sites/b.yaml":    {Data: text},
	}
}

func TestExportOfAnUnknownSite(t *testing.T) {
	if err := pointlist.Export(&bytes.Buffer{}, load(t, small()), "nowhere"); err == nil {
		t.Error("exported")
	}
}

// FuzzRead checks that whatever a list says, reading ends, problems are within
// the list, and the YAML written from the rows is YAML that says the same rows.
func FuzzRead(f *testing.F) {
	f.Add([]byte(spreadsheet))
	f.Add([]byte("Site,Point,Description,Flap,Explained by,Excused by,Low\none,door,\"'=x\",cut=3 reuse=0.5,\"a, b/c:1\",entry 5m,\"−4,5\"\n"))
	f.Add([]byte("\xef\xbb\xbfSite\tNo\tName\tAlarm\none\t#7\tnull\t~\n"))
	f.Fuzz(func(t *testing.T, text []byte) {
		l, problems := pointlist.Read(text, pointlist.Options{Name: "list"})
		for _, p := range problems {
			if p.Line < 0 || p.Line > 1+bytes.Count(text, []byte{'\n'})+bytes.Count(text, []byte{'\r'}) || p.Column < 0 {
				t.Fatalf("a problem outside the list: %+v", p)
			}
		}
		written, lines := l.YAML()
		if len(lines) != 1+bytes.Count(written, []byte{'\n'}) {
			t.Fatalf("%d lines are known of\n%s", len(lines)-1, written)
		}
		var doc struct {
			Points map[string]map[string]yaml.Node `yaml:"points"`
		}
		if err := yaml.Load(written, &doc); err != nil {
			t.Fatalf("%v:\n%s", err, written)
		}
		count := 0
		for _, points := range doc.Points {
			count += len(points)
		}
		if count != len(l.Rows) {
			t.Fatalf("%d rows, %d points:\n%s", len(l.Rows), count, written)
		}
	})
}
