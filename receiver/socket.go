package receiver

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/netip"
	"os"
	"sync"
	"syscall"
	"time"

	"github.com/rs/zerolog"
)

// maxDatagram is the most a UDP datagram can hold.
const maxDatagram = 65535

// socket is one open UDP socket of a listener, or one connection.
type socket struct {
	listener *listener
	conn     *net.UDPConn
	raw      syscall.RawConn
	reader   *batchReader
	anywhere bool   // bound to all local addresses, so that answers must say from which
	drops    uint32 // the kernel's counter when it was last read
	peer     *peer  // not nil: not UDP, but this connection
}

// listener is one place to listen at, with one or more sockets.
type listener struct {
	opts    Listener
	address netip.AddrPort
	given   int // receive buffer granted, for each socket
	sockets []*socket
	streams *streams // not nil: the listener speaks TLS, and has no sockets
	meter   listenerMeter
	dropMu  sync.Mutex // guards drops of every socket
}

// openListener opens the sockets of a listener and asks for their buffers.
func openListener(o Listener, log zerolog.Logger) (*listener, error) {
	if o.Buffer == 0 {
		o.Buffer = DefaultBuffer
	}
	l := &listener{opts: o, address: o.Address}
	if o.TLS {
		return l, l.openStreams()
	}
	if err := l.openAll(); err != nil {
		return nil, errors.Join(err, l.close())
	}
	if l.given < o.Buffer {
		log.Warn().Str("listener", o.Name).Int("asked", o.Buffer).Int("given", l.given).
			Msg("the kernel gives a smaller receive buffer than asked for, so bursts may be lost; raise net.core.rmem_max or grant CAP_NET_ADMIN")
	}
	if err := l.countDrops(); err != nil {
		log.Warn().Str("listener", o.Name).Err(err).Msg("the kernel does not tell how many datagrams it drops, so those are missing from the books")
	}
	return l, nil
}

func (l *listener) openAll() error {
	if l.opts.Conn != nil {
		conn, ok := l.opts.Conn.(*net.UDPConn)
		if !ok {
			return fmt.Errorf("listener %q: the socket handed over is a %T, not a UDP socket", l.opts.Name, l.opts.Conn)
		}
		return l.add(conn)
	}
	for range max(1, l.opts.Readers) {
		conn, err := l.bind()
		if err != nil {
			return err
		}
		if err := l.add(conn); err != nil {
			return err
		}
	}
	return nil
}

func (l *listener) bind() (*net.UDPConn, error) {
	network := "udp4"
	if l.address.Addr().Is6() && !l.address.Addr().Is4In6() {
		network = "udp6"
	}
	lc := net.ListenConfig{Control: func(_, _ string, raw syscall.RawConn) error {
		return beforeBind(raw, l.opts.Interface, l.opts.Readers > 1)
	}}
	// Binding to an address does not wait for anything.
	conn, err := lc.ListenPacket(context.Background(), network, l.address.String())
	if err != nil {
		if errors.Is(err, os.ErrPermission) {
			return nil, fmt.Errorf("listener %q at %s: %w: grant CAP_NET_BIND_SERVICE, have the socket handed over, or choose a port from 1024 on", l.opts.Name, l.address, err)
		}
		return nil, fmt.Errorf("listener %q at %s: %w", l.opts.Name, l.address, err)
	}
	return conn.(*net.UDPConn), nil
}

// add takes over an open socket; it is closed with the listener.
func (l *listener) add(conn *net.UDPConn) error {
	s := &socket{listener: l, conn: conn}
	l.sockets = append(l.sockets, s)
	local, ok := conn.LocalAddr().(*net.UDPAddr)
	if !ok {
		return fmt.Errorf("listener %q: the socket has no local address", l.opts.Name)
	}
	l.address = netip.AddrPortFrom(local.AddrPort().Addr().Unmap(), local.AddrPort().Port())
	s.anywhere = local.IP.IsUnspecified()
	var err error
	if s.raw, err = conn.SyscallConn(); err != nil {
		return fmt.Errorf("listener %q: %w", l.opts.Name, err)
	}
	given, err := afterBind(s, l.opts.Buffer)
	if err != nil {
		return fmt.Errorf("listener %q: set socket options: %w", l.opts.Name, err)
	}
	if l.given == 0 || given < l.given {
		l.given = given
	}
	return nil
}

func (l *listener) close() error {
	var errs []error
	if l.streams != nil {
		errs = append(errs, l.streams.ln.Close())
	}
	for _, s := range l.sockets {
		errs = append(errs, s.conn.Close())
	}
	return errors.Join(errs...)
}

// stopReading wakes the readers; they return since their deadline has passed.
func (l *listener) stopReading() error {
	var errs []error
	if l.streams != nil {
		errs = append(errs, l.streams.stopReading())
	}
	for _, s := range l.sockets {
		errs = append(errs, s.conn.SetReadDeadline(time.Unix(1, 0)))
	}
	return errors.Join(errs...)
}

// send answers a datagram from the address that it was sent to, since senders
// may drop what comes from another.
func (s *socket) send(octets []byte, to netip.AddrPort, from netip.Addr) error {
	if s.peer != nil {
		return s.peer.send(octets)
	}
	if !s.anywhere || !from.IsValid() {
		_, err := s.conn.WriteToUDPAddrPort(octets, to)
		return err
	}
	_, _, err := s.conn.WriteMsgUDPAddrPort(octets, sourceControl(from), to)
	return err
}
