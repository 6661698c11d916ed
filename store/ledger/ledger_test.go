package ledger_test

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.uber.org/goleak"
	"pgregory.net/rapid"

	"example.net/standwatch/correlate"
	"example.net/standwatch/correlate/flap"
	"example.net/standwatch/store"
	"example.net/standwatch/store/ledger"
	"example.net/standwatch/store/storetest"
)

// network has one site with four points: plain, delayed, flapping and one that
// mains explains.
func network(tb testing.TB, hash string) *correlate.Network {
	tb.Helper()
	settings := flap.Default()
	site := &correlate.Site{ID: "tern-point", Points: map[correlate.PointID]*correlate.Point{
		"mains":     {ID: "mains", Kind: correlate.Discrete, Name: "Mains", Severity: correlate.Major},
		"door":      {ID: "door", Kind: correlate.Discrete, Name: "Door", Severity: correlate.Minor, RaiseAfter: 30 * time.Second},
		"pump":      {ID: "pump", Kind: correlate.Discrete, Name: "Pump", Severity: correlate.Warning, Flap: &settings},
		"rectifier": {ID: "rectifier", Kind: correlate.Discrete, Name: "Rectifier", Severity: correlate.Major, ExplainedBy: []correlate.Ref{{Site: "tern-point", Point: "mains"}}},
	}}
	net, err := correlate.NewNetwork([]*correlate.Site{site}, nil, hash)
	if err != nil {
		tb.Fatal(err)
	}
	return net
}

func key(point string) correlate.Key {
	return correlate.Key{Site: "tern-point", Point: correlate.PointID(point)}
}

func notice(what correlate.What, point string) correlate.Input {
	return &correlate.Notice{Source: "test", Observations: []correlate.Observation{{Key: key(point), What: what}}}
}

// running is a ledger whose Run has begun.
type running struct {
	*ledger.Ledger
	stop func()
}

func start(tb testing.TB, opts ledger.Options) *running {
	tb.Helper()
	if opts.Network == nil {
		opts.Network = network(tb, "one")
	}
	l, err := ledger.New(opts)
	if err != nil {
		tb.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- l.Run(ctx) }()
	r := &running{Ledger: l}
	r.stop = sync.OnceFunc(func() {
		cancel()
		if err := <-ended; err != nil {
			tb.Errorf("run: %v", err)
		}
	})
	tb.Cleanup(r.stop)
	return r
}

func submit(tb reporter, l *running, in correlate.Input) ledger.Receipt {
	tb.Helper()
	r, err := l.Submit(context.Background(), in)
	if err != nil {
		tb.Fatalf("submit: %v", err)
	}
	return r
}

type reporter interface {
	Helper()
	Fatalf(format string, args ...any)
}

func snapshot(l *running) (snap *correlate.Snapshot) {
	l.Read(func(st *correlate.State, _ *correlate.Network) { snap = st.Snapshot() })
	return snap
}

func words(events []correlate.Event) []string {
	var out []string
	for _, ev := range events {
		out = append(out, correlate.EventKinds[ev.Kind()].Word)
	}
	return out
}

func TestAReceiptMeansDurableAndPublished(t *testing.T) {
	dir := t.TempDir()
	s := storetest.Open(t, dir, store.Options{})
	l := start(t, ledger.Options{Store: s})
	r := submit(t, l, notice(correlate.Raise, "mains"))
	if diff := cmp.Diff([]string{"raised", "announced"}, words(r.Events)); diff != "" || r.Seq != 1 {
		t.Errorf("receipt %+v:\n%s", r, diff)
	}
	kept, err := s.Get(r.Seq)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(r.Events, kept.Events); diff != "" || !kept.At.Equal(r.At) {
		t.Errorf("the journal says otherwise (-receipt +journal):\n%s", diff)
	}
	l.Read(func(st *correlate.State, net *correlate.Network) {
		if a := st.Alarms[key("mains")]; a == nil || !a.Standing || st.Seq != 1 || net.Hash() != "one" {
			t.Errorf("published state: alarm %+v at %d", a, st.Seq)
		}
	})
	h := l.Health()
	if h.Seq != 1 || h.Failures != 0 || h.LastCommit.IsZero() || h.QueueLen != ledger.DefaultQueueLen {
		t.Errorf("health %+v", h)
	}
}

// orderClimber notes what it was asked and opens a call-out for each
// announcement, due a minute later.
type orderClimber struct{ asked *[]string }

func (c orderClimber) Climb(r *correlate.Record, st *correlate.State, due []correlate.CallOutID) []correlate.Event {
	var out []correlate.Event
	for _, ev := range r.Events {
		if a, ok := ev.(*correlate.Announced); ok {
			if !st.Alarms[a.Key].Announced {
				*c.asked = append(*c.asked, "the state does not contain the event")
			}
			id := correlate.CallOutID(fmt.Sprintf("c%d-%s", r.Seq, a.Key.Point))
			out = append(out, &correlate.CallOutOpened{CallOut: correlate.CallOut{ID: id, Key: a.Key, Opened: r.At, State: correlate.CallOutOpen, Due: r.At.Add(time.Minute)}})
		}
	}
	for _, id := range due {
		*c.asked = append(*c.asked, "due "+string(id))
		out = append(out, &correlate.CallOutEnded{On: correlate.On{Key: st.CallOuts[id].Key}, CallOut: id, State: correlate.CallOutExhausted})
	}
	return out
}

