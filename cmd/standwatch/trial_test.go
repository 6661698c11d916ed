//go:build interop || browser || trials

package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
)

// binary is the program as a person would run it, built once for all trials.
var binary = sync.OnceValues(func() (string, error) {
	dir, err := os.MkdirTemp("", "standwatch-trial-")
	if err != nil {
		return "", err
	}
	leftovers = append(leftovers, dir)
	path := filepath.Join(dir, "standwatch")
	if out, err := exec.Command("go", "build", "-o", path, ".").CombinedOutput(); err != nil {
		return "", fmt.Errorf("go build: %w\n%s", err, out)
	}
	return path, nil
})

// trial is a running daemon and where it can be reached.
type trial struct {
	config, data   string // folders
	traps, console string // host:port
	token          string // to ask the API with; empty where nobody has to log in

	cmd  *exec.Cmd
	log  *logBuffer
	wrap func(*exec.Cmd) (started func()) // changes how the program is run; may be nil

	extra map[string]string // files of the configuration beside the trial's own
}

// logBuffer takes what a process writes while others read it.
type logBuffer struct {
	mu  sync.Mutex // guards buf
	buf bytes.Buffer
}

func (b *logBuffer) Write(p []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.buf.Write(p)
}

func (b *logBuffer) String() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.buf.String()
}

// newTrial writes the trial's configuration and starts a daemon on it, which
// is stopped when the test ends.
func newTrial(t *testing.T) *trial {
	t.Helper()
	return newTrialOf(t, &trial{})
}

// newTrialOf does it for a trial that says how the program is run.
func newTrialOf(t *testing.T, tr *trial) *trial {
	t.Helper()
	tr.config, tr.data, tr.traps, tr.console = t.TempDir(), t.TempDir(), loopbackPort(t), loopbackPort(t)
	files := maps.Clone(trialFiles)
	maps.Copy(files, tr.extra)
	for name, text := range files {
		path := filepath.Join(tr.config, name)
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	tr.start(t)
	t.Cleanup(func() { tr.stop(t) })
	return tr
}

// start runs serve and waits until it says that it is ready.
func (tr *trial) start(t *testing.T) {
	t.Helper()
	tr.launch(t, []string{"TRIAL_TRAPS=" + tr.traps, "TRIAL_CONSOLE=" + tr.console, "TRIAL_COMMUNITY=" + trialCommunity,
		"TRIAL_AUTH=" + trialAuth, "TRIAL_PRIV=" + trialPriv}, "serve", "--config", tr.config, "--data", tr.data)
	var err error
	if tr.token, err = askToken(t.Context(), tr.data); err != nil {
		t.Fatal(err)
	}
}

// launch runs the program with further environment and waits until it says
// that it is ready.
func (tr *trial) launch(t *testing.T, env []string, args ...string) {
	t.Helper()
	path, err := binary()
	if err != nil {
		t.Fatal(err)
	}
	tr.log = &logBuffer{}
	tr.cmd = exec.Command(path, args...)
	tr.cmd.Env = append(os.Environ(), env...)
	tr.cmd.Stdout, tr.cmd.Stderr = tr.log, tr.log
	started := func() {}
	if tr.wrap != nil {
		started = tr.wrap(tr.cmd)
	}
	if err := tr.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	started()
	tr.eventually(t, "the daemon is ready", func() bool {
		res, err := http.Get("http://" + tr.console + "/readyz")
		if err != nil {
			return false
		}
		defer res.Body.Close()
		return res.StatusCode == http.StatusOK
	})
}

// stop ends the daemon in order and wants a good exit code.
func (tr *trial) stop(t *testing.T) {
	t.Helper()
	if tr.cmd == nil {
		return
	}
	if err := tr.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Errorf("the daemon was gone before it was told to end: %v", err)
	}
	killer := time.AfterFunc(30*time.Second, func() { _ = tr.cmd.Process.Kill() }) // Wait reports it
	defer killer.Stop()
	if err := tr.cmd.Wait(); err != nil {
		t.Errorf("the daemon ended with %v", err)
	}
	tr.cmd = nil
	if t.Failed() {
		t.Logf("the daemon's log:\n%s", tr.log)
	}
}

// kill ends the daemon as a power failure would.
func (tr *trial) kill(t *testing.T) {
	t.Helper()
	if err := tr.cmd.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	_ = tr.cmd.Wait() // "signal: killed" is what was asked for
	tr.cmd = nil
}

// eventually polls until ok, for a minute at most.
func (tr *trial) eventually(t *testing.T, what string, ok func() bool) {
	t.Helper()
	deadline := time.Now().Add(time.Minute)
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	for !ok() {
		if time.Now().After(deadline) {
			t.Fatalf("waited 20 s in vain until %s\n%s", what, tr.log)
		}
		<-tick.C
	}
}

// get reads a JSON answer of the API.
func (tr *trial) get(t *testing.T, path string, into any) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://"+tr.console+path, nil)
	if err != nil {
		t.Fatal(err)
	}
	if tr.token != "" {
		req.Header.Set("Authorization", "Bearer "+tr.token)
	}
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	body, err := io.ReadAll(res.Body)
	if err != nil {
		t.Fatal(err)
	}
	if res.StatusCode != http.StatusOK {
		t.Fatalf("GET %s: %s\n%s", path, res.Status, body)
	}
	if err := json.Unmarshal(body, into); err != nil {
		t.Fatalf("GET %s: %v\n%s", path, err, body)
	}
}

// shownAlarm is what a trial reads of an alarm of the API.
type shownAlarm struct {
	ID       string `json:"id"`
	Site     string `json:"resource"`
	Point    string `json:"alarm-type-qualifier"`
	Severity string `json:"perceived-severity"`
	Text     string `json:"alarm-text"`
	Cleared  bool   `json:"is-cleared"`
}

// alarms returns alarms by their ID; state is standing, all, ...
func (tr *trial) alarms(t *testing.T, state string) map[string]shownAlarm {
	t.Helper()
	var answer struct {
		Alarms []shownAlarm `json:"alarm"`
	}
	tr.get(t, "/api/v1/alarms?state="+state, &answer)
	found := map[string]shownAlarm{}
	for _, a := range answer.Alarms {
		found[a.ID] = a
	}
	return found
}

// stands waits until the alarm stands, and holds it against want, "site point
// severity".
func (tr *trial) stands(t *testing.T, id, want string) {
	t.Helper()
	tr.eventually(t, id+" stands", func() bool { a, ok := tr.alarms(t, "standing")[id]; return ok && !a.Cleared })
	a := tr.alarms(t, "standing")[id]
	if got := strings.Join([]string{a.Site, a.Point, a.Severity}, " "); got != want {
		t.Errorf("%s shows as %q, want %q", id, got, want)
	}
}

// clears waits until the alarm has cleared.
func (tr *trial) clears(t *testing.T, id string) {
	t.Helper()
	tr.eventually(t, id+" has cleared", func() bool {
		_, standing := tr.alarms(t, "standing")[id]
		return !standing && tr.alarms(t, "all")[id].Cleared
	})
}
