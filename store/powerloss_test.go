//go:build trials

package store_test

import (
	"bytes"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"syscall"
	"testing"
	"unsafe"

	"github.com/google/go-cmp/cmp"
	"golang.org/x/sys/unix"

	"example.net/standwatch/correlate"
	"example.net/standwatch/store"
	"example.net/standwatch/store/storetest"
)

// TestTrialPowerLoss watches every system call with which a store writes, and at each
// moment at which something became durable, and between, makes the folder that a
// loss of power could have left: what was synced is there, of what was not any
// part may be missing. Each such folder has to open, to hold everything that was
// acknowledged by then, and to pass verification.
func TestTrialPowerLoss(t *testing.T) {
	t.Attr("promised", "a record whose append returned is there, the folder opens and passes verification")
	dir := filepath.Join(t.TempDir(), "data")
	w := watchChild(t, dir)
	if len(w.moments) < 100 || w.acked < 300 {
		t.Fatalf("only %d moments and %d records: this was no load", len(w.moments), w.acked)
	}
	rnd, bad := rand.New(rand.NewPCG(7, 8)), 0
	for i, m := range w.moments {
		image := filepath.Join(t.TempDir(), "image")
		m.write(t, rnd, dir, image)
		if err := w.survives(t, image, m.acked); err != nil {
			bad++
			t.Errorf("power lost at moment %d of %d, after %s: %v", i, len(w.moments), m.after, err)
		}
		if err := os.RemoveAll(image); err != nil {
			t.Fatal(err)
		}
	}
	// The trial itself must be able to fail: an early disk lacks what was said late.
	early := filepath.Join(t.TempDir(), "early")
	w.moments[len(w.moments)/2].write(t, rnd, dir, early)
	if err := w.survives(t, early, w.acked); err == nil {
		t.Error("half the writes were taken away and nobody noticed")
	}
	t.Attr("tried", fmt.Sprintf("power lost at %d moments, at each sync and between, with any part of what was not synced missing; %d records acknowledged", len(w.moments), w.acked))
	t.Attr("lost", fmt.Sprintf("something in %d of them", bad))
}

// survives opens a folder and looks for every record up to acked.
func (w *watched) survives(t *testing.T, dir string, acked int) error {
	if acked == 0 {
		return nil // nothing was promised
	}
	s, err := store.Open(dir, store.Options{SegmentRecords: 120})
	if err != nil {
		return err
	}
	return errors.Join(w.holds(t, s, acked), s.Close())
}

func (w *watched) holds(t *testing.T, s *store.Store, acked int) error {
	if !bytes.Equal(s.Identity().EngineID, w.engine) {
		return errors.New("the identity is another one")
	}
	if int(s.Last()) < acked {
		return fmt.Errorf("the newest record is %d, but %d was acknowledged", s.Last(), acked)
	}
	for _, want := range w.records[s.First()-1 : s.Last()] {
		got, err := s.Get(want.Seq)
		if err != nil {
			return err
		}
		if diff := cmp.Diff(want, got); diff != "" {
			return fmt.Errorf("record %d:\n%s", want.Seq, diff)
		}
	}
	report, err := s.Verify(t.Context(), nil)
	if err != nil || !report.Good() {
		return fmt.Errorf("verify: %v %w", report.Problems, err)
	}
	if _, err := s.State(t.Context()); err != nil {
		return err
	}
	return s.Append(storetest.NewMaker(1, s.Last()).Records(3))
}

// inode is a file as written and as the disk surely has it.
type inode struct {
	now, durable []byte
	pending      []put // not synced, in order
}

// put is a write at an offset, or a new length where data is nil.
type put struct {
	at   int64
	data []byte
}

func (c put) apply(data []byte) []byte {
	end := int(c.at) + len(c.data)
	if c.data == nil {
		if end <= len(data) {
			return data[:end]
		}
		return append(data, make([]byte, end-len(data))...)
	}
	if end > len(data) {
		data = append(data, make([]byte, end-len(data))...)
	}
	copy(data[c.at:], c.data)
	return data
}

// entryChange is a name that came (file set) or went.
type entryChange struct {
	name string
	file *inode
}

// folder is the names in a folder, now and durable.
type folder struct {
	now, durable map[string]*inode
	pending      [][]entryChange // each in one step, as a rename is
}

