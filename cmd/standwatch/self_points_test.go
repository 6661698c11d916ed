package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/rs/zerolog"
	"golang.org/x/sys/unix"

	"example.net/standwatch/configs"
	"example.net/standwatch/correlate"
	"example.net/standwatch/store/ledger"
	"example.net/standwatch/store/storetest"
)

// provoked is a daemon in whose world everything can be made to fail.
type provoked struct {
	*testing.T
	d           *daemon
	w           *selfWatch // in place of the daemon's own, so that a test looks when it likes
	m           *troubled
	folder      string // of the configuration
	certificate *configs.TLS
	remote      *askedRemote
	collector   string // where another manager may listen
	outside     *httptest.Server
}

// wellSpace is a disk without trouble.
var wellSpace = space{total: 100 << 30, free: 80 << 30, inodes: 1000, inodesFree: 900}

func (p *provoked) later(by time.Duration) { p.m.with(func(m *troubled) { m.ahead += by }) }

func (p *provoked) look() { p.w.look(p.Context()) }

func (p *provoked) file(name, text string) {
	p.Helper()
	path := filepath.Join(p.folder, name)
	if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
		p.Fatal(err)
	}
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		p.Fatal(err)
	}
}

const (
	provokedMain = `centre: {name: Small centre}
security: {communities: {trial: "${env:TRIAL_COMMUNITY}"}}
traps:
  listeners:
    l: {address: 127.0.0.1:0, community: trial}
    narrow: {address: 127.0.0.1:0, buffer: 1KiB}
console: {listen: 127.0.0.1:0, tls: {certificate: CERTIFICATE, key: KEY}}
gateways:
  text: {smpp: {host: 127.0.0.1, port: 1, system-id: standwatch}}
watcher: {url: WATCHER, every: 1h}
forward:
  collector: {syslog: {host: 127.0.0.1, port: COLLECTOR, transport: tcp}}
defaults: {ask: {port: ASKED, timeout: 100ms, retries: 0, interval: 0s}}
`
	provokedPeople = `people:
  ann: {name: Duty, reach: [{gateway: text, to: "+12025550100"}]}
rosters:
  crew: {name: Crew, turns: [{people: [ann], start: 2026-01-05, hand-over: "08:00", every: week}]}
ladders:
  up: {rungs: [{tell: [{roster: crew}], wait: 10m}]}
routes:
  - {name: plant, sites: tern-point, ladder: up}
  - {name: the board alone, board-only: yes}
`
	provokedRules = `use: [kestrel-remote]
rules:
  - {name: wants a varbind, on: 1.3.6.1.4.1.32473.9.0.1, observe: [{point: mains, what: raise, instance: "${#1}"}]}
`
	provokedSites = `templates:
  sheet:
    ask: {questions: [kestrel-remote]}
    points:
      mains: {number: 1, name: Mains, severity: minor}
      light: {number: 2, name: Light, severity: minor}
sites:
  stone-pit:
    name: Stone Pit
    agents: {pit-remote: {addresses: [127.0.0.1]}}
    points: {mains: {name: Mains, severity: minor}}
  tern-point:
    name: Tern Point
    templates: [sheet]
    agents: {tern-remote: {addresses: [127.9.3.1], community: trial}}
`
)

// startProvoked runs a daemon on a folder whose history is years old.
func startProvoked(t *testing.T) *provoked {
	t.Helper()
	p := &provoked{T: t, folder: t.TempDir(), remote: startRemote(t), m: &troubled{space: wellSpace, left: 4 << 30, total: 8 << 30, synced: true}}
	secrets := t.TempDir()
	p.certificate = &configs.TLS{Certificate: filepath.Join(secrets, "console.pem"), Key: filepath.Join(secrets, "console.key")}
	writeCertificate(t, p.certificate, 1000*24*time.Hour)
	p.outside = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(http.StatusNoContent) }))
	t.Cleanup(p.outside.Close)
	p.collector = loopbackTCP(t)
	_, port, err := net.SplitHostPort(p.collector)
	if err != nil {
		t.Fatal(err)
	}
	p.file("standwatch.yaml", strings.NewReplacer("CERTIFICATE", p.certificate.Certificate, "KEY", p.certificate.Key, "WATCHER", p.outside.URL,
		"COLLECTOR", port, "ASKED", fmt.Sprint(p.remote.at.Port())).Replace(provokedMain)+"store: {keep: {age: 0s}}\n")
	p.file("people.yaml", provokedPeople)
	p.file("rules/rules.yaml", provokedRules)
	p.file("sites/sites.yaml", provokedSites)
	t.Setenv("TRIAL_COMMUNITY", "trial")
	t.Setenv("TRIAL_SECRET", "0123456789abcdef")
	load := func(ctx context.Context) (*configs.Config, configs.Problems) {
		return configs.LoadFolder(ctx, p.folder, configs.Options{})
	}
	cfg, problems := load(t.Context())
	if problems.Mistakes() {
		t.Fatal(problems)
	}
	data := oldFolder(t, time.Now().Add(-1200*24*time.Hour))
	if err := os.WriteFile(filepath.Join(data, "notes.txt"), []byte("mine"), 0o600); err != nil {
		t.Fatal(err)
	}
	p.d, err = newDaemon(t.Context(), daemonOptions{Config: cfg, Data: data, Folder: p.folder, Reload: load, Machine: p.m.machine(), Look: 24 * time.Hour,
		Login: true, Told: io.Discard, Hashing: cheap, Log: zerolog.Nop(), Now: p.m.now})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.WithoutCancel(t.Context()))
	ended := make(chan error, 1)
	go func() { ended <- p.d.run(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	})
	started := p.d.store.Last()
	await(t, "the daemon runs", func() bool { return p.d.store.Last() > started })
	p.w = p.d.newSelfWatch()
	return p
}

