package forward_test

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"example.net/standwatch/correlate"
	"example.net/standwatch/notify/forward"
	"example.net/standwatch/store"
	"example.net/standwatch/store/ledger"
	"example.net/standwatch/store/storetest"
)

// house is a real journal with a real engine before it.
type house struct {
	t      *testing.T
	store  *store.Store
	ledger *ledger.Ledger
}

func newHouse(t *testing.T) *house {
	t.Helper()
	h := &house{t: t, store: storetest.Open(t, t.TempDir(), store.Options{})}
	points := map[correlate.PointID]*correlate.Point{}
	for id, severity := range map[correlate.PointID]correlate.Severity{"mains": correlate.Critical, "door": correlate.Minor} {
		points[id] = &correlate.Point{ID: id, Kind: correlate.Discrete, Name: "The " + string(id), AlarmWord: string(id) + " failed", NormalWord: string(id) + " is well",
			Severity: severity, Class: "power", Cause: "commercialPowerFailure"}
	}
	net, err := correlate.NewNetwork([]*correlate.Site{{ID: "tern-point", Name: "Tern Point", Zone: time.UTC, Points: points}}, nil, "hash")
	if err != nil {
		t.Fatal(err)
	}
	if h.ledger, err = ledger.New(ledger.Options{Store: h.store, Network: net}); err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- h.ledger.Run(ctx) }()
	t.Cleanup(func() {
		stop()
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
	return h
}

func (h *house) say(point correlate.PointID, what correlate.What) {
	h.t.Helper()
	in := &correlate.Notice{Source: "test", Observations: []correlate.Observation{{Key: correlate.Key{Site: "tern-point", Point: point}, What: what}}}
	if _, err := h.ledger.Submit(h.t.Context(), in); err != nil {
		h.t.Fatal(err)
	}
}

// manager is another manager: it takes changes, or is away.
type manager struct {
	mu    sync.Mutex // guards away
	away  bool
	got   chan forward.Change
	tries chan struct{}
}

func newManager() *manager {
	return &manager{got: make(chan forward.Change, 1000), tries: make(chan struct{}, 1000)}
}

func (m *manager) Send(_ context.Context, c forward.Change) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.away {
		m.tries <- struct{}{}
		return errors.New("nobody is there")
	}
	m.got <- c
	return nil
}

func (m *manager) Close() {}

func (m *manager) set(away bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.away = away
}

func (m *manager) await(t *testing.T, want ...string) {
	t.Helper()
	for _, w := range want {
		select {
		case c := <-m.got:
			if got := fmt.Sprintf("%s %s %q again=%v", c.Key, c.Severity, c.Text, c.Again); got != w {
				t.Errorf("got %s, want %s", got, w)
			}
		case <-time.After(time.Minute):
			t.Fatalf("never got %s", w)
		}
	}
}

// run forwards until the returned function is called.
func (h *house) run(m *manager, journal forward.Journal, change func(*forward.Options)) (*forward.Forwarder, func()) {
	h.t.Helper()
	wake, cancel := h.ledger.Follow()
	o := forward.Options{Name: "north", Journal: journal, Board: h.ledger, Wake: wake, Sender: m, FirstWait: 5 * time.Millisecond, LongestWait: 20 * time.Millisecond, Now: time.Now}
	if change != nil {
		change(&o)
	}
	f, err := forward.New(o)
	if err != nil {
		h.t.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- f.Run(ctx) }()
	return f, func() {
		stop()
		cancel()
		if err := <-done; err != nil {
			h.t.Error(err)
		}
	}
}

const (
	mains = `tern-point:mains critical "mains failed" again=false`
	well  = `tern-point:mains cleared "mains is well" again=false`
	door  = `tern-point:door minor "door failed" again=false`
)

// TestFollows: what stands is told at the beginning, then each change in its
// order; a stop and a start lose nothing and repeat nothing that is marked.
func TestFollows(t *testing.T) {
	h := newHouse(t)
	h.say("mains", correlate.Raise)
	m := newManager()
	_, stop := h.run(m, h.store, nil)
	m.await(t, `tern-point:mains critical "mains failed" again=true`)
	h.say("mains", correlate.Clear)
	h.say("door", correlate.Raise)
	m.await(t, well, door)
	stop()
	h.say("mains", correlate.Raise)
	_, stop = h.run(m, h.store, nil)
	m.await(t, mains)
	h.say("mains", correlate.Clear)
	m.await(t, well)
	stop()
	if len(m.got) != 0 {
		t.Errorf("%d more came", len(m.got))
	}
}

// TestNames: the words of the configuration go along.
func TestNames(t *testing.T) {
	h := newHouse(t)
	m := newManager()
	_, stop := h.run(m, h.store, nil)
	defer stop()
	h.say("mains", correlate.Raise)
	got := <-m.got
	want := forward.Change{Seq: got.Seq, At: got.At, Key: correlate.Key{Site: "tern-point", Point: "mains"}, Severity: correlate.Critical, Text: "mains failed",
		Again: got.Again, Site: "Tern Point", Point: "The mains", Class: "power", Cause: "commercialPowerFailure"}
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
}

// TestAway: while the other manager is away the backlog grows and is told, over
// a restart too; when it is back, all comes in order.
func TestAway(t *testing.T) {
	h := newHouse(t)
	m := newManager()
	f, stop := h.run(m, h.store, nil)
	h.say("door", correlate.Raise)
	<-m.got
	m.set(true)
	h.say("mains", correlate.Raise)
	h.say("mains", correlate.Clear)
	<-m.tries
	<-m.tries
	if got := f.Health(); got.Backlog < 2 || got.Failures < 1 || got.Err != "nobody is there" || got.Since.IsZero() {
		t.Errorf("health %+v", got)
	}
	stop()
	h.say("mains", correlate.Raise)
	f, stop = h.run(m, h.store, nil)
	defer stop()
	<-m.tries
	m.set(false)
	m.await(t, mains, well, mains)
	for f.Health().Backlog > 0 {
		select {
		case <-t.Context().Done():
			t.Fatal("the backlog stays")
		case <-time.After(5 * time.Millisecond):
		}
	}
	if got := f.Health(); got.Failures != 0 || got.Err != "" {
		t.Errorf("health %+v", got)
	}
}

func TestAtLeast(t *testing.T) {
	h := newHouse(t)
	m := newManager()
	_, stop := h.run(m, h.store, func(o *forward.Options) { o.AtLeast = correlate.Major })
	defer stop()
	h.say("door", correlate.Raise)
	h.say("mains", correlate.Raise)
	if c := <-m.got; c.Key.Point != "mains" {
		t.Errorf("got %+v", c)
	}
}

// later is a journal whose beginning was removed.
type later struct{ *store.Store }

func (l later) First() correlate.Seq { return l.Last() + 1 }

// TestGap: where the journal no longer has what is next, all that stands is
// told again.
func TestGap(t *testing.T) {
	h := newHouse(t)
	if err := h.store.SetMark("north", 0); err != nil {
		t.Fatal(err)
	}
	h.say("mains", correlate.Raise)
	h.say("door", correlate.Raise)
	h.say("door", correlate.Clear)
	m := newManager()
	_, stop := h.run(m, later{h.store}, nil)
	defer stop()
	m.await(t, `tern-point:mains critical "mains failed" again=true`)
}
