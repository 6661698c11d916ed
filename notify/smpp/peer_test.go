package smpp

import (
	"bufio"
	"context"
	"crypto/tls"
	"fmt"
	"net"
	"slices"
	"sync"
	"testing"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/notify"
)

// centre is a service centre for the failure cases. It reads and writes with
// the package's own codec; the interoperability test has an independent one.
type centre struct {
	t  testing.TB
	ln net.Listener

	mu      sync.Mutex // guards what follows
	bind    status
	answers []status       // for the next submits; then ok
	mute    bool           // submits get no answer
	dead    bool           // nothing gets an answer
	dropAt  int            // the connection is cut at this many submits
	got     []message      // copies of what was submitted
	conns   []net.Conn     // all that came
	replies map[uint32]pdu // to what the centre asked
	events  chan string    // what came, by name
	onSub   func(id string, c net.Conn)
	seq     uint32
}

func newCentre(t testing.TB, config *tls.Config) *centre {
	t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	if config != nil {
		ln = tls.NewListener(ln, config)
	}
	c := &centre{t: t, ln: ln, events: make(chan string, 10_000), replies: map[uint32]pdu{}}
	var all sync.WaitGroup
	all.Go(func() {
		for {
			conn, err := ln.Accept()
			if err != nil {
				return
			}
			c.mu.Lock()
			c.conns = append(c.conns, conn)
			c.mu.Unlock()
			all.Go(func() { c.serve(conn) })
		}
	})
	t.Cleanup(func() {
		ln.Close()
		c.cut()
		all.Wait()
	})
	return c
}

// cut closes all connections.
func (c *centre) cut() {
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, conn := range c.conns {
		conn.Close()
	}
}

func (c *centre) set(change func()) {
	c.mu.Lock()
	defer c.mu.Unlock()
	change()
}

func (c *centre) options() Options {
	at := c.ln.Addr().(*net.TCPAddr)
	return Options{Host: "127.0.0.1", Port: at.Port, SystemID: "standwatch", Password: "s3cret", From: "KESTREL", Receipts: true,
		Timeout: 2 * time.Second, FirstWait: 20 * time.Millisecond, LongestWait: 200 * time.Millisecond}
}

func (c *centre) serve(conn net.Conn) {
	defer conn.Close()
	r := bufio.NewReader(conn)
	for {
		p, err := readPDU(r)
		if err != nil {
			return
		}
		if !c.answer(conn, p) {
			return
		}
	}
}

func (c *centre) answer(conn net.Conn, p pdu) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.dead {
		return true
	}
	reply := pdu{command: p.command | response, seq: p.seq}
	switch p.command {
	case bindTransceiver:
		c.events <- "bind"
		reply.status = c.bind
		reply.body = append([]byte("centre"), 0)
	case submitSM:
		return c.submitted(conn, p, reply)
	case unbind:
		c.events <- "unbind"
	case enquireLink:
		c.events <- "enquire"
	default:
		c.replies[p.seq] = p
		c.events <- fmt.Sprintf("reply %08x %s", uint32(p.command), p.status)
		return true
	}
	_, err := conn.Write(reply.marshal())
	return err == nil
}

func (c *centre) submitted(conn net.Conn, p, reply pdu) bool {
	m, err := parseMessage(slices.Clone(p.body))
	if err != nil {
		c.t.Errorf("submit_sm: %v", err)
	}
	c.got = append(c.got, m)
	id := fmt.Sprintf("%X", 0xA0+len(c.got))
	c.events <- "submit"
	if c.dropAt > 0 && len(c.got) == c.dropAt {
		return false
	}
	if c.mute {
		return true
	}
	if len(c.answers) > 0 {
		reply.status, c.answers = c.answers[0], c.answers[1:]
	}
	if reply.status == ok {
		reply.body = append([]byte(id), 0)
	}
	if _, err := conn.Write(reply.marshal()); err != nil {
		return false
	}
	if c.onSub != nil && reply.status == ok {
		c.onSub(id, conn)
	}
	return true
}

// deliver hands a deliver_sm to the newest connection.
func (c *centre) deliver(m message) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.write(c.conns[len(c.conns)-1], m)
}

func (c *centre) write(conn net.Conn, m message) {
	c.seq++
	if _, err := conn.Write(pdu{command: deliverSM, seq: c.seq, body: m.marshal()}.marshal()); err != nil {
		c.t.Error(err)
	}
}

// raw writes octets to the newest connection.
func (c *centre) raw(octets ...byte) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if _, err := c.conns[len(c.conns)-1].Write(octets); err != nil {
		c.t.Error(err)
	}
}

// await waits until the centre has seen an event.
func (c *centre) await(want string) {
	c.t.Helper()
	late := time.After(time.Minute)
	for {
		select {
		case got := <-c.events:
			if got == want {
				return
			}
		case <-late:
			c.t.Fatalf("no %s came", want)
		}
	}
}

// inbox notes what it is told. Receipts are unknown until it knows their ID.
type inbox struct {
	mu    sync.Mutex // guards known and fails
	known map[string]bool
	fails int
	heard chan string
}

func newInbox() *inbox { return &inbox{known: map[string]bool{}, heard: make(chan string, 10_000)} }

func (i *inbox) know(id string) {
	i.mu.Lock()
	defer i.mu.Unlock()
	i.known[id] = true
}

func (i *inbox) Text(_ context.Context, from, text string) error {
	i.mu.Lock()
	defer i.mu.Unlock()
	if i.fails > 0 {
		i.fails--
		return fmt.Errorf("disk full")
	}
	i.heard <- from + ": " + text
	return nil
}

func (i *inbox) Receipt(_ context.Context, id string, outcome correlate.Outcome, answer string) error {
	i.mu.Lock()
	defer i.mu.Unlock()
	if !i.known[id] {
		return notify.ErrUnknownReceipt
	}
	i.heard <- fmt.Sprintf("%s %s: %s", id, outcome, answer)
	return nil
}

func (i *inbox) await(t testing.TB, want string) {
	t.Helper()
	select {
	case got := <-i.heard:
		if got != want {
			t.Errorf("heard %q, want %q", got, want)
		}
	case <-time.After(time.Minute):
		t.Fatalf("never heard %q", want)
	}
}

// up runs a channel until the test ends.
func up(t testing.TB, o Options, in notify.Inbox) *Channel {
	t.Helper()
	c, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() { c.Run(ctx, in); close(done) }()
	t.Cleanup(func() { stop(); <-done })
	return c
}
