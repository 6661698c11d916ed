package configs_test

import (
	"context"
	"testing"
	"testing/fstest"
	"time"

	"example.net/standwatch/configs"
	"example.net/standwatch/correlate"
)

// silencesConfig has one of everything that the engine is told about silences,
// derived points, readings and paths.
func silencesConfig() fstest.MapFS {
	fsys := base()
	fsys["maintenance.yaml"] = &fstest.MapFile{Data: []byte(`
windows:
  test-run: {reason: generator test, by: power crew, tags: generator, points: [mains, "string:2"], start: 2026-01-06, at: "02:30", lasts: 2h, rule: FREQ=WEEKLY}
  mast-work: {reason: mast work, by: north crew, agents: one-remote, points: [one/mains], from: "2026-07-01 08:00", to: "2026-07-01 16:00"}
`)}
	fsys["sites/one.yaml"] = &fstest.MapFile{Data: []byte(`
sites:
  one:
    time-zone: Europe/Zurich
    tags: [generator]
    agents:
      one-remote: {addresses: [192.0.2.1, "2001:db8::1"], community: field, path-silence: 30m}
    points:
      alive: {kind: alive, severity: major}
      path: {kind: alive, severity: minor}
      mains: {severity: major, flap: count-only}
      string: {severity: minor}
      running: {severity: indeterminate}
      light: {severity: critical, regulated: yes, flap: on}
      temp: {kind: analog, unit: °C, severity: minor, rate: {rise: 8, within: 10m, dead-band: 2, severity: major}, stuck: {after: 6h, by: 0.05}}
      no-power: {kind: derived, severity: critical, raise-after: 90s, when: 'stands["mains"] && !stands["running"]'}
`)}
	return fsys
}

func TestSilencesFromFiles(t *testing.T) {
	cfg, problems := configs.Load(context.Background(), silencesConfig(), testOptions())
	if problems.Mistakes() {
		t.Fatal(problems)
	}
	windows := cfg.Network.Windows()
	if len(windows) != 2 || windows[0].Reason != "generator test" || windows[0].By != "power crew" || len(windows[0].Scopes) != 2 || windows[0].ConfiguredAt != "maintenance.yaml:3" {
		t.Fatalf("windows %+v", windows)
	}
	if got, want := windows[0].Scopes[1], (correlate.Scope{Tag: "generator", Point: "string", Instance: "2"}); got != want {
		t.Errorf("scope %+v, want %+v", got, want)
	}
	// The site's clock, in winter and in summer.
	for day, want := range map[string]string{"2026-01-12": "2026-01-13T01:30:00Z", "2026-06-29": "2026-06-30T00:30:00Z"} {
		at, err := time.Parse(time.DateOnly, day)
		if err != nil {
			t.Fatal(err)
		}
		from, until, ok := windows[0].When(at)
		if !ok || from.UTC().Format(time.RFC3339) != want || until.Sub(from) != 2*time.Hour {
			t.Errorf("after %s: from %v to %v, want %s", day, from, until, want)
		}
	}
	if from, _, ok := windows[1].When(time.Date(2026, 7, 1, 12, 0, 0, 0, time.UTC)); !ok || from.UTC().Hour() != 6 {
		t.Errorf("once: %v, %v", from, ok)
	}
	if _, _, ok := windows[1].When(time.Date(2026, 7, 1, 14, 0, 0, 0, time.UTC)); ok {
		t.Error("a window that is over comes again")
	}
	agent := cfg.Network.Agent("one-remote")
	if agent.PathAllowed != 30*time.Minute || agent.PathPoint != "path" || len(agent.Paths) != 2 || agent.Paths[1] != "2001:db8::1" {
		t.Errorf("paths %+v", agent)
	}
}

// TestConfiguredPointsDecide puts the configured points through the engine:
// count-only and regulated points are never suppressed, and a derived point
// rises by itself.
func TestConfiguredPointsDecide(t *testing.T) {
	cfg, problems := configs.Load(context.Background(), silencesConfig(), testOptions())
	if problems.Mistakes() {
		t.Fatal(problems)
	}
	eng := correlate.NewEngine(cfg.Network, correlate.NewState())
	now := time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)
	seq := correlate.Seq(0)
	apply := func(in correlate.Input) {
		seq++
		eng.Apply(&correlate.Record{Seq: seq, At: now, Input: in})
	}
	say := func(point correlate.PointID, what correlate.What) {
		apply(&correlate.Notice{Observations: []correlate.Observation{{Key: correlate.Key{Site: "one", Point: point}, What: what}}})
		now = now.Add(5 * time.Second)
	}
	for range 5 {
		for _, id := range []correlate.PointID{"mains", "light"} {
			say(id, correlate.Raise)
			say(id, correlate.Clear)
		}
	}
	for _, id := range []correlate.PointID{"mains", "light"} {
		a := eng.State().Alarms[correlate.Key{Site: "one", Point: id}]
		if a.Flapping || a.Episodes != 5 || a.OverCut == 0 {
			t.Errorf("%s: flapping %v, %d episodes, %d over the cut; want every rise told and some counted", id, a.Flapping, a.Episodes, a.OverCut)
		}
	}
	say("mains", correlate.Raise)
	now = now.Add(90 * time.Second)
	apply(&correlate.Tick{})
	if a := eng.State().Alarms[correlate.Key{Site: "one", Point: "no-power"}]; a == nil || !a.Standing || a.Severity != correlate.Critical {
		t.Errorf("mains failed and the generator does not run: %+v", a)
	}
}
