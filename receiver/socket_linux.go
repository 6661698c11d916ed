package receiver

import (
	"encoding/binary"
	"errors"
	"net/netip"
	"runtime"
	"strconv"
	"sync"
	"syscall"
	"unsafe"

	"golang.org/x/sys/unix"
)

// beforeBind sets what must be set before the socket gets its address.
func beforeBind(raw syscall.RawConn, device string, shared bool) error {
	var inner error
	err := raw.Control(func(fd uintptr) {
		if device != "" {
			inner = unix.BindToDevice(int(fd), device)
		}
		if shared && inner == nil {
			inner = unix.SetsockoptInt(int(fd), unix.SOL_SOCKET, unix.SO_REUSEPORT, 1)
		}
	})
	return errors.Join(err, inner)
}

// afterBind asks for the receive buffer, by force where that is allowed, and
// for the local address of each datagram where the socket has many. It returns
// the buffer granted: the kernel reports twice that, for its own bookkeeping
// (socket(7)).
func afterBind(s *socket, buffer int) (given int, err error) {
	var inner error
	err = s.raw.Control(func(fd uintptr) {
		if unix.SetsockoptInt(int(fd), unix.SOL_SOCKET, unix.SO_RCVBUFFORCE, buffer) != nil {
			if inner = unix.SetsockoptInt(int(fd), unix.SOL_SOCKET, unix.SO_RCVBUF, buffer); inner != nil {
				return
			}
		}
		if given, inner = unix.GetsockoptInt(int(fd), unix.SOL_SOCKET, unix.SO_RCVBUF); inner != nil {
			return
		}
		given /= 2
		if !s.anywhere {
			return
		}
		if s.listener.address.Addr().Is4() {
			inner = unix.SetsockoptInt(int(fd), unix.IPPROTO_IP, unix.IP_PKTINFO, 1)
		} else {
			inner = unix.SetsockoptInt(int(fd), unix.IPPROTO_IPV6, unix.IPV6_RECVPKTINFO, 1)
		}
	})
	return given, errors.Join(err, inner)
}

const (
	memInfoLen   = 9 // SK_MEMINFO_VARS (linux/sock_diag.h)
	memInfoDrops = 8 // SK_MEMINFO_DROPS
)

// countDrops brings the listener's count of kernel drops up to date. The
// counter is asked for (SO_MEMINFO, Linux 4.12) rather than taken from a
// datagram (SO_RXQ_OVFL, the same counter), because after the last drop no
// datagram may come for a long time.
func (l *listener) countDrops() error {
	l.dropMu.Lock()
	defer l.dropMu.Unlock()
	var errs []error
	for _, s := range l.sockets {
		var info [memInfoLen]uint32
		size := uint32(unsafe.Sizeof(info))
		var errno syscall.Errno
		err := s.raw.Control(func(fd uintptr) {
			_, _, errno = unix.Syscall6(unix.SYS_GETSOCKOPT, fd, unix.SOL_SOCKET, unix.SO_MEMINFO, uintptr(unsafe.Pointer(&info)), uintptr(unsafe.Pointer(&size)), 0)
		})
		if err != nil || errno != 0 {
			errs = append(errs, err, errnoError(errno))
			continue
		}
		l.meter.dropped.Add(uint64(info[memInfoDrops] - s.drops)) // of 32 bits, so the difference holds over a wrap
		s.drops = info[memInfoDrops]
	}
	return errors.Join(errs...)
}

func errnoError(errno syscall.Errno) error {
	if errno == 0 {
		return nil
	}
	return errno
}

const (
	batchLen   = 64
	controlLen = 64 // IP_PKTINFO (32 octets) or IPV6_PKTINFO (40)
)

// mmsghdr is struct mmsghdr of recvmmsg(2) and sendmmsg(2).
type mmsghdr struct {
	hdr unix.Msghdr
	n   uint32
}

// maxGlances is how many full batches a look takes at most, so that whoever looks
// gets back to its work whatever comes.
const maxGlances = 8

// batchReader reads up to batchLen datagrams with one call and without
// allocating.
type batchReader struct {
	socket  *socket
	hand    func([]incoming) // takes what was read, before the next read
	headers [batchLen]mmsghdr
	vectors [batchLen]unix.Iovec
	names   [batchLen]unix.RawSockaddrInet6 // large enough for IPv4 as well
	control [batchLen][controlLen]byte
	octets  []byte
	in      [batchLen]incoming
	errno   syscall.Errno
	wait    func(fd uintptr) bool
	glance  func(fd uintptr)
	mu      sync.Mutex // held while one reads and hands on
	stopped bool       // nothing is read any more
}

// newBatchReader reads from a socket.
func newBatchReader(s *socket, hand func([]incoming)) *batchReader {
	r := &batchReader{socket: s, hand: hand, octets: make([]byte, batchLen*maxDatagram)}
	for i := range r.headers {
		r.vectors[i].Base = &r.octets[i*maxDatagram]
		r.vectors[i].SetLen(maxDatagram)
		h := &r.headers[i].hdr
		h.Iov = &r.vectors[i]
		h.SetIovlen(1)
		h.Name = (*byte)(unsafe.Pointer(&r.names[i]))
		h.Control = &r.control[i][0]
	}
	r.wait = func(fd uintptr) bool {
		r.mu.Lock()
		defer r.mu.Unlock()
		_, r.errno = r.receive(fd)
		return r.errno != unix.EAGAIN
	}
	r.glance = func(fd uintptr) {
		for range maxGlances {
			// The reader will meet the same error.
			if n, _ := r.receive(fd); n < batchLen {
				return
			}
		}
	}
	return r
}

