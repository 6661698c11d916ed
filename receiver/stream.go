package receiver

import (
	"bufio"
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"net"
	"net/netip"
	"os"
	"sync"
	"sync/atomic"
	"syscall"
	"time"

	"example.net/standwatch/receiver/snmp"
	"example.net/standwatch/receiver/usm"
)

// Bounds of a listener that speaks TLS. Nobody who has no certificate costs more
// than one place among the pending ones for the time of a handshake. A quiet
// connection is not ended, since its sender would not notice and lose what it
// says next; one whose other end is gone is found by TCP's own keep-alive.
const (
	maxPending     = 256 // handshakes at once,
	maxPendingEach = 8   // and of one address
	maxPeers       = 4096
	maxPeersEach   = 16 // connections of one certificate; a further one ends the oldest
	handshakeLimit = 10 * time.Second
	messageLimit   = 30 * time.Second // from a message's first octet to its last
	writeLimit     = 10 * time.Second
	acceptPause    = 50 * time.Millisecond // when there are no file descriptors
	answersEach    = 64                    // answers that may wait for one connection
	roomLimit      = 30 * time.Second
	roomPause      = 5 * time.Millisecond
)

var (
	errPeerGone  = errors.New("the connection has ended")
	errPeerStuck = errors.New("the other end does not read its answers")
)

// TLSAccount counts what a listener that speaks TLS did with connections, beside
// the messages on them (RFC 6353 section 7, snmpTlstmSession, has the like).
type TLSAccount struct {
	Open     uint64 // now
	Accepted uint64 // with a certificate that is taken
	Refused  uint64 // before a handshake: not allowed, or too many
	Failed   uint64 // handshakes that failed, those for their certificate not counted
	Invalid  uint64 // certificates that are not taken (snmpTlstmSessionInvalidClientCertificates)
}

// streams is the TCP side of a listener.
type streams struct {
	ln *net.TCPListener

	mu       sync.Mutex // guards what follows
	pending  map[net.Conn]netip.Addr
	peers    []*peer // oldest first
	stopping bool

	accepted, refused, failed, invalid atomic.Uint64
}

// peer is one connection whose other end is known.
type peer struct {
	identity
	chain  []*x509.Certificate
	conn   *tls.Conn
	socket *socket // its own, for what comes in by it
	out    chan []byte
	gone   chan struct{} // closed when nothing more is to be sent
	once   sync.Once
}

// send queues an answer. It does not block.
func (p *peer) send(octets []byte) error {
	select {
	case <-p.gone:
		return errPeerGone
	default:
	}
	select {
	case p.out <- octets:
		return nil
	default:
		return errPeerStuck
	}
}

// end has the writer send what waits and close the connection.
func (p *peer) end() { p.once.Do(func() { close(p.gone) }) }

// openStreams binds a listener that speaks TLS.
func (l *listener) openStreams() error {
	if l.opts.Stream != nil {
		ln, ok := l.opts.Stream.(*net.TCPListener)
		if !ok {
			return fmt.Errorf("listener %q: the socket handed over is a %T, not a TCP socket", l.opts.Name, l.opts.Stream)
		}
		l.listenAt(ln)
		return nil
	}
	network := "tcp4"
	if l.address.Addr().Is6() && !l.address.Addr().Is4In6() {
		network = "tcp6"
	}
	lc := net.ListenConfig{Control: func(_, _ string, raw syscall.RawConn) error { return beforeBind(raw, l.opts.Interface, false) }}
	// Binding to an address does not wait for anything.
	ln, err := lc.Listen(context.Background(), network, l.address.String())
	if err != nil {
		return fmt.Errorf("listener %q at %s: %w", l.opts.Name, l.address, err)
	}
	l.listenAt(ln.(*net.TCPListener))
	return nil
}

func (l *listener) listenAt(ln *net.TCPListener) {
	l.streams = &streams{ln: ln, pending: map[net.Conn]netip.Addr{}}
	at := ln.Addr().(*net.TCPAddr).AddrPort()
	l.address = netip.AddrPortFrom(at.Addr().Unmap(), at.Port())
}

