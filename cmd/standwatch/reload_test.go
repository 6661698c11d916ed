package main

import (
	"bytes"
	"strings"
	"testing"
)

// TestReloadTells: a reload says what changed and what that did to standing
// alarms, to whoever asked, in the history and on its page; and one with a
// mistake changes nothing and says so.
func TestReloadTells(t *testing.T) {
	m := startMaster(t, gullFiles)
	m.write("sites/more.yaml", "points: {gull-rock: {mains: {number: 1, severity: minor}, hatch: {number: 3, severity: minor}}}\n")
	if err := m.reload(t.Context()); err != nil {
		t.Fatal(err)
	}
	for _, n := range []string{"1", "2", "3"} {
		m.send("127.9.3.1", "--trap", "1.3.6.1.4.1.32473.10.0.1", "--varbind", "1.3.6.1.4.1.32473.10.2.1.1."+n+"=int:"+n, "--varbind", "1.3.6.1.4.1.32473.10.2.1.2."+n+"=int:1")
	}
	m.send("127.9.3.1", "--trap", gullFailed)
	m.until("three alarms stand", func() bool { return len(m.alarms("standing")) == 3 })
	m.unmatchedOf(1)

	m.write("sites/more.yaml", "points: {gull-rock: {mains: {number: 1, severity: critical, alarm: Mains failed}, fan: {severity: minor}}}\n")
	m.write("rules/own.yaml", "rules:\n  - {name: failed, on: gullMainsFailed, observe: [{point: mains, what: raise}]}\n")
	var out bytes.Buffer
	if code := run([]string{"reload", "--data", m.daemon.dir}, &out, &out); code != exitGood {
		t.Fatalf("exit code %d\n%s", code, &out)
	}
	for _, want := range []string{
		"In force: 1 point added, 1 point removed, 1 point changed, 1 severity changed, rules changed.",
		"point added: gull-rock:fan",
		"point removed: gull-rock:hatch",
		`point changed: gull-rock:mains: alarm word "Mains failed", was ""`,
		"severity changed: gull-rock:mains from minor to critical",
		"closed, since their points were removed: gull-rock:hatch",
		"standing on with another severity, that of their points: gull-rock:mains from minor to critical",
		"Something would come now of 1 trap",
	} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("the report lacks %q:\n%s", want, &out)
		}
	}
	if got := m.alarms("standing"); len(got) != 2 {
		t.Errorf("standing: %v", got)
	}
	if got := m.alarms("standing")["gull-rock:mains"].Severity; got != "critical" {
		t.Errorf("the board shows severity %s, want critical", got)
	}
	page := m.page("/history")
	for _, want := range []string{"changed with the configuration", "1 point removed", "closed, since their points were removed: gull-rock:hatch", "point removed"} {
		if !strings.Contains(page, want) {
			t.Errorf("the history page lacks %q", want)
		}
	}

	m.write("sites/more.yaml", "points: {gull-rock: {mains: {severity: dreadful}}}\n")
	out.Reset()
	if code := run([]string{"reload", "--data", m.daemon.dir}, &out, &out); code != exitProblems || !strings.Contains(out.String(), `unknown severity "dreadful"`) || !strings.Contains(out.String(), "the old one stays in force") {
		t.Errorf("exit code %d\n%s", code, &out)
	}
	if got := m.alarms("standing"); len(got) != 2 {
		t.Errorf("a reload with a mistake changed the board: %v", got)
	}
}
