package receiver

import (
	"encoding/binary"
	"errors"
	"net"
	"syscall"

	"golang.org/x/sys/unix"
)

// prepareSocket asks the kernel to report its drops with each datagram
// (SO_RXQ_OVFL) and for the wanted buffer, and returns the buffer granted.
func prepareSocket(conn *net.UDPConn, want int) (granted int, err error) {
	raw, err := conn.SyscallConn()
	if err != nil {
		return 0, err
	}
	var inner error
	err = raw.Control(func(fd uintptr) {
		s := int(fd)
		if inner = unix.SetsockoptInt(s, unix.SOL_SOCKET, unix.SO_RXQ_OVFL, 1); inner != nil {
			return
		}
		if want > 0 && unix.SetsockoptInt(s, unix.SOL_SOCKET, unix.SO_RCVBUFFORCE, want) != nil {
			if inner = unix.SetsockoptInt(s, unix.SOL_SOCKET, unix.SO_RCVBUF, want); inner != nil {
				return
			}
		}
		granted, inner = unix.GetsockoptInt(s, unix.SOL_SOCKET, unix.SO_RCVBUF)
		granted /= 2 // the kernel reports twice what it grants, for its own bookkeeping (socket(7))
	})
	return granted, errors.Join(err, inner)
}

// kernelDrops reads the drop counter from a datagram's control messages.
func kernelDrops(oob []byte) (uint32, bool) {
	for len(oob) >= unix.CmsgLen(4) {
		h, data, rest, err := unix.ParseOneSocketControlMessage(oob)
		if err != nil {
			return 0, false
		}
		if h.Level == unix.SOL_SOCKET && h.Type == unix.SO_RXQ_OVFL && len(data) >= 4 {
			return binary.NativeEndian.Uint32(data), true
		}
		oob = rest
	}
	return 0, false
}

func isTransient(err error) bool {
	return errors.Is(err, syscall.ECONNREFUSED) || errors.Is(err, syscall.EINTR) || errors.Is(err, syscall.EAGAIN) || errors.Is(err, syscall.ENOBUFS)
}
