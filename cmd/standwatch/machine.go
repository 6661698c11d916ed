package main

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"time"

	"golang.org/x/sys/unix"
)

// machine is what the master asks the machine that it runs on. Tests put a
// machine in trouble in its place.
type machine struct {
	disk   func(folder string) (space, error)
	memory func() (left, total uint64, err error)
	synced func() (bool, error)
	count  func() time.Duration // what has passed, whatever was done to the clock
}

// thisMachine asks the kernel.
func thisMachine() machine {
	began := time.Now()
	return machine{disk: diskSpace, memory: func() (uint64, uint64, error) { return memoryLeft(os.ReadFile) }, synced: clockSynced,
		count: func() time.Duration { return time.Since(began) }}
}

// space is what a file system holds: octets and inodes. Inodes are 0 of 0 on
// file systems that make them as they go.
type space struct{ total, free, inodes, inodesFree uint64 }

func diskSpace(folder string) (space, error) {
	var fs syscall.Statfs_t
	if err := syscall.Statfs(folder, &fs); err != nil {
		return space{}, fmt.Errorf("look at the disk of %s: %w", folder, err)
	}
	size := uint64(fs.Bsize)
	return space{total: fs.Blocks * size, free: fs.Bavail * size, inodes: fs.Files, inodesFree: fs.Ffree}, nil
}

// Of a disk, at least so much must be free, and it must last so long at the
// growth of the last day.
const (
	diskLeast    = 5       // per cent
	diskOctets   = 1 << 28 // and octets
	inodesLeast  = 2       // per cent
	diskDays     = 7       // days
	growthEvery  = 10 * time.Minute
	growthSpan   = 24 * time.Hour
	growthLeast  = 2 * time.Hour // before that, growth is a guess
	memoryLeast  = 10            // per cent
	unsyncedLong = 10 * time.Minute
)

// growth remembers how much of a disk was free, for a day.
type growth struct {
	samples []freeAt
}

type freeAt struct {
	at   time.Time
	free uint64
}

// add takes a sample if the last one is old enough.
func (g *growth) add(now time.Time, free uint64) {
	if n := len(g.samples); n > 0 && now.Sub(g.samples[n-1].at) < growthEvery {
		return
	}
	g.samples = append(g.samples, freeAt{now, free})
	for len(g.samples) > 1 && now.Sub(g.samples[0].at) > growthSpan {
		g.samples = g.samples[1:]
	}
}

// daysLeft returns in how many days the disk is full if it goes on as since
// the oldest sample; false when it does not grow or too little is known.
func (g *growth) daysLeft(now time.Time, free uint64) (float64, bool) {
	if len(g.samples) == 0 {
		return 0, false
	}
	oldest := g.samples[0]
	span := now.Sub(oldest.at)
	if span < growthLeast || free >= oldest.free {
		return 0, false
	}
	perDay := float64(oldest.free-free) / span.Hours() * 24
	return float64(free) / perDay, true
}

// memoryLeft returns how much memory can still be had and of how much: of the
// machine, or of the control group that this process is in where that is less.
// Pages of files that can be given back count as left.
func memoryLeft(read func(string) ([]byte, error)) (left, total uint64, err error) {
	info, err := read("/proc/meminfo")
	if err != nil {
		return 0, 0, fmt.Errorf("read the machine's memory: %w", err)
	}
	fields := numbers(info, ":")
	left, total = fields["MemAvailable"]<<10, fields["MemTotal"]<<10
	if total == 0 {
		return 0, 0, errors.New("read the machine's memory: /proc/meminfo lacks MemTotal")
	}
	if limit, used, ok := groupMemory(read); ok && limit < total {
		total = limit
		left = min(left, limit-min(used, limit))
	}
	return left, total, nil
}

