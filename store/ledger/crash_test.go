package ledger_test

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"golang.org/x/sys/unix"

	"example.net/standwatch/correlate"
	"example.net/standwatch/store"
	"example.net/standwatch/store/ledger"
	"example.net/standwatch/store/storetest"
)

// roleEnv makes the test binary do one thing as a child process.
const roleEnv = "LEDGER_TEST_ROLE"

func TestMain(m *testing.M) {
	role, dir, _ := strings.Cut(os.Getenv(roleEnv), " ")
	var err error
	switch role {
	case "load":
		err = load(dir)
	case "full-disk":
		err = fullDisk(dir)
	default:
		os.Exit(m.Run())
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	os.Exit(0)
}

func child(t *testing.T, role, dir string) *exec.Cmd {
	t.Helper()
	exe, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.CommandContext(t.Context(), exe)
	cmd.Env = append(os.Environ(), roleEnv+"="+role+" "+dir)
	cmd.Stderr = os.Stderr
	return cmd
}

// childNetwork is network without a test.
func childNetwork() (*correlate.Network, error) {
	point := func(id correlate.PointID) *correlate.Point {
		return &correlate.Point{ID: id, Kind: correlate.Discrete, Name: string(id), Severity: correlate.Major}
	}
	return correlate.NewNetwork([]*correlate.Site{{ID: "tern-point", Points: map[correlate.PointID]*correlate.Point{
		"mains": point("mains"), "pump": point("pump"),
	}}}, nil, "one")
}

// load keeps the ledger busy for ever and writes a line for each input that
// was acknowledged: its sequence number and its mark.
func load(dir string) error {
	s, err := store.Open(dir, store.Options{SegmentRecords: 3000})
	if err != nil {
		return err
	}
	net, err := childNetwork()
	if err != nil {
		return err
	}
	l, err := ledger.New(ledger.Options{Store: s, Network: net, CheckpointRecords: 1000})
	if err != nil {
		return err
	}
	acks := make(chan string, 1<<16)
	go func() {
		for n := 0; ; n++ {
			mark := fmt.Sprintf("%d-%d", os.Getpid(), n)
			what := []correlate.What{correlate.Raise, correlate.Clear}[n%2]
			in := &correlate.Notice{Source: mark, Observations: []correlate.Observation{{Key: key("pump"), What: what}}}
			for !l.Offer(in, func(r ledger.Receipt, err error) {
				if err == nil {
					acks <- fmt.Sprintf("%d %s\n", r.Seq, mark)
				}
			}) {
				time.Sleep(time.Millisecond) // the queue is full
			}
		}
	}()
	go func() {
		out := bufio.NewWriter(os.Stdout)
		for line := range acks {
			if _, err := out.WriteString(line); err != nil {
				return
			}
			if len(acks) == 0 {
				if err := out.Flush(); err != nil {
					return
				}
			}
		}
	}()
	return l.Run(context.Background())
}

// TestTrialKilledLedger kills a loaded process at seeded random moments
// and looks for everything that it had acknowledged.
func TestTrialKilledLedger(t *testing.T) {
	t.Attr("promised", "an input that was acknowledged is in the journal as it was, and the state is the fold of the journal")
	const perFolder = 12 // each is read back whole after every kill
	var dir string
	var acked map[correlate.Seq]string
	total := 0
	rnd := rand.New(rand.NewPCG(26, 11))
	for round := range kills {
		if round%perFolder == 0 {
			dir, acked, total = t.TempDir(), map[correlate.Seq]string{}, total+len(acked)
		}
		wait := time.Duration(20+rnd.IntN(250)) * time.Millisecond
		killLoaded(t, dir, wait, acked)
		s, err := store.Open(dir, store.Options{SegmentRecords: 3000})
		if err != nil {
			t.Fatalf("round %d: %v", round, err)
		}
		storetest.Verify(t, s)
		found := 0
		err = s.Scan(t.Context(), 1, func(r *correlate.Record) error {
			if mark, ok := acked[r.Seq]; ok {
				found++
				if in, ok := r.Input.(*correlate.Notice); !ok || in.Source != mark {
					t.Errorf("record %d is not the one that was acknowledged", r.Seq)
				}
			}
			return nil
		})
		if err != nil || found != len(acked) {
			t.Fatalf("round %d: %d of %d acknowledged inputs are there (%v)", round, found, len(acked), err)
		}
		stateIsFold(t, s)
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
	if total += len(acked); total < 80*kills {
		t.Errorf("only %d inputs were acknowledged: this was no load", total)
	}
	t.Attr("tried", fmt.Sprintf("%d kills -9 of a process under full load, %d inputs acknowledged", kills, total))
	t.Attr("lost", "0")
}

// killLoaded runs a loaded child until wait after its first acknowledgement and
// adds what it acknowledged.
func killLoaded(t *testing.T, dir string, wait time.Duration, acked map[correlate.Seq]string) {
	t.Helper()
	cmd := child(t, "load", dir)
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	r := bufio.NewReader(out)
	var killer *time.Timer
	for {
		line, err := r.ReadString('\n')
		if err != nil {
			if !errors.Is(err, io.EOF) {
				t.Fatal(err)
			}
			break // and a line cut short was not said
		}
		if killer == nil {
			killer = time.AfterFunc(wait, func() {
				if err := cmd.Process.Kill(); err != nil {
					t.Errorf("kill: %v", err)
				}
			})
		}
		var seq correlate.Seq
		var mark string
		if _, err := fmt.Sscanf(line, "%d %s\n", &seq, &mark); err != nil {
			t.Fatalf("child said %q", line)
		}
		acked[seq] = mark
	}
	if err := cmd.Wait(); err == nil || cmd.ProcessState.ExitCode() != -1 {
		t.Fatalf("the child ended by itself: %v", err)
	}
}

// stateIsFold compares checkpoint and tail with the fold of everything.
func stateIsFold(t *testing.T, s *store.Store) {
	t.Helper()
	fold := correlate.NewState()
	if err := s.Scan(t.Context(), 1, func(r *correlate.Record) error { fold.Fold(r); return nil }); err != nil {
		t.Fatal(err)
	}
	st, err := s.State(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(fold.Snapshot(), st.Snapshot()); diff != "" {
		t.Errorf("state (-fold +checkpoint and tail):\n%s", diff)
	}
}

func TestFullDisk(t *testing.T) {
	dir := t.TempDir()
	cmd := child(t, "full-disk", dir)
	if out, err := cmd.Output(); err != nil {
		t.Fatalf("child: %v\n%s", err, out)
	}
	stateIsFold(t, storetest.Open(t, dir, store.Options{}))
}

// fullDisk checks what a ledger does while its disk is full, which a bound on
// the size of files stands in for.
func fullDisk(dir string) error {
	s, err := store.Open(dir, store.Options{})
	if err != nil {
		return err
	}
	net, err := childNetwork()
	if err != nil {
		return err
	}
	l, err := ledger.New(ledger.Options{Store: s, Network: net})
	if err != nil {
		return err
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- l.Run(ctx) }()
	err = fillAndFree(ctx, l)
	cancel()
	return errors.Join(err, <-ended, s.Close())
}

func fillAndFree(ctx context.Context, l *ledger.Ledger) error {
	raise := func(text string) (ledger.Receipt, error) {
		return l.Submit(ctx, &correlate.Notice{Source: text, Observations: []correlate.Observation{{Key: key("mains"), What: correlate.Raise}}})
	}
	if _, err := raise("before"); err != nil {
		return err
	}
	if err := limitFiles(4096); err != nil {
		return err
	}
	if _, err := raise(strings.Repeat("too much ", 50_000)); err == nil {
		return errors.New("the full disk was not met")
	}
	if h := l.Health(); h.Failures == 0 || h.Err == "" || h.Seq != 1 {
		return fmt.Errorf("health while the disk is full: %+v", h)
	}
	var repeats int
	l.Read(func(st *correlate.State, _ *correlate.Network) { repeats = st.Alarms[key("mains")].Repeats })
	if repeats != 0 {
		return errors.New("a decision was published that is not durable")
	}
	if err := limitFiles(unix.RLIM_INFINITY); err != nil {
		return err
	}
	// It has to notice by itself, without any input.
	for deadline := time.Now().Add(time.Minute); l.Health().Failures > 0; {
		if time.Now().After(deadline) {
			return errors.New("nobody noticed that commits work again")
		}
		time.Sleep(10 * time.Millisecond) // between two looks
	}
	r, err := raise("after")
	if err != nil || r.Seq != 2 {
		return fmt.Errorf("after space was freed: %+v (%w)", r, err)
	}
	l.Read(func(st *correlate.State, _ *correlate.Network) { repeats = st.Alarms[key("mains")].Repeats })
	if repeats != 1 {
		return fmt.Errorf("%d repeats, want 1", repeats)
	}
	return nil
}

func limitFiles(size uint64) error {
	var r unix.Rlimit
	if err := unix.Getrlimit(unix.RLIMIT_FSIZE, &r); err != nil {
		return err
	}
	r.Cur = min(size, r.Max)
	return unix.Setrlimit(unix.RLIMIT_FSIZE, &r)
}
