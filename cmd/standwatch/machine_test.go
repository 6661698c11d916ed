package main

import (
	"errors"
	"net"
	"os"
	"sync"
	"testing"
	"time"

	"example.net/standwatch/correlate"
)

// troubled is a machine that a test puts in trouble.
type troubled struct {
	mu          sync.Mutex // guards the rest
	space       space
	left, total uint64
	synced      bool
	ahead       time.Duration // what a test says has passed beside the real time
	set         time.Duration // by how much the clock was set meanwhile
}

func (m *troubled) with(change func(*troubled)) {
	m.mu.Lock()
	defer m.mu.Unlock()
	change(m)
}

func (m *troubled) now() (at time.Time) {
	m.with(func(m *troubled) { at = time.Now().Add(m.ahead + m.set) })
	return at
}

var testBegan = time.Now()

func (m *troubled) count() (passed time.Duration) {
	m.with(func(m *troubled) { passed = time.Since(testBegan) + m.ahead })
	return passed
}

func (m *troubled) machine() *machine {
	return &machine{
		disk: func(string) (s space, err error) { m.with(func(m *troubled) { s = m.space }); return s, nil },
		memory: func() (l, t uint64, err error) {
			m.with(func(m *troubled) { l, t = m.left, m.total })
			return l, t, nil
		},
		synced: func() (s bool, err error) { m.with(func(m *troubled) { s = m.synced }); return s, nil },
		count:  m.count,
	}
}

func tick(t *testing.T, d *daemon) {
	t.Helper()
	if _, err := d.ledger.Submit(t.Context(), &correlate.Tick{}); err != nil {
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
