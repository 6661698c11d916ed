package main

import (
	"errors"
	"fmt"
	"net"
	"net/netip"
	"os"

	"example.net/standwatch/receiver"
	"github.com/coreos/go-systemd/v22/activation"
)

// inherited takes the sockets that whoever started the program opened for it
// (sd_listen_fds(3)), by their names. It can be called once.
func inherited() []*os.File { return activation.Files(true) }

// adopt gives each socket to the listener of its name, else to the one that
// would bind to its address. A socket that no listener wants is a mistake:
// somebody sends to it and nobody would hear. The files are closed; the
// listeners hold sockets of their own.
func adopt(listeners []receiver.Listener, files []*os.File) (_ []receiver.Listener, err error) {
	out := append([]receiver.Listener(nil), listeners...)
	var errs []error
	for _, f := range files {
		errs = append(errs, adoptOne(out, f), f.Close())
	}
	if err := errors.Join(errs...); err != nil {
		for i := range out {
			if out[i].Conn != nil {
				_ = out[i].Conn.Close() // the error that is told is another
			}
			if out[i].Stream != nil {
				_ = out[i].Stream.Close()
			}
		}
		return nil, err
	}
	return out, nil
}

func adoptOne(listeners []receiver.Listener, f *os.File) error {
	if conn, err := net.FilePacketConn(f); err == nil {
		udp, ok := conn.(*net.UDPConn)
		if !ok {
			return errors.Join(fmt.Errorf("socket %q that was handed over is no UDP socket", f.Name()), conn.Close())
		}
		l := claimant(listeners, f.Name(), udp.LocalAddr().(*net.UDPAddr).AddrPort(), false)
		if l == nil {
			return errors.Join(unclaimed(f, udp.LocalAddr()), conn.Close())
		}
		l.Conn = udp
		return nil
	}
	ln, err := net.FileListener(f)
	if err != nil {
		return fmt.Errorf("socket %q that was handed over: %w", f.Name(), err)
	}
	tcp, ok := ln.(*net.TCPListener)
	if !ok {
		return errors.Join(fmt.Errorf("socket %q that was handed over is neither UDP nor TCP", f.Name()), ln.Close())
	}
	l := claimant(listeners, f.Name(), tcp.Addr().(*net.TCPAddr).AddrPort(), true)
	if l == nil {
		return errors.Join(unclaimed(f, tcp.Addr()), ln.Close())
	}
	l.Stream = tcp
	return nil
}

func unclaimed(f *os.File, at net.Addr) error {
	return fmt.Errorf("socket %q at %s was handed over and no listener is for it: name a listener so (FileDescriptorName=), or give one that address", f.Name(), at)
}

// claimant finds the listener for a socket.
func claimant(listeners []receiver.Listener, name string, at netip.AddrPort, tls bool) *receiver.Listener {
	free := func(l *receiver.Listener) bool { return l.TLS == tls && l.Conn == nil && l.Stream == nil }
	for i := range listeners {
		if l := &listeners[i]; l.Name == name && free(l) {
			return l
		}
	}
	at = netip.AddrPortFrom(at.Addr().Unmap(), at.Port())
	for i := range listeners {
		if l := &listeners[i]; l.Address == at && free(l) {
			return l
		}
	}
	return nil
}