func TestCallOutsClimbInsideTheCommit(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		s := storetest.Open(t, dir, store.Options{})
		var asked []string
		l := start(t, ledger.Options{Store: s, Climber: orderClimber{&asked}})
		began := time.Now()
		r := submit(t, l, notice(correlate.Raise, "mains"))
		if diff := cmp.Diff([]string{"raised", "announced", "callout-opened"}, words(r.Events)); diff != "" {
			t.Error(diff)
		}
		wake, cancel := l.Follow()
		defer cancel()
		<-wake
		l.stop()
		tick, err := s.Get(2)
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff([]string{"callout-ended"}, words(tick.Events)); diff != "" || tick.At.Sub(began) != time.Minute {
			t.Errorf("after %v: %s", tick.At.Sub(began), diff)
		}
		if diff := cmp.Diff([]string{"due c1-mains"}, asked); diff != "" {
			t.Error(diff)
		}
		if s.Last() != 2 {
			t.Errorf("%d records: empty ticks were journaled", s.Last())
		}
	})
}

// The wall clock jumps ahead; the timer that was set for the due time does not.
func TestAClockStepIsNoticed(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		var mu sync.Mutex
		var step time.Duration
		now := func() time.Time { mu.Lock(); defer mu.Unlock(); return time.Now().Add(step) }
		l := start(t, ledger.Options{Store: storetest.Open(t, dir, store.Options{}), Now: now})
		wake, cancel := l.Follow()
		defer cancel()
		submit(t, l, notice(correlate.Raise, "door"))
		<-wake
		began := time.Now()
		mu.Lock()
		step = time.Hour
		mu.Unlock()
		<-wake
		if waited := time.Since(began); waited > 2*time.Second {
			t.Errorf("it took %v to notice that the delay is over", waited)
		}
		l.Read(func(st *correlate.State, _ *correlate.Network) {
			if !st.Alarms[key("door")].Standing {
				t.Error("the door is not in alarm")
			}
		})
		l.stop()
	})
}

