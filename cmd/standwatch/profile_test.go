package main

import (
	"context"
	"errors"
	"net/http"
	"testing"
)

// TestProfilesOnThisMachineOnly: whatever could be reached from elsewhere is
// refused, and on loopback the profiler answers.
func TestProfilesOnThisMachineOnly(t *testing.T) {
	for _, address := range []string{":6060", "0.0.0.0:6060", "192.0.2.1:6060", "localhost", "[::]:6060"} {
		if _, _, err := newProfiler(address); !errors.Is(err, errUsage) {
			t.Errorf("%s: %v, want wrong use", address, err)
		}
	}
	server, at, err := newProfiler("127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- serveProfiles(ctx, server, at) }()
	r, err := http.Get("http://" + at.Addr().String() + "/debug/pprof/heap")
	if err != nil {
		t.Fatal(err)
	}
	r.Body.Close()
	if r.StatusCode != http.StatusOK {
		t.Errorf("answered %s", r.Status)
	}
	cancel()
	if err := <-done; err != nil {
		t.Error(err)
	}
}
