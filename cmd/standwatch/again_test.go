package main

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"example.net/standwatch/configs"
	"github.com/rs/zerolog"
)

// master is a daemon that runs in the test on a configuration folder.
type master struct {
	*daemon
	t       *testing.T
	dir     string
	traps   string
	console string
}

// startMaster starts a daemon whose configuration may name the environment
// variables TRAPS, CONSOLE and COMMUNITY.
func startMaster(t *testing.T, files map[string]string) *master {
	t.Helper()
	m := &master{t: t, dir: t.TempDir()}
	for name, text := range files {
		m.write(name, text)
	}
	env := map[string]string{"TRAPS": "127.0.0.1:0", "CONSOLE": "127.0.0.1:0", "COMMUNITY": "trial"}
	load := func(ctx context.Context) (*configs.Config, configs.Problems) {
		return configs.LoadFolder(ctx, m.dir, configs.Options{Env: func(name string) (string, bool) { v, ok := env[name]; return v, ok }})
	}
	cfg, problems := load(t.Context())
	if problems.Mistakes() {
		t.Fatal(problems)
	}
	d, err := newDaemon(t.Context(), daemonOptions{Config: cfg, Data: t.TempDir(), Reload: load, Log: zerolog.New(io.Discard), Now: time.Now})
	if err != nil {
		t.Fatal(err)
	}
	m.daemon = d
	for _, at := range d.receiver.Addresses() {
		m.traps = at.String()
	}
	m.console = d.webAt.Addr().String()
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- d.run(ctx) }()
	t.Cleanup(func() {
		http.DefaultClient.CloseIdleConnections()
		cancel()
		if err := <-ended; err != nil {
			t.Errorf("the daemon ended with %v", err)
		}
	})
	return m
}

func (m *master) write(name, text string) {
	m.t.Helper()
	path := filepath.Join(m.dir, name)
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		m.t.Fatal(err)
	}
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		m.t.Fatal(err)
	}
}

// send plays a remote at an address of this machine.
func (m *master) send(from string, args ...string) {
	m.t.Helper()
	var out bytes.Buffer
	args = append([]string{"send", "--target", m.traps, "--community", "trial", "--from", from}, args...)
	if code := run(args, &out, &out); code != exitGood {
		m.t.Fatalf("%v: exit code %d\n%s", args, code, &out)
	}
}

func (m *master) get(path string, into any) {
	m.t.Helper()
	getJSON(m.t, m.console, path, into)
}

// post sends a JSON body and decodes the answer.
func (m *master) post(path, body string, into any) {
	m.t.Helper()
	res, err := http.Post("http://"+m.console+path, "application/json", strings.NewReader(body))
	if err != nil {
		m.t.Fatal(err)
	}
	defer res.Body.Close()
	text, err := io.ReadAll(res.Body)
	if err != nil || res.StatusCode != http.StatusOK {
		m.t.Fatalf("POST %s: %s %v\n%s", path, res.Status, err, text)
	}
	if err := json.Unmarshal(text, into); err != nil {
		m.t.Fatalf("%v\n%s", err, text)
	}
}

// page returns a page's text.
func (m *master) page(path string) string {
	m.t.Helper()
	res, err := http.Get("http://" + m.console + path)
	if err != nil {
		m.t.Fatal(err)
	}
	defer res.Body.Close()
	text, err := io.ReadAll(res.Body)
	if err != nil {
		m.t.Fatal(err)
	}
	return string(text)
}

func (m *master) until(what string, ok func() bool) {
	m.t.Helper()
	deadline := time.Now().Add(time.Minute)
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	for !ok() {
		if time.Now().After(deadline) {
			m.t.Fatalf("waited 20 s in vain until %s", what)
		}
		<-tick.C
	}
}

type unmatchedShown struct {
	Agent, Origin, Why, Now string
	TrapOID                 string `json:"trap-oid"`
	Count, Ready            int
	Last                    time.Time
	Draft                   struct{ Rules, Sites string }
}

// unmatchedOf waits until n groups are kept.
func (m *master) unmatchedOf(n int) []unmatchedShown {
	m.t.Helper()
	var kept []unmatchedShown
	m.until("the notifications are kept", func() bool {
		var in struct{ Unmatched []unmatchedShown } // new each time: an element decoded over keeps what it does not say
		m.get("/api/v1/intake", &in)
		kept = in.Unmatched
		return len(kept) == n
	})
	return kept
}

type ranShown struct {
	Looked, Ran, Late, Unmatched int
	Why                          string
	Record                       []int
}

