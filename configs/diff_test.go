package configs_test

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"example.net/standwatch/configs"
)

const diffBefore = `
sites:
  one:
    agents: {one-remote: {addresses: 192.0.2.1, community: field}}
    points:
      door: {severity: minor}
      volts: {kind: analog, limits: {low: {at: 47, severity: minor}}}
      gone: {severity: minor}
      same: {severity: minor}
  two: {points: {door: {severity: minor}}}
`

const diffAfter = `
# a comment moves all lines
sites:
  one:
    crew: north
    agents: {one-remote: {addresses: 192.0.2.7, community: field}}
    points:
      door: {severity: major, alarm: Open}
      volts: {kind: analog, limits: {low: {at: 47, severity: major}}}
      new: {severity: minor}
      same: {severity: minor}
  three: {points: {door: {severity: minor}}, agents: {three-remote: {addresses: 192.0.2.3}}}
`

func TestDiff(t *testing.T) {
	before := mustLoad(t, with(map[string]string{"sites/one.yaml": diffBefore}))
	after := mustLoad(t, with(map[string]string{"sites/one.yaml": diffAfter}))
	want := "1 site added, 1 site removed, 1 site changed, 1 point added, 1 point removed, 1 point changed, 2 severities changed, 1 agent added, 1 agent changed"
	if got := configs.Diff(before, after).String(); got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
	wantLines := strings.Split(`site added: three
site removed: two
site changed: one
point added: one:new
point removed: one:gone
point changed: one:door: alarm word "Open", was ""
severity changed: one:door from minor to major
severity changed: one:volts from minor to major
agent added: three-remote
agent changed: one-remote`, "\n")
	if diff := cmp.Diff(wantLines, configs.Diff(before, after).Lines(10)); diff != "" {
		t.Errorf("lines (-want +got):\n%s", diff)
	}
	if got := configs.Diff(nil, after); len(got.SitesAdded) != 3 || !got.Restart {
		t.Errorf("from nothing: %s", got)
	}
}

func TestDiffLooksPastPositions(t *testing.T) {
	before := mustLoad(t, base())
	for name, c := range map[string]struct {
		file, text, want string
	}{
		"nothing":   {"people.yaml", "\n\n# moved\nroutes:\n  - {name: all, board-only: yes}\n", "nothing changed"},
		"people":    {"people.yaml", "routes:\n  - {name: everything, board-only: yes}\n", "people, gateways, rosters, ladders, routes or shifts changed"},
		"shifts":    {"people.yaml", "shifts: {day: {from: '06:00', to: '18:00'}}\nroutes:\n  - {name: all, board-only: yes}\n", "people, gateways, rosters, ladders, routes or shifts changed"},
		"rules":     {"rules/own.yaml", "use: snmpv2\n", "rules changed"},
		"listeners": {"standwatch.yaml", "security:\n  communities: {field: '${env:COMMUNITY}'}\ntraps:\n  listeners:\n    field: {address: '127.0.0.2:0', community: field}\n", "listeners, store, console or forward changed (needs a restart)"},
	} {
		after, problems := configs.Load(t.Context(), with(map[string]string{c.file: c.text}), testOptions())
		if after == nil {
			t.Errorf("%s: %v", name, problems)
			continue
		}
		if got := configs.Diff(before, after).String(); got != c.want {
			t.Errorf("%s: got %q, want %q", name, got, c.want)
		}
	}
}

func TestNearest(t *testing.T) {
	words := []string{"severity", "raise-after", "name", "major", "minor", "re-alarm"}
	for text, want := range map[string]string{"majr": "major", "minro": "minor", "raise_after": "raise-after", "raiseafter": "raise-after", "NAME": "name",
		"svrty": "", "realarm": "re-alarm", "colour": "", "": ""} {
		if got := configs.NearestForTest(text, words); got != want {
			t.Errorf("nearest to %q: %q, want %q", text, got, want)
		}
	}
	for _, c := range []struct {
		a, b string
		want int
	}{{"", "abc", 3}, {"abc", "abc", 0}, {"acb", "abc", 1}, {"kitten", "sitting", 3}} {
		if got := configs.DistanceForTest([]rune(c.a), []rune(c.b), 9); got != c.want {
			t.Errorf("distance of %q and %q: %d, want %d", c.a, c.b, got, c.want)
		}
	}
}
