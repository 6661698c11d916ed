package main

import (
	"bytes"
	"context"
	"encoding/json"
	"maps"
	"net/netip"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"github.com/rs/zerolog"

	"example.net/standwatch/cmd/standwatch/rehearse"
	"example.net/standwatch/configs"
	"example.net/standwatch/correlate"
	"example.net/standwatch/receiver"
	"example.net/standwatch/receiver/snmp"
	"example.net/standwatch/store"
	"example.net/standwatch/store/ledger"
)

// rehearsedFiles is the centre of the trials with call-outs, with a rule for
// each point and a sender. change replaces text of it.
func rehearsedFiles(change ...string) map[string]string {
	files := maps.Clone(calledFiles)
	files["standwatch.yaml"] = strings.Replace(files["standwatch.yaml"], "allow: 127.0.0.0/8}}}", "allow: 127.0.0.0/8, community: trial}}}\nsecurity: {communities: {trial: \"${env:SECRET}\"}}", 1)
	files["sites/sites.yaml"] += "    agents: {harrow-knoll-remote: {addresses: 127.9.60.1, community: trial}}\n"
	files["rules/rules.yaml"] = `
rules:
  - {name: door open, on: 1.3.6.1.4.1.32473.20.0.1, observe: [{point: door, what: raise}]}
  - {name: door closed, on: 1.3.6.1.4.1.32473.20.0.2, observe: [{point: door, what: clear}]}
`
	for name, text := range files {
		files[name] = strings.NewReplacer(change...).Replace(text)
	}
	return files
}

func loadRehearsed(t testing.TB, change ...string) *configs.Config {
	t.Helper()
	files := fstest.MapFS{}
	for name, text := range rehearsedFiles(change...) {
		files[name] = &fstest.MapFile{Data: []byte(text)}
	}
	env := map[string]string{"SMS": "http://127.0.0.1:1", "SECRET": gatewaySecret, "OTHER": "another community"}
	cfg, problems := configs.Load(t.Context(), files, configs.Options{Env: func(name string) (string, bool) { v, ok := env[name]; return v, ok }})
	if problems.Mistakes() {
		t.Fatal(problems)
	}
	return cfg
}

// sender makes arrivals as the receiver would under a configuration.
func sender(t testing.TB, cfg *configs.Config, id store.Identity) func(n int) *correlate.Arrival {
	t.Helper()
	deaf, err := receiver.NewDeaf(receiver.Options{Config: cfg.Receiver, Identity: receiver.Identity{EngineID: id.EngineID, Boots: id.Boots}, Now: time.Now, Log: zerolog.Nop()})
	if err != nil {
		t.Fatal(err)
	}
	return func(n int) *correlate.Arrival {
		trap := snmp.MustOID("1.3.6.1.4.1.32473.20.0." + strconv.Itoa(n))
		build := snmp.Build{Version: snmp.V2c, Community: gatewaySecret, TrapOID: trap}
		datagram, err := build.Append(nil)
		if err != nil {
			t.Fatal(err)
		}
		again, err := deaf.Again(&correlate.Arrival{Datagram: datagram, From: netip.MustParseAddrPort("127.9.60.1:1024").String(), Listener: "field", Version: "v2c", Origin: "127.9.60.1", TrapOID: trap.String()})
		if err != nil {
			t.Fatal(err)
		}
		return again.Arrival
	}
}

// journal lets a ledger decide, under a configuration, about a door that opens
// for ten seconds eight times within eight minutes, then for an hour until
// somebody takes it, and about a notification that no rule knows.
func journal(t testing.TB, dir string, cfg *configs.Config) {
	t.Helper()
	at := time.Date(2026, 11, 25, 8, 0, 0, 0, time.UTC)
	now := func() time.Time { return at }
	s, err := store.Open(dir, store.Options{Now: now, Log: zerolog.Nop()})
	if err != nil {
		t.Fatal(err)
	}
	arrive := sender(t, cfg, s.Identity())
	engine, seq := correlate.NewEngine(cfg.Network, correlate.NewState()), correlate.Seq(0)
	// A ledger's steps, by its own deciding function and store, at times of the test.
	decide := func(in correlate.Input) *correlate.Record {
		r := &correlate.Record{Seq: seq + 1, At: at, Input: in}
		if !ledger.Decide(engine, cfg.Plan, r) {
			return r
		}
		if err := s.Append([]*correlate.Record{r}); err != nil {
			t.Fatal(err)
		}
		seq++
		return r
	}
	take := func() {
		for _, m := range engine.State().Waiting() {
			decide(&correlate.Delivery{Message: m.ID, Outcome: correlate.Accepted})
		}
	}
	pass := func(d time.Duration) {
		for end := at.Add(d); ; {
			due, ok := engine.NextDue()
			if !ok || due.After(end) {
				at = end
				return
			}
			if due.After(at) {
				at = due
			}
			at = at.Add(3 * time.Millisecond) // a ledger is a little late
			decide(&correlate.Tick{})
			take()
		}
	}
	hear := func(n int) { decide(arrive(n)); take() }
	decide(&correlate.Start{Version: "test", Hash: cfg.Network.Hash()})
	for range 8 {
		pass(50 * time.Second)
		hear(1)
		pass(10 * time.Second)
		hear(2)
	}
	hear(3)
	pass(5 * time.Hour)
	hear(1)
	pass(12 * time.Minute)
	decide(&correlate.Act{Key: correlate.Key{Site: "harrow-knoll", Point: "door"}, Action: correlate.ActAcknowledge, Actor: "north", Via: "console"})
	take()
	pass(time.Hour)
	hear(2)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
}