func TestOfferNeverWaits(t *testing.T) {
	s := storetest.Open(t, t.TempDir(), store.Options{})
	l, err := ledger.New(ledger.Options{Store: s, Network: network(t, "one"), QueueLen: 3})
	if err != nil {
		t.Fatal(err)
	}
	var mu sync.Mutex
	var seqs []correlate.Seq
	done := func(r ledger.Receipt, err error) {
		mu.Lock()
		defer mu.Unlock()
		if err == nil {
			seqs = append(seqs, r.Seq)
		}
	}
	for i := range 5 {
		if taken := l.Offer(notice(correlate.Raise, "mains"), done); taken != (i < 3) {
			t.Errorf("offer %d taken: %v", i, taken)
		}
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := l.Run(ctx); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff([]correlate.Seq{1, 2, 3}, seqs); diff != "" {
		t.Errorf("what was accepted before the end is decided (-want +got):\n%s", diff)
	}
	if l.Offer(notice(correlate.Raise, "mains"), done) {
		t.Error("an input was taken after the end")
	}
	if _, err := l.Submit(t.Context(), notice(correlate.Raise, "mains")); !errors.Is(err, ledger.ErrClosed) {
		t.Errorf("submit after the end: %v", err)
	}
}

func TestEndLeavesACheckpointAndNoGoroutine(t *testing.T) {
	defer goleak.VerifyNone(t, goleak.IgnoreCurrent())
	dir := t.TempDir()
	s, err := store.Open(dir, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	l := start(t, ledger.Options{Store: s})
	for range 20 {
		submit(t, l, notice(correlate.Raise, "pump"))
		submit(t, l, notice(correlate.Clear, "pump"))
	}
	l.stop()
	want := snapshot(l)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	s = storetest.Open(t, dir, store.Options{})
	snap, err := s.LoadCheckpoint()
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(want, snap); diff != "" {
		t.Errorf("checkpoint (-state +kept):\n%s", diff)
	}
}

func TestCheckpointsAreSavedOnTheWay(t *testing.T) {
	s := storetest.Open(t, t.TempDir(), store.Options{})
	l := start(t, ledger.Options{Store: s, CheckpointRecords: 10})
	for deadline := time.Now().Add(time.Minute); s.Checkpointed() < 50; {
		submit(t, l, notice(correlate.Raise, "mains"))
		if time.Now().After(deadline) {
			t.Fatalf("after %d records the checkpoint is at %d", s.Last(), s.Checkpointed())
		}
	}
}

func TestReconfigureIsOneStep(t *testing.T) {
	s := storetest.Open(t, t.TempDir(), store.Options{})
	l := start(t, ledger.Options{Store: s})
	submit(t, l, notice(correlate.Raise, "mains"))
	empty, err := correlate.NewNetwork(nil, nil, "two")
	if err != nil {
		t.Fatal(err)
	}
	r, err := l.Reconfigure(t.Context(), empty, nil, &correlate.Reconfigure{Hash: "two"})
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff([]string{"configured", "closed"}, words(r.Events)); diff != "" {
		t.Error(diff)
	}
	l.Read(func(st *correlate.State, net *correlate.Network) {
		if st.Hash != "two" || net.Hash() != "two" || st.Alarms[key("mains")].OnBoard() {
			t.Errorf("in force: %q and %q", st.Hash, net.Hash())
		}
	})
}

// One input that cannot be written down does not take its batch with it.
func TestAnInputThatCannotBeWrittenFailsAlone(t *testing.T) {
	s := storetest.Open(t, t.TempDir(), store.Options{})
	l, err := ledger.New(ledger.Options{Store: s, Network: network(t, "one")})
	if err != nil {
		t.Fatal(err)
	}
	got := map[string]error{}
	offer := func(name string, in correlate.Input) {
		l.Offer(in, func(_ ledger.Receipt, err error) { got[name] = err })
	}
	offer("before", notice(correlate.Raise, "mains"))
	offer("bad", &correlate.Act{Key: key("mains"), Action: correlate.ActShelve, Until: time.Date(12026, 1, 1, 0, 0, 0, 0, time.UTC)})
	offer("after", notice(correlate.Raise, "pump"))
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := l.Run(ctx); err != nil {
		t.Fatal(err)
	}
	if got["before"] != nil || got["after"] != nil || !errors.Is(got["bad"], store.ErrRecord) {
		t.Errorf("answers %v", got)
	}
	if s.Last() != 2 {
		t.Errorf("%d records", s.Last())
	}
}

// A random life with restarts: the published state is always the fold of the
// journal, whatever was acknowledged is in it, and a restart changes nothing.
func TestStateIsTheFoldOfTheJournal(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		dir := t.TempDir()
		now := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
		var mu sync.Mutex
		clock := func() time.Time { mu.Lock(); defer mu.Unlock(); return now }
		var asked []string
		opts := ledger.Options{Network: network(t, "one"), Climber: orderClimber{&asked}, Now: clock, CheckpointRecords: 7, MaxBatch: 3}
		s := openOrFail(t, dir)
		opts.Store = s
		l := start(t, opts)
		for range rapid.IntRange(1, 30).Draw(rt, "steps") {
			switch rapid.IntRange(0, 9).Draw(rt, "what") {
			case 0:
				before := snapshot(l)
				l.stop()
				closeOrFail(t, s)
				s = openOrFail(t, dir)
				opts.Store = s
				l = start(t, opts)
				if diff := cmp.Diff(before.Alarms, snapshot(l).Alarms); diff != "" {
					rt.Fatalf("the restart changed (-before +after):\n%s", diff)
				}
			case 1, 2:
				mu.Lock()
				now = now.Add(time.Duration(rapid.IntRange(-10, 90).Draw(rt, "seconds")) * time.Second)
				mu.Unlock()
				submit(rt, l, &correlate.Tick{})
			case 3:
				submit(rt, l, &correlate.Act{Key: key(drawPoint(rt)), Action: correlate.ActAcknowledge, Actor: "north crew", Via: "test"})
			default:
				what := rapid.SampledFrom([]correlate.What{correlate.Raise, correlate.Clear}).Draw(rt, "raise or clear")
				submit(rt, l, notice(what, drawPoint(rt)))
			}
		}
		l.stop()
		fold := correlate.NewState()
		if err := s.Scan(context.Background(), 1, func(r *correlate.Record) error { fold.Fold(r); return nil }); err != nil {
			rt.Fatal(err)
		}
		if diff := cmp.Diff(fold.Snapshot(), snapshot(l)); diff != "" {
			rt.Errorf("published state (-fold +published):\n%s", diff)
		}
		report, err := s.Verify(context.Background(), nil)
		if err != nil || !report.Good() {
			rt.Errorf("verify: %v %v", report.Problems, err)
		}
		closeOrFail(t, s)
	})
}

func drawPoint(t *rapid.T) string {
	return rapid.SampledFrom([]string{"mains", "door", "pump", "rectifier", "nowhere"}).Draw(t, "point")
}

func openOrFail(tb testing.TB, dir string) *store.Store {
	tb.Helper()
	s, err := store.Open(dir, store.Options{SegmentRecords: 20})
	if err != nil {
		tb.Fatal(err)
	}
	return s
}

func closeOrFail(tb testing.TB, s *store.Store) {
	tb.Helper()
	if err := s.Close(); err != nil {
		tb.Fatal(err)
	}
}
