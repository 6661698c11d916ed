//go:build linux

package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"net"
	"net/netip"
	"os"
	"os/exec"
	"strconv"
	"sync/atomic"
	"time"

	"github.com/gosnmp/gosnmp"
	"golang.org/x/net/ipv4"
	"golang.org/x/sys/unix"
)

// runner is something that datagrams are sent to.
type runner interface {
	target() string
	// heard is how many datagrams have come to the end of the way; for the
	// daemon, how many are durable.
	heard() (uint64, error)
	pid() int
	end() error
}

// rival is a process of this program that only listens.
type rival struct {
	at  string
	cmd *exec.Cmd
	in  *os.File
	out *bufio.Scanner
}

func startRival(ctx context.Context, role string, room int) (runner, error) {
	self, err := os.Executable()
	if err != nil {
		return nil, err
	}
	r := &rival{cmd: exec.CommandContext(ctx, self, "-child", role, "-room", strconv.Itoa(room))}
	r.cmd.Stderr = os.Stderr
	read, write, err := os.Pipe()
	if err != nil {
		return nil, err
	}
	defer read.Close()
	r.cmd.Stdin, r.in = read, write
	out, err := r.cmd.StdoutPipe()
	if err != nil {
		return nil, errors.Join(err, write.Close())
	}
	if err := r.cmd.Start(); err != nil {
		return nil, errors.Join(err, write.Close())
	}
	r.out = bufio.NewScanner(out)
	if !r.out.Scan() {
		return nil, errors.Join(fmt.Errorf("the rival %s did not start", role), r.end())
	}
	r.at = r.out.Text()
	return r, nil
}

func (r *rival) target() string { return r.at }
func (r *rival) pid() int       { return r.cmd.Process.Pid }

func (r *rival) heard() (uint64, error) {
	if _, err := r.in.WriteString("?\n"); err != nil {
		return 0, err
	}
	if !r.out.Scan() {
		return 0, errors.New("the rival is gone")
	}
	return strconv.ParseUint(r.out.Text(), 10, 64)
}

// end closes what the rival reads, which ends it.
func (r *rival) end() error { return errors.Join(r.in.Close(), wait(r.cmd)) }

// child is the rival's process: it prints its address, and a count for each line.
func child(role string, room int) error {
	var n atomic.Uint64
	var at string
	var err error
	switch role {
	case "library":
		at, err = library(&n, room)
	case "datagrams":
		at, err = datagrams(&n, room)
	default:
		return fmt.Errorf("there is no rival %q", role)
	}
	if err != nil {
		return err
	}
	fmt.Println(at)
	for lines := bufio.NewScanner(os.Stdin); lines.Scan(); {
		fmt.Println(n.Load())
	}
	return nil // the process ends, and its listener with it
}

// library is gosnmp's ready listener with a handler that counts.
func library(n *atomic.Uint64, room int) (string, error) {
	free, err := net.ListenPacket("udp4", "127.0.0.1:0")
	if err != nil {
		return "", err
	}
	at := netip.MustParseAddrPort(free.LocalAddr().String())
	if err := free.Close(); err != nil {
		return "", err
	}
	l := gosnmp.NewTrapListener()
	l.Params = &gosnmp.GoSNMP{Community: community, Version: gosnmp.Version2c}
	l.OnNewTrap = func(*gosnmp.SnmpPacket, *net.UDPAddr) { n.Add(1) }
	ended := make(chan error, 1)
	go func() { ended <- l.Listen(at.String()) }()
	select {
	case <-l.Listening():
	case err := <-ended:
		return "", err
	}
	return at.String(), widenPort(at.Port(), room)
}

// datagrams reads 64 at a time (recvmmsg) and counts.
func datagrams(n *atomic.Uint64, room int) (string, error) {
	conn, err := net.ListenUDP("udp4", &net.UDPAddr{IP: net.IPv4(127, 0, 0, 1)})
	if err != nil {
		return "", err
	}
	at := conn.LocalAddr().(*net.UDPAddr).AddrPort()
	if err := widenPort(at.Port(), room); err != nil {
		return "", err
	}
	batch := make([]ipv4.Message, 64)
	for i := range batch {
		batch[i].Buffers = [][]byte{make([]byte, 2048)}
	}
	packets := ipv4.NewPacketConn(conn)
	go func() {
		for {
			got, err := packets.ReadBatch(batch, 0)
			if err != nil {
				return
			}
			n.Add(uint64(got))
		}
	}()
	return at.String(), nil
}

// widenPort gives this process's socket at a port another receive buffer, which
// the library lets nobody at. 0 leaves the system's default.
func widenPort(port uint16, room int) error {
	if room == 0 {
		return nil
	}
	entries, err := os.ReadDir("/proc/self/fd")
	if err != nil {
		return err
	}
	for _, e := range entries {
		fd, err := strconv.Atoi(e.Name())
		if err != nil {
			continue
		}
		name, err := unix.Getsockname(fd)
		if in, ok := name.(*unix.SockaddrInet4); err != nil || !ok || in.Port != int(port) {
			continue
		}
		if unix.SetsockoptInt(fd, unix.SOL_SOCKET, unix.SO_RCVBUFFORCE, room) == nil {
			return nil
		}
		return unix.SetsockoptInt(fd, unix.SOL_SOCKET, unix.SO_RCVBUF, room)
	}
	return fmt.Errorf("no socket at port %d", port)
}

// settle waits until no more arrives for 300 ms, or everything has.
func settle(ctx context.Context, r runner, want uint64) (uint64, error) {
	last, err := r.heard()
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	for quiet := 0; err == nil && quiet < 15 && last < want && ctx.Err() == nil; {
		<-tick.C
		var now uint64
		if now, err = r.heard(); now != last {
			last, quiet = now, 0
		} else {
			quiet++
		}
	}
	return last, errors.Join(err, ctx.Err())
}