// receive hands on what is there, the caller holding mu.
func (r *batchReader) receive(fd uintptr) (int, syscall.Errno) {
	for i := range r.headers {
		r.headers[i].hdr.Namelen = unix.SizeofSockaddrInet6
		r.headers[i].hdr.SetControllen(controlLen)
	}
	for {
		n, _, errno := unix.Syscall6(unix.SYS_RECVMMSG, fd, uintptr(unsafe.Pointer(&r.headers[0])), batchLen, unix.MSG_DONTWAIT, 0, 0)
		switch errno {
		case unix.EINTR:
			continue
		case 0:
			r.handOn(int(n))
		}
		return int(n), errno
	}
}

func (r *batchReader) handOn(n int) {
	for i := range n {
		h := &r.headers[i]
		d := &r.in[i]
		*d = incoming{from: r.from(i), octets: r.octets[i*maxDatagram : i*maxDatagram+int(h.n)]}
		if length := int(h.hdr.Controllen); length > 0 {
			d.localAddress(r.control[i][:min(length, controlLen)])
		}
	}
	r.hand(r.in[:n])
}

// read waits for datagrams and hands them on.
func (r *batchReader) read() error {
	err := r.socket.raw.Read(r.wait)
	runtime.KeepAlive(r)
	switch {
	case err != nil:
		return err
	case r.errno != 0:
		return r.errno
	}
	return nil
}

// look hands on what is there without waiting, unless somebody is at it.
func (r *batchReader) look() {
	if !r.mu.TryLock() {
		return
	}
	defer r.mu.Unlock()
	if r.stopped {
		return
	}
	// An error means that the socket is closed, which its reader tells.
	_ = r.socket.raw.Control(r.glance)
	runtime.KeepAlive(r)
}

// stop has look do nothing any more. When it returns nobody is handing on.
func (r *batchReader) stop() {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.stopped = true
}

func (r *batchReader) from(i int) netip.AddrPort {
	name := &r.names[i]
	if name.Family == unix.AF_INET {
		v4 := (*unix.RawSockaddrInet4)(unsafe.Pointer(name))
		return netip.AddrPortFrom(netip.AddrFrom4(v4.Addr), networkOrder(&v4.Port))
	}
	addr := netip.AddrFrom16(name.Addr).Unmap()
	if name.Scope_id != 0 && addr.Is6() {
		addr = addr.WithZone(strconv.FormatUint(uint64(name.Scope_id), 10))
	}
	return netip.AddrPortFrom(addr, networkOrder(&name.Port))
}

// networkOrder reads a port, which the kernel gives in network byte order.
func networkOrder(port *uint16) uint16 {
	return binary.BigEndian.Uint16((*[2]byte)(unsafe.Pointer(port))[:])
}

// localAddress reads the address that the datagram was sent to. The headers are
// read by hand because the library's reader allocates.
func (d *incoming) localAddress(b []byte) {
	for len(b) >= unix.SizeofCmsghdr {
		h := (*unix.Cmsghdr)(unsafe.Pointer(&b[0]))
		length := int(h.Len)
		if length < unix.SizeofCmsghdr || length > len(b) {
			return
		}
		data := b[unix.CmsgLen(0):length]
		switch {
		case h.Level == unix.IPPROTO_IP && h.Type == unix.IP_PKTINFO && len(data) >= unix.SizeofInet4Pktinfo:
			d.to = netip.AddrFrom4([4]byte(data[4:8])) // ipi_spec_dst: the address to answer from (ip(7))
		case h.Level == unix.IPPROTO_IPV6 && h.Type == unix.IPV6_PKTINFO && len(data) >= unix.SizeofInet6Pktinfo:
			d.to = netip.AddrFrom16([16]byte(data[:16]))
		}
		b = b[min(unix.CmsgSpace(length-unix.CmsgLen(0)), len(b)):]
	}
}

// sourceControl asks the kernel to send from an address.
func sourceControl(from netip.Addr) []byte {
	if from.Is4() {
		return unix.PktInfo4(&unix.Inet4Pktinfo{Spec_dst: from.As4()})
	}
	return unix.PktInfo6(&unix.Inet6Pktinfo{Addr: from.As16()})
}

// transient reports whether a read may simply be tried again: an ICMP message
// about an earlier answer says nothing about the socket, and memory comes back.
func transient(err error) bool {
	return errors.Is(err, unix.ECONNREFUSED) || errors.Is(err, unix.EHOSTUNREACH) || errors.Is(err, unix.ENETUNREACH) ||
		errors.Is(err, unix.ENOBUFS) || errors.Is(err, unix.ENOMEM)
}

// transientAccept reports whether accepting may simply be tried again.
func transientAccept(err error) bool {
	return errors.Is(err, unix.ECONNABORTED) || errors.Is(err, unix.EINTR) || errors.Is(err, unix.EPROTO) ||
		errors.Is(err, unix.EMFILE) || errors.Is(err, unix.ENFILE) || errors.Is(err, unix.ENOBUFS) || errors.Is(err, unix.ENOMEM)
}