func rehearsed(t testing.TB, dir string, cfg *configs.Config, from time.Time) *rehearse.Result {
	t.Helper()
	s, err := store.Open(dir, store.Options{ReadOnly: true, Log: zerolog.Nop()})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	again, err := againOf(cfg, s.Identity())
	if err != nil {
		t.Fatal(err)
	}
	r, err := rehearseStore(t.Context(), s, rehearse.Options{Network: cfg.Network, Climber: cfg.Plan, Again: again, From: from, Zone: cfg.Centre.Zone})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// TestRehearse: the configuration that was in force changes nothing, and others
// what they say.
func TestRehearse(t *testing.T) {
	dir := t.TempDir()
	journal(t, dir, loadRehearsed(t))
	text := func(r *rehearse.Result) string {
		var b bytes.Buffer
		if err := rehearse.WriteText(&b, r); err != nil {
			t.Fatal(err)
		}
		return b.String()
	}
	t.Run("the same", func(t *testing.T) {
		r := rehearsed(t, dir, loadRehearsed(t), time.Time{})
		if !r.Same() || r.Messages.Before == 0 || r.Messages.Before != r.Messages.After || r.Episodes.Before != r.Episodes.After || r.Flapping.Before != 1 || r.Flapping.After != 1 ||
			r.Turns.Before != r.Turns.After || r.Unmatched != (rehearse.Pair{Before: 1, After: 1}) || r.Sealed+r.Refused != 0 || len(r.NeverSpoke) != 1 || r.NeverSpoke[0] != "harrow-knoll/mains" {
			t.Errorf("%+v\n%s", r, text(r))
		}
	})
	t.Run("the same, later", func(t *testing.T) {
		r := rehearsed(t, dir, loadRehearsed(t), time.Date(2026, 11, 25, 8, 3, 30, 0, time.UTC))
		if !r.Same() || r.Messages.Before == 0 || r.Messages.Before != r.Messages.After {
			t.Errorf("%s", text(r))
		}
	})
	t.Run("flapping not suppressed", func(t *testing.T) {
		r := rehearsed(t, dir, loadRehearsed(t, "severity: minor", "severity: minor, flap: off"), time.Time{})
		if r.Same() || r.Flapping.After != 0 || r.Turns.After != 0 || r.Episodes.After != 9 || r.Messages.After <= r.Messages.Before {
			t.Errorf("%+v\n%s", r, text(r))
		}
	})
	t.Run("a delay", func(t *testing.T) {
		r := rehearsed(t, dir, loadRehearsed(t, "severity: minor", "severity: minor, raise-after: 30s"), time.Time{})
		if r.Episodes.After != 1 || len(r.Alarms) != 1 || r.Alarms[0].ID != "harrow-knoll:door" || r.Alarms[0].GoneCount != r.Episodes.Before-1 || r.Alarms[0].NewCount != 0 || r.Messages.After >= r.Messages.Before {
			t.Errorf("%+v\n%s", r, text(r))
		}
	})
	t.Run("a rule for what nothing came of", func(t *testing.T) {
		r := rehearsed(t, dir, loadRehearsed(t, "rules:\n", "rules:\n  - {name: mains, on: 1.3.6.1.4.1.32473.20.0.3, observe: [{point: mains, what: raise}]}\n"), time.Time{})
		if r.Unmatched.After != 0 || len(r.Left) != 0 || len(r.NeverSpoke) != 0 || len(r.Alarms) != 1 || r.Alarms[0].NewCount != 1 {
			t.Errorf("%+v\n%s", r, text(r))
		}
	})
	t.Run("who may not speak any more", func(t *testing.T) {
		r := rehearsed(t, dir, loadRehearsed(t, "community: trial}}\n", "community: other}}\n", "{communities: {", "{communities: {other: \"${env:OTHER}\", "), time.Time{})
		if r.Refused != r.Notifications || r.Episodes.After != 0 || r.Messages.After != 0 {
			t.Errorf("%+v\n%s", r, text(r))
		}
	})
}

// TestRehearseCommand: the command writes each form, nothing into the folder,
// and says what to do about a folder that is in use.
func TestRehearseCommand(t *testing.T) {
	t.Setenv("SMS", "http://127.0.0.1:1")
	t.Setenv("SECRET", gatewaySecret)
	conf, dir := t.TempDir(), filepath.Join(t.TempDir(), "data")
	for name, text := range rehearsedFiles("severity: minor", "severity: minor, raise-after: 30s") {
		if err := os.MkdirAll(filepath.Dir(filepath.Join(conf, name)), 0o700); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(conf, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	journal(t, dir, loadRehearsed(t))
	call := func(args ...string) (int, string, string) {
		var out, complaint bytes.Buffer
		code := run(append([]string{"rehearse", "--config", conf}, args...), &out, &complaint)
		return code, out.String(), complaint.String()
	}
	if code, out, complaint := call("--data", dir); code != exitGood || !strings.Contains(out, "harrow-knoll:door") || !strings.Contains(out, "harrow-knoll/mains") {
		t.Errorf("%d %s\n%s", code, complaint, out)
	}
	var r rehearse.Result
	if code, out, complaint := call("--journal", dir, "--form", "json"); code != exitGood || json.Unmarshal([]byte(out), &r) != nil || r.Episodes.After != 1 {
		t.Errorf("%d %s\n%s", code, complaint, out)
	}
	if code, out, complaint := call("--data", dir, "--form", "html"); code != exitGood || strings.Count(out, "<svg") != 1 || strings.Count(out, `class="ground"`) != 2 || strings.Count(out, `class="bar"`) < 2 || !strings.HasSuffix(out, "</html>\n") {
		t.Errorf("%d %s\n%s", code, complaint, out)
	}
	if code, out, _ := call("--data", dir, "--from", "2026-11-26T00:00"); code != exitGood || !strings.Contains(out, "nothing in that time") {
		t.Errorf("%d\n%s", code, out)
	}
	for _, wrong := range [][]string{{}, {"--data", dir, "--form", "csv"}, {"--data", dir, "--from", "noon"}, {"--data", dir, "--from", "2026-11-26T00:00", "--to", "2026-11-25T00:00"}} {
		if code, _, _ := call(wrong...); code != exitUsage {
			t.Errorf("%v: exit code %d", wrong, code)
		}
	}
	s, err := store.Open(dir, store.Options{Log: zerolog.Nop()})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	if code, _, complaint := call("--data", dir); code != exitProblems || !strings.Contains(complaint, "standwatch backup") {
		t.Errorf("%d %s", code, complaint)
	}
}

// BenchmarkRehearse goes through a journal of STANDWATCH_REHEARSE records
// (10,000 when unset), nearly all of them notifications.
func BenchmarkRehearse(b *testing.B) {
	size := 10_000
	if text := os.Getenv("STANDWATCH_REHEARSE"); text != "" {
		var err error
		if size, err = strconv.Atoi(text); err != nil {
			b.Fatal(err)
		}
	}
	cfg, dir := loadRehearsed(b), b.TempDir()
	s, err := store.Open(dir, store.Options{Log: zerolog.Nop()})
	if err != nil {
		b.Fatal(err)
	}
	ctx, stop := context.WithCancel(b.Context())
	tended := make(chan error, 1)
	go func() { tended <- s.Tend(ctx) }()
	arrive := sender(b, cfg, s.Identity())
	at := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
	for seq := 0; seq < size; {
		var batch []*correlate.Record
		for ; seq < size && len(batch) < 1000; seq++ {
			at = at.Add(31 * time.Second) // a million in a year
			batch = append(batch, &correlate.Record{Seq: correlate.Seq(seq + 1), At: at, Input: arrive(1 + seq/100%2)})
		}
		if err := s.Append(batch); err != nil {
			b.Fatal(err)
		}
	}
	stop()
	if err := <-tended; err != nil {
		b.Fatal(err)
	}
	if err := s.Close(); err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		if r := rehearsed(b, dir, cfg, time.Time{}); r.Records != size {
			b.Fatalf("%d records", r.Records)
		}
	}
	b.ReportMetric(float64(size)*float64(b.N)/b.Elapsed().Seconds(), "records/s")
}