// text is what an alarm of the site self says; empty when it does not stand.
func (p *provoked) text(k correlate.Key) (text string) {
	p.d.ledger.Read(func(st *correlate.State, _ *correlate.Network) {
		if a := st.Alarms[k]; a != nil && a.Standing {
			text = a.Text
		}
	})
	return text
}

func (p *provoked) reload(good bool) {
	p.Helper()
	if err := p.d.reload(p.Context()); (err == nil) != good {
		p.Fatalf("reload: %v", err)
	}
}

// limitFiles bounds the size of every file that this process writes, which
// stands in for a full disk, while fn runs.
func (p *provoked) limitFiles(fn func()) {
	p.Helper()
	var was unix.Rlimit
	if err := unix.Getrlimit(unix.RLIMIT_FSIZE, &was); err != nil {
		p.Fatal(err)
	}
	if err := unix.Setrlimit(unix.RLIMIT_FSIZE, &unix.Rlimit{Cur: 4096, Max: was.Max}); err != nil {
		p.Fatal(err)
	}
	defer func() {
		if err := unix.Setrlimit(unix.RLIMIT_FSIZE, &was); err != nil {
			p.Fatal(err)
		}
	}()
	fn()
}

// failCommit has a commit fail, and waits until commits work again.
func (p *provoked) failCommit() {
	p.Helper()
	p.limitFiles(func() {
		in := &correlate.Notice{Source: strings.Repeat("too much ", 50_000)}
		if _, err := p.d.ledger.Submit(p.Context(), in); err == nil {
			p.Error("the full disk was not met")
		}
		p.look()
	})
	await(p.T, "commits work again", func() bool { return p.d.ledger.Health().Failures == 0 })
}

// fillQueue holds the ledger up, fills its queue, and lets it go when that was
// seen and is about to be journaled.
func (p *provoked) fillQueue() {
	p.Helper()
	release, held := make(chan struct{}), make(chan struct{})
	if !p.d.ledger.Offer(&correlate.Tick{}, func(ledger.Receipt, error) { close(held); <-release }) {
		p.Fatal("the queue is full already")
	}
	<-held
	for range p.d.ledger.Health().QueueLen/2 + 1 {
		p.d.ledger.Offer(&correlate.Tick{}, func(ledger.Receipt, error) {})
	}
	before := p.d.ledger.Health().Queue
	looked := make(chan struct{})
	go func() { defer close(looked); p.w.queue(p.Context()) }()
	await(p.T, "the queue was looked at", func() bool { return p.d.ledger.Health().Queue > before })
	close(release)
	<-looked
	if text := p.text(correlate.Key{Site: correlate.SiteSelf, Point: configs.SelfQueue}); !strings.Contains(text, "places in the queue before the journal are taken") {
		p.Errorf("of a full queue it says %q", text)
	}
}

// lose sends into a socket that has no room until something was lost.
func (p *provoked) lose() {
	p.Helper()
	conn, err := net.Dial("udp", p.d.receiver.Addresses()["narrow"].String())
	if err != nil {
		p.Fatal(err)
	}
	defer conn.Close()
	await(p.T, "the kernel dropped something", func() bool {
		for range 500 {
			if _, err := conn.Write(make([]byte, 1000)); err != nil && !errors.Is(err, unix.ENOBUFS) {
				p.Fatal(err)
			}
		}
		for _, l := range p.d.intake().Listeners {
			if l.KernelDropped > 0 {
				return true
			}
		}
		return false
	})
}

