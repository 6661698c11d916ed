//go:build !linux

package receiver

import (
	"errors"
	"net/netip"
	"syscall"
)

// beforeBind refuses what only Linux has.
func beforeBind(_ syscall.RawConn, device string, shared bool) error {
	if device != "" || shared {
		return errors.New("binding to an interface and several readers work on Linux only")
	}
	return nil
}

// afterBind asks for the receive buffer; what was granted cannot be asked here,
// so the wish is taken for the deed.
func afterBind(s *socket, buffer int) (given int, err error) {
	return buffer, s.conn.SetReadBuffer(buffer)
}

// countDrops says that there is no portable counter of kernel drops.
func (l *listener) countDrops() error { return errors.ErrUnsupported }

// batchReader reads one datagram at a time.
type batchReader struct {
	socket *socket
	hand   func([]incoming)
	octets []byte
	in     [1]incoming
}

func newBatchReader(s *socket, hand func([]incoming)) *batchReader {
	return &batchReader{socket: s, hand: hand, octets: make([]byte, maxDatagram)}
}

func (r *batchReader) read() error {
	n, from, err := r.socket.conn.ReadFromUDPAddrPort(r.octets)
	if err != nil {
		return err
	}
	r.in[0] = incoming{from: netip.AddrPortFrom(from.Addr().Unmap(), from.Port()), octets: r.octets[:n]}
	r.hand(r.in[:])
	return nil
}

// look does nothing: a read without waiting is not portable.
func (r *batchReader) look() {}

// stop does nothing, as look does.
func (r *batchReader) stop() {}

// sourceControl leaves the choice of the source address to the kernel.
func sourceControl(netip.Addr) []byte { return nil }

// transient reports whether a read may simply be tried again.
func transient(err error) bool { return errors.Is(err, syscall.ECONNREFUSED) }

// transientAccept reports whether accepting may simply be tried again.
func transientAccept(err error) bool {
	return errors.Is(err, syscall.ECONNABORTED) || errors.Is(err, syscall.EMFILE) || errors.Is(err, syscall.ENFILE)
}
