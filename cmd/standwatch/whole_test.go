package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"net/http"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"go.uber.org/goleak"
)

// story takes what the demonstration tells while others read it, and closes
// over once a text has come.
type story struct {
	mu   sync.Mutex // guards buf, end
	buf  bytes.Buffer
	text string
	end  chan struct{}
	done bool
}

func (s *story) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	n, err := s.buf.Write(p)
	if !s.done && strings.Contains(s.buf.String(), s.text) {
		s.done = true
		close(s.end)
	}
	return n, err
}

func (s *story) String() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.buf.String()
}

// nextPort counts on from a random place, so that two processes rarely meet.
var nextPort atomic.Uint32

func init() { nextPort.Store(rand.Uint32N(loopbackPorts)) }

// Ports for tests lie below those that the kernel gives away by itself (from
// 32768 on, by Linux's ip_local_port_range), so that nothing takes one between its
// choice and its use.
const (
	loopbackFirst = 20000
	loopbackPorts = 12000
)

// loopbackPort returns a loopback address whose port is free for UDP and TCP and
// is given to nobody else in this process.
func loopbackPort(t testing.TB) string {
	t.Helper()
	for range loopbackPorts {
		at := fmt.Sprintf("127.0.0.1:%d", loopbackFirst+nextPort.Add(1)%loopbackPorts)
		udp, err := net.ListenPacket("udp4", at)
		if err != nil {
			continue
		}
		tcp, err := net.Listen("tcp4", at)
		udp.Close()
		if err != nil {
			continue
		}
		tcp.Close()
		return at
	}
	t.Fatal("no port is free")
	return ""
}

// TestDemoFromStartToEnd runs the whole system with its story forty times as
// fast as life, and holds what the journal says against what the story told.
// Then it ends it and wants nothing left running.
func TestDemoFromStartToEnd(t *testing.T) {
	defer goleak.VerifyNone(t, goleak.IgnoreCurrent())
	defer http.DefaultClient.CloseIdleConnections()
	console := loopbackPort(t)
	told := &story{text: "The story is over.", end: make(chan struct{})}
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	ended := make(chan error, 1)
	go func() {
		ended <- runDemo(ctx, told, told, demoFlags{data: t.TempDir(), console: console, traps: loopbackPort(t), format: "json", level: "warn", pace: 40})
	}()
	select {
	case <-told.end:
	case err := <-ended:
		t.Fatalf("the demonstration ended early: %v\n%s", err, told)
	case <-time.After(time.Minute):
		t.Fatalf("the story did not end within a minute\n%s", told)
	}

	raised := raisedAlarms(t, console)
	for _, id := range []string{
		"harrow-knoll:mains", "harrow-knoll:rectifier", "harrow-knoll:generator-fail", "harrow-knoll:battery-voltage",
		"north-hub:link:3", "quarry-gate:tower-light",
	} {
		if !slices.Contains(raised, id) {
			t.Errorf("%s never rose; what did: %v", id, raised)
		}
	}
	for _, words := range []string{"Now the mains fail at Harrow Knoll", "text to +1303555", "Harrow Knoll: Generator failed to start", "CLEARED Harrow Knoll: Mains present"} {
		if !strings.Contains(told.String(), words) {
			t.Errorf("the story lacks %q", words)
		}
	}
	var books struct {
		Balanced bool `json:"balanced"`
		Total    struct {
			Accepted map[string]uint64 `json:"accepted"`
			Refused  map[string]uint64 `json:"refused"`
		} `json:"total"`
	}
	getJSON(t, console, "/api/v1/intake", &books)
	if !books.Balanced || len(books.Total.Refused) > 0 || books.Total.Accepted["unmatched"] > 0 || books.Total.Accepted["matched"] < 40 {
		t.Errorf("the intake does not add up, or refused what the remotes said: %+v", books)
	}

	cancel()
	select {
	case err := <-ended:
		if err != nil {
			t.Errorf("ended with %v", err)
		}
	case <-time.After(time.Minute):
		t.Fatal("did not end within a minute of being told to")
	}
	if t.Failed() {
		t.Log(told)
	}
}

// raisedAlarms lists the alarms that ever rose, from the history.
func raisedAlarms(t *testing.T, console string) []string {
	t.Helper()
	var page struct {
		Records []struct {
			Events []struct{ Kind, Alarm string } `json:"event"`
		} `json:"record"`
	}
	getJSON(t, console, "/api/v1/history?limit=1000", &page)
	var ids []string
	for _, r := range page.Records {
		for _, e := range r.Events {
			if e.Kind == "raised" {
				ids = append(ids, e.Alarm)
			}
		}
	}
	return ids
}

func getJSON(t *testing.T, console, path string, into any) {
	t.Helper()
	res, err := http.Get(fmt.Sprintf("http://%s%s", console, path))
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	body, err := io.ReadAll(res.Body)
	if err != nil || res.StatusCode != http.StatusOK {
		t.Fatalf("GET %s: %s %v\n%s", path, res.Status, err, body)
	}
	if err := json.Unmarshal(body, into); err != nil {
		t.Fatal(err)
	}
}
