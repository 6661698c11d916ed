package main

import (
	"context"
	"fmt"
	"io"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"example.net/standwatch/cmd/standwatch/terminal"
	"example.net/standwatch/correlate"
)

// TestWatchInATerminal: a person watches, takes an alarm, loses the master and
// gets it back, all through the real API.
func TestWatchInATerminal(t *testing.T) {
	console := loopbackPort(t)
	files := fstest.MapFS{}
	for name, f := range smallFiles {
		files[name] = f
	}
	files["standwatch.yaml"] = &fstest.MapFile{Data: []byte(fmt.Sprintf("centre: {name: Small centre}\ntraps: {listeners: {l: {address: 127.0.0.1:0}}}\nconsole: {listen: %q}\n", console))}
	data := t.TempDir()
	d, stop := startSmall(t, files, data)
	report(t, d, "mains", correlate.Raise)

	mustCommand(t, 0, "major", "watch", "--once", "--url", "http://"+console)
	// The report of a shift, by its name, comes over the same API.
	mustCommand(t, 0, "Small centre", "report", "--url", "http://"+console, "--shift", "day", "--date", time.Now().AddDate(0, 0, -1).Format(time.DateOnly))
	mustCommand(t, 0, ",mains,", "history", "--url", "http://"+console, "--kind", "raised", "--site", "tern-point", "--from", "2026-01-01T00:00")
	mustCommand(t, 0, `"kind":"raised"`, "history", "--url", "http://"+console, "--form", "jsonl", "--limit", "5")
	mustCommand(t, 1, "unknown severity", "history", "--url", "http://"+console, "--severity", "loud")
	mustCommand(t, 2, "none of csv, jsonl", "history", "--url", "http://"+console, "--form", "xml")
	mustCommand(t, 2, "night", "report", "--url", "http://"+console, "--shift", "lunch")
	mustCommand(t, 2, "list of processes", "watch", "--url", "http://"+console, "--token", "written-out")
	mustCommand(t, 2, "is no address", "watch", "--url", "console")

	client, err := newWatchClient("http://"+console, "", "")
	if err != nil {
		t.Fatal(err)
	}
	keys, hand := io.Pipe()
	screen := &story{text: "Mains failed", end: make(chan struct{})}
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	ended := make(chan error, 1)
	go func() {
		ended <- terminal.Run(ctx, terminal.Options{Client: client, In: keys, Out: screen, Now: time.Now})
	}()
	await(t, "the alarm is on the screen", func() bool { return strings.Contains(screen.String(), "Mains failed") })
	if _, err := hand.Write([]byte("t")); err != nil {
		t.Fatal(err)
	}
	await(t, "the alarm is taken", func() (taken bool) {
		d.ledger.Read(func(st *correlate.State, _ *correlate.Network) {
			a := st.Alarms[correlate.Key{Site: "tern-point", Point: "mains"}]
			taken = a.Acknowledged && a.AckVia == "api"
		})
		return taken
	})
	stop()
	await(t, "the loss is said", func() bool { return strings.Contains(screen.String(), "LOST since") })
	d, _ = startSmall(t, files, data)
	report(t, d, "light", correlate.Raise)
	await(t, "the watch is back", func() bool { return strings.Contains(screen.String(), "Light failed") })
	if _, err := hand.Write([]byte("q")); err != nil {
		t.Fatal(err)
	}
	if err := <-ended; err != nil {
		t.Errorf("the watch ended with %v", err)
	}
}
