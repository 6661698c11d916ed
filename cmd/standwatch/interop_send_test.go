//go:build interop

package main

import (
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"
)

// sendFiles raise one alarm by themselves: nobody is on call in a roster that
// has its turns in another century.
var sendFiles = map[string]string{
	"standwatch.yaml": `
centre: {name: Crash trial}
traps: {listeners: {field: {address: "127.0.0.1:0"}}}
console: {listen: "${env:TRIAL_CONSOLE}"}
gateways: {sms: {sms-http: {url: "${env:TRIAL_SMS}", body: '{"ref":"${id}","to":"${to}","text":"${text}"}', id-path: id}}}
`,
	"people.yaml": `
people: {desk: {reach: [{gateway: sms, to: "+13035550111"}]}}
rosters: {empty: {turns: [{people: desk, start: 2999-01-05, hand-over: "08:00", every: week}]}}
ladders: {one: {rungs: [{tell: [{person: desk}], wait: 1h}]}}
routes: [{name: holes, sites: self, points: roster, ladder: one}, {name: rest, board-only: yes}]
`,
	"sites/sites.yaml": "sites: {tern-point: {points: {mains: {alarm: Mains failed, severity: major}}}}\n",
}

// sendTrial is a daemon in a process of its own and a gateway in ours.
type sendTrial struct {
	testing.TB
	dir, console string
	gateway      *httptest.Server
	cmd          *exec.Cmd

	mu    sync.Mutex // guards what follows
	texts []map[string]string
	first func(w http.ResponseWriter) // answers the first request
	came  chan struct{}
}

func newSendTrial(t *testing.T) *sendTrial {
	s := &sendTrial{TB: t, dir: t.TempDir(), console: loopbackPort(t), came: make(chan struct{}, 100)}
	for name, text := range sendFiles {
		path := filepath.Join(s.dir, "config", name)
		if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	s.gateway = httptest.NewServer(http.HandlerFunc(s.take))
	t.Cleanup(s.gateway.Close)
	return s
}

func (s *sendTrial) take(w http.ResponseWriter, r *http.Request) {
	var m map[string]string
	body, err := io.ReadAll(r.Body)
	if err == nil {
		err = json.Unmarshal(body, &m)
	}
	if err != nil {
		s.Errorf("the gateway got %v", err)
		return
	}
	s.mu.Lock()
	s.texts = append(s.texts, m)
	first := s.first
	s.first = nil
	n := len(s.texts)
	s.mu.Unlock()
	if first != nil {
		first(w)
	} else {
		fmt.Fprintf(w, `{"id":"g%d"}`, n)
	}
	s.came <- struct{}{}
}

func (s *sendTrial) start() {
	s.Helper()
	s.cmd = exec.CommandContext(s.Context(), "standwatch", "serve", "--config", filepath.Join(s.dir, "config"), "--data", filepath.Join(s.dir, "data"), "--log-level", "error")
	s.cmd.Env = append(os.Environ(), "TRIAL_CONSOLE="+s.console, "TRIAL_SMS="+s.gateway.URL)
	s.cmd.Stderr = os.Stderr
	if err := s.cmd.Start(); err != nil {
		s.Fatal(err)
	}
}

// kill ends the daemon with SIGKILL, wherever it is.
func (s *sendTrial) kill() {
	// A process that has ended already is what is wanted.
	_ = s.cmd.Process.Kill()
	_ = s.cmd.Wait()
}

func (s *sendTrial) request() {
	s.Helper()
	select {
	case <-s.came:
	case <-time.After(30 * time.Second):
		s.Fatal("the gateway was not asked within 30 s")
	}
}

// accepted waits until the outbox shows the message as accepted, and returns
// its attempts.
func (s *sendTrial) accepted() int {
	s.Helper()
	tick := time.NewTicker(200 * time.Millisecond)
	defer tick.Stop()
	for end := time.After(30 * time.Second); ; {
		var out struct {
			Message []struct {
				State   string
				Attempt []struct{ Outcome string }
			}
		}
		if s.outbox(&out) == nil && len(out.Message) == 1 && out.Message[0].State == "accepted" {
			return len(out.Message[0].Attempt)
		}
		select {
		case <-tick.C:
		case <-end:
			s.Fatalf("the message is not accepted within 30 s: %+v", out)
		}
	}
}

// outbox asks the daemon for its outbox.
func (s *sendTrial) outbox(into any) error {
	token, err := askToken(s.Context(), filepath.Join(s.dir, "data"))
	if err != nil {
		return err
	}
	req, err := http.NewRequestWithContext(s.Context(), http.MethodGet, "http://"+s.console+"/api/v1/outbox", nil)
	if err != nil {
		return err
	}
	req.Header.Set("Authorization", "Bearer "+token)
	r, err := http.DefaultClient.Do(req)
	if err != nil {
		return err
	}
	defer r.Body.Close()
	return json.NewDecoder(r.Body).Decode(into)
}

// TestInteropSendSurvivesKill kills the daemon at every step of a send: before
// the gateway can be reached, while it is being asked, just after it took the
// message, and after that was recorded. The message always arrives, under one
// ID; a second copy comes only where it must, marked as one.
func TestInteropSendSurvivesKill(t *testing.T) {
	ok := func(w http.ResponseWriter) { fmt.Fprint(w, `{"id":"g0"}`) }
	steps := []struct {
		name   string
		answer func(s *sendTrial) func(w http.ResponseWriter)
		until  func(s *sendTrial)
		copies int // the gateway is asked so often in all, at most
	}{
		{"queued, refused for now", func(*sendTrial) func(http.ResponseWriter) {
			return func(w http.ResponseWriter) { w.WriteHeader(http.StatusServiceUnavailable) }
		}, (*sendTrial).request, 2},
		{"while being asked", func(s *sendTrial) func(http.ResponseWriter) { return func(http.ResponseWriter) { s.kill() } }, (*sendTrial).request, 2},
		{"taken, not yet recorded", func(s *sendTrial) func(http.ResponseWriter) {
			return func(w http.ResponseWriter) {
				ok(w)
				if err := http.NewResponseController(w).Flush(); err != nil {
					s.Error(err)
				}
				s.kill()
			}
		}, (*sendTrial).request, 2},
		{"recorded", func(*sendTrial) func(http.ResponseWriter) { return ok }, func(s *sendTrial) { s.request(); s.accepted() }, 1},
	}
	copies := 0
	for _, step := range steps {
		t.Run(step.name, func(t *testing.T) {
			s := newSendTrial(t)
			s.first = step.answer(s)
			s.start()
			step.until(s)
			s.kill()
			s.start()
			defer s.kill()
			attempts := s.accepted()
			s.mu.Lock()
			defer s.mu.Unlock()
			if len(s.texts) > step.copies || attempts < 1 {
				t.Errorf("asked %d times, %d attempts on record", len(s.texts), attempts)
			}
			for i, m := range s.texts {
				marked := strings.HasPrefix(m["text"], "COPY ")
				if m["ref"] != s.texts[0]["ref"] || (i == 0 && marked) {
					t.Errorf("text %d: %v", i, m)
				}
				if i > 0 {
					copies++
					if step.name != "queued, refused for now" && !marked {
						t.Errorf("a second copy is not marked: %v", m)
					}
				}
			}
		})
	}
	t.Logf("%d second copies over %d kills", copies, len(steps))
}
