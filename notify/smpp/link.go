package smpp

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"net"
	"sync"
	"time"
)

// errNoAnswer says that a request was sent and no answer came in time.
var errNoAnswer = errors.New("no answer in time")

// link is one connection to a service centre.
type link struct {
	conn    net.Conn
	timeout time.Duration // of an answer and of a write
	gone    chan struct{} // closed when the link has ended

	writing sync.Mutex // one PDU at a time

	mu      sync.Mutex // guards what follows
	seq     uint32
	pending map[uint32]chan pdu
	err     error // why it ended
}

func newLink(conn net.Conn, timeout time.Duration) *link {
	return &link{conn: conn, timeout: timeout, gone: make(chan struct{}), pending: map[uint32]chan pdu{}}
}

// end ends the link for a reason; the first counts.
func (l *link) end(err error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.err != nil {
		return
	}
	l.err = err
	close(l.gone)
	_ = l.conn.Close() // nothing is left to lose
}

// why returns the reason for the end.
func (l *link) why() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.err
}

// write sends a PDU. A write that fails ends the link, since part of the PDU
// may be on its way.
func (l *link) write(p pdu) error {
	l.writing.Lock()
	defer l.writing.Unlock()
	err := l.conn.SetWriteDeadline(time.Now().Add(l.timeout))
	if err == nil {
		_, err = l.conn.Write(p.marshal())
	}
	if err != nil {
		l.end(fmt.Errorf("write: %w", err))
	}
	return err
}

// request sends a command and waits for its answer. Errors: errNoAnswer, ctx's
// end counted as such, or why the link ended.
func (l *link) request(ctx context.Context, c command, body []byte) (pdu, error) {
	seq, answer := l.expect()
	defer l.forget(seq)
	if err := l.write(pdu{command: c, seq: seq, body: body}); err != nil {
		return pdu{}, l.why()
	}
	late := time.NewTimer(l.timeout)
	defer late.Stop()
	select {
	case p := <-answer:
		return p, nil
	case <-late.C:
		return pdu{}, errNoAnswer
	case <-ctx.Done():
		return pdu{}, errNoAnswer
	case <-l.gone:
		return pdu{}, l.why()
	}
}

// expect takes the next sequence number and a place for its answer.
func (l *link) expect() (uint32, chan pdu) {
	answer := make(chan pdu, 1)
	l.mu.Lock()
	defer l.mu.Unlock()
	for {
		l.seq = l.seq%maxSequence + 1
		if _, taken := l.pending[l.seq]; !taken {
			break
		}
	}
	l.pending[l.seq] = answer
	return l.seq, answer
}

func (l *link) forget(seq uint32) {
	l.mu.Lock()
	defer l.mu.Unlock()
	delete(l.pending, seq)
}

// settle hands an answer to whoever waits for it. An answer that nobody waits
// for came too late.
func (l *link) settle(p pdu) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if answer := l.pending[p.seq]; answer != nil {
		delete(l.pending, p.seq)
		answer <- p // there is room for one
	}
}

func (l *link) unanswered() int {
	l.mu.Lock()
	defer l.mu.Unlock()
	return len(l.pending)
}

// errLeave says that the other side took its leave.
var errLeave = errors.New("the centre took its leave")

// read reads until the link ends. What the centre delivers goes to deliver,
// which must not wait and answers false when there is no room.
func (l *link) read(deliver func(pdu) bool) {
	r := bufio.NewReaderSize(l.conn, 16<<10)
	for {
		p, err := readPDU(r)
		if errors.Is(err, errLength) {
			// Best effort: the stream cannot be trusted any more.
			_ = l.write(pdu{command: genericNack, status: badLength, seq: p.seq})
		}
		if err != nil {
			l.end(fmt.Errorf("read: %w", err))
			return
		}
		if err := l.take(p, deliver); err != nil {
			l.end(err)
			return
		}
	}
}

// take does what a PDU asks.
func (l *link) take(p pdu, deliver func(pdu) bool) error {
	switch {
	case p.command&response != 0:
		l.settle(p)
	case p.command == enquireLink:
		return l.write(pdu{command: enquireLink | response, seq: p.seq})
	case p.command == deliverSM:
		if !deliver(p) {
			return l.write(pdu{command: deliverSM | response, status: queueFull, seq: p.seq, body: []byte{0}})
		}
	case p.command == unbind:
		// The answer is a courtesy; the link ends either way.
		_ = l.write(pdu{command: unbind | response, seq: p.seq})
		return errLeave
	case p.command == alert, p.command == outbind:
		// Neither has an answer.
	default:
		return l.write(pdu{command: genericNack, status: badCommand, seq: p.seq})
	}
	return nil
}

// watch asks for a sign of life every so often until the link ends, and ends
// it when none comes.
func (l *link) watch(ctx context.Context, every time.Duration) {
	ticker := time.NewTicker(every)
	defer ticker.Stop()
	for {
		select {
		case <-l.gone:
			return
		case <-ticker.C:
		}
		if _, err := l.request(ctx, enquireLink, nil); errors.Is(err, errNoAnswer) {
			l.end(errors.New("no answer to enquire_link"))
			return
		}
	}
}

// leave waits until all is answered, for grace at most, takes leave and ends
// the link.
func (l *link) leave(ctx context.Context, grace time.Duration) {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), grace)
	defer cancel()
	ticker := time.NewTicker(10 * time.Millisecond)
	defer ticker.Stop()
	for l.unanswered() > 0 && ctx.Err() == nil && l.why() == nil {
		select {
		case <-ticker.C:
		case <-ctx.Done():
		case <-l.gone:
		}
	}
	if l.why() == nil {
		// Whatever is said to it, the link ends now.
		_, _ = l.request(ctx, unbind, nil)
	}
	l.end(errors.New("the link was ended by us"))
}
