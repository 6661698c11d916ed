package access

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"strings"
	"testing"
	"time"
)

// serve runs a handler behind a gate whose patience is short.
func serve(t *testing.T, h http.HandlerFunc) string {
	t.Helper()
	s := httptest.NewServer(New(Options{BodyTime: 150 * time.Millisecond, WriteTime: 150 * time.Millisecond}).Bound(h))
	t.Cleanup(s.Close)
	return s.Listener.Addr().String()
}

func dial(t *testing.T, addr, request string) net.Conn {
	t.Helper()
	conn, err := net.Dial("tcp", addr)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	if _, err := io.WriteString(conn, request); err != nil {
		t.Fatal(err)
	}
	return conn
}

// A body that trickles in holds a request no longer than it may.
func TestSlowBody(t *testing.T) {
	got := make(chan error, 1)
	addr := serve(t, func(w http.ResponseWriter, r *http.Request) {
		_, err := io.ReadAll(r.Body)
		got <- err
	})
	began := time.Now()
	dial(t, addr, "POST / HTTP/1.1\r\nHost: x\r\nContent-Length: 1000\r\n\r\na")
	if err := <-got; !errors.Is(err, os.ErrDeadlineExceeded) {
		t.Errorf("the body ended with %v", err)
	}
	if took := time.Since(began); took > 10*time.Second {
		t.Errorf("it took %s", took)
	}
}

// A reader that takes nothing is cut off, and one that takes its time is not.
func TestSlowReader(t *testing.T) {
	got := make(chan error, 1)
	addr := serve(t, func(w http.ResponseWriter, r *http.Request) {
		block := []byte(strings.Repeat("x", 1<<20))
		var err error
		for i := 0; i < 64 && err == nil; i++ {
			_, err = w.Write(block)
		}
		got <- err
	})
	dial(t, addr, "GET / HTTP/1.1\r\nHost: x\r\n\r\n")
	if err := <-got; !errors.Is(err, os.ErrDeadlineExceeded) {
		t.Errorf("writing to a reader that takes nothing ended with %v", err)
	}
	conn := dial(t, addr, "GET / HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n")
	if n, err := io.Copy(io.Discard, conn); err != nil || n < 64<<20 {
		t.Errorf("read %d octets, %v", n, err)
	}
	if err := <-got; err != nil {
		t.Errorf("writing to one that reads ended with %v", err)
	}
}

// Whatever a handler allows, no body is larger than this.
func TestOversizedBody(t *testing.T) {
	got := make(chan error, 1)
	addr := serve(t, func(w http.ResponseWriter, r *http.Request) {
		_, err := io.ReadAll(r.Body)
		got <- err
	})
	conn := dial(t, addr, fmt.Sprintf("POST / HTTP/1.1\r\nHost: x\r\nContent-Length: %d\r\n\r\n", maxBody+1))
	// The server stops taking it, so that this may fail.
	_, _ = io.WriteString(conn, strings.Repeat("x", maxBody+1))
	var tooBig *http.MaxBytesError
	if err := <-got; !errors.As(err, &tooBig) {
		t.Errorf("the body ended with %v", err)
	}
	if res, err := http.ReadResponse(bufio.NewReader(conn), nil); err == nil && !res.Close {
		t.Error("the connection goes on after a body that was not read")
	}
}
