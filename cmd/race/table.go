//go:build linux

package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"text/tabwriter"
	"time"

	"golang.org/x/sys/unix"
)

// table is what was measured, in the order it was.
type table struct {
	rows [][2]string
	best float64 // highest rate of the daemon with 4 MiB, datagrams/s
}

func (t *table) row(what, figure string) { t.rows = append(t.rows, [2]string{what, figure}) }

func (t *table) ratio(what string, r float64) { t.row(what, fmt.Sprintf("%.2f", r)) }

func (t *table) rate(room string, ours, library, floor float64) {
	t.row("no loss, buffer "+room, fmt.Sprintf("standwatch, durable %.0f/s; library, nothing kept %.0f/s; UDP floor %.0f/s; standwatch ÷ library %.2f, ÷ floor %.2f",
		ours, library, floor, ours/library, ours/floor))
}

func (t *table) times(what string, took []time.Duration) {
	t.row(what, fmt.Sprintf("p50 %s, p99 %s", quantile(took, 0.5).Round(10*time.Microsecond), quantile(took, 0.99).Round(10*time.Microsecond)))
}

func (t *table) print(out io.Writer) {
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	for _, r := range t.rows {
		fmt.Fprintf(w, "%s\t%s\n", r[0], r[1])
	}
	_ = w.Flush() // what could not be written to the terminal was not read either
}

// tableRows is how many rows a run without --sustain has at least.
const tableRows = 9

// check fails when something is missing.
func (t *table) check() error {
	var errs []error
	if len(t.rows) < tableRows {
		errs = append(errs, fmt.Errorf("the table has %d rows, not %d", len(t.rows), tableRows))
	}
	for _, r := range t.rows {
		if strings.Contains(r[1], "NaN") || strings.Contains(r[1], "Inf") || r[1] == "" {
			errs = append(errs, fmt.Errorf("%s has no figure: %q", r[0], r[1]))
		}
	}
	return errors.Join(errs...)
}

// header says on what it was run.
func header(out io.Writer) {
	var name unix.Utsname
	kernel := "an unknown kernel"
	if unix.Uname(&name) == nil {
		kernel = unix.ByteSliceToString(name.Release[:])
	}
	busy, err := os.ReadFile("/proc/loadavg")
	if err != nil {
		busy = []byte("unknown")
	}
	fmt.Fprintf(out, "%s, %s/%s, %s, Linux %s, %d processors shared by sender and receiver, load before %s\n",
		time.Now().UTC().Format(time.DateTime), runtime.GOOS, runtime.GOARCH, runtime.Version(), kernel, cores(), strings.TrimSpace(string(busy)))
	fmt.Fprintln(out, "Read the ratios: others use the machine too, and its speed drifts.")
}

func cores() int { return runtime.NumCPU() }

func median(v []float64) float64 {
	v = slices.Sorted(slices.Values(v))
	return v[len(v)/2]
}

// quantile is the q-th part of times, q from 0 to 1; 0 of none.
func quantile(took []time.Duration, q float64) time.Duration {
	if len(took) == 0 {
		return 0
	}
	took = slices.Sorted(slices.Values(took))
	return took[min(int(q*float64(len(took))), len(took)-1)]
}

// processor is the time a process has used, in seconds; proc_pid_stat(5) counts
// it in hundredths.
func processor(pid int) float64 {
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	if err != nil {
		return 0
	}
	fields := strings.Fields(string(text[strings.LastIndexByte(string(text), ')')+1:]))
	user, _ := strconv.ParseFloat(fields[11], 64) // numbers, by the kernel's word
	system, _ := strconv.ParseFloat(fields[12], 64)
	return (user + system) / 100
}

// peak is the most memory a process had, in octets.
func peak(pid int) uint64 {
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	if err != nil {
		return 0
	}
	_, rest, _ := strings.Cut(string(text), "VmHWM:")
	n, _ := strconv.ParseUint(strings.Fields(rest + " 0")[0], 10, 64) // 0 where there is none
	return n << 10
}

func fdatasync(f *os.File) error { return unix.Fdatasync(int(f.Fd())) }

// blocks is what a file takes on disk, in octets.
func blocks(e fs.DirEntry) uint64 {
	info, err := e.Info()
	if err != nil {
		return 0
	}
	return uint64(info.Sys().(*syscall.Stat_t).Blocks) * 512
}
