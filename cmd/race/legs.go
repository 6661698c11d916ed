//go:build linux

package main

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net/http"
	"net/netip"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"sync"
	"sync/atomic"
	"time"

	"example.net/standwatch/cmd/standwatch/demo/wire"
	"example.net/standwatch/receiver/snmp"
	"github.com/gosnmp/gosnmp"
)

// load sends count traps at a rate and returns what was really reached.
func load(ctx context.Context, s settings, to string, count int, rate float64, traps ...string) (float64, error) {
	args := []string{"send", "--target", to, "--community", community, "--from", loadFrom, "--count", strconv.Itoa(count), "--distinct", "2000", "--rate", fmt.Sprint(rate), "--varbind", numberOID + "=int:#"}
	for i := range 6 {
		args = append(args, "--varbind", fmt.Sprintf("%s.%d=text:one of some variables", numberOID, i+2))
	}
	for _, t := range traps {
		args = append(args, "--trap", t)
	}
	out, err := exec.CommandContext(ctx, s.program, args...).CombinedOutput()
	if err != nil {
		return 0, fmt.Errorf("send the load: %w\n%s", err, out)
	}
	m := reached.FindSubmatch(out)
	if m == nil {
		return 0, fmt.Errorf("the sender said %q", out)
	}
	return strconv.ParseFloat(string(m[1]), 64)
}

var reached = regexp.MustCompile(`: (\d+) a second`)

// highest searches the highest rate without loss, to within 6 %. A rate counts
// as lossy when it is so twice, since others use the machine too, and as not
// shown when the sender does not reach it.
func highest(ctx context.Context, s settings, start func() (runner, error)) (float64, error) {
	low, high := 0.0, 800_000.0
	for rate := 20_000.0; high-low > high*0.06 && high > 500; {
		held, err := holds(ctx, s, rate, start)
		if err == nil && !held {
			held, err = holds(ctx, s, rate, start)
		}
		if err != nil {
			return 0, err
		}
		if held {
			low = rate
		} else {
			high = rate
		}
		rate = min(2*low, (low+high)/2)
		if low == 0 {
			rate = high / 2
		}
	}
	return low, nil
}

func holds(ctx context.Context, s settings, rate float64, start func() (runner, error)) (held bool, err error) {
	r, err := start()
	if err != nil {
		return false, err
	}
	defer func() { err = errors.Join(err, r.end()) }()
	n := max(int(rate*s.held.Seconds()), 100)
	got, err := load(ctx, s, r.target(), n, rate, raiseOID, clearOID)
	if err != nil {
		return false, err
	}
	heard, err := settle(ctx, r, uint64(n))
	return heard == uint64(n) && got > 0.9*rate, err
}

// fresh is a data folder of its own for each daemon.
func (s settings) fresh() (string, error) { return os.MkdirTemp(s.dir, "data-") }

func rates(ctx context.Context, s settings, t *table) error {
	rooms := []struct {
		name string
		room int
	}{{"4 MiB", 4 << 20}, {"64 MiB", 64 << 20}, {"default", 0}}
	if s.rate > 0 {
		t.best = s.rate
		return nil
	}
	if s.quick {
		return quickRates(ctx, s, t)
	}
	for _, room := range rooms {
		var ours, library, floor []float64
		for range s.runs {
			for _, by := range []struct {
				into  *[]float64
				start func() (runner, error)
			}{
				{&ours, func() (runner, error) { return s.daemon(ctx, room.room) }},
				{&library, func() (runner, error) { return startRival(ctx, "library", room.room) }},
				{&floor, func() (runner, error) { return startRival(ctx, "datagrams", room.room) }},
			} {
				v, err := highest(ctx, s, by.start)
				if err != nil {
					return fmt.Errorf("rate with a buffer of %s: %w", room.name, err)
				}
				*by.into = append(*by.into, v)
			}
		}
		t.rate(room.name, median(ours), median(library), median(floor))
		if room.name == "4 MiB" {
			t.best = median(ours)
		}
	}
	return nil
}

