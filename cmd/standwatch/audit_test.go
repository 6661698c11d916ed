package main

import (
	"context"
	"fmt"
	"io"
	"maps"
	"net/http"
	"net/netip"
	"net/url"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"example.net/standwatch/cmd/standwatch/api"
	"example.net/standwatch/receiver/audit/responder"
	"example.net/standwatch/receiver/snmp"
)

// askedRemote is a remote of the trial with two contacts, whose reports may be
// lost.
type askedRemote struct {
	first, second atomic.Bool // in alarm
	mute          atomic.Bool
	at            netip.AddrPort
}

func startRemote(t *testing.T) *askedRemote {
	t.Helper()
	r, began := &askedRemote{}, time.Now()
	tree := func() []snmp.Varbind {
		state := func(b *atomic.Bool) int32 {
			if b.Load() {
				return 1
			}
			return 2
		}
		return []snmp.Varbind{
			snmp.Unsigned(snmp.MustOID("1.3.6.1.2.1.1.3.0"), snmp.TagTimeTicks, uint64(time.Since(began)/(10*time.Millisecond))+100_000),
			snmp.Integer(snmp.MustOID("1.3.6.1.4.1.32473.10.2.1.2.1"), state(&r.first)),
			snmp.Integer(snmp.MustOID("1.3.6.1.4.1.32473.10.2.1.2.2"), state(&r.second)),
		}
	}
	a, err := responder.New(responder.Options{Address: netip.MustParseAddrPort("127.9.3.1:0"), Communities: []string{"trial"}, Tree: tree, Mute: r.mute.Load, Now: time.Now})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- a.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	})
	r.at = a.Addr()
	return r
}

func askedFiles(r *askedRemote) map[string]string {
	files := maps.Clone(gullFiles)
	delete(files, "mibs/GULL-MIB.txt")
	files["standwatch.yaml"] = strings.Replace(files["standwatch.yaml"], "mibs: [mibs]\n", "", 1) +
		fmt.Sprintf("defaults: {ask: {port: %d, timeout: 200ms, retries: 1, interval: 0s}}\n", r.at.Port())
	files["sites/one.yaml"] = `
templates:
  sheet:
    ask: {questions: [kestrel-remote]}
    points:
      mains: {number: 1, name: Mains supply, alarm: Mains failed, normal: Mains present, severity: major}
      door: {number: 2, name: Door, alarm: Door open, normal: Door closed, severity: minor}
sites:
  gull-rock:
    name: Gull Rock
    templates: [sheet]
    agents: {gull-rock-remote: {addresses: 127.9.3.1}}
`
	return files
}

// standing lists what stands, but for the master's own site.
func (m *master) standing() []string {
	m.t.Helper()
	return slices.DeleteFunc(slices.Sorted(maps.Keys(m.alarms("standing"))), func(id string) bool { return strings.HasPrefix(id, "self:") })
}

// ask posts to the API and wants a status.
func (m *master) ask(path, body string, want int) {
	m.t.Helper()
	res, err := http.Post("http://"+m.console+path, "application/json", strings.NewReader(body))
	if err != nil {
		m.t.Fatal(err)
	}
	defer res.Body.Close()
	if text, err := io.ReadAll(res.Body); err != nil || res.StatusCode != want {
		m.t.Fatalf("POST %s: %s, want %d, %v\n%s", path, res.Status, want, err, text)
	}
}

func (m *master) site() (out api.Site) {
	m.t.Helper()
	m.get("/api/v1/sites/gull-rock", &out)
	if len(out.Agents) != 1 || out.Agents[0].Audit == nil {
		m.t.Fatalf("agents: %+v", out.Agents)
	}
	return out
}

