package mib

import (
	"flag"
	"os"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/rogpeppe/go-internal/txtar"

	"example.net/standwatch/receiver/snmp"
)

var update = flag.Bool("update", false, "write the golden files anew")

// TestDraft compares the drafts for the clean modules with testdata/draft.txtar,
// once as the configuration will know their names and once as it will not.
func TestDraft(t *testing.T) {
	lib, _ := readAll(t, "testdata/clean")
	got := map[string]string{}
	for name, known := range map[string]*Names{"known": lib.Names, "unknown": nil} {
		d := Draft(lib, DraftOptions{Configured: known, Template: "plant"})
		got[name+"/rules.yaml"], got[name+"/points.yaml"] = d.Rules, d.Points
	}
	archive, err := txtar.ParseFile("testdata/draft.txtar")
	if err != nil {
		t.Fatal(err)
	}
	for i, file := range archive.Files {
		if *update {
			archive.Files[i].Data = []byte(got[file.Name])
		} else if diff := cmp.Diff(string(file.Data), got[file.Name]); diff != "" {
			t.Errorf("%s: %s", file.Name, diff)
		}
		delete(got, file.Name)
	}
	if len(got) > 0 {
		t.Errorf("drafts without a golden file: %v", got)
	}
	if *update {
		if err := os.WriteFile("testdata/draft.txtar", txtar.Format(archive), 0o644); err != nil {
			t.Fatal(err)
		}
	}
}

func TestSpoken(t *testing.T) {
	for name, want := range map[string]string{"upsTrapOnBattery": "ups trap on battery", "PSUFailed": "psu failed", "dsx1LineStatus": "dsx1 line status",
		"a_b-c": "a b c", "": "", "ABC": "abc", "fan2Bad": "fan2 bad"} {
		if got := spoken(name); got != want {
			t.Errorf("%q: got %q, want %q", name, got, want)
		}
	}
}

func TestCutWord(t *testing.T) {
	for _, c := range []struct {
		name, word, want string
		ok               bool
	}{{"linkDown", "Down", "link", true}, {"plantOnline", "On", "", false}, {"fanOnTooLong", "On", "fanTooLong", true},
		{"upsEntryAdded", "Added", "upsEntry", true}, {"OnceOn", "On", "Once", true}} {
		if got, ok := cutWord(c.name, c.word); got != c.want || ok != c.ok {
			t.Errorf("%s without %s: got %q %t", c.name, c.word, got, ok)
		}
	}
}

// TestSketch has a trap whose objects are known and one of which nothing is.
func TestSketch(t *testing.T) {
	bind := func(oid string, tag byte, value string) snmp.Varbind {
		return snmp.Varbind{Name: []byte(snmp.MustOID(oid)), Tag: tag, Value: []byte(value)}
	}
	lib, _ := readAll(t, "testdata/clean")
	known := &snmp.Notification{TrapOID: []byte(snmp.MustOID("1.3.6.1.4.1.32473.60.0.1")), Varbinds: []snmp.Varbind{
		bind("1.3.6.1.4.1.32473.60.1.1.1.3.4", snmp.TagInteger, "\x02")}}
	want := `# A draft. Read every line before it goes live.
rules:
  # plantBreaker says in words whether it came or went
  - name: "plantBreakerChange"
    on: plantBreakerChange
    observe:
      - point: plant-breaker-change
        instance: "${plantBreaker.index}"   # the row, so that each has its own alarm
        what-by:
          of: plantBreaker
          map:
            "normal": clear
            "alarm": raise
            "testing": nothing   # undecided: raise or clear?
        text: "${point.name}: plantBreaker ${plantBreaker}"
`
	if diff := cmp.Diff(want, Sketch(known, lib.Names, DraftOptions{}).Rules); diff != "" {
		t.Error(diff)
	}
	unknown := &snmp.Notification{TrapOID: []byte(snmp.MustOID("1.3.6.1.4.1.32473.99.0.1")), Varbinds: []snmp.Varbind{
		bind("1.3.6.1.4.1.32473.99.1.1.7", snmp.TagInteger, "\x02"), bind("1.3.6.1.4.1.32473.99.2.0", snmp.TagOctetString, "x")}}
	want = `# A draft. Read every line before it goes live.
rules:
  # nothing in the MIB looks like its end; if there is one, make it a raise and write the clear
  - name: "trap 1.3.6.1.4.1.32473.99.0.1"
    on: 1.3.6.1.4.1.32473.99.0.1   # trap 1.3.6.1.4.1.32473.99.0.1
    observe:
      - point: trap-1-3-6-1-4-1-32473-99-0-1
        instance: "${1.3.6.1.4.1.32473.99.1.1.index}"   # the row, so that each has its own alarm: varbind 1
        what: event
        text: "${point.name}: varbind 1 ${1.3.6.1.4.1.32473.99.1.1}, varbind 2 ${1.3.6.1.4.1.32473.99.2}"
`
	if diff := cmp.Diff(want, Sketch(unknown, Standard(), DraftOptions{}).Rules); diff != "" {
		t.Error(diff)
	}
}