// quickRates only sees whether everybody hears a low rate.
func quickRates(ctx context.Context, s settings, t *table) error {
	const rate = 500.0
	for _, by := range []struct {
		name  string
		start func() (runner, error)
	}{
		{"standwatch", func() (runner, error) { return s.daemon(ctx, 4<<20) }},
		{"library", func() (runner, error) { return startRival(ctx, "library", 4<<20) }},
		{"datagrams", func() (runner, error) { return startRival(ctx, "datagrams", 4<<20) }},
	} {
		held, err := holds(ctx, s, rate, by.start)
		if err != nil {
			return err
		}
		if !held {
			return fmt.Errorf("%s lost something at %.0f a second", by.name, rate)
		}
	}
	t.rate("4 MiB, low rate only", rate, rate, rate)
	t.best = 2 * rate
	return nil
}

func (s settings) daemon(ctx context.Context, room int) (runner, error) {
	dir, err := s.fresh()
	if err != nil {
		return nil, err
	}
	return startMeasured(ctx, s, dir, room)
}

// times takes the times of informs and alarms, idle and at half the best rate.
func times(ctx context.Context, s settings, t *table) (err error) {
	dir, err := s.fresh()
	if err != nil {
		return err
	}
	m, err := startMeasured(ctx, s, dir, 4<<20)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, m.end()) }()
	sync, err := syncTimes(s, 1)
	if err != nil {
		return err
	}
	idle, err := informs(ctx, s, m, s.probes)
	if err != nil {
		return err
	}
	t.times("one append and fdatasync of 400 octets", sync)
	t.times("inform answered, idle", idle)
	t.ratio("inform answered ÷ one fdatasync (idle, p50)", quantile(idle, 0.5).Seconds()/quantile(sync, 0.5).Seconds())
	began, used := time.Now(), processor(m.pid())
	rate := t.best / 2
	seconds := max(2, float64(s.probes)/40)
	for _, what := range []struct {
		name string
		take func(context.Context) ([]time.Duration, error)
	}{
		{"sent to durable (inform)", func(during context.Context) ([]time.Duration, error) { return informs(during, s, m, s.probes) }},
		{"sent to seen on the API's stream of one site", func(during context.Context) ([]time.Duration, error) {
			return visible(ctx, during, m, "?site=birch-hollow", s.probes)
		}},
		{"sent to seen on the API's stream of everything", func(during context.Context) ([]time.Duration, error) { return visible(ctx, during, m, "", s.probes) }},
	} {
		took, err := meanwhile(ctx, s, m, rate, seconds, what.take)
		if err != nil {
			return fmt.Errorf("%s: %w", what.name, err)
		}
		t.times(fmt.Sprintf("%s at %.0f/s, %d probes", what.name, rate, len(took)), took)
	}
	t.row("processors used and most memory meanwhile", fmt.Sprintf("%.2f of %d, %d MiB", (processor(m.pid())-used)/time.Since(began).Seconds(), cores(), peak(m.pid())>>20))
	return s.profiled(ctx, m, t.best)
}

// meanwhile takes times while a load lasts, and none after it.
func meanwhile(ctx context.Context, s settings, m *measured, rate, seconds float64, take func(context.Context) ([]time.Duration, error)) ([]time.Duration, error) {
	during, over := context.WithCancel(ctx)
	defer over()
	ended := make(chan error, 1)
	go func() {
		defer over()
		_, err := load(ctx, s, m.target(), int(rate*seconds), rate, raiseOID, clearOID)
		ended <- err
	}()
	took, err := take(during)
	return took, errors.Join(err, <-ended)
}

// profiled takes a profile while the daemon has as much as it can take.
func (s settings) profiled(ctx context.Context, m *measured, rate float64) error {
	if s.profile == "" {
		return nil
	}
	const seconds = 8
	ended := make(chan error, 1)
	go func() {
		_, err := load(ctx, s, m.target(), int(rate*(seconds+1)), rate, raiseOID, clearOID)
		ended <- err
	}()
	res, err := http.Get(fmt.Sprintf("http://%s/debug/pprof/profile?seconds=%d", m.profiles, seconds))
	if err != nil {
		return errors.Join(err, <-ended)
	}
	defer res.Body.Close()
	data, err := io.ReadAll(res.Body)
	return errors.Join(err, os.WriteFile(s.profile, data, 0o600), <-ended)
}

