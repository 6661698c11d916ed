package mib

import (
	"fmt"
	"os"
	"strings"
	"testing"
	"testing/fstest"

	"github.com/google/go-cmp/cmp"
)

func readAll(t testing.TB, folder string) (*Library, []Problem) {
	t.Helper()
	return ReadFolder(os.DirFS(folder), nil)
}

func TestClean(t *testing.T) {
	lib, problems := readAll(t, "testdata/clean")
	for _, p := range problems {
		t.Error(p)
	}
	var got []string
	for _, o := range lib.Objects {
		line := fmt.Sprintf("%s %s %d", o.Name, strings.TrimPrefix(o.OID.String(), "1.3.6.1.4.1.32473"), o.Class)
		for _, part := range []string{o.Syntax, o.Hint, o.Units, strings.Join(o.Objects, ",")} {
			if part != "" {
				line += " " + part
			}
		}
		for _, w := range o.Words {
			line += fmt.Sprintf(" %s=%d", w.Word, w.Number)
		}
		if o.Bits {
			line += " bits"
		}
		if o.Column {
			line += " column"
		}
		got = append(got, line)
	}
	want := strings.Split(strings.TrimSpace(`
documents  1
oldRemote .61 1
oldObjects .61.1 1
oldContactNumber .61.1.1 2 INTEGER
oldContactState .61.1.2 2 INTEGER open=1 closed=2
oldContactOpen .61.0.1 3 oldContactNumber
oldContactClosed .61.0.2 3 oldContactNumber
oldPolled .61.0.7 3
sallowPlant .60 1
plantNotifications .60.0 1
plantObjects .60.1 1
plantConformance .60.2 1
plantKinds .60.1.9 1
plantTable .60.1.1 1 SEQUENCE
plantEntry .60.1.1.1 1 PlantEntry
plantIndex .60.1.1.1.1 2 Integer32 column
plantVoltage .60.1.1.1.2 2 DeciVolt d-1 volts column
plantBreaker .60.1.1.1.3 2 PlantState normal=1 alarm=2 testing=3 column
plantName .60.1.1.1.4 2 DisplayString 255a column
plantFlags .60.1.1.1.5 2 BITS tripped=0 testing=1 locked=2 bits column
plantCurrent .60.1.1.1.6 2 Gauge32 amperes column
plantSelected .60.1.1.1.7 2 TruthValue true=1 false=2 column
plantBreakerChange .60.0.1 3 plantBreaker,plantVoltage
plantRectifierFailed .60.0.2 3 plantVoltage
plantRectifierRestored .60.0.3 3 plantVoltage
plantVisited .60.0.4 3 plantName
plantGroup .60.2.1 1
plantNotificationGroup .60.2.2 1
plantCompliance .60.2.3 1`), "\n")
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
	if o := lib.Names.byName["sallowPlant"]; o.Description != "Power plant of an unattended site. -- not a comment --" || o.Line != 12 {
		t.Errorf("got %q in line %d", o.Description, o.Line)
	}
}

// module wraps a module's body for the tests below.
func module(body string) string { return "T-MIB DEFINITIONS ::= BEGIN\n" + body + "\nEND\n" }

