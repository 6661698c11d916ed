//go:build trials

package main

import (
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"runtime"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"
)

// programs are what the test binary can be run as.
var programs = map[string]func(){"standwatch": main, "faulty-disk": runOnFaultyDisk}

// faultyDisk stands between a process and the kernel where the process writes
// its data folder: bbolt's writes, truncations and syncs ask it first (seccomp(2),
// SECCOMP_RET_USER_NOTIF), and it lets them through, late or not at all. What is
// written by write(2), such as a log, passes.
type faultyDisk struct {
	t       *testing.T
	serving sync.WaitGroup
	calls   atomic.Int64 // that asked
	fault   atomic.Int64 // errno that writes get; 0 for none
	delay   atomic.Int64 // of each sync, in nanoseconds
}

// newFaultyDisk makes a disk without a fault. It must come before the processes
// that are put behind it, so that they end before it does.
func newFaultyDisk(t *testing.T) *faultyDisk {
	d := &faultyDisk{t: t}
	t.Cleanup(d.serving.Wait)
	return d
}

// The system calls that ask. fallocate is not among them: nothing here uses it.
var diskCalls = [...]uint32{unix.SYS_PWRITE64, unix.SYS_FTRUNCATE, unix.SYS_FSYNC, unix.SYS_FDATASYNC}

// wrap has cmd run behind the disk.
func (d *faultyDisk) wrap(cmd *exec.Cmd) func() {
	d.t.Helper()
	pair, err := unix.Socketpair(unix.AF_UNIX, unix.SOCK_STREAM|unix.SOCK_CLOEXEC, 0)
	if err != nil {
		d.t.Fatal(err)
	}
	ours, theirs := os.NewFile(uintptr(pair[0]), "ours"), os.NewFile(uintptr(pair[1]), "theirs")
	self, err := os.Executable()
	if err != nil {
		d.t.Fatal(err)
	}
	cmd.Args = append([]string{"faulty-disk", cmd.Path}, cmd.Args...)
	cmd.Path, cmd.ExtraFiles = self, []*os.File{theirs}
	return func() {
		d.t.Helper()
		defer ours.Close()
		if err := theirs.Close(); err != nil {
			d.t.Fatal(err)
		}
		listener, err := receiveFile(ours)
		if err != nil {
			d.t.Fatalf("the program did not come behind the disk: %v", err)
		}
		d.serving.Go(func() { d.serve(listener) })
	}
}

// receiveFile takes a file that another process sends over a socket.
func receiveFile(from *os.File) (int, error) {
	conn, err := net.FileConn(from)
	if err != nil {
		return 0, err
	}
	defer conn.Close()
	oob := make([]byte, unix.CmsgSpace(4))
	_, n, _, _, err := conn.(*net.UnixConn).ReadMsgUnix(make([]byte, 1), oob)
	if err != nil {
		return 0, err
	}
	messages, err := unix.ParseSocketControlMessage(oob[:n])
	if err != nil || len(messages) != 1 {
		return 0, fmt.Errorf("%d control messages (%w)", len(messages), err)
	}
	fds, err := unix.ParseUnixRights(&messages[0])
	if err != nil {
		return 0, err
	}
	return fds[0], nil
}

// diskCall and diskReply are struct seccomp_notif and seccomp_notif_resp.
type diskCall struct {
	id    uint64
	pid   uint32
	flags uint32
	nr    int32
	arch  uint32
	at    uint64
	args  [6]uint64
}

type diskReply struct {
	id    uint64
	val   int64
	err   int32
	flags uint32
}

const (
	askIoctl   = 0xc0502100 // SECCOMP_IOCTL_NOTIF_RECV
	replyIoctl = 0xc0182101 // SECCOMP_IOCTL_NOTIF_SEND
	goOn       = 1          // SECCOMP_USER_NOTIF_FLAG_CONTINUE
)

// serve answers until the process has ended.
func (d *faultyDisk) serve(listener int) {
	var answering sync.WaitGroup
	defer func() { answering.Wait(); _ = unix.Close(listener) }() // it was only read from
	for {
		polled := []unix.PollFd{{Fd: int32(listener), Events: unix.POLLIN}}
		if _, err := unix.Poll(polled, 100); err != nil && !errors.Is(err, unix.EINTR) {
			d.t.Errorf("wait for the process: %v", err)
			return
		}
		if polled[0].Revents&unix.POLLIN == 0 {
			if polled[0].Revents != 0 {
				return // the process has ended
			}
			continue
		}
		var q diskCall
		if _, _, errno := unix.Syscall(unix.SYS_IOCTL, uintptr(listener), askIoctl, uintptr(unsafe.Pointer(&q))); errno != 0 {
			continue // it was killed while it asked
		}
		d.calls.Add(1)
		answering.Go(func() { d.answer(listener, &q) })
	}
}

func (d *faultyDisk) answer(listener int, q *diskCall) {
	r := diskReply{id: q.id, flags: goOn}
	if q.nr == unix.SYS_FSYNC || q.nr == unix.SYS_FDATASYNC {
		time.Sleep(time.Duration(d.delay.Load()))
	}
	if fault := d.fault.Load(); fault != 0 {
		r.err, r.flags = -int32(fault), 0
	}
	// One that was killed meanwhile wants no answer.
	_, _, _ = unix.Syscall(unix.SYS_IOCTL, uintptr(listener), replyIoctl, uintptr(unsafe.Pointer(&r)))
}

// runOnFaultyDisk is the program faulty-disk: PATH ARGS... It puts itself behind
// the disk whose socket is file 3 and becomes the program at PATH.
func runOnFaultyDisk() {
	if err := becomeFaulty(os.Args[1], os.Args[2:]); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
}

func becomeFaulty(path string, args []string) error {
	runtime.LockOSThread() // the filter is this thread's, which becomes the program
	if err := unix.Prctl(unix.PR_SET_NO_NEW_PRIVS, 1, 0, 0, 0); err != nil {
		return fmt.Errorf("give up new privileges: %w", err)
	}
	// struct seccomp_data begins with the number of the call.
	code := []unix.SockFilter{{Code: unix.BPF_LD | unix.BPF_W | unix.BPF_ABS, K: 0}}
	for _, nr := range diskCalls {
		code = append(code, unix.SockFilter{Code: unix.BPF_JMP | unix.BPF_JEQ | unix.BPF_K, K: nr, Jf: 1},
			unix.SockFilter{Code: unix.BPF_RET | unix.BPF_K, K: unix.SECCOMP_RET_USER_NOTIF})
	}
	code = append(code, unix.SockFilter{Code: unix.BPF_RET | unix.BPF_K, K: unix.SECCOMP_RET_ALLOW})
	prog := unix.SockFprog{Len: uint16(len(code)), Filter: &code[0]}
	fd, _, errno := unix.Syscall(unix.SYS_SECCOMP, unix.SECCOMP_SET_MODE_FILTER, unix.SECCOMP_FILTER_FLAG_NEW_LISTENER, uintptr(unsafe.Pointer(&prog)))
	if errno != 0 {
		return fmt.Errorf("ask for a seccomp listener: %w", errno)
	}
	if err := unix.Sendmsg(3, []byte{0}, unix.UnixRights(int(fd)), nil, 0); err != nil {
		return fmt.Errorf("hand the listener over: %w", err)
	}
	return fmt.Errorf("become %s: %w", path, syscall.Exec(path, args, os.Environ()))
}
