package main

import (
	"context"
	"net"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// listenAsManager is the service manager's end of the notify socket.
func listenAsManager(t *testing.T) (string, *net.UnixConn) {
	t.Helper()
	name := filepath.Join(t.TempDir(), "notify")
	conn, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: name, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	if err := conn.SetReadDeadline(time.Now().Add(time.Minute)); err != nil {
		t.Fatal(err)
	}
	return name, conn
}

func heard(t *testing.T, conn *net.UnixConn) string {
	t.Helper()
	b := make([]byte, 512)
	n, err := conn.Read(b)
	if err != nil {
		t.Fatalf("the service manager heard nothing: %v", err)
	}
	return string(b[:n])
}

// TestSupervisorTells: the datagrams are those of sd_notify(3), and without a
// socket nothing is sent and nothing fails.
func TestSupervisorTells(t *testing.T) {
	name, conn := listenAsManager(t)
	env := map[string]string{"NOTIFY_SOCKET": name, "WATCHDOG_USEC": "20000"}
	s := newSupervisor(func(k string) string { return env[k] })
	if s.dog != 20*time.Millisecond {
		t.Fatalf("watchdog of %s, want 20ms", s.dog)
	}
	if err := s.tell("READY=1"); err != nil {
		t.Fatal(err)
	}
	if got := heard(t, conn); got != "READY=1" {
		t.Errorf("heard %q", got)
	}
	if err := (supervisor{}).tell("READY=1"); err != nil {
		t.Errorf("without a manager: %v", err)
	}
	env["WATCHDOG_PID"] = "1"
	if got := newSupervisor(func(k string) string { return env[k] }); got.dog != 0 {
		t.Errorf("the watchdog of another process was taken: %s", got.dog)
	}
}

// TestSupervisorWatchesTheJournal: signs of life come while the journal moves
// and stay away while it stands still with inputs before it.
func TestSupervisorWatchesTheJournal(t *testing.T) {
	for name, tc := range map[string]struct {
		before, now pulse
		alive       bool
	}{
		"idle":                           {pulse{}, pulse{}, true},
		"moving":                         {pulse{waiting: 5, last: 10}, pulse{waiting: 5, last: 20}, true},
		"full disk":                      {pulse{waiting: 5, last: 10, failures: 1}, pulse{waiting: 5, last: 10, failures: 2}, true},
		"just begun":                     {pulse{last: 10}, pulse{waiting: 5, last: 10}, true},
		"stuck":                          {pulse{waiting: 5, last: 10}, pulse{waiting: 9, last: 10}, false},
		"stuck with a fault of long ago": {pulse{waiting: 5, last: 10, failures: 2}, pulse{waiting: 5, last: 10, failures: 2}, false},
	} {
		if got := tc.now.alive(tc.before); got != tc.alive {
			t.Errorf("%s: alive %v, want %v", name, got, tc.alive)
		}
	}
	socket, conn := listenAsManager(t)
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() {
		done <- supervisor{socket: socket, dog: 10 * time.Millisecond}.watch(ctx, func() pulse { return pulse{} }, func(err error) { t.Error(err) })
	}()
	for range 3 {
		if got := heard(t, conn); !strings.HasPrefix(got, "WATCHDOG=1") {
			t.Errorf("heard %q", got)
		}
	}
	cancel()
	if err := <-done; err != nil {
		t.Error(err)
	}
}