// TestDirty has what vendors' texts are like. want lists "name oid" of what is
// still read, problems what is said.
func TestDirty(t *testing.T) {
	const object = " OBJECT-TYPE SYNTAX INTEGER ACCESS read-only STATUS mandatory DESCRIPTION \"d\" ::= "
	cases := []struct {
		name, text     string
		want, problems []string
	}{
		{"comment within a list", module("a OBJECT-TYPE SYNTAX INTEGER { x(1), -- one -- y(2) } ::= { enterprises 1 }"),
			[]string{"a 1.3.6.1.4.1.1 x=1 y=2"}, nil},
		{"rule of hyphens", module("-----------\n--- Title -- still title\n-- odd ---\na" + object + "{ enterprises 1 }"),
			[]string{"a 1.3.6.1.4.1.1"}, nil},
		{"label that begins with a digit, underscores", module("a_b OBJECT-TYPE SYNTAX INTEGER { 2nd(2), third_one(3) } ::= { enterprises 1 }"),
			[]string{"a_b 1.3.6.1.4.1.1 2nd=2 third_one=3"}, nil},
		{"two modules in a file", module("a"+object+"{ enterprises 1 }") + "U-MIB DEFINITIONS ::= BEGIN IMPORTS a FROM T-MIB; b" + object + "{ a 2 } END",
			[]string{"a 1.3.6.1.4.1.1", "b 1.3.6.1.4.1.1.2"}, nil},
		{"Latin-1 in a description", module("a OBJECT-TYPE SYNTAX INTEGER DESCRIPTION \"T\xfcr\" ::= { enterprises 1 }"),
			[]string{"a 1.3.6.1.4.1.1"}, nil},
		{"doubled quotes", module("a OBJECT-TYPE SYNTAX INTEGER DESCRIPTION \"say \"\"x\"\" now\" ::= { enterprises 1 }"),
			[]string{"a 1.3.6.1.4.1.1"}, nil},
		{"missing import", module("IMPORTS acme, acmeThing FROM ACME-MIB enterprises FROM RFC1155-SMI; a" + object + "{ acme 1 }\nb" + object + "{ enterprises 2 }"),
			[]string{"b 1.3.6.1.4.1.2"}, []string{"f:2: module ACME-MIB is imported and not there; from it are wanted: acme, acmeThing",
				"f:2: a hangs under acme, which is defined nowhere"}},
		{"imports without semicolon", module("IMPORTS enterprises FROM RFC1155-SMI\na" + object + "{ enterprises 1 }"),
			[]string{"a 1.3.6.1.4.1.1"}, []string{"f:3: the list of imports lacks its semicolon"}},
		{"not imported", module("a"+object+"{ enterprises 1 }") + "U-MIB DEFINITIONS ::= BEGIN b" + object + "{ a 2 } END",
			[]string{"a 1.3.6.1.4.1.1", "b 1.3.6.1.4.1.1.2"}, []string{"f:4: a is not imported; taken from T-MIB"}},
		{"hangs under itself", module("a" + object + "{ b 1 }\nb" + object + "{ c 1 }\nc" + object + "{ a 1 }\nd" + object + "{ d 1 }"),
			nil, []string{"f:2: a hangs under itself", "f:5: d hangs under itself"}},
		{"string not closed", module("a OBJECT-TYPE SYNTAX INTEGER DESCRIPTION \"oops\n ::= { enterprises 1 }\nb OBJECT-TYPE SYNTAX INTEGER DESCRIPTION \"fine\" ::= { enterprises 2 }"),
			[]string{"a 1.3.6.1.4.1.1", "b 1.3.6.1.4.1.2"}, []string{"f:2: a string is not closed; taken to end before the next ::="}},
		{"definition cut short", module("a OBJECT-TYPE SYNTAX INTEGER { x(1), y(2)\nb" + object + "{ enterprises 2 }"),
			[]string{"b 1.3.6.1.4.1.2"}, []string{"f:2: a list of words is not closed", "f:2: a has no ::="}},
		{"identifier not closed", module("a OBJECT IDENTIFIER ::= { enterprises 1\nb" + object + "{ enterprises 2 }"),
			[]string{"a 1.3.6.1.4.1.1", "b 1.3.6.1.4.1.2"}, []string{"f:3: an object identifier is not closed"}},
		{"no END", "T-MIB DEFINITIONS ::= BEGIN a" + object + "{ enterprises 1 }",
			[]string{"a 1.3.6.1.4.1.1"}, []string{"f:1: module T-MIB has no END"}},
		{"garbage between", module("a" + object + "{ enterprises 1 } @ foo ;\nb" + object + "{ enterprises 2 }"),
			[]string{"a 1.3.6.1.4.1.1", "b 1.3.6.1.4.1.2"}, []string{`f:2: "@" begins no definition`, `f:2: "foo" begins no definition`}},
		{"number too large", module("a" + object + "{ enterprises 4294967296 }"),
			nil, []string{"f:2: 4294967296 is no number of an object identifier (RFC 2578 section 3.5)", "f:2: a has no object identifier"}},
		{"twice", module("a" + object + "{ enterprises 1 }\na" + object + "{ enterprises 2 }"),
			[]string{"a 1.3.6.1.4.1.1"}, []string{"f:3: a is defined already in line 2"}},
		{"generic trap of RFC 1215", module("IMPORTS snmp FROM RFC1213-MIB; linkUp TRAP-TYPE ENTERPRISE snmp ::= 3"),
			[]string{"linkUp 1.3.6.1.6.3.1.1.5.4"}, nil},
		{"trap without an enterprise", module("t TRAP-TYPE DESCRIPTION \"d\" ::= 3"), nil, []string{"f:2: t has no ENTERPRISE"}},
		{"roots by name and number", module("a OBJECT IDENTIFIER ::= { iso org(3) dod(6) internet(1) private(4) 1 7 }\nb OBJECT IDENTIFIER ::= { 1 3 6 }\nc OBJECT IDENTIFIER ::= { iso(1) 3 9 }"),
			[]string{"a 1.3.6.1.4.1.7", "b 1.3.6", "c 1.3.9"}, nil},
		{"types that go in a circle", module("X ::= Y Y ::= X\na OBJECT-TYPE SYNTAX X ::= { enterprises 1 }"), []string{"a 1.3.6.1.4.1.1"}, nil},
		{"notification of nothing known", module("n NOTIFICATION-TYPE OBJECTS { ghost } STATUS current DESCRIPTION \"d\" ::= { enterprises 1 0 1 }"),
			[]string{"n 1.3.6.1.4.1.1.0.1"}, []string{"f:2: n carries ghost, which is defined nowhere"}},
		{"no module at all", "Dear customer, thank you.", nil, []string{"f: holds no MIB module (NAME DEFINITIONS ::= BEGIN)"}},
		{"nothing", "", nil, []string{"f: holds no MIB module (NAME DEFINITIONS ::= BEGIN)"}},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			modules, problems := Read("f", []byte(c.text))
			lib, more := Resolve(modules, nil)
			var got, said []string
			for _, o := range lib.Objects {
				line := o.Name + " " + o.OID.String()
				for _, w := range o.Words {
					line += fmt.Sprintf(" %s=%d", w.Word, w.Number)
				}
				got = append(got, line)
			}
			for _, p := range append(problems, more...) {
				said = append(said, p.Error())
			}
			if diff := cmp.Diff(c.want, got); diff != "" {
				t.Errorf("objects: %s", diff)
			}
			if diff := cmp.Diff(c.problems, said); diff != "" {
				t.Errorf("problems: %s", diff)
			}
		})
	}
}

