package main

import (
	"context"
	"fmt"
	"net"
	"os"
	"strconv"
	"time"
)

// supervisor tells the service manager that started this process how it is
// (sd_notify protocol: datagrams of NAME=VALUE lines to the socket that
// NOTIFY_SOCKET names). Without a service manager it says nothing.
type supervisor struct {
	socket string        // "" without one
	dog    time.Duration // how long the manager waits for a sign of life; 0 for ever
}

// newSupervisor reads what the service manager left in the environment:
// NOTIFY_SOCKET, WATCHDOG_USEC and WATCHDOG_PID. The watchdog counts only for
// the process it names.
func newSupervisor(getenv func(string) string) supervisor {
	s := supervisor{socket: getenv("NOTIFY_SOCKET")}
	if pid := getenv("WATCHDOG_PID"); pid != "" && pid != strconv.Itoa(os.Getpid()) {
		return s
	}
	if micro, err := strconv.ParseInt(getenv("WATCHDOG_USEC"), 10, 64); err == nil && micro > 0 {
		s.dog = time.Duration(micro) * time.Microsecond
	}
	return s
}

// tell sends one state, such as "READY=1".
func (s supervisor) tell(state string) error {
	if s.socket == "" {
		return nil
	}
	// A name that begins with @ is an abstract one; the net package knows it so.
	conn, err := net.DialUnix("unixgram", nil, &net.UnixAddr{Name: s.socket, Net: "unixgram"})
	if err != nil {
		return fmt.Errorf("tell the service manager %q: %w", state, err)
	}
	defer conn.Close()
	if _, err := conn.Write([]byte(state)); err != nil {
		return fmt.Errorf("tell the service manager %q: %w", state, err)
	}
	return nil
}

// pulse is what the watchdog looks at: how many inputs wait for the journal,
// how many records it holds, and how many commits failed in a row.
type pulse struct {
	waiting  int
	last     uint64
	failures int
}

// alive reports whether the master moved since the pulse before: something was
// journaled, or was tried in vain (a full disk is no reason to be restarted),
// or nothing waits.
func (p pulse) alive(before pulse) bool {
	return p.waiting == 0 || before.waiting == 0 || p.last != before.last || p.failures != before.failures
}

// watch tells the service manager that the master lives, twice in the time
// that it waits, as long as it does. A master whose journal stands still with
// inputs before it is not alive, and the manager starts it anew.
func (s supervisor) watch(ctx context.Context, look func() pulse, warn func(error)) error {
	if s.socket == "" || s.dog == 0 {
		return nil
	}
	ticker := time.NewTicker(s.dog / 2)
	defer ticker.Stop()
	before := look()
	for {
		now := look()
		if now.alive(before) {
			if err := s.tell("WATCHDOG=1"); err != nil {
				warn(err)
			}
		}
		before = now
		select {
		case <-ctx.Done():
			return nil
		case <-ticker.C:
		}
	}
}

// pulse returns the daemon's.
func (d *daemon) pulse() pulse {
	h := d.ledger.Health()
	return pulse{waiting: h.Queue, last: uint64(d.store.Last()), failures: h.Failures}
}

// manage speaks with the service manager while the daemon runs: ready, alive,
// stopping.
func (d *daemon) manage(ctx context.Context) error {
	s := newSupervisor(os.Getenv)
	warn := func(err error) { d.log.Warn().Err(err).Msg("the service manager was not told") }
	say := func(state string) {
		if err := s.tell(state); err != nil {
			warn(err)
		}
	}
	say("READY=1\nSTATUS=Receiving traps")
	err := s.watch(ctx, d.pulse, warn)
	<-ctx.Done()
	say("STOPPING=1\nSTATUS=Ending in order")
	return err
}