func prober(inform bool, m *measured) (*wire.Sender, error) {
	return wire.Open(wire.Options{Master: netip.MustParseAddrPort(m.traps), From: netip.MustParseAddr(probeFrom), Version: snmp.V2c, Community: community,
		Inform: inform, Tries: 1, Wait: 5 * time.Second, Started: time.Now().Add(-time.Hour)})
}

func probe(n int) wire.Notification {
	return wire.Notification{TrapOID: "." + raiseOID, Varbinds: []gosnmp.SnmpPDU{{Name: "." + numberOID, Type: gosnmp.Integer, Value: n}}}
}

// informs sends one after the other until ctx ends, n at most, and takes the time
// until each is answered, which is when it is durable.
func informs(ctx context.Context, s settings, m *measured, n int) ([]time.Duration, error) {
	from, err := prober(true, m)
	if err != nil {
		return nil, err
	}
	defer from.Close()
	var took []time.Duration
	for i := range n {
		began := time.Now()
		if err := from.Send(ctx, began, probe(i)); err != nil {
			if ctx.Err() != nil && len(took) > 0 {
				return took, nil // the load ended meanwhile
			}
			return nil, fmt.Errorf("inform %d: %w", i, err)
		}
		took = append(took, time.Since(began))
	}
	return took, nil
}

// visible sends traps until during ends, n at most and one every 20 ms whether the
// one before was seen or not, and takes the time until the stream of records has
// each.
func visible(ctx, during context.Context, m *measured, query string, n int) ([]time.Duration, error) {
	ctx, cancel := context.WithTimeout(ctx, 2*time.Minute)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://"+m.console+"/api/v1/stream"+query, nil)
	if err != nil {
		return nil, err
	}
	req.Header.Set("Authorization", "Bearer "+m.pass)
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		return nil, err
	}
	defer res.Body.Close()
	sent := newSightings()
	failed := make(chan error, 1)
	go func() {
		defer time.AfterFunc(patience, cancel) // what is not seen by then was lost
		failed <- beacons(during, m, sent, n)
	}()
	lines := bufio.NewScanner(res.Body)
	lines.Buffer(nil, 4<<20)
	for lines.Scan() {
		if sent.seen(lines.Bytes(), time.Now()) {
			break
		}
	}
	err = <-failed
	if lost := len(sent.at); lost > 0 {
		err = errors.Join(err, fmt.Errorf("%d of %d were not seen within %s", lost, lost+len(sent.took), patience))
	}
	return sent.took, err
}

const patience = 30 * time.Second

// sightings are traps on their way to a stream, by their number.
type sightings struct {
	mu   sync.Mutex // guards what follows
	at   map[int]time.Time
	took []time.Duration
	all  bool // no more will be sent
}

func newSightings() *sightings { return &sightings{at: map[int]time.Time{}} }

const sightingMark = `"birch-hollow:fault:`

// seen looks for a trap in a line of a stream, and reports whether that was the
// last.
func (s *sightings) seen(line []byte, now time.Time) (last bool) {
	_, rest, found := bytes.Cut(line, []byte(sightingMark))
	if !found {
		return false
	}
	digits, _, _ := bytes.Cut(rest, []byte(`"`))
	number, err := strconv.Atoi(string(digits))
	s.mu.Lock()
	defer s.mu.Unlock()
	if at, ok := s.at[number]; err == nil && ok {
		delete(s.at, number)
		s.took = append(s.took, now.Sub(at))
	}
	return s.all && len(s.at) == 0
}

func beacons(ctx context.Context, m *measured, sent *sightings, n int) error {
	from, err := prober(false, m)
	if err != nil {
		return err
	}
	defer from.Close()
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	for i := range n {
		number := 1_000_000 + int(beacon.Add(1)) // not one of an inform
		now := time.Now()
		sent.mu.Lock()
		sent.at[number], sent.all = now, i == n-1 || ctx.Err() != nil
		all := sent.all
		sent.mu.Unlock()
		if err := from.Send(context.WithoutCancel(ctx), now, probe(number)); err != nil || all {
			return err
		}
		select {
		case <-tick.C:
		case <-ctx.Done(): // one more, so that the reader knows the last
		}
	}
	return nil
}