// moment is what the disk surely has at a moment, and what it may have.
type moment struct {
	after   string
	acked   int
	folders map[string]momentFolder
}

type momentFolder struct {
	durable map[string]*inode
	pending [][]entryChange
	files   map[*inode]inode // as they were
}

// write makes the folder that a loss of power at this moment may leave.
func (m *moment) write(t *testing.T, rnd *rand.Rand, dir, image string) {
	t.Helper()
	for name, f := range m.folders {
		at := filepath.Join(image, strings.TrimPrefix(name, dir))
		if err := os.MkdirAll(at, 0o700); err != nil {
			t.Fatal(err)
		}
		entries := map[string]*inode{}
		for n, i := range f.durable {
			entries[n] = i
		}
		for _, step := range f.pending[:rnd.IntN(len(f.pending)+1)] { // file systems keep the order of names
			applyStep(entries, step)
		}
		for n, i := range entries {
			if err := os.WriteFile(filepath.Join(at, n), f.files[i].left(rnd), 0o600); err != nil {
				t.Fatal(err)
			}
		}
	}
}

func applyStep(entries map[string]*inode, step []entryChange) {
	for _, c := range step {
		if c.file == nil {
			delete(entries, c.name)
		} else {
			entries[c.name] = c.file
		}
	}
}

// left returns what may be left of a file: what was synced, and of every page
// written since any choice.
func (i inode) left(rnd *rand.Rand) []byte {
	const page = 4096
	data := append([]byte(nil), i.durable...)
	luck := rnd.IntN(3) // all lost, half lost, all kept but the tail of the order
	for _, c := range i.pending {
		if c.data == nil {
			if luck > 0 {
				data = c.apply(data)
			}
			continue
		}
		for from := 0; from < len(c.data); from += page {
			if luck == 2 || luck == 1 && rnd.IntN(2) == 0 {
				data = put{c.at + int64(from), c.data[from:min(from+page, len(c.data))]}.apply(data)
			}
		}
		if luck == 2 && rnd.IntN(8) == 0 {
			break
		}
	}
	return data
}

// watched is what a child did to a folder.
type watched struct {
	t       *testing.T
	dir     string
	folders map[string]*folder
	open    map[int]*handle
	moments []*moment
	acked   int
	records []*correlate.Record
	engine  []byte
	said    string
	calls   int
}

type handle struct {
	path string // of a folder
	file *inode // nil for a folder
	at   int64
}

func (w *watched) parent(path string) (*folder, string) {
	return w.folders[filepath.Dir(path)], filepath.Base(path)
}

// mark notes a moment; sparse ones only now and then.
func (w *watched) mark(after string, always bool) {
	if w.calls++; !always && w.calls%5 != 0 {
		return
	}
	m := &moment{after: after, acked: w.acked, folders: map[string]momentFolder{}}
	for name, f := range w.folders {
		mf := momentFolder{durable: map[string]*inode{}, pending: append([][]entryChange(nil), f.pending...), files: map[*inode]inode{}}
		keep := func(i *inode) {
			mf.files[i] = inode{durable: i.durable, pending: slices.Clone(i.pending)}
		}
		for n, i := range f.durable {
			mf.durable[n] = i
			keep(i)
		}
		for _, step := range f.pending {
			for _, c := range step {
				if c.file != nil {
					keep(c.file)
				}
			}
		}
		m.folders[name] = mf
	}
	w.moments = append(w.moments, m)
}

func (w *watched) entry(f *folder, step ...entryChange) {
	applyStep(f.now, step)
	f.pending = append(f.pending, step)
}

func (w *watched) change(i *inode, c put) {
	i.now = c.apply(i.now)
	i.pending = append(i.pending, c)
}

