package main

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/store"
)

// userCommand runs a user command and returns what it printed.
func userCommand(t *testing.T, want int, args ...string) string {
	t.Helper()
	var out bytes.Buffer
	if got := run(append([]string{"user"}, args...), &out, &out); got != want {
		t.Fatalf("user %v: exit code %d, want %d\n%s", args, got, want, &out)
	}
	return out.String()
}

// TestUserCommand does the same to a folder that no daemon has and to one that
// one has; both are in the journal, with who did it.
func TestUserCommand(t *testing.T) {
	password := filepath.Join(t.TempDir(), "password")
	if err := os.WriteFile(password, []byte(passphrase+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	g := newGuarded(t, nil)
	cold := filepath.Join(t.TempDir(), "data")
	for what, dir := range map[string]string{"stopped": cold, "running": g.d.dir} {
		at := []string{"--data", dir}
		do := func(want int, args ...string) string { t.Helper(); return userCommand(t, want, append(args, at...)...) }
		do(exitGood, "add", "boss", "--role", "administer", "--password-file", password)
		if out := do(exitGood, "add", "north-desk", "--role", "operate", "--region", "north", "--region", "south"); !strings.Contains(out, "shown this once: ") {
			t.Errorf("%s: add printed %q", what, out)
		}
		if out := do(exitProblems, "add", "north-desk"); !strings.Contains(out, "there is an account of that name") {
			t.Errorf("%s: a second of the same name: %q", what, out)
		}
		do(exitGood, "role", "north-desk", "supervise")
		do(exitProblems, "role", "north-desk", "king")
		do(exitGood, "scope", "north-desk", "--site", "harrow-knoll")
		do(exitGood, "password", "north-desk", "--password-file", password)
		token := strings.TrimSpace(do(exitGood, "token", "north-desk", "--for", "wall", "--days", "30"))
		if !strings.HasPrefix(token, "stw_") {
			t.Errorf("%s: token printed %q", what, token)
		}
		list := do(exitGood, "tokens")
		if strings.Contains(list, token) || !strings.Contains(list, "wall") {
			t.Errorf("%s: tokens printed %q", what, list)
		}
		id := strings.Fields(strings.Split(list, "\n")[1])[0]
		do(exitGood, "end-token", id)
		do(exitGood, "end-sessions", "north-desk")
		do(exitProblems, "end-sessions", "nobody")
		if out := do(exitGood, "list"); !strings.Contains(out, "north-desk") || !strings.Contains(out, "site harrow-knoll") || !strings.Contains(out, "supervise") {
			t.Errorf("%s: list printed %q", what, out)
		}
		do(exitGood, "sessions")
		do(exitGood, "remove", "north-desk")
		do(exitUsage, "role", "north-desk")
	}
	userCommand(t, exitUsage, "list")
	userCommand(t, exitProblems, "list", "--data", filepath.Join(t.TempDir(), "nowhere"))

	s, err := store.Open(cold, store.Options{ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	for what, scan := range map[string]*store.Store{"stopped": s, "running": g.d.store} {
		did := map[string]int{}
		err := scan.Scan(t.Context(), 1, func(r *correlate.Record) error {
			if in, ok := r.Input.(*correlate.Access); ok && in.Via == "command" {
				did[in.What.String()]++
				if in.Actor != ownName() {
					t.Errorf("%s: %s was done by %q", what, in.What, in.Actor)
				}
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
		if did["account added"] != 2 || did["role changed"] != 1 || did["sites changed"] != 1 || did["password changed"] != 1 || did["token made"] != 1 || did["token ended"] != 1 || did["account removed"] != 1 {
			t.Errorf("%s: the journal has %v", what, did)
		}
	}
}

// Sites and regions that there are none of are refused, whoever looks: a daemon,
// the command by the configuration that it is given, or by the one that the
// folder was last run with.
func TestUserCommandKnowsTheSites(t *testing.T) {
	g := newGuarded(t, nil)
	t.Setenv("COMMUNITY", "x")
	config := t.TempDir()
	for name, text := range map[string]string{
		"standwatch.yaml":  "centre: {name: Test centre, time-zone: UTC}\nsecurity: {communities: {field: '${env:COMMUNITY}'}}\ntraps: {listeners: {field: {address: '127.0.0.1:0', community: field}}}\n",
		"people.yaml":      "routes: [{name: all, board-only: yes}]\n",
		"sites/north.yaml": "sites: {harrow-knoll: {region: north, points: {door: {severity: minor}}}}\n",
	} {
		if err := os.MkdirAll(filepath.Join(config, "sites"), 0o700); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(config, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	// A folder whose configuration was kept with a secret that is not known here.
	kept := filepath.Join(t.TempDir(), "data")
	s, err := store.Open(kept, store.Options{Now: time.Now})
	if err != nil {
		t.Fatal(err)
	}
	var files []store.ConfigFile
	for _, name := range []string{"standwatch.yaml", "people.yaml", "sites/north.yaml"} {
		text, err := os.ReadFile(filepath.Join(config, name))
		if err != nil {
			t.Fatal(err)
		}
		files = append(files, store.ConfigFile{Name: name, Text: bytes.ReplaceAll(text, []byte("COMMUNITY"), []byte("SURELY_NOT_SET"))})
	}
	if err := s.KeepConfiguration("h1", files); err != nil {
		t.Fatal(err)
	}
	in := &correlate.Reconfigure{Hash: "h1", Actor: "start"}
	if err := s.Append([]*correlate.Record{{Seq: s.Last() + 1, At: time.Now(), Input: in, Events: []correlate.Event{&correlate.Configured{Hash: "h1", Actor: "start"}}}}); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	for what, at := range map[string][]string{"running": {"--data", g.d.dir}, "configured": {"--config", config, "--data", filepath.Join(t.TempDir(), "data")}, "kept": {"--data", kept}} {
		do := func(want int, args ...string) string { t.Helper(); return userCommand(t, want, append(args, at...)...) }
		if out := do(exitProblems, "add", "desk", "--site", "harow-knoll"); !strings.Contains(out, `there is no site "harow-knoll" in the configuration; did you mean harrow-knoll?`) {
			t.Errorf("%s: %q", what, out)
		}
		if out := do(exitProblems, "add", "desk", "--region", "nroth"); !strings.Contains(out, `there is no region "nroth" in the configuration; did you mean north?`) {
			t.Errorf("%s: %q", what, out)
		}
		if out := do(exitGood, "add", "desk", "--region", "north", "--site", "self", "--site", "harrow-knoll"); strings.Contains(out, "not looked at") {
			t.Errorf("%s: %q", what, out)
		}
		do(exitProblems, "scope", "desk", "--site", "nowhere")
		do(exitProblems, "token", "desk", "--for", "wall", "--site", "nowhere")
		if out := do(exitGood, "list"); !strings.Contains(out, "region north") {
			t.Errorf("%s: %q", what, out)
		}
	}
	// Before the first start nothing is known, and the command says so.
	if out := userCommand(t, exitGood, "add", "desk", "--region", "north", "--data", filepath.Join(t.TempDir(), "data")); !strings.Contains(out, "was not looked at") {
		t.Errorf("first: %q", out)
	}
}
