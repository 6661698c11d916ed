//go:build interop

package smpp

import (
	"bufio"
	"context"
	"encoding/hex"
	"fmt"
	"os/exec"
	"strings"
	"testing"
	"time"

	"example.net/standwatch/correlate"
)

// peer is the service centre of testdata/centre.pl, which is built on an
// independent library (Debian's libnet-smpp-perl).
type peer struct {
	t     testing.TB
	port  int
	lines chan string
}

func newPeer(t testing.TB) *peer {
	t.Helper()
	cmd := exec.Command("perl", "testdata/centre.pl")
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	var complaint strings.Builder
	cmd.Stderr = &complaint
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	p := &peer{t: t, lines: make(chan string, 10_000)}
	done := make(chan struct{})
	go func() {
		defer close(done)
		for s := bufio.NewScanner(out); s.Scan(); {
			select {
			case p.lines <- s.Text():
			default: // the benchmark does not read them
			}
		}
	}()
	t.Cleanup(func() {
		_ = cmd.Process.Kill() // it may have ended by itself
		<-done
		_ = cmd.Wait() // it was killed
		if t.Failed() {
			t.Log(complaint.String())
		}
	})
	if _, err := fmt.Sscanf(p.next(), "port %d", &p.port); err != nil {
		t.Fatal(err)
	}
	return p
}

func (p *peer) next() string {
	p.t.Helper()
	select {
	case line := <-p.lines:
		return line
	case <-time.After(time.Minute):
		p.t.Fatal("the service centre says nothing")
		return ""
	}
}

func (p *peer) options() Options {
	return Options{Host: "127.0.0.1", Port: p.port, SystemID: "standwatch", Password: "s3cret", From: "KESTREL", Receipts: true, Enquire: 200 * time.Millisecond}
}

// TestInteropSMPP: an independent service centre understands the bind, both
// alphabets, parts and signs of life, and we its receipts and answers.
func TestInteropSMPP(t *testing.T) {
	p := newPeer(t)
	in := newInbox()
	in.know("id-1")
	ch, err := New(p.options())
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() { ch.Run(ctx, in); close(done) }()
	defer func() { stop(); <-done }()

	if r := ch.Send(t.Context(), note); r.Outcome != correlate.Accepted || r.GatewayID != "id-1" {
		t.Fatalf("got %+v", r)
	}
	for _, want := range []string{"bind standwatch 52", "submit 5 KESTREL 1 12025550147 0 0 1 " + hex.EncodeToString([]byte(note.Body)), "taken 0", "taken 0"} {
		if got := p.next(); got != want {
			t.Errorf("the centre says %q, want %q", got, want)
		}
	}
	in.await(t, "id-1 delivered: receipt DELIVRD")
	in.await(t, "+12025550147: K7M3P")
	if got := p.next(); got != "enquire" {
		t.Errorf("the centre says %q", got)
	}
	for text, want := range map[string][]string{
		"Насос €":                {"0 8 1 " + hex.EncodeToString([]byte("\x04\x1d\x04\x30\x04\x41\x04\x3e\x04\x41\x00 \x20\xac"))},
		strings.Repeat("a", 161): {"64 0 0 050003", "64 0 1 050003"},
	} {
		m := note
		m.Body = text
		if r := ch.Send(t.Context(), m); r.Outcome != correlate.Accepted {
			t.Fatalf("got %+v", r)
		}
		for _, w := range want {
			line := p.next()
			for line == "enquire" || line == "taken 0" {
				line = p.next()
			}
			if !strings.HasPrefix(line, "submit 5 KESTREL 1 12025550147 "+w) {
				t.Errorf("the centre says %q, want %q", line, w)
			}
		}
	}
	stop()
	<-done
	for line := p.next(); line != "unbind"; line = p.next() {
		if line != "enquire" && line != "taken 0" {
			t.Errorf("the centre says %q", line)
		}
	}
}

// TestInteropSMPPRefused: it refuses a wrong password in a way that we
// understand.
func TestInteropSMPPRefused(t *testing.T) {
	p := newPeer(t)
	o := p.options()
	o.Password = "wrong"
	if r := up(t, o, newInbox()).Send(t.Context(), note); r.Outcome != correlate.Permanent || !strings.Contains(r.Answer, "wrong password") {
		t.Errorf("got %+v", r)
	}
}

// BenchmarkInteropWindow: messages through one window against the independent
// service centre, receipts not asked for. The demand is 1,000 a second.
func BenchmarkInteropWindow(b *testing.B) {
	p := newPeer(b)
	o := p.options()
	o.Receipts, o.Window, o.Enquire = false, 32, time.Minute
	ch := up(b, o, newInbox())
	through(b, ch)
}