func (p *provoked) ask(mute bool, failures bool) {
	p.Helper()
	p.remote.mute.Store(mute)
	await(p.T, fmt.Sprintf("the remote was asked, mute: %v", mute), func() bool {
		p.later(2 * time.Second) // the distance that is kept
		_, err := p.d.auditor.Ask("tern-point", "", correlate.Key{}, "desk")
		n := 0
		p.d.ledger.Read(func(st *correlate.State, _ *correlate.Network) {
			if a := st.Audits["tern-remote"]; a != nil {
				n = a.Failures
			}
		})
		return err == nil && (n > 1) == failures
	})
}

// TestEverySelfPointIsProvoked makes every fault that the master finds about
// itself come about, sees it stand with its words, mends it, and sees it clear.
// A point without a row fails the test.
func TestEverySelfPointIsProvoked(t *testing.T) {
	if !storetest.Alone(t) {
		return
	}
	p := startProvoked(t)
	p.look()
	whole := func() { p.m.with(func(m *troubled) { m.space = wellSpace }) }
	calm := func() { p.later(6 * time.Minute); p.look(); p.later(time.Minute) }
	rows := []struct {
		point    correlate.PointID
		instance string
		words    string
		provoke  func()
		mend     func()
	}{
		{configs.SelfGateway, "text", "Gateway text ", func() {
			await(t, "the line failed", func() bool { return gatewayFault(p.d.runner.Health()[0], p.m.now()) != "" })
		}, func() {
			p.file("standwatch.yaml", strings.Replace(p.text0("standwatch.yaml"), "gateways:\n  text: {smpp: {host: 127.0.0.1, port: 1, system-id: standwatch}}\n",
				"gateways:\n  text: {hook: {url: '"+p.outside.URL+"', secret: '${env:TRIAL_SECRET}'}}\n", 1))
			p.reload(true)
			report(t, p.d, "light", correlate.Raise) // and somebody is told
		}},
		{configs.SelfDisk, "", "100 MiB left", func() { p.m.with(func(m *troubled) { m.space.free = 100 << 20 }) }, whole},
		{configs.SelfDisk, "inodes", "5 more files", func() { p.m.with(func(m *troubled) { m.space.inodesFree = 5 }) }, whole},
		{configs.SelfDisk, "growth", "full in 0 days", func() { p.later(3 * time.Hour); p.m.with(func(m *troubled) { m.space.free -= 40 << 30 }) }, whole},
		{configs.SelfMemory, "", "100 of 8192 MiB", func() { p.m.with(func(m *troubled) { m.left = 100 << 20 }) }, func() { p.m.with(func(m *troubled) { m.left = 4 << 30 }) }},
		{configs.SelfClock, "time-service", "No time service", func() { p.m.with(func(m *troubled) { m.synced = false }); p.look(); p.later(11 * time.Minute) },
			func() { p.m.with(func(m *troubled) { m.synced = true }) }},
		{configs.SelfClock, "", "jumped by -1h0m", func() { p.look(); p.m.with(func(m *troubled) { m.set -= time.Hour }) }, calm},
		{configs.SelfRefused, "", "could not be read or believed", func() { sendStrangers(t, p.d, 60) }, calm},
		{configs.SelfRules, "", "Rules failed", func() {
			for range wrongFaults {
				mustCommand(t, 0, "sent", "send", "--target", p.d.receiver.Addresses()["l"].String(), "--community", "trial", "--trap", "1.3.6.1.4.1.32473.9.0.1")
			}
			await(t, "the rule failed", func() bool { return p.d.current().Rules.Rules()[0].Faults >= wrongFaults })
		}, calm},
		{configs.SelfConfig, "files", "not in force; reload it", func() {
			p.file("people.yaml", provokedPeople+"# changed\n")
			p.later(2 * time.Minute)
			p.look()
			p.later(11 * time.Minute)
		}, func() { p.file("people.yaml", provokedPeople); p.later(2 * time.Minute) }},
		{configs.SelfConfig, "", "was not taken", func() { p.file("people.yaml", "people: 7\n"); p.reload(false) }, func() { p.file("people.yaml", provokedPeople); p.reload(true) }},
		{configs.SelfRoster, "crew", "Nobody is on call", func() {
			p.file("people.yaml", strings.Replace(provokedPeople, "2026-01-05", "2126-01-05", 1))
			p.reload(true)
		}, func() { p.file("people.yaml", provokedPeople); p.reload(true) }},
		{configs.SelfWatcher, "", "answered 500", func() { p.beat(http.StatusInternalServerError) }, func() { p.beat(http.StatusNoContent) }},
		{configs.SelfAudit, "", "Agent tern-remote has not answered", func() { p.ask(true, true) }, func() { p.ask(false, false) }},
		{configs.SelfForward, "collector", "collector takes no alarms", func() {
			report(t, p.d, "mains", correlate.Raise)
			await(t, "it was tried", func() bool { return !p.d.forwarders.health()[0].Since.IsZero() })
			p.later(2 * time.Minute)
		}, func() {
			p.collect()
			await(t, "it is taken", func() bool { return p.d.forwarders.health()[0].Since.IsZero() })
		}},
		{configs.SelfIntake, "", "notifications were lost", p.lose, calm},
		{configs.SelfQueue, "", "", p.fillQueue, func() {}}, // over before it can be looked at again
		{configs.SelfCommit, "", "could not be written", p.failCommit, calm},
		{configs.SelfCommit, "slow", "The journal is slow", func() {
			p.w.slowFrom = 0 // everything takes longer than nothing
			for range slowLeast {
				report(t, p.d, "light", correlate.Raise)
				p.look()
			}
		}, func() { p.w.slowFrom = time.Minute }},
		{configs.SelfHistory, "folder", "notes.txt", func() {}, nil},
		{configs.SelfHistory, "", "old history was not let go", func() {
			p.file("standwatch.yaml", strings.Replace(p.text0("standwatch.yaml"), "age: 0s", "age: 100d", 1))
			p.reload(true)
			p.limitFiles(func() { p.d.keeper.once(p.Context()) })
		}, func() { p.d.keeper.once(p.Context()) }},
		{configs.SelfBackup, "", "is in no backup", func() { p.later(9 * 24 * time.Hour) }, func() {
			mustCommand(t, 0, "segments copied", "backup", "--data", p.d.dir, "--to", filepath.Join(t.TempDir(), "copy"))
		}},
		{configs.SelfCertificate, "", "ends on", func() { p.renew(10 * 24 * time.Hour) }, func() { p.renew(1000 * 24 * time.Hour) }},
	}
	without := map[correlate.PointID]bool{}
	for id := range p.d.current().Network.Site(correlate.SiteSelf).Points {
		without[id] = true
	}
	for _, c := range rows {
		delete(without, c.point)
		key := correlate.Key{Site: correlate.SiteSelf, Point: c.point, Instance: c.instance}
		c.provoke()
		p.look()
		p.later(2 * time.Minute) // a point may want the fault to hold for a while
		if c.words != "" {
			await(t, fmt.Sprintf("%s stands", key), func() bool { tick(t, p.d); return strings.Contains(p.text(key), c.words) })
		}
		if c.mend == nil {
			continue // it stands until a start
		}
		c.mend()
		p.look()
		p.later(2 * time.Minute)
		await(t, fmt.Sprintf("%s is cleared", key), func() bool {
			p.look()
			tick(t, p.d)
			return p.text(key) == ""
		})
	}
	for id := range without {
		t.Errorf("nothing provokes %s:%s", correlate.SiteSelf, id)
	}
}

