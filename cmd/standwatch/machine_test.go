package main

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"example.net/standwatch/configs"
	"example.net/standwatch/correlate"
	"github.com/rs/zerolog"
)

// troubled is a machine that a test puts in trouble.
type troubled struct {
	mu          sync.Mutex // guards the rest
	space       space
	left, total uint64
	synced      bool
	ahead       time.Duration // of the clock
}

func (m *troubled) with(change func(*troubled)) {
	m.mu.Lock()
	defer m.mu.Unlock()
	change(m)
}

func (m *troubled) now() (at time.Time) {
	m.with(func(m *troubled) { at = time.Now().Add(m.ahead) })
	return at
}

func (m *troubled) machine() *machine {
	return &machine{
		disk: func(string) (s space, err error) { m.with(func(m *troubled) { s = m.space }); return s, nil },
		memory: func() (l, t uint64, err error) {
			m.with(func(m *troubled) { l, t = m.left, m.total })
			return l, t, nil
		},
		synced: func() (s bool, err error) { m.with(func(m *troubled) { s = m.synced }); return s, nil },
	}
}

// TestSelfPointsOfTheMachine provokes each fault that the master finds on its
// machine and in what it is given, sees it stand, and sees it clear.
func TestSelfPointsOfTheMachine(t *testing.T) {
	well := space{total: 100 << 30, free: 80 << 30, inodes: 1000, inodesFree: 900}
	m := &troubled{space: well, left: 4 << 30, total: 8 << 30, synced: true}
	folder := t.TempDir()
	for name, f := range smallFiles {
		if err := os.MkdirAll(filepath.Join(folder, filepath.Dir(name)), 0o700); err != nil {
			t.Fatal(err)
		}
		text := strings.ReplaceAll(string(f.Data), "address: 127.0.0.1:0", "address: 127.0.0.1:0, community: trial") + map[bool]string{true: "security: {communities: {trial: \"${env:TRIAL_COMMUNITY}\"}}\n"}[name == "standwatch.yaml"]
		if err := os.WriteFile(filepath.Join(folder, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	for name, text := range map[string]string{
		"rules/rules.yaml":  "rules:\n  - {name: wants a varbind, on: 1.3.6.1.4.1.32473.9.0.1, observe: [{point: mains, what: raise, instance: \"${#1}\"}]}\n",
		"sites/talker.yaml": "sites:\n  stone-pit:\n    name: Stone Pit\n    agents: {pit-remote: {addresses: [127.0.0.1]}}\n    points: {mains: {name: Mains, severity: minor}}\n",
	} {
		if err := os.MkdirAll(filepath.Join(folder, filepath.Dir(name)), 0o700); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(folder, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	t.Setenv("TRIAL_COMMUNITY", "right")
	cfg, problems := configs.LoadFolder(t.Context(), folder, configs.Options{})
	if problems.Mistakes() {
		t.Fatal(problems)
	}
	d, err := newDaemon(t.Context(), daemonOptions{Config: cfg, Data: t.TempDir(), Folder: folder, Machine: m.machine(), Log: zerolog.Nop(), Now: m.now})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- d.run(ctx) }()
	defer func() {
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	}()
	await(t, "the daemon runs", func() bool { return d.store.Last() > 0 })
	people := filepath.Join(folder, "people.yaml")
	info, err := os.Stat(people)
	if err != nil {
		t.Fatal(err)
	}
	w := d.newSelfWatch()
	later := func(by time.Duration) { m.with(func(m *troubled) { m.ahead += by }) }
	w.look(ctx)

	for _, c := range []struct {
		point    correlate.PointID
		instance string
		provoke  func()
		mend     func()
		words    string
	}{
		{configs.SelfDisk, "", func() { m.with(func(m *troubled) { m.space.free = 100 << 20 }) }, func() { m.with(func(m *troubled) { m.space = well }) }, "100 MiB left"},
		{configs.SelfDisk, "inodes", func() { m.with(func(m *troubled) { m.space.inodesFree = 5 }) }, func() { m.with(func(m *troubled) { m.space = well }) }, "5 more files"},
		{configs.SelfDisk, "growth", func() { later(3 * time.Hour); m.with(func(m *troubled) { m.space.free -= 40 << 30 }) }, func() { m.with(func(m *troubled) { m.space = well }) }, "full in 0 days"},
		{configs.SelfMemory, "", func() { m.with(func(m *troubled) { m.left = 100 << 20 }) }, func() { m.with(func(m *troubled) { m.left = 4 << 30 }) }, "100 of 8192 MiB"},
		{configs.SelfClock, "time-service", func() { m.with(func(m *troubled) { m.synced = false }); w.look(ctx); later(11 * time.Minute) }, func() { m.with(func(m *troubled) { m.synced = true }) }, "No time service"},
		{configs.SelfRefused, "", func() { sendStrangers(t, d, 60) }, func() { later(6 * time.Minute); w.look(ctx); later(time.Minute) }, "could not be read or believed"},
		{configs.SelfRules, "", func() {
			for range wrongFaults {
				mustCommand(t, 0, "sent", "send", "--target", d.receiver.Addresses()["l"].String(), "--community", "right", "--trap", "1.3.6.1.4.1.32473.9.0.1")
			}
			await(t, "the rule failed", func() bool { return d.current().Rules.Rules()[0].Faults >= wrongFaults })
		}, func() { later(6 * time.Minute); w.look(ctx); later(time.Minute) }, "Rules failed"},
		{configs.SelfConfig, "files", func() { touch(t, people, info.ModTime().Add(time.Second)); w.look(ctx); later(31 * time.Minute) }, func() { touch(t, people, info.ModTime()) }, "not in force"},
	} {
		key := correlate.Key{Site: correlate.SiteSelf, Point: c.point, Instance: c.instance}
		stands := func() (text string) {
			d.ledger.Read(func(st *correlate.State, _ *correlate.Network) {
				if a := st.Alarms[key]; a != nil && a.Standing {
					text = a.Text
				}
			})
			return text
		}
		c.provoke()
		w.look(ctx)
		// A point may want the fault to hold for a while.
		later(2 * time.Minute)
		await(t, fmt.Sprintf("%s stands", key), func() bool { tick(t, d); return strings.Contains(stands(), c.words) })
		c.mend()
		w.look(ctx)
		later(2 * time.Minute)
		await(t, fmt.Sprintf("%s is cleared", key), func() bool { tick(t, d); return stands() == "" })
	}
}

func tick(t *testing.T, d *daemon) {
	t.Helper()
	if _, err := d.ledger.Submit(t.Context(), &correlate.Tick{}); err != nil {
		t.Fatal(err)
	}
}

// touch sets the time at which a file was changed.
func touch(t *testing.T, name string, at time.Time) {
	t.Helper()
	if err := os.Chtimes(name, at, at); err != nil {
		t.Fatal(err)
	}
}

// sendStrangers sends what is no SNMP and waits until it is accounted for.
func sendStrangers(t *testing.T, d *daemon, n int) {
	t.Helper()
	conn, err := net.Dial("udp", d.receiver.Addresses()["l"].String())
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	before := arrived(d)
	for range n {
		if _, err := conn.Write([]byte("not SNMP")); err != nil {
			t.Fatal(err)
		}
	}
	await(t, "the strangers are counted", func() bool { return arrived(d) >= before+uint64(n) })
}

func arrived(d *daemon) uint64 { return d.receiver.Accounts().Listeners[0].Tally.Sum() }

// TestMemoryLeft: the machine's figure, or the control group's where that is
// less, without pages that can be given back.
func TestMemoryLeft(t *testing.T) {
	meminfo := "MemTotal:        8388608 kB\nMemFree:          100000 kB\nMemAvailable:    4194304 kB\n"
	for name, c := range map[string]struct {
		files       map[string]string
		left, total uint64
	}{
		"machine":       {map[string]string{"/proc/meminfo": meminfo}, 4 << 30, 8 << 30},
		"group, max":    {map[string]string{"/proc/meminfo": meminfo, "/proc/self/cgroup": "0::/a\n", "/sys/fs/cgroup/a/memory.max": "max\n"}, 4 << 30, 8 << 30},
		"group, 1 GiB":  {map[string]string{"/proc/meminfo": meminfo, "/proc/self/cgroup": "0::/a\n", "/sys/fs/cgroup/a/memory.max": "1073741824\n", "/sys/fs/cgroup/a/memory.current": "1073741824\n", "/sys/fs/cgroup/a/memory.stat": "anon 5\ninactive_file 536870912\n"}, 512 << 20, 1 << 30},
		"group, beyond": {map[string]string{"/proc/meminfo": meminfo, "/proc/self/cgroup": "0::/a\n", "/sys/fs/cgroup/a/memory.max": "1073741824\n", "/sys/fs/cgroup/a/memory.current": "2073741824\n"}, 0, 1 << 30},
	} {
		left, total, err := memoryLeft(func(name string) ([]byte, error) {
			if text, ok := c.files[name]; ok {
				return []byte(text), nil
			}
			return nil, os.ErrNotExist
		})
		if err != nil || left != c.left || total != c.total {
			t.Errorf("%s: %d of %d, %v; want %d of %d", name, left, total, err, c.left, c.total)
		}
	}
	if _, _, err := memoryLeft(func(string) ([]byte, error) { return nil, os.ErrNotExist }); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("without /proc: %v", err)
	}
}

// TestThisMachineAnswers: the real calls work where the tests run.
func TestThisMachineAnswers(t *testing.T) {
	m := thisMachine()
	if s, err := m.disk(t.TempDir()); err != nil || s.total == 0 || s.free > s.total {
		t.Errorf("disk %+v, %v", s, err)
	}
	if left, total, err := m.memory(); err != nil || total == 0 || left > total {
		t.Errorf("memory %d of %d, %v", left, total, err)
	}
}