// did follows one system call that has succeeded.
func (w *watched) did(c *call) {
	switch c.nr {
	case unix.SYS_OPENAT:
		w.opened(c)
	case unix.SYS_CLOSE:
		delete(w.open, int(c.args[0]))
	case unix.SYS_MKDIRAT:
		if strings.HasPrefix(c.path, w.dir) {
			w.folders[c.path] = &folder{now: map[string]*inode{}, durable: map[string]*inode{}}
		}
	case unix.SYS_WRITE, unix.SYS_PWRITE64:
		w.wrote(c)
	case unix.SYS_FTRUNCATE:
		if h := w.open[int(c.args[0])]; h != nil && h.file != nil {
			w.change(h.file, put{at: int64(c.args[1])})
		}
	case unix.SYS_FSYNC, unix.SYS_FDATASYNC:
		w.synced(c)
	case unix.SYS_RENAMEAT, unix.SYS_RENAMEAT2:
		from, old := w.parent(c.path)
		to, name := w.parent(c.path2)
		if from != nil && from == to {
			w.entry(from, entryChange{old, nil}, entryChange{name, from.now[old]})
			w.mark("rename to "+name, true)
		}
	case unix.SYS_UNLINKAT:
		if f, name := w.parent(c.path); f != nil {
			w.entry(f, entryChange{name, nil})
			w.mark("remove "+name, true)
		}
	}
}

func (w *watched) opened(c *call) {
	if _, ours := w.folders[c.path]; ours {
		w.open[int(c.ret)] = &handle{path: c.path}
		return
	}
	f, name := w.parent(c.path)
	if f == nil {
		return
	}
	if f.now[name] == nil {
		w.entry(f, entryChange{name, &inode{}})
	}
	if c.args[2]&unix.O_TRUNC != 0 {
		w.change(f.now[name], put{})
	}
	w.open[int(c.ret)] = &handle{file: f.now[name]}
}

func (w *watched) wrote(c *call) {
	if c.args[0] == 1 {
		w.said += string(c.data)
		lines := strings.Split(strings.TrimSpace(w.said), "\n")
		if _, err := fmt.Sscan(lines[len(lines)-1], &w.acked); err != nil {
			w.t.Errorf("the child said %q", w.said)
		}
		w.mark("an acknowledgement", true)
		return
	}
	h := w.open[int(c.args[0])]
	if h == nil || h.file == nil {
		return
	}
	data := c.data[:c.ret]
	if c.nr == unix.SYS_PWRITE64 {
		w.change(h.file, put{int64(c.args[3]), data})
	} else {
		w.change(h.file, put{h.at, data})
		h.at += c.ret
	}
	w.mark("a write", false)
}

func (w *watched) synced(c *call) {
	h := w.open[int(c.args[0])]
	if h == nil {
		return
	}
	w.mark("just before a sync", false)
	if h.file != nil {
		h.file.durable, h.file.pending = append([]byte(nil), h.file.now...), nil
	} else {
		f := w.folders[h.path]
		f.pending = nil
		f.durable = map[string]*inode{}
		for n, i := range f.now {
			f.durable[n] = i
		}
	}
	w.mark("a sync", true)
}

// call is a system call of the child.
type call struct {
	nr          int
	args        [6]uint64
	ret         int64
	path, path2 string
	data        []byte
}

// syscallInfo is struct ptrace_syscall_info (ptrace(2), PTRACE_GET_SYSCALL_INFO).
type syscallInfo struct {
	op    uint8
	_     [3]uint8
	_     uint32
	_, _  uint64
	first uint64 // number at entry, result at exit
	args  [6]uint64
	_     [2]uint64
}

const (
	getSyscallInfo = 0x420e
	atEntry        = 1
	atExit         = 2
)