type alarmShown struct {
	ID     string
	Raised time.Time `json:"last-raised"`
	AckBy  string    `json:"acknowledged-by"`
	Taken  bool      `json:"acknowledged"`

	Severity string `json:"perceived-severity"`
}

func (m *master) alarms(state string) map[string]alarmShown {
	m.t.Helper()
	var got struct{ Alarm []alarmShown }
	m.get("/api/v1/alarms?state="+state, &got)
	out := map[string]alarmShown{}
	for _, a := range got.Alarm {
		out[a.ID] = a
	}
	return out
}

var gullFiles = map[string]string{
	"standwatch.yaml": `
centre: {name: Gull County}
traps: {listeners: {field: {address: "${env:TRAPS}", community: field}}}
security: {communities: {field: "${env:COMMUNITY}"}}
console: {listen: "${env:CONSOLE}"}
mibs: [mibs]
`,
	"mibs/GULL-MIB.txt": `
GULL-MIB DEFINITIONS ::= BEGIN
IMPORTS MODULE-IDENTITY, OBJECT-TYPE, NOTIFICATION-TYPE, Integer32, enterprises FROM SNMPv2-SMI;
gull MODULE-IDENTITY LAST-UPDATED "202601010000Z" ORGANIZATION "invented" CONTACT-INFO "watch@example.net" DESCRIPTION "An invented module." ::= { enterprises 32473 77 }
gullEvents OBJECT IDENTIFIER ::= { gull 0 }
gullShelf OBJECT-TYPE SYNTAX Integer32 MAX-ACCESS accessible-for-notify STATUS current DESCRIPTION "Which shelf." ::= { gull 1 }
gullMainsFailed NOTIFICATION-TYPE OBJECTS { gullShelf } STATUS current DESCRIPTION "The mains have failed." ::= { gullEvents 1 }
gullMainsRestored NOTIFICATION-TYPE OBJECTS { gullShelf } STATUS current DESCRIPTION "The mains are back." ::= { gullEvents 2 }
END
`,
	"sites/one.yaml": `
sites:
  gull-rock:
    name: Gull Rock
    agents: {gull-rock-remote: {addresses: [127.9.3.1]}}
    points:
      door: {name: Hut door, number: 2, severity: minor}
`,
	"rules/rules.yaml": "use: [kestrel-remote]\n",
	"people.yaml":      "routes: [{name: board, board-only: yes}]\n",
}

const (
	gullFailed   = "1.3.6.1.4.1.32473.77.0.1"
	gullRestored = "1.3.6.1.4.1.32473.77.0.2"
)

// TestNotUnderstoodIsNotLost: what no rule and no agent is there for is kept,
// drafted, and, once the drafts are pasted as they are and the configuration is
// reloaded, run again at its own time; once, and without overturning what is
// newer.
func TestNotUnderstoodIsNotLost(t *testing.T) {
	m := startMaster(t, gullFiles)
	shelf := []string{"--varbind", "1.3.6.1.4.1.32473.77.1.0=int:4"}
	m.send("127.9.3.1", append(shelf, "--trap", gullFailed)...)
	m.send("127.9.3.2", append(shelf, "--trap", gullFailed)...)
	m.send("127.9.3.1", "--trap", "1.3.6.1.4.1.32473.10.0.1", "--varbind", "1.3.6.1.4.1.32473.10.2.1.1.9=int:9", "--varbind", "1.3.6.1.4.1.32473.10.2.1.2.9=int:1")
	kept := map[string]unmatchedShown{}
	for _, g := range m.unmatchedOf(3) {
		kept[g.Agent+" "+g.TrapOID] = g
	}
	rule, agent, point := kept["gull-rock-remote "+gullFailed], kept[" "+gullFailed], kept["gull-rock-remote 1.3.6.1.4.1.32473.10.0.1"]
	for _, c := range []struct{ what, text, want string }{
		{"the rule's draft", rule.Draft.Rules, "gullMainsFailed gullMainsRestored"},
		{"the rule's point", rule.Draft.Sites, "gull-rock:"},
		{"the agent's draft", agent.Draft.Sites, `addresses: ["127.9.3.2"]`},
		{"the point's draft", point.Draft.Sites, "number: 9"},
		{"the page", m.page("/intake"), "gullMainsFailed (" + gullFailed + ")"},
		{"the page", m.page("/intake"), "a draft to paste"},
	} {
		if !strings.Contains(c.text, c.want) {
			t.Errorf("%s lacks %q:\n%s", c.what, c.want, c.text)
		}
	}
	var ran ranShown
	m.post("/api/v1/intake/run-again", "", &ran)
	if ran.Looked != 3 || ran.Ran != 0 || ran.Unmatched != 3 || ran.Why == "" {
		t.Errorf("nothing was written, and run again gives %+v", ran)
	}

	m.write("rules/drafted.yaml", rule.Draft.Rules)
	m.write("sites/drafted-rule.yaml", rule.Draft.Sites)
	m.write("sites/drafted-agent.yaml", agent.Draft.Sites)
	m.write("sites/drafted-point.yaml", point.Draft.Sites)
	if err := m.reload(t.Context()); err != nil {
		t.Fatal(err)
	}
	id := "gull-rock:gull-mains"
	for _, a := range m.unmatchedOf(3) {
		if want := map[string]int{"": 0, "gull-rock-remote": 1}[a.Agent]; a.Ready != want {
			t.Errorf("%+v: ready %d, want %d", a, a.Ready, want)
		}
	}
	m.post("/api/v1/intake/run-again", `{"agent":"gull-rock-remote"}`, &ran)
	if ran.Ran != 2 || len(ran.Record) != 2 {
		t.Errorf("run again gives %+v", ran)
	}
	a, stands := m.alarms("standing")[id]
	if !stands || !a.Raised.Equal(rule.Last) {
		t.Errorf("%s stands %v since %s, and the trap came at %s; standing: %v", id, stands, a.Raised, rule.Last, m.alarms("standing"))
	}
	if _, stands := m.alarms("standing")["gull-rock:point-9"]; !stands {
		t.Error("the drafted point does not stand")
	}
	m.post("/api/v1/intake/run-again", "", &ran)
	if ran.Looked != 1 || ran.Ran != 0 {
		t.Errorf("what was run again is run another time: %+v", ran)
	}
	if g := m.unmatchedOf(1)[0]; g.Agent != "" || !strings.Contains(g.Now, "no rule") && !strings.Contains(g.Now, "no point") {
		t.Errorf("what is left: %+v", g)
	}
	if page := m.page("/history"); !strings.Contains(page, "run again") {
		t.Error("the history does not say that something was run again")
	}
	if page := m.page("/alarms/" + id); !strings.Contains(page, "was run again") {
		t.Error("the evidence does not say that it was run again")
	}
}

