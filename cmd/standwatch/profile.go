package main

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/http/pprof"
	"time"
)

// newProfiler listens for the Go profiler's readers on an address of this
// machine only: profiles show what is in memory.
func newProfiler(address string) (*http.Server, net.Listener, error) {
	host, _, err := net.SplitHostPort(address)
	if err != nil {
		return nil, nil, fmt.Errorf("%w: --profile %q: %w", errUsage, address, err)
	}
	if ip := net.ParseIP(host); ip == nil || !ip.IsLoopback() {
		return nil, nil, fmt.Errorf("%w: --profile %q is not an address of this machine alone; take 127.0.0.1:6060", errUsage, address)
	}
	at, err := net.Listen("tcp", address)
	if err != nil {
		return nil, nil, fmt.Errorf("listen for profiles: %w", err)
	}
	mux := http.NewServeMux()
	mux.HandleFunc("GET /debug/pprof/", pprof.Index)
	mux.HandleFunc("GET /debug/pprof/cmdline", pprof.Cmdline)
	mux.HandleFunc("GET /debug/pprof/profile", pprof.Profile)
	mux.HandleFunc("GET /debug/pprof/symbol", pprof.Symbol)
	mux.HandleFunc("GET /debug/pprof/trace", pprof.Trace)
	return &http.Server{Handler: mux, ReadHeaderTimeout: 10 * time.Second}, at, nil
}

// serveProfiles serves until ctx ends. A profile that is being taken is cut off.
func serveProfiles(ctx context.Context, server *http.Server, at net.Listener) error {
	stop := context.AfterFunc(ctx, func() { server.Close() })
	defer stop()
	if err := server.Serve(at); !errors.Is(err, http.ErrServerClosed) {
		return fmt.Errorf("serve profiles: %w", err)
	}
	return nil
}