// TestVendorKeepsItsPlace: a private MIB must not take the place of a standard
// name that the packs rely on.
func TestVendorKeepsItsPlace(t *testing.T) {
	modules, _ := Read("f", []byte(module("linkDown NOTIFICATION-TYPE STATUS current DESCRIPTION \"ours\" ::= { enterprises 1 0 1 }")))
	lib, _ := Resolve(modules, nil)
	if oid, _ := lib.Names.Lookup("linkDown"); oid.String() != "1.3.6.1.6.3.1.1.5.3" {
		t.Errorf("linkDown is %s", oid)
	}
	if oid, _ := lib.Names.Lookup("T-MIB::linkDown"); oid.String() != "1.3.6.1.4.1.1.0.1" {
		t.Errorf("T-MIB::linkDown is %s", oid)
	}
}

func TestReadFolder(t *testing.T) {
	lib, problems := ReadFolder(fstest.MapFS{
		"a/T.mib":     {Data: []byte(module("a OBJECT IDENTIFIER ::= { enterprises 1 }"))},
		"README":      {Data: []byte("Put MIBs here.")},
		"b/wrong.mib": {Data: []byte("no module")},
		".hidden.mib": {Data: []byte("no module")},
		"c/T.mib":     {Data: []byte(module("a OBJECT IDENTIFIER ::= { enterprises 2 }"))},
	}, nil)
	if len(lib.Objects) != 1 {
		t.Errorf("got %d objects", len(lib.Objects))
	}
	want := []Problem{{"b/wrong.mib", 0, "holds no MIB module (NAME DEFINITIONS ::= BEGIN)"},
		{"c/T.mib", 1, "module T-MIB was read already from a/T.mib; this one is passed over"}}
	if diff := cmp.Diff(want, problems); diff != "" {
		t.Error(diff)
	}
}

