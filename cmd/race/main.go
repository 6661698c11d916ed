//go:build linux

// Command race measures this tree end to end on one machine and prints one table
// of ratios. The daemon is a process of its own, built from this tree, with
// durable commits, rules, correlation and indexes on; the load is `standwatch
// send`, another process. Beside it run, one after the other and never at the
// same time: the ready listener of a well-known SNMP library with a handler that
// only counts, a loop that only reads datagrams (the floor of UDP), and a file
// that the same octets are appended to and synced in batches (the floor of
// durability).
//
//	go run ./cmd/race              # some minutes
//	go run ./cmd/race --quick      # half a minute: does it work at all?
//
// Figures of one machine say little, and those of another run on it drift; the
// ratios within one run are what is to be read. Everything is on loopback and in
// a folder that is removed at the end. It owns the processes it starts and waits
// for each. It judges nothing but what must hold anywhere: with --quick it fails
// when a column is missing or something is lost at a low rate.
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"syscall"
	"time"
)

// settings are the flags.
type settings struct {
	quick     bool
	program   string
	runs      int
	held      time.Duration
	sustain   time.Duration
	rate      float64
	probes    int
	events    int
	standing  int
	profile   string
	childRole string
	childRoom int
	dir       string // made by main
}

func main() {
	if err := run(os.Stdout, os.Args[1:]); err != nil {
		fmt.Fprintln(os.Stderr, "race:", err)
		os.Exit(1)
	}
}

func run(out io.Writer, args []string) error {
	var s settings
	flags := flag.NewFlagSet("race", flag.ContinueOnError)
	flags.BoolVar(&s.quick, "quick", false, "a short run that says whether the race works, not how fast anything is")
	flags.StringVar(&s.program, "program", "", "standwatch's program; built from this tree when left out")
	flags.IntVar(&s.runs, "runs", 3, "searches for each rate; the median counts")
	flags.DurationVar(&s.held, "held", 2*time.Second, "how long a rate is held")
	flags.DurationVar(&s.sustain, "sustain", 0, "how long four fifths of the highest rate are held at the end; 0: not")
	flags.Float64Var(&s.rate, "rate", 0, "take this for the highest rate instead of searching it: only times, disk and restart are measured")
	flags.IntVar(&s.probes, "probes", 200, "informs and alarms that times are taken of")
	flags.IntVar(&s.events, "events", 200_000, "records that a restart is measured with")
	flags.IntVar(&s.standing, "standing", 10_000, "standing alarms of those")
	flags.StringVar(&s.profile, "profile", "", "file for a processor profile of the daemon at its highest rate")
	flags.StringVar(&s.childRole, "child", "", "for itself: be a rival")
	flags.IntVar(&s.childRoom, "room", 0, "for itself: the rival's receive buffer")
	if err := flags.Parse(args); err != nil {
		return err
	}
	if s.childRole != "" {
		return child(s.childRole, s.childRoom)
	}
	if s.quick {
		s.runs, s.held, s.probes, s.events, s.standing = 1, 300*time.Millisecond, 20, 20_000, 1000
	}
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	var err error
	if s.dir, err = os.MkdirTemp("", "standwatch-race-"); err != nil {
		return err
	}
	defer os.RemoveAll(s.dir)
	if s.program == "" {
		s.program = filepath.Join(s.dir, "standwatch")
		if said, err := exec.CommandContext(ctx, "go", "build", "-o", s.program, "example.net/standwatch/cmd/standwatch").CombinedOutput(); err != nil {
			return fmt.Errorf("build standwatch: %w\n%s", err, said)
		}
	}
	header(out)
	t, err := s.race(ctx)
	t.print(out)
	if err == nil && s.quick {
		err = t.check()
	}
	return err
}

// race runs everything, and returns what it has when something fails.
func (s settings) race(ctx context.Context) (*table, error) {
	t := &table{}
	for _, leg := range []func(context.Context, settings, *table) error{rates, times, disk, restart, sustained} {
		if err := leg(ctx, s, t); err != nil {
			return t, err
		}
	}
	return t, nil
}

// wait waits for a process that was told to end.
func wait(cmd *exec.Cmd) error {
	err := cmd.Wait()
	var exit *exec.ExitError
	if errors.As(err, &exit) && exit.Sys().(syscall.WaitStatus).Signaled() {
		return nil // as it was told
	}
	return err
}