// TestRunAgainOlderThanAClear: the raise was not understood and the clear that
// followed was, when nothing stood. The raise must not stand for ever.
func TestRunAgainOlderThanAClear(t *testing.T) {
	m := startMaster(t, gullFiles)
	m.send("127.9.3.1", "--trap", gullFailed)
	m.unmatchedOf(1)
	const rules = "rules:\n  - {name: back, on: gullMainsRestored, observe: [{point: door, what: clear}]}\n"
	m.write("rules/own.yaml", rules)
	if err := m.reload(t.Context()); err != nil {
		t.Fatal(err)
	}
	m.send("127.9.3.1", "--trap", gullRestored)
	m.until("the clear is journaled", func() bool {
		var page struct {
			Record []struct{ Event []struct{ Kind string } }
		}
		m.get("/api/v1/history?point=door&kind=ignored", &page)
		return len(page.Record) == 1
	})
	m.write("rules/own.yaml", rules+"  - {name: failed, on: gullMainsFailed, observe: [{point: door, what: raise}]}\n")
	if err := m.reload(t.Context()); err != nil {
		t.Fatal(err)
	}
	var ran ranShown
	m.post("/api/v1/intake/run-again", "", &ran)
	if ran.Ran != 1 || ran.Late != 1 {
		t.Errorf("run again gives %+v", ran)
	}
	if got := m.alarms("standing"); len(got) != 0 {
		t.Errorf("standing: %v", got)
	}
}

// TestAcknowledgedAtTheSite: somebody presses the button at the remote, and the
// alarm is taken, by whoever is at the site.
func TestAcknowledgedAtTheSite(t *testing.T) {
	m := startMaster(t, gullFiles)
	const contact = "1.3.6.1.4.1.32473.10.2.1.1.2=int:2"
	m.send("127.9.3.1", "--trap", "1.3.6.1.4.1.32473.10.0.1", "--varbind", contact, "--varbind", "1.3.6.1.4.1.32473.10.2.1.2.2=int:1")
	m.until("the door stands", func() bool { return len(m.alarms("standing")) == 1 })
	m.send("127.9.3.1", "--trap", "1.3.6.1.4.1.32473.10.0.5", "--varbind", contact, "--varbind", "1.3.6.1.4.1.32473.10.1.3.0=text:badge 4711")
	m.until("the door is taken", func() bool { return m.alarms("standing")["gull-rock:door"].Taken })
	if by := m.alarms("standing")["gull-rock:door"].AckBy; by != "badge 4711 at Gull Rock" {
		t.Errorf("taken by %q", by)
	}
}
