package scenario

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"net/netip"
	"os"
	"path/filepath"
	"sync"
	"testing/fstest"
	"time"

	"github.com/rs/zerolog"

	"example.net/standwatch/configs"
	"example.net/standwatch/correlate"
	"example.net/standwatch/notify"
	"example.net/standwatch/receiver"
	"example.net/standwatch/receiver/usm"
	"example.net/standwatch/store"
	"example.net/standwatch/store/ledger"
)

// Options say how a scenario is run.
type Options struct {
	Folder string // an empty folder for the data
	Config fs.FS  // the configuration that the scenario's own files are laid over; may be nil
	// Restarts closes the store and opens it again before every step.
	Restarts bool
}

// clock is the time of the story.
type clock struct {
	mu sync.Mutex
	at time.Time // guarded by mu
}

func (c *clock) now() time.Time { c.mu.Lock(); defer c.mu.Unlock(); return c.at }

func (c *clock) set(at time.Time) { c.mu.Lock(); defer c.mu.Unlock(); c.at = at }

// world is everything that a story happens in.
type world struct {
	sc    *Scenario
	o     Options
	files map[string]string // in force
	cfg   *configs.Config
	clock *clock

	store    *store.Store
	ledger   *ledger.Ledger
	receiver *receiver.Receiver
	outbox   *outbox
	opened   time.Time      // when the parts were last assembled
	ends     []func() error // of what runs, last begun first

	gate    *gate
	senders map[correlate.AgentID]*sender
	last    sent              // the datagram that came last
	events  []correlate.Event // of the records since the step before
	read    correlate.Seq     // up to which events were taken
	tally   map[string]int    // of all events, by their words
	checked int               // tellings that a step has asked for
}

func newWorld(sc *Scenario, o Options) (*world, error) {
	w := &world{sc: sc, o: o, files: map[string]string{}, clock: &clock{}, gate: newGate(), senders: map[correlate.AgentID]*sender{}, tally: map[string]int{}}
	if o.Config != nil {
		err := fs.WalkDir(o.Config, ".", func(name string, d fs.DirEntry, err error) error {
			if err != nil || d.IsDir() {
				return err
			}
			text, err := fs.ReadFile(o.Config, name)
			w.files[name] = string(text)
			return err
		})
		if err != nil {
			return nil, fmt.Errorf("read the configuration of %s: %w", sc.File, err)
		}
	}
	w.files = laid(w.files, sc.Files)
	var err error
	if w.cfg, err = w.load(w.files); err != nil {
		return nil, err
	}
	begins, err := moment(sc.Begins, time.Time{}, w.cfg.Centre.Zone)
	if err != nil {
		return nil, mistake(sc.File, 1, "begins: %q is no date and time like 2026-01-05 09:00", sc.Begins)
	}
	w.clock.set(begins)
	return w, nil
}

// load compiles a configuration; variables that the scenario does not give come
// from the environment.
func (w *world) load(files map[string]string) (*configs.Config, error) {
	tree := fstest.MapFS{}
	for name, text := range files {
		tree[name] = &fstest.MapFile{Data: []byte(text)}
	}
	cfg, problems := configs.Load(context.Background(), tree, configs.Options{Env: func(name string) (string, bool) {
		if v, ok := w.sc.Env[name]; ok {
			return v, true
		}
		return os.LookupEnv(name)
	}})
	if problems.Mistakes() {
		return nil, fmt.Errorf("%s: its configuration has mistakes: %v", w.sc.File, problems)
	}
	return cfg, nil
}

// open assembles the parts over the data folder and sets them going.
func (w *world) open(ctx context.Context) (err error) {
	defer func() {
		if err != nil {
			err = errors.Join(err, w.close())
		}
	}()
	if w.store, err = store.Open(filepath.Join(w.o.Folder, "data"), store.Options{Now: w.clock.now, Log: zerolog.Nop()}); err != nil {
		return err
	}
	w.ends = append(w.ends, w.store.Close)
	if w.ledger, err = ledger.New(ledger.Options{Store: w.store, Network: w.cfg.Network, Climber: w.cfg.Plan, Now: w.clock.now, Log: zerolog.Nop()}); err != nil {
		return err
	}
	w.run(ctx, w.ledger.Run)
	w.outbox = newOutbox(w.ledger)
	runner, err := notify.New(notify.RunnerOptions{Outbox: w.outbox, Channels: w.gate.channels(w.cfg.Gateways), Now: w.clock.now, Log: zerolog.Nop()})
	if err != nil {
		return err
	}
	w.run(ctx, runner.Run)
	w.outbox.use = func(cfg *configs.Config) { runner.Use(w.gate.channels(cfg.Gateways)) }
	return w.listen()
}