// account returns the figures of connections.
func (s *streams) account() *TLSAccount {
	s.mu.Lock()
	defer s.mu.Unlock()
	return &TLSAccount{Open: uint64(len(s.peers)), Accepted: s.accepted.Load(), Refused: s.refused.Load(), Failed: s.failed.Load(), Invalid: s.invalid.Load()}
}

// stopReading ends accepting and wakes the readers; what is open stays so for
// the answers that are due.
func (s *streams) stopReading() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.stopping = true
	errs := []error{s.ln.SetDeadline(time.Unix(1, 0))}
	for conn := range s.pending {
		_ = conn.Close() // nothing was said by it yet
	}
	for _, p := range s.peers {
		// An error means that it has ended by itself.
		_ = p.conn.SetReadDeadline(time.Unix(1, 0))
	}
	return errors.Join(errs...)
}

// end has every connection closed once its answers are sent.
func (s *streams) end() {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, p := range s.peers {
		p.end()
	}
}

// recheck ends the connections that a new directory would not accept.
func (s *streams) recheck(d *directory, t *TLS, now time.Time) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, p := range s.peers {
		if id, err := d.identify(t, p.chain, now); err != nil || id != p.identity {
			p.end()
		}
	}
}

// reserve takes a place for a handshake.
func (s *streams) reserve(conn net.Conn, from netip.Addr) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	same := 0
	for _, other := range s.pending {
		if other == from {
			same++
		}
	}
	if s.stopping || len(s.pending) >= maxPending || same >= maxPendingEach || len(s.peers) >= maxPeers {
		return false
	}
	s.pending[conn] = from
	return true
}

func (s *streams) release(conn net.Conn) {
	s.mu.Lock()
	defer s.mu.Unlock()
	delete(s.pending, conn)
}

// join takes a connection in; it is false when the listener is ending.
func (s *streams) join(p *peer) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.stopping {
		return false
	}
	var oldest *peer
	same := 0
	for _, other := range s.peers {
		if other.print == p.print {
			if same++; oldest == nil {
				oldest = other
			}
		}
	}
	if same >= maxPeersEach {
		oldest.end()
	}
	s.peers = append(s.peers, p)
	return true
}

func (s *streams) leave(p *peer) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for i, other := range s.peers {
		if other == p {
			s.peers = append(s.peers[:i], s.peers[i+1:]...)
			return
		}
	}
}

// accept takes connections until the listener is told to stop. What it starts
// belongs to the two groups.
func (r *Receiver) accept(l *listener, readers, writers *sync.WaitGroup) error {
	pause := time.NewTimer(0)
	defer pause.Stop()
	<-pause.C
	for {
		conn, err := l.streams.ln.Accept()
		switch {
		case errors.Is(err, os.ErrDeadlineExceeded):
			return nil
		case err != nil && transientAccept(err):
			pause.Reset(acceptPause)
			<-pause.C
			continue
		case err != nil:
			return fmt.Errorf("accept at listener %q: %w", l.opts.Name, err)
		}
		from := conn.RemoteAddr().(*net.TCPAddr).AddrPort()
		source := from.Addr().Unmap()
		if !r.directory.Load().policy(l.opts.Name).allows(source) || !l.streams.reserve(conn, source) {
			l.streams.refused.Add(1)
			_ = conn.Close() // nothing was written
			continue
		}
		readers.Go(func() { r.serve(l, conn, netip.AddrPortFrom(source, from.Port()), writers) })
	}
}

// serve makes the handshake and reads messages until the connection ends.
func (r *Receiver) serve(l *listener, conn net.Conn, from netip.AddrPort, writers *sync.WaitGroup) {
	p, err := r.handshake(l, conn)
	l.streams.release(conn)
	if err != nil {
		_ = conn.Close() // the handshake's error says more
		r.withheld.note(&Kept{At: r.now(), Source: from, Listener: l.opts.Name, Why: err.Error()})
		return
	}
	if !l.streams.join(p) {
		_ = conn.Close()
		return
	}
	l.streams.accepted.Add(1)
	writers.Go(func() { r.writeTo(p) })
	err = r.readFrom(p, from)
	if !errors.Is(err, os.ErrDeadlineExceeded) || !l.streams.isStopping() {
		p.end()
	}
}