// watchChild runs powerLoad in a child and follows its system calls with
// ptrace(2), which wants one thread to do it all.
func watchChild(t *testing.T, dir string) *watched {
	t.Helper()
	w := &watched{t: t, dir: dir, folders: map[string]*folder{}, open: map[int]*handle{}}
	w.records = storetest.NewMaker(powerSeed, 0).Records(2000)
	exe, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	out, err := os.OpenFile(os.DevNull, os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer out.Close()
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	cmd := exec.Command(exe)
	cmd.Env = append(os.Environ(), roleEnv+"=power-load "+dir)
	cmd.Stdout, cmd.Stderr = out, os.Stderr
	cmd.SysProcAttr = &syscall.SysProcAttr{Ptrace: true}
	if err := cmd.Start(); err != nil {
		t.Fatalf("start a traced child: %v", err)
	}
	if err := w.follow(cmd.Process.Pid); err != nil {
		t.Fatal(err)
	}
	s := openStore(t, dir, store.Options{ReadOnly: true})
	w.engine = s.Identity().EngineID
	closeStore(t, s)
	_ = cmd.Process.Release() // it was waited for already
	return w
}

func (w *watched) follow(pid int) error {
	var ws syscall.WaitStatus
	if _, err := syscall.Wait4(pid, &ws, 0, nil); err != nil {
		return fmt.Errorf("wait for the child: %w", err)
	}
	if err := syscall.PtraceSetOptions(pid, unix.PTRACE_O_TRACESYSGOOD|unix.PTRACE_O_TRACECLONE|unix.PTRACE_O_EXITKILL); err != nil {
		return fmt.Errorf("trace the child: %w", err)
	}
	calls := map[int]*call{}
	known := map[int]bool{pid: true}
	for tid, signal := pid, 0; ; {
		if err := syscall.PtraceSyscall(tid, signal); err != nil && !errors.Is(err, syscall.ESRCH) {
			return fmt.Errorf("go on: %w", err)
		}
		for {
			var err error
			if tid, err = syscall.Wait4(-1, &ws, unix.WALL, nil); err != nil {
				return fmt.Errorf("wait for the child: %w", err)
			}
			if ws.Stopped() {
				break
			}
			if tid == pid {
				if ws.ExitStatus() != 0 {
					return fmt.Errorf("the child ended with %d", ws.ExitStatus())
				}
				return nil
			}
		}
		signal = 0
		switch sig := ws.StopSignal(); {
		case sig == syscall.SIGTRAP|0x80:
			if err := w.stopped(tid, calls); err != nil {
				return err
			}
		case sig == syscall.SIGTRAP:
		case sig == syscall.SIGSTOP && !known[tid]:
			known[tid] = true // a new thread begins so
		default:
			signal = int(sig)
		}
	}
}

func (w *watched) stopped(tid int, calls map[int]*call) error {
	var info syscallInfo
	_, _, errno := syscall.Syscall6(syscall.SYS_PTRACE, getSyscallInfo, uintptr(tid), unsafe.Sizeof(info), uintptr(unsafe.Pointer(&info)), 0, 0)
	if errno != 0 {
		return fmt.Errorf("ask for the system call: %w", errno)
	}
	switch info.op {
	case atEntry:
		c := &call{nr: int(info.first), args: info.args}
		calls[tid] = c
		return c.read(tid)
	case atExit:
		if c := calls[tid]; c != nil {
			if c.ret = int64(info.first); c.ret >= 0 {
				w.did(c)
			}
		}
		delete(calls, tid)
	}
	return nil
}

// read fetches what the call points to.
func (c *call) read(tid int) (err error) {
	switch c.nr {
	case unix.SYS_OPENAT, unix.SYS_MKDIRAT, unix.SYS_UNLINKAT:
		c.path, err = readPath(tid, c.args[1])
	case unix.SYS_RENAMEAT, unix.SYS_RENAMEAT2:
		if c.path, err = readPath(tid, c.args[1]); err == nil {
			c.path2, err = readPath(tid, c.args[3])
		}
	case unix.SYS_WRITE, unix.SYS_PWRITE64:
		c.data, err = readMemory(tid, c.args[1], int(c.args[2]))
	}
	return err
}

func readMemory(tid int, at uint64, n int) ([]byte, error) {
	if n == 0 {
		return nil, nil
	}
	buf := make([]byte, n)
	local := unix.Iovec{Base: &buf[0]}
	local.SetLen(n)
	got, err := unix.ProcessVMReadv(tid, []unix.Iovec{local}, []unix.RemoteIovec{{Base: uintptr(at), Len: n}}, 0)
	if err != nil {
		return nil, fmt.Errorf("read the child's memory: %w", err)
	}
	return buf[:got], nil
}

// readPath reads a text that ends with a zero octet, page by page.
func readPath(tid int, at uint64) (string, error) {
	var out []byte
	for {
		part, err := readMemory(tid, at, int(4096-at%4096))
		if err != nil {
			return "", err
		}
		if text, _, ended := strings.Cut(string(part), "\x00"); ended {
			return string(out) + text, nil
		}
		out = append(out, part...)
		at += uint64(len(part))
	}
}