// listen makes the receiver, with its sockets out of everybody's way.
func (w *world) listen() (err error) {
	var listeners []receiver.Listener
	for _, l := range w.cfg.Listeners {
		l.Address, l.Interface, l.Buffer = netip.MustParseAddrPort("127.0.0.1:0"), "", 4096
		listeners = append(listeners, l)
	}
	id := w.store.Identity()
	w.opened = w.clock.now()
	w.receiver, err = receiver.New(receiver.Options{Listeners: listeners, Config: w.cfg.Receiver, Offer: w.offer, Clocks: w.clocks(), Workers: 1, QueueLen: 1,
		Identity: receiver.Identity{EngineID: id.EngineID, Boots: id.Boots}, Now: w.clock.now, Log: zerolog.Nop()})
	if err == nil {
		w.ends = append(w.ends, w.receiver.Close)
	}
	return err
}

// clocks are the clocks of SNMPv3 senders that the journal knows of.
func (w *world) clocks() (out []usm.Engine) {
	w.ledger.Read(func(st *correlate.State, _ *correlate.Network) {
		for _, c := range st.Engines {
			out = append(out, usm.Engine{ID: c.EngineID, Boots: c.Boots, Time: c.Time, At: c.At})
		}
	})
	return out
}

// offer hands an arrival to the ledger and waits until it is durable.
func (w *world) offer(in *correlate.Arrival, done func(correlate.Seq, error)) bool {
	settled := make(chan struct{})
	if !w.ledger.Offer(in, func(r ledger.Receipt, err error) { done(r.Seq, err); close(settled) }) {
		return false
	}
	<-settled
	return true
}

// run runs a part until close ends it.
func (w *world) run(ctx context.Context, part func(context.Context) error) {
	ctx, cancel := context.WithCancel(ctx)
	ended := make(chan error, 1)
	go func() { ended <- part(ctx) }()
	w.ends = append(w.ends, func() error { cancel(); return <-ended })
}

// close ends the parts, the last begun first.
func (w *world) close() error {
	var errs []error
	for i := len(w.ends) - 1; i >= 0; i-- {
		errs = append(errs, w.ends[i]())
	}
	w.ends = nil
	return errors.Join(errs...)
}

// submit hands in an input, waits until it is durable, and until what it had to
// send is sent.
func (w *world) submit(ctx context.Context, in correlate.Input) error {
	if _, err := w.ledger.Submit(ctx, in); err != nil {
		return err
	}
	return w.settle(ctx)
}

// patience is how long (in real time) the parts may take to come to rest.
const patience = 20 * time.Second

// settle lets everything that is due now happen, and all that is to be sent now
// be sent.
func (w *world) settle(ctx context.Context) error {
	limit, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	for {
		if _, err := w.ledger.Submit(limit, &correlate.Tick{}); err != nil {
			return fmt.Errorf("bring the ledger to rest: %w", err)
		}
		if !w.outbox.due(w.clock.now()) {
			return w.takeEvents(ctx)
		}
		w.outbox.poke()
		select {
		case <-w.outbox.moved:
		case <-limit.Done():
			return fmt.Errorf("messages were not handed over within %s", patience)
		}
	}
}

// takeEvents reads what was decided since the last time.
func (w *world) takeEvents(ctx context.Context) error {
	return w.store.ScanEvents(ctx, w.read+1, func(r *correlate.Record) error {
		w.read = r.Seq
		for _, ev := range r.Events {
			w.events = append(w.events, ev)
			w.tally[correlate.EventKinds[ev.Kind()].Word]++
		}
		return nil
	})
}

// pass lets time go by, stopping wherever something is due.
func (w *world) pass(ctx context.Context, to time.Time) error {
	for {
		due := to
		if at := w.ledger.Health().Due; !at.IsZero() && at.Before(due) {
			due = at
		}
		if at := w.outbox.next(w.clock.now()); !at.IsZero() && at.Before(due) {
			due = at
		}
		w.clock.set(later(w.clock.now(), due))
		if err := w.settle(ctx); err != nil {
			return err
		}
		if !w.clock.now().Before(to) {
			return nil
		}
	}
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

// restart closes everything and opens it again.
func (w *world) restart(ctx context.Context) error {
	return errors.Join(w.close(), w.open(ctx))
}