// TestAudit goes the whole way: what no trap told is found at the start, by a
// gap in the remote's own count, and on demand; the pages show how and when.
func TestAudit(t *testing.T) {
	r := startRemote(t)
	r.first.Store(true)
	m := startMaster(t, askedFiles(r))
	m.until("the start finds the mains", func() bool { return slices.Equal(m.standing(), []string{"gull-rock:mains"}) })
	if got := m.site().Agents[0].Audit; got.Raised != 1 || got.Read != 2 || got.Why != "the master started" || got.Failure != "" || got.From != r.at.String() {
		t.Errorf("audit at the start: %+v", got)
	}
	var one api.Alarm
	m.get("/api/v1/alarms/gull-rock:mains", &one)
	if !one.Audit {
		t.Errorf("the alarm does not say that it was found by audit: %+v", one)
	}
	page := m.page("/alarms/gull-rock:mains")
	for _, want := range []string{"found by audit: agent gull-rock-remote was asked, the master started", "kestrelContactState.1 (1.3.6.1.4.1.32473.10.2.1.2.1)", "alarm (1)", "Read this point now", "Ask the remote now"} {
		if !strings.Contains(page, want) {
			t.Errorf("the alarm page lacks %q", want)
		}
	}

	// The remote's count goes from 1 to 3: the report between them was lost.
	contact := func(seq string) []string {
		return []string{"--trap", "1.3.6.1.4.1.32473.10.0.6", "--varbind", "1.3.6.1.4.1.32473.10.1.5.0=gauge:1", "--varbind", "1.3.6.1.4.1.32473.10.1.1.0=counter:" + seq}
	}
	m.send("127.9.3.1", contact("1")...)
	r.second.Store(true)
	m.send("127.9.3.1", contact("3")...)
	if st := m.auditor.runner.Status("gull-rock-remote"); !st.Waiting {
		m.until("the gap is seen", func() bool { return m.auditor.runner.Status("gull-rock-remote").Waiting })
	}

	// A person need not wait for the distance that the program keeps.
	m.ask("/api/v1/sites/gull-rock/ask", `{}`, http.StatusAccepted)
	m.until("the door is found", func() bool { return slices.Equal(m.standing(), []string{"gull-rock:door", "gull-rock:mains"}) })

	// Read one point now, by the form of its page, then what is over.
	r.first.Store(false)
	r.second.Store(false)
	res, err := http.PostForm("http://"+m.console+"/alarms/gull-rock:mains/ask", url.Values{"back": {"alarm"}})
	if err != nil {
		t.Fatal(err)
	}
	res.Body.Close()
	if res.StatusCode != http.StatusOK || !strings.HasSuffix(res.Request.URL.Path, "gull-rock:mains") {
		t.Errorf("the form led to %s, %s", res.Request.URL, res.Status)
	}
	m.until("the mains are found over", func() bool { return slices.Equal(m.standing(), []string{"gull-rock:door"}) })
	m.ask("/api/v1/alarms/gull-rock:door/ask", "", http.StatusAccepted)
	m.until("the door is found closed", func() bool { return len(m.standing()) == 0 })

	// An agent that does not answer changes nothing, and the page says why.
	r.mute.Store(true)
	m.send("127.9.3.1", "--trap", "1.3.6.1.4.1.32473.10.0.1", "--varbind", "1.3.6.1.4.1.32473.10.2.1.1.1=int:1", "--varbind", "1.3.6.1.4.1.32473.10.2.1.2.1=int:1")
	m.ask("/api/v1/sites/gull-rock/ask", "", http.StatusAccepted)
	m.until("the failure is journaled", func() bool { return m.site().Agents[0].Audit.Failures > 0 })
	if got := m.standing(); !slices.Equal(got, []string{"gull-rock:mains"}) {
		t.Errorf("a failed audit changed the board: %v", got)
	}
	page = m.page("/sites/gull-rock")
	for _, want := range []string{"no answer from " + r.at.String(), "let this machine ask with that community?", "Ask the remote now", "states and values read", "kestrel-remote/contacts"} {
		if !strings.Contains(page, want) {
			t.Errorf("the site page lacks %q", want)
		}
	}
	metrics := m.page("/metrics")
	for _, want := range []string{`standwatch_audits_total{result="failed"} 1`, `standwatch_audit_alarms_total{found="standing"} 2`, `standwatch_audit_alarms_total{found="over"} 2`} {
		if !strings.Contains(metrics, want) {
			t.Errorf("the metrics lack %q", want)
		}
	}
	if page := m.page("/history"); !strings.Contains(page, "audited") || !strings.Contains(page, "1 found standing") {
		t.Error("the history does not tell of the audits")
	}
	m.ask("/api/v1/sites/nowhere/ask", "", http.StatusNotFound)
	m.ask("/api/v1/sites/gull-rock/ask", `{"point":"nothing"}`, http.StatusNotFound)
	m.ask("/api/v1/sites/self/ask", "", http.StatusConflict)
}

// TestReloadAsksWhatItTouched: a point that a reload brings is known at once.
func TestReloadAsksWhatItTouched(t *testing.T) {
	r := startRemote(t)
	files := askedFiles(r)
	m := startMaster(t, files)
	m.until("the remote was asked", func() bool { return !m.site().Agents[0].Audit.Answered.IsZero() })
	first := m.site().Agents[0].Audit.Answered
	m.write("sites/one.yaml", strings.Replace(files["sites/one.yaml"], "name: Gull Rock", "name: Gull Rock North", 1))
	if err := m.reload(t.Context()); err != nil {
		t.Fatal(err)
	}
	if st := m.auditor.runner.Status("gull-rock-remote"); !st.Waiting {
		t.Errorf("after the reload: %+v", st)
	}
	if !m.site().Agents[0].Audit.Answered.Equal(first) {
		t.Error("asked again without keeping the distance")
	}
}
