package main

import (
	"context"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"github.com/rs/zerolog"

	"example.net/standwatch/configs"
	"example.net/standwatch/correlate"
	"example.net/standwatch/notify/hook"
)

// gatewayFiles is a configuration whose alarms leave by a signed request, and
// are handed on to a syslog collector.
func gatewayFiles(hookURL, collector string) fstest.MapFS {
	_, port, _ := net.SplitHostPort(collector)
	file := func(text string) *fstest.MapFile { return &fstest.MapFile{Data: []byte(text)} }
	return fstest.MapFS{
		"standwatch.yaml": file("centre: {name: Test centre}\nsecurity: {communities: {field: '${env:COMMUNITY}'}}\n" +
			"traps: {listeners: {field: {address: '127.0.0.1:0', community: field}}}\nconsole: {listen: '127.0.0.1:0'}\n" +
			"gateways:\n  bridge: {hook: {url: '" + hookURL + "', secret: '${env:SECRET}'}}\n  text: {smpp: {host: 127.0.0.1, port: 1, system-id: standwatch}}\n" +
			"forward:\n  collector: {syslog: {host: 127.0.0.1, port: " + port + ", transport: udp}}\n"),
		"people.yaml": file("people:\n  ann: {name: Duty, reach: [{gateway: bridge, to: duty}]}\nladders:\n  up: {rungs: [{tell: [{person: ann}], wait: 10m}]}\n" +
			"routes:\n  - {name: all, ladder: up}\n"),
		"sites/one.yaml": file("sites:\n  one:\n    name: Tern Point\n    agents: {one-remote: {addresses: 192.0.2.1, community: field}}\n" +
			"    points:\n      mains: {alarm: Mains failed, normal: Mains present, severity: critical, cause: commercialPowerFailure}\n"),
	}
}

// TestGatewaysOfDaemon: an alarm leaves by the gateway that is configured and is
// handed on; a reload keeps the lines of gateways that stay the same; a line
// that cannot be had is an alarm.
func TestGatewaysOfDaemon(t *testing.T) {
	collector, err := net.ListenPacket("udp4", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer collector.Close()
	asked := make(chan http.Header, 100)
	server := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) { asked <- r.Header }))
	defer server.Close()
	env := map[string]string{"COMMUNITY": "trial", "SECRET": "0123456789abcdef"}
	load := func(ctx context.Context) (*configs.Config, configs.Problems) {
		return configs.Load(ctx, gatewayFiles(server.URL, collector.LocalAddr().String()), configs.Options{Env: func(n string) (string, bool) { v, ok := env[n]; return v, ok }})
	}
	cfg, problems := load(t.Context())
	if cfg == nil {
		t.Fatal(problems)
	}
	d, err := newDaemon(t.Context(), daemonOptions{Config: cfg, Data: t.TempDir(), Reload: load, Log: zerolog.Nop(), Now: time.Now})
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- d.run(ctx) }()
	defer func() {
		stop()
		if err := <-done; err != nil {
			t.Error(err)
		}
	}()
	in := &correlate.Notice{Source: "test", Observations: []correlate.Observation{{Key: correlate.Key{Site: "one", Point: "mains"}, What: correlate.Raise}}}
	if _, err := d.ledger.Submit(ctx, in); err != nil {
		t.Fatal(err)
	}
	select {
	case h := <-asked:
		if h.Get(hook.SignatureHeader) == "" {
			t.Errorf("unsigned: %v", h)
		}
	case <-time.After(time.Minute):
		t.Error("no request came")
	}
	awaitSyslog(t, collector, `resource="one:mains" probableCause="commercialPowerFailure" perceivedSeverity="critical" eventType="environmentalAlarm"`)
	awaitSyslog(t, collector, `resource="self:gateway:text"`)

	before := d.channels["text"]
	if err := d.reload(ctx); err != nil {
		t.Fatal(err)
	}
	if d.channels["text"] != before {
		t.Error("the reload made a new line to a gateway that stayed the same")
	}
}

// awaitSyslog waits for a message that has the words in it.
func awaitSyslog(t *testing.T, conn net.PacketConn, words string) {
	t.Helper()
	if err := conn.SetReadDeadline(time.Now().Add(time.Minute)); err != nil {
		t.Fatal(err)
	}
	buf := make([]byte, 8192)
	for {
		n, _, err := conn.ReadFrom(buf)
		if err != nil {
			t.Fatalf("no %s came: %v", words, err)
		}
		if strings.Contains(string(buf[:n]), words) {
			return
		}
	}
}