// groupMemory returns the limit of this process's control group (version 2)
// and what counts against it.
func groupMemory(read func(string) ([]byte, error)) (limit, used uint64, ok bool) {
	own, err := read("/proc/self/cgroup")
	if err != nil {
		return 0, 0, false
	}
	name, found := strings.CutPrefix(strings.TrimSpace(string(own)), "0::")
	if !found {
		return 0, 0, false
	}
	folder := filepath.Join("/sys/fs/cgroup", name)
	figure := func(file string) (uint64, bool) {
		b, err := read(filepath.Join(folder, file))
		if err != nil {
			return 0, false
		}
		n, err := strconv.ParseUint(strings.TrimSpace(string(b)), 10, 64) // "max" is no limit
		return n, err == nil
	}
	limit, ok = figure("memory.max")
	if !ok {
		return 0, 0, false
	}
	if used, ok = figure("memory.current"); !ok {
		return 0, 0, false
	}
	if stat, err := read(filepath.Join(folder, "memory.stat")); err == nil {
		used -= min(used, numbers(stat, " ")["inactive_file"])
	}
	return limit, used, true
}

// numbers reads lines of a name and a number.
func numbers(text []byte, sep string) map[string]uint64 {
	out := map[string]uint64{}
	for lines := bufio.NewScanner(bytes.NewReader(text)); lines.Scan(); {
		name, rest, found := strings.Cut(lines.Text(), sep)
		fields := strings.Fields(rest)
		if !found || len(fields) == 0 {
			continue
		}
		if n, err := strconv.ParseUint(fields[0], 10, 64); err == nil {
			out[name] = n
		}
	}
	return out
}

// clockSynced reports whether the kernel holds its clock to be kept right by a
// time service (adjtimex(2): STA_UNSYNC).
func clockSynced() (bool, error) {
	var t unix.Timex
	if _, err := unix.Adjtimex(&t); err != nil {
		return false, fmt.Errorf("ask the kernel about its clock: %w", err)
	}
	return t.Status&unix.STA_UNSYNC == 0, nil
}

// wrongs counts what cannot be read and what rules fail at, within the last
// minutes.
type wrongs struct{ samples []wrongAt }

type wrongAt struct {
	at                      time.Time
	arrived, refused, rules uint64
}

// Within wrongSpan, so many datagrams refused as unreadable or not authentic,
// and such a share of what arrived, are a fault; so is any rule that fails so often.
const (
	wrongSpan   = 5 * time.Minute
	wrongLeast  = 50
	wrongShare  = 5 // per cent
	wrongFaults = 10
)

// add takes the counters as they stand and returns what was added to them
// within the span.
func (w *wrongs) add(s wrongAt) (d wrongAt) {
	w.samples = append(w.samples, s)
	for len(w.samples) > 1 && s.at.Sub(w.samples[0].at) > wrongSpan {
		w.samples = w.samples[1:]
	}
	oldest := w.samples[0]
	if s.rules < oldest.rules { // another set of rules, whose counters begin anew
		for i := range w.samples {
			w.samples[i].rules = 0
		}
		oldest.rules = 0
	}
	return wrongAt{at: oldest.at, arrived: s.arrived - oldest.arrived, refused: s.refused - oldest.refused, rules: s.rules - oldest.rules}
}

// unreadable reports whether what was refused is a fault worth telling.
func (d wrongAt) unreadable() bool {
	return d.refused >= wrongLeast && d.refused*100 >= d.arrived*wrongShare
}

// folderMark is a mark of the files in a configuration folder by name, size and
// time of change: it differs when one of them was changed since.
func folderMark(dir string) (string, error) {
	var b strings.Builder
	err := filepath.WalkDir(dir, func(name string, e os.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if e.IsDir() {
			return nil
		}
		switch filepath.Ext(name) {
		case ".yaml", ".yml", ".ics", ".mib", ".txt", ".csv":
		default:
			return nil
		}
		info, err := e.Info()
		if err != nil {
			return err
		}
		fmt.Fprintf(&b, "%s %d %d\n", name, info.Size(), info.ModTime().UnixNano())
		return nil
	})
	if err != nil {
		return "", fmt.Errorf("look at the configuration: %w", err)
	}
	return b.String(), nil
}
