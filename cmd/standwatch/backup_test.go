package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"github.com/rs/zerolog"

	"example.net/standwatch/configs"
	"example.net/standwatch/correlate"
	"example.net/standwatch/store"
)

// smallFiles is a configuration that watches one site and listens on loopback.
var smallFiles = fstest.MapFS{
	"standwatch.yaml": {Data: []byte("centre: {name: Small centre}\ntraps: {listeners: {l: {address: 127.0.0.1:0}}}\nconsole: {listen: 127.0.0.1:0}\n")},
	"people.yaml":     {Data: []byte("routes:\n  - {name: the board alone, board-only: yes}\n")},
	"sites/sites.yaml": {Data: []byte(`sites:
  tern-point:
    name: Tern Point
    points:
      mains: {name: Mains, alarm: Mains failed, normal: Mains present, severity: major}
      light: {name: Obstruction light, alarm: Light failed, normal: Light works, severity: critical, regulated: yes}
`)},
}

// startSmall runs a daemon in this process on the data folder until stop is
// called or the test ends.
func startSmall(t *testing.T, files fstest.MapFS, data string) (d *daemon, stop func()) {
	t.Helper()
	cfg, problems := configs.Load(t.Context(), files, configs.Options{})
	if problems.Mistakes() {
		t.Fatal(problems)
	}
	d, err := newDaemon(t.Context(), daemonOptions{Config: cfg, Data: data, Log: zerolog.Nop(), Now: time.Now,
		Reload: func(ctx context.Context) (*configs.Config, configs.Problems) {
			return configs.Load(ctx, files, configs.Options{})
		}})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- d.run(ctx) }()
	stopped := false
	stop = func() {
		if stopped {
			return
		}
		stopped = true
		cancel()
		if err := <-ended; err != nil {
			t.Errorf("the daemon ended with %v", err)
		}
	}
	t.Cleanup(stop)
	// The start is journaled before anything else runs.
	await(t, "the daemon runs", func() bool { return d.store.Last() > 0 })
	return d, stop
}

// await polls until ok, for a minute at most.
func await(t *testing.T, what string, ok func() bool) {
	t.Helper()
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	for deadline := time.Now().Add(time.Minute); !ok(); <-tick.C {
		if time.Now().After(deadline) {
			t.Fatalf("waited 20 s in vain until %s", what)
		}
	}
}

func report(t *testing.T, d *daemon, point correlate.PointID, what correlate.What) {
	t.Helper()
	_, err := d.ledger.Submit(t.Context(), &correlate.Notice{Source: "test", Observations: []correlate.Observation{
		{Key: correlate.Key{Site: "tern-point", Point: point}, What: what}}})
	if err != nil {
		t.Fatal(err)
	}
}

// command runs a command line and returns its exit code and what it said.
func command(args ...string) (code int, stdout, stderr string) {
	var out, bad bytes.Buffer
	code = run(args, &out, &bad)
	return code, out.String(), bad.String()
}

func mustCommand(t *testing.T, want int, words string, args ...string) {
	t.Helper()
	code, out, bad := command(args...)
	if code != want || !strings.Contains(out+bad, words) {
		t.Errorf("standwatch %s: exit code %d, want %d and %q\n%s%s", strings.Join(args, " "), code, want, words, out, bad)
	}
}