func (s *streams) isStopping() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.stopping
}

// handshake ends within handshakeLimit.
func (r *Receiver) handshake(l *listener, raw net.Conn) (*peer, error) {
	p := &peer{out: make(chan []byte, answersEach), gone: make(chan struct{})}
	var refused error
	verify := func(cs tls.ConnectionState) (err error) {
		dir := r.directory.Load()
		p.chain = cs.PeerCertificates
		p.identity, err = dir.identify(dir.policy(l.opts.Name).TLS, cs.PeerCertificates, r.now())
		refused = err
		return err
	}
	p.conn = tls.Server(raw, &tls.Config{
		MinVersion:             tls.VersionTLS12, // RFC 8996: the older ones must not be used
		Certificates:           []tls.Certificate{r.directory.Load().policy(l.opts.Name).TLS.Certificate},
		ClientAuth:             tls.RequireAnyClientCert, // judged by verify
		VerifyConnection:       verify,
		SessionTicketsDisabled: true, // so that every connection is judged
		Time:                   r.now,
	})
	p.socket = &socket{listener: l, peer: p}
	if err := raw.SetDeadline(time.Now().Add(handshakeLimit)); err != nil {
		return nil, err
	}
	if err := p.conn.Handshake(); err != nil {
		if refused != nil {
			l.streams.invalid.Add(1)
		} else {
			l.streams.failed.Add(1)
		}
		return nil, fmt.Errorf("TLS handshake: %w", err)
	}
	return p, raw.SetDeadline(time.Time{})
}

// writeTo sends answers until the peer is ended, then what still waits, and
// closes the connection.
func (r *Receiver) writeTo(p *peer) {
	defer func() {
		p.socket.listener.streams.leave(p)
		_ = p.conn.Close() // it says goodbye if the other end still listens
	}()
	write := func(octets []byte) bool {
		_ = p.conn.SetWriteDeadline(time.Now().Add(writeLimit)) // an error shows in the write
		if _, err := p.conn.Write(octets); err != nil {
			r.answers.lost.Add(1)
			p.end()
			return false
		}
		return true
	}
	for {
		select {
		case octets := <-p.out:
			if !write(octets) {
				return
			}
		case <-p.gone:
			for {
				select {
				case octets := <-p.out:
					if !write(octets) {
						return
					}
				default:
					return
				}
			}
		}
	}
}

// readFrom moves messages to the workers until the connection ends or what comes
// is no message, after which nothing can be found in the stream any more.
func (r *Receiver) readFrom(p *peer, from netip.AddrPort) error {
	in := bufio.NewReader(p.conn)
	var buf []byte
	for {
		_, err := in.Peek(1)
		if err != nil {
			return err
		}
		if err := p.conn.SetReadDeadline(time.Now().Add(messageLimit)); err != nil {
			return err
		}
		if p.socket.listener.streams.isStopping() {
			return os.ErrDeadlineExceeded // what it was told was overwritten just now
		}
		var fate Fate
		var why string
		buf, fate, why, err = frame(in, buf[:0])
		r.take(p, incoming{from: from, octets: buf, fate: fate}, why)
		if err != nil || fate != noFate {
			return err
		}
		if err := p.conn.SetReadDeadline(time.Time{}); err != nil {
			return err
		}
		if p.socket.listener.streams.isStopping() {
			return os.ErrDeadlineExceeded
		}
	}
}