// text0 is a file of the configuration as it is.
func (p *provoked) text0(name string) string {
	p.Helper()
	text, err := os.ReadFile(filepath.Join(p.folder, name))
	if err != nil {
		p.Fatal(err)
	}
	return string(text)
}

// beat sends heartbeats to a watcher that answers with a status.
func (p *provoked) beat(status int) {
	p.Helper()
	outside := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(status) }))
	defer outside.Close()
	client := outside.Client()
	defer client.CloseIdleConnections()
	for range beatsMissed {
		_ = p.d.heart.beat(p.Context(), client, &configs.Watcher{URL: outside.URL, Method: http.MethodGet}) // the heart remembers
	}
}

// collect plays the other manager until the test ends.
func (p *provoked) collect() {
	p.Helper()
	at, err := net.Listen("tcp4", p.collector)
	if err != nil {
		p.Fatal(err)
	}
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		for {
			conn, err := at.Accept()
			if err != nil {
				return
			}
			go func() { _, _ = io.Copy(io.Discard, conn); _ = conn.Close() }() // until the daemon ends it
		}
	}()
	p.Cleanup(func() { _ = at.Close(); <-ended })
}

// renew puts another certificate of the console on disk and waits until it is
// served.
func (p *provoked) renew(lasts time.Duration) {
	p.Helper()
	ahead := time.Until(p.m.now())
	leaf := writeCertificate(p.T, p.certificate, ahead+lasts)
	await(p.T, "the certificate is served", func() bool {
		p.later(time.Second) // files are looked at every few seconds
		now, _ := p.d.door.certificate.State(p.m.now())
		return now.Equal(leaf)
	})
}
