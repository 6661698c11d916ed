package receiver

import (
	"net"
	"runtime"
	"syscall"
	"unsafe"

	"golang.org/x/sys/unix"
)

// batchWriter sends up to batchLen datagrams with one call.
type batchWriter struct {
	raw     syscall.RawConn
	headers [batchLen]mmsghdr
	vectors [batchLen]unix.Iovec
	want    int
	done    int
	errno   syscall.Errno
}

func newBatchWriter(conn *net.UDPConn) (*batchWriter, error) {
	raw, err := conn.SyscallConn()
	if err != nil {
		return nil, err
	}
	w := &batchWriter{raw: raw}
	for i := range w.headers {
		w.headers[i].hdr.Iov = &w.vectors[i]
		w.headers[i].hdr.SetIovlen(1)
	}
	return w, nil
}

// write sends n datagrams of the list from its item at on, beginning again at
// its end. A refused port (ICMP) is no error: nobody listens yet, or any more.
func (w *batchWriter) write(list [][]byte, at, n int) (int, error) {
	for i := range n {
		d := list[(at+i)%len(list)]
		w.vectors[i].Base = unsafe.SliceData(d)
		w.vectors[i].SetLen(len(d))
	}
	w.want, w.done = n, 0
	for w.done < w.want {
		err := w.raw.Write(w.send)
		runtime.KeepAlive(list)
		if err != nil {
			return w.done, err
		}
		if w.errno != 0 && w.errno != unix.ECONNREFUSED && w.errno != unix.EINTR {
			return w.done, w.errno
		}
	}
	return w.done, nil
}

// send reports whether it is done; false waits until the socket takes more.
func (w *batchWriter) send(fd uintptr) bool {
	n, _, errno := unix.Syscall6(unix.SYS_SENDMMSG, fd, uintptr(unsafe.Pointer(&w.headers[w.done])), uintptr(w.want-w.done), unix.MSG_DONTWAIT, 0, 0)
	w.errno = errno
	switch errno {
	case 0:
		w.done += int(n)
	case unix.EAGAIN:
		return false
	}
	return true
}