// frame reads one message, whose own length ends it: TLS gives a stream of
// octets. On a fate buf holds what was read of it.
func frame(in *bufio.Reader, buf []byte) (message []byte, fate Fate, why string, err error) {
	head, _ := in.Peek(2) // short only before an end
	need := 2
	if len(head) == 2 && head[1] > 0x80 {
		need += int(head[1] & 0x7f)
	}
	if len(head) > 0 && head[0] != 0x30 {
		return append(buf, head...), NotSNMP, "what comes over TLS is no SNMP message", nil
	}
	if len(head) == 2 && head[1] == 0x80 || need > 6 {
		return append(buf, head...), BadLength, "the message has no length that can be", nil
	}
	head, err = in.Peek(need)
	if err != nil {
		return append(buf, head...), Truncated, "the connection ended within a message", err
	}
	length := int(head[1])
	if need > 2 {
		length = 0
		for _, o := range head[2:need] {
			length = length<<8 | int(o)
		}
	}
	if need+length > maxDatagram {
		return append(buf, head...), BadLength, fmt.Sprintf("the message has more than %d octets", maxDatagram), nil
	}
	if cap(buf) < need+length {
		buf = make([]byte, 0, need+length)
	}
	buf = buf[:need+length]
	n, err := io.ReadFull(in, buf)
	if err != nil {
		return buf[:n], Truncated, "the connection ended within a message", err
	}
	return buf, noFate, "", nil
}

// take counts a message and queues it. While a queue is full a stream waits,
// which makes its sender wait.
func (r *Receiver) take(p *peer, d incoming, why string) {
	l, now, dir := p.socket.listener, r.now(), r.directory.Load()
	s, _ := dir.byIdentity(p.identity)
	l.meter.octets.Add(uint64(len(d.octets)))
	l.meter.arrived.Add(1)
	l.meter.touch(now)
	if d.fate == noFate {
		d.lane = dir.lane(d.from.Addr())
		if s.agent != nil {
			d.lane = s.agent.lane
		}
		if r.pushPatiently(p, &d) {
			return
		}
		why = "messages come faster than they can be decided about"
	}
	r.book(l, s.agent, d.from.Addr(), d.fate, now)
	r.remember(Kept{At: now, Source: d.from, Listener: l.opts.Name, Fate: d.fate, Why: why}, d.octets)
}

func (r *Receiver) pushPatiently(p *peer, d *incoming) bool {
	lanes := uint64(len(r.workers))
	one := []incoming{*d}
	pause := time.NewTicker(roomPause)
	defer pause.Stop()
	for waited := time.Duration(0); ; waited += roomPause {
		one[0].fate = noFate
		r.workers[d.lane%lanes].queue.push(p.socket, one, lanes, d.lane%lanes)
		if one[0].fate == noFate {
			return true
		}
		if waited >= roomLimit {
			d.fate = QueueFull
			return false
		}
		<-pause.C
	}
}

// transport decides about a message that came over TLS (RFC 5591 section 5.2):
// the connection says whom it speaks for, and secures it as authPriv does.
func (w *worker) transport(t *task, m *snmp.Message) ruling {
	p := t.socket.peer
	s, known := t.dir.byIdentity(p.identity)
	if !known {
		return ruling{fate: UnknownCertificate, why: p.identity.String() + " is no agent's any more"}
	}
	n, err := w.dec.OpenTransport(t.dir.users)
	switch v := err.(type) {
	case nil:
		return w.accept(t, n, s, usm.Result{Level: usm.AuthPriv, Local: true})
	case snmp.EngineQuery:
		if err := t.socket.send(w.dec.AppendEngineID(nil, t.dir.users.LocalID()), t.from, t.to); err != nil {
			w.r.log.Warn().Err(err).Stringer("source", t.from).Msg("a question for the engine ID is not answered")
		}
		return ruling{fate: Discovery, agent: s.agent}
	case usm.Verdict:
		why := v.Error()
		if v == usm.UnknownSecurityModel {
			why = "over TLS only SNMPv3 under the transport security model is taken (RFC 6353)"
		} else {
			w.report(t, m, v)
		}
		return ruling{fate: verdictFate(v), agent: s.agent, why: why}
	}
	ru := malformed(err)
	ru.agent = s.agent
	return ru
}