// TestBackUpVerifyRestore walks the way of an administrator: a hot backup, an
// incremental one, a proof of both, and a new master from it.
func TestBackUpVerifyRestore(t *testing.T) {
	// A path that does not fit into a socket's address.
	data := filepath.Join(t.TempDir(), strings.Repeat("a-long-name-", 9), "data")
	copied, restored := filepath.Join(t.TempDir(), "backup"), filepath.Join(t.TempDir(), "restored")
	d, stop := startSmall(t, smallFiles, data)
	report(t, d, "mains", correlate.Raise)
	mustCommand(t, exitGood, "segments copied", "backup", "--data", data, "--to", copied)
	report(t, d, "light", correlate.Raise)
	mustCommand(t, exitGood, "holds the journal up to record "+fmt.Sprint(d.store.Last()), "backup", "--data", data, "--to", copied)
	mustCommand(t, exitGood, "the kept state is what the records fold to", "verify", "--data", data)
	mustCommand(t, exitGood, "is whole", "verify", "--data", copied)
	if info, err := os.Stat(filepath.Join(data, store.ControlFile)); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("the control socket: %v %v", info, err)
	}
	mustCommand(t, exitProblems, "not empty", "restore", "--from", copied, "--data", data)
	mustCommand(t, exitProblems, "in use by process", "restore", "--from", data, "--data", restored)
	last, boots := d.store.Last(), d.store.Identity().Boots
	stop()
	if _, err := os.Stat(filepath.Join(data, store.ControlFile)); err == nil {
		t.Error("the control socket is left behind")
	}

	// Cold, of the folder without its daemon.
	mustCommand(t, exitGood, "is whole", "verify", "--data", data)
	mustCommand(t, exitGood, "holds the journal up to record", "backup", "--data", data, "--to", copied)

	mustCommand(t, exitGood, "is whole", "restore", "--from", copied, "--data", restored)
	again, _ := startSmall(t, smallFiles, restored)
	if got := again.store.Identity().Boots; got <= boots+1 || again.store.Last() < last {
		t.Errorf("restored: boots %d after %d, last %d after %d", got, boots, again.store.Last(), last)
	}
	again.ledger.Read(func(st *correlate.State, _ *correlate.Network) {
		for _, p := range []correlate.PointID{"mains", "light"} {
			if a := st.Alarms[correlate.Key{Site: "tern-point", Point: p}]; a == nil || !a.Standing {
				t.Errorf("%s does not stand on the restored master", p)
			}
		}
	})
}

func TestVerifyNamesWhatIsBroken(t *testing.T) {
	data := t.TempDir()
	d, stop := startSmall(t, smallFiles, data)
	report(t, d, "mains", correlate.Raise)
	stop()
	path := filepath.Join(data, "checkpoint")
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	text[len(text)/2] ^= 1
	if err := os.WriteFile(path, text, 0o600); err != nil {
		t.Fatal(err)
	}
	mustCommand(t, exitProblems, "its checksum is wrong", "verify", "--data", data)
}

// A socket that a killed daemon left must not keep commands or the next daemon
// from working.
func TestSocketOfADaemonThatIsGone(t *testing.T) {
	data := t.TempDir()
	_, stop := startSmall(t, smallFiles, data)
	stop()
	c, err := listenControl(data)
	if err != nil {
		t.Fatal(err)
	}
	c.at.(interface{ SetUnlinkOnClose(bool) }).SetUnlinkOnClose(false)
	if err := c.close(); err != nil {
		t.Fatal(err)
	}
	if _, err := askDaemon[findings](t.Context(), data, "/verify", struct{}{}, nil); !errors.Is(err, errNoDaemon) {
		t.Errorf("asked a daemon that is gone: %v", err)
	}
	mustCommand(t, exitGood, "is whole", "verify", "--data", data)
	startSmall(t, smallFiles, data)
}

func TestControlListensToFriendsOnly(t *testing.T) {
	data := t.TempDir()
	startSmall(t, smallFiles, data)
	if _, err := askDaemon[findings](t.Context(), data, "/nothing", struct{}{}, nil); err == nil || !strings.Contains(err.Error(), "404") {
		t.Errorf("asked for what is not there: %v", err)
	}
	r, err := http.NewRequestWithContext(context.WithValue(t.Context(), callerKey{}, 54321), http.MethodPost, "/verify", http.NoBody)
	if err != nil {
		t.Fatal(err)
	}
	w := httptest.NewRecorder()
	onlyFriends(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { t.Error("a stranger was let in") })).ServeHTTP(w, r)
	if w.Code != http.StatusForbidden {
		t.Errorf("a stranger was answered %d", w.Code)
	}
}