// beacon numbers the traps that are looked for, so that none is like another.
var beacon atomic.Int64

// syncTimes appends 400 octets per record in batches, each made durable.
func syncTimes(s settings, batch int) (took []time.Duration, err error) {
	f, err := os.CreateTemp(s.dir, "append-")
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	data := make([]byte, 400*batch)
	for range s.probes {
		began := time.Now()
		if _, err := f.Write(data); err != nil {
			return nil, err
		}
		if err := fdatasync(f); err != nil {
			return nil, err
		}
		took = append(took, time.Since(began))
	}
	return took, nil
}

// disk fills a folder and weighs it; restart goes on with it.
func disk(ctx context.Context, s settings, t *table) error {
	dir := filepath.Join(s.dir, "filled")
	m, err := startMeasured(ctx, s, dir, 4<<20)
	if err != nil {
		return err
	}
	rate := max(t.best/3, 500)
	err = fill(ctx, s, m, rate)
	size := weight(dir)
	if err := errors.Join(err, m.end()); err != nil {
		return err
	}
	t.row("on disk a record, with its evidence", fmt.Sprintf("%d octets (%d records, %s)", size/uint64(s.events), s.events, sealedWord(s.events)))
	floor, err := syncTimes(s, 1000)
	if err != nil {
		return err
	}
	t.row("floor: append and fdatasync in batches of 1,000", fmt.Sprintf("%.0f records/s", 1000/quantile(floor, 0.5).Seconds()))
	return nil
}

func fill(ctx context.Context, s settings, m *measured, rate float64) error {
	cmd := []string{"send", "--target", m.target(), "--community", community, "--from", loadFrom, "--count", strconv.Itoa(s.events), "--rate", fmt.Sprint(rate),
		"--distinct", strconv.Itoa(s.standing), "--trap", raiseOID, "--varbind", numberOID + "=int:#"}
	if out, err := exec.CommandContext(ctx, s.program, cmd...).CombinedOutput(); err != nil {
		return fmt.Errorf("fill: %w\n%s", err, out)
	}
	heard, err := settle(ctx, m, uint64(s.events))
	if err == nil && heard < uint64(s.events)*9/10 {
		err = fmt.Errorf("fill: only %d of %d arrived", heard, s.events)
	}
	return err
}

func sealedWord(n int) string {
	if n < 1<<20 {
		return "before sealing, which begins at 1,048,576"
	}
	return "all but the newest 1,048,576 sealed"
}

func weight(dir string) (n uint64) {
	// What cannot be read is not counted; the folder is this program's own.
	_ = filepath.WalkDir(dir, func(_ string, e fs.DirEntry, err error) error {
		if err != nil || e.IsDir() {
			return err
		}
		n += blocks(e)
		return nil
	})
	return n
}

// restart takes the time from starting the process to /readyz, with what disk left.
func restart(ctx context.Context, s settings, t *table) error {
	var took []time.Duration
	for range max(s.runs, 3) {
		d, err := startDaemon(ctx, s, filepath.Join(s.dir, "filled"), 4<<20)
		if err != nil {
			return err
		}
		took = append(took, d.ready)
		if err := d.end(); err != nil {
			return err
		}
	}
	t.row(fmt.Sprintf("restart until ready, %d records, %d standing", s.events, s.standing), quantile(took, 0.5).Round(time.Millisecond).String())
	return nil
}

// sustained holds four fifths of the best rate.
func sustained(ctx context.Context, s settings, t *table) (err error) {
	if s.sustain == 0 {
		return nil
	}
	r, err := s.daemon(ctx, 4<<20)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, r.end()) }()
	rate := 0.8 * t.best
	n := int(rate * s.sustain.Seconds())
	if _, err := load(ctx, s, r.target(), n, rate, raiseOID, clearOID); err != nil {
		return err
	}
	heard, err := settle(ctx, r, uint64(n))
	t.row(fmt.Sprintf("%s at %.0f/s", s.sustain, rate), fmt.Sprintf("%d of %d lost, most memory %d MiB", uint64(n)-heard, n, peak(r.pid())>>20))
	return err
}
