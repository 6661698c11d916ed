//go:build !linux

package receiver

import "net"

const batchLen = 64

// batchWriter sends one datagram at a time.
type batchWriter struct{ conn *net.UDPConn }

func newBatchWriter(conn *net.UDPConn) (*batchWriter, error) { return &batchWriter{conn}, nil }

func (w *batchWriter) write(list [][]byte, at, n int) (int, error) {
	for i := range n {
		if _, err := w.conn.Write(list[(at+i)%len(list)]); err != nil {
			return i, err
		}
	}
	return n, nil
}