// hostile are texts made to make a reader slow.
func hostile(n int) map[string]string {
	return map[string]string{
		"quotes":        strings.Repeat(`"`, n),
		"open quotes":   module(strings.Repeat("a OBJECT-TYPE DESCRIPTION \"\n::= { b 1 }\n", n/40)),
		"quote pairs":   module(strings.Repeat("\"\n::= \" x ", n/9)),
		"braces":        module("a OBJECT IDENTIFIER ::= " + strings.Repeat("{", n)),
		"parentheses":   module("X ::= INTEGER " + strings.Repeat("(", n)),
		"brackets":      module("X ::= " + strings.Repeat("[", n)),
		"hyphens":       strings.Repeat("-", n),
		"comments":      strings.Repeat("--x--", n/5),
		"apostrophes":   strings.Repeat("'x ", n/3),
		"modules":       strings.Repeat("A DEFINITIONS ::= BEGIN ", n/24),
		"no END":        strings.Repeat("X ::= TEXTUAL-CONVENTION ", n/25),
		"chain":         module("a0 OBJECT IDENTIFIER ::= { enterprises 1 }\n" + chain(n/44)),
		"imports":       module("IMPORTS " + strings.Repeat("x FROM y ", n/9)),
		"words":         module("X ::= INTEGER { " + strings.Repeat("a(1),", n/5)),
		"macros":        module(strings.Repeat("a OBJECT-TYPE ", n/14)),
		"same name":     module(strings.Repeat("a OBJECT IDENTIFIER ::= { a 1 }\n", n/32)),
		"object lists":  module(strings.Repeat("n NOTIFICATION-TYPE OBJECTS { ", n/30)),
		"circular type": module("X ::= X " + strings.Repeat("a OBJECT-TYPE SYNTAX X ::= { iso 1 }", n/36)),
	}
}

func chain(n int) string {
	var b strings.Builder
	for i := range n {
		fmt.Fprintf(&b, "a%d OBJECT IDENTIFIER ::= { a%d 1 }\n", n-i, n-i-1)
	}
	return b.String()
}

// TestHostile reads texts so large that anything worse than linear would run
// into the test's time limit rather than take a second.
func TestHostile(t *testing.T) {
	for name, text := range hostile(300_000) {
		t.Run(name, func(t *testing.T) {
			modules, problems := Read("f", []byte(text))
			_, more := Resolve(modules, nil)
			if len(problems)+len(more) == 0 && name != "comments" && name != "circular type" && name != "chain" {
				t.Error("nothing was found wrong")
			}
		})
	}
}

func FuzzRead(f *testing.F) {
	for _, file := range []string{"testdata/clean/SALLOW-PLANT-MIB.mib", "testdata/clean/OLD-REMOTE-MIB.mib", "testdata/base/SNMPv2-TC"} {
		text, err := os.ReadFile(file)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(text)
	}
	for _, text := range hostile(60) {
		f.Add([]byte(text))
	}
	known := Standard()
	f.Fuzz(func(t *testing.T, text []byte) {
		modules, problems := Read("f", text)
		lib, more := Resolve(modules, known)
		if len(modules) == 0 && len(problems) == 0 {
			t.Error("nothing was read and nothing was said")
		}
		for _, p := range append(problems, more...) {
			if p.Line < 0 || p.Line > 1+strings.Count(string(text), "\n") {
				t.Errorf("a problem in line %d of %d: %s", p.Line, strings.Count(string(text), "\n"), p.What)
			}
		}
		Draft(lib, DraftOptions{})
	})
}
