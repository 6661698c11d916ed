package receiver

import (
	"context"
	"crypto/rand"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/maphash"
	"net/netip"
	"os"
	"runtime"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/receiver/snmp"
	"example.net/standwatch/receiver/usm"
	"github.com/rs/zerolog"
)

const (
	defaultQueue  = 16384
	defaultLinger = 10 * time.Second
	keepHouse     = time.Second // between looks at kernel drops and withheld lines
)

// Receiver listens. Its methods are safe for concurrent use.
type Receiver struct {
	opts      Options
	log       zerolog.Logger
	now       func() time.Time
	started   time.Time
	seed      maphash.Seed
	listeners []*listener
	workers   []*worker
	ran       atomic.Bool

	using     sync.Mutex // one Use at a time
	directory atomic.Pointer[directory]

	agents   agentMeters
	sources  sourceMeters
	kept     quarantine
	withheld *withheld
	informs  informs
	answers  answers
	reports  reports

	open atomic.Int64  // notifications handed over and not decided
	idle chan struct{} // buffered(1); sent to when open came to 0
}

// New checks the options, derives the users' keys and opens every socket. On an
// error nothing stays open but sockets that were handed over. A Receiver that
// is not run must be closed with [Receiver.Close].
func New(o Options) (*Receiver, error) {
	if err := o.check(); err != nil {
		return nil, err
	}
	r, err := newDeaf(o)
	if err != nil {
		return nil, err
	}
	for range r.opts.Workers {
		r.workers = append(r.workers, &worker{r: r, queue: newQueue(r.opts.QueueLen), names: map[string]string{}, from: map[netip.AddrPort]string{}, addrs: map[netip.Addr]string{}, paced: map[correlate.AgentID]*agent{}})
	}
	for _, spec := range o.Listeners {
		l, err := openListener(spec, o.Log)
		if err != nil {
			return nil, errors.Join(err, r.Close())
		}
		for _, s := range l.sockets {
			s.reader = newBatchReader(s, func(in []incoming) { r.handOn(s, in) })
		}
		r.listeners = append(r.listeners, l)
	}
	return r, nil
}

// NewDeaf returns a Receiver that hears nothing: it is there for
// [Receiver.Again], which takes what was kept as the configuration would, and
// for [Receiver.Unseal]. It opens no socket and must not be run. Of the options
// it wants Config, Identity and Now.
func NewDeaf(o Options) (*Receiver, error) {
	if err := o.Config.Check(); err != nil {
		return nil, err
	}
	return newDeaf(o)
}

func newDeaf(o Options) (*Receiver, error) {
	if o.Workers == 0 {
		o.Workers = runtime.GOMAXPROCS(0)
	}
	if o.QueueLen == 0 {
		o.QueueLen = defaultQueue
	}
	if o.Linger == 0 {
		o.Linger = defaultLinger
	}
	r := &Receiver{opts: o, log: o.Log, now: o.Now, started: o.Now(), seed: maphash.MakeSeed(), withheld: newWithheld(o.Log),
		answers: answers{queue: make(chan *reply, answersLen)}, idle: make(chan struct{}, 1)}
	// Senders of informs share their keys with this engine, and many count their
	// salts from 0 or 1, so the salts here begin elsewhere: under one key, boots
	// and time no salt may come twice (RFC 3826 section 3.1.2.1).
	var salt [8]byte
	if _, err := rand.Read(salt[:]); err != nil {
		return nil, fmt.Errorf("set up SNMPv3 salts: %w", err)
	}
	users, err := usm.NewTable(usm.Options{LocalID: o.Identity.EngineID, LocalBoots: o.Identity.Boots, Started: r.started, Users: o.Config.Users,
		Clocks: o.Clocks, Salt: binary.BigEndian.Uint64(salt[:])})
	if err != nil {
		return nil, fmt.Errorf("set up SNMPv3 users: %w", err)
	}
	var dec snmp.Decoder
	for _, datagram := range o.Clockless {
		if m, err := dec.Parse(datagram); err == nil && m.Version == snmp.V3 && m.Model == snmp.ModelUSM {
			users.Remember(&m.Security)
		}
	}
	r.opts.Clockless = nil // they may be many
	r.directory.Store(r.newDirectory(o.Config, users))
	return r, nil
}

// Close closes the sockets of a Receiver that was not run.
func (r *Receiver) Close() error {
	var errs []error
	for _, l := range r.listeners {
		errs = append(errs, l.close())
	}
	return errors.Join(errs...)
}

// Use puts another configuration in force for everything that is decided about
// from now on; what waits in queues is not lost. On an error the old one stays.
// Counts, the memory of informs, clocks and replay protection go on.
func (r *Receiver) Use(c Config) error {
	r.using.Lock()
	defer r.using.Unlock()
	names := Options{Listeners: r.opts.Listeners, Config: c, Offer: r.opts.Offer, Now: r.opts.Now}
	if err := names.check(); err != nil {
		return err
	}
	users, err := r.directory.Load().users.With(c.Users)
	if err != nil {
		return fmt.Errorf("set up SNMPv3 users: %w", err)
	}
	dir := r.newDirectory(c, users)
	r.directory.Store(dir)
	for _, l := range r.listeners {
		if l.streams != nil {
			l.streams.recheck(dir, dir.policy(l.opts.Name).TLS, r.now())
		}
	}
	return nil
}

// Addresses returns the address that each listener is bound to, by name.
func (r *Receiver) Addresses() map[string]netip.AddrPort {
	out := map[string]netip.AddrPort{}
	for _, l := range r.listeners {
		out[l.opts.Name] = l.address
	}
	return out
}

// Clocks lists what is known of the engines of trap senders.
func (r *Receiver) Clocks() []usm.Engine { return r.directory.Load().users.Clocks() }

// Run receives until ctx ends or a socket fails. Then it stops reading, decides
// about what is queued, waits for the commits that are open, sends the answers
// to informs that they release, and closes the sockets. Whoever takes what
// Offer hands over must go on until Run has returned. The error says which
// socket failed, or that commits were still open after Options.Linger.
func (r *Receiver) Run(ctx context.Context) error {
	if !r.ran.CompareAndSwap(false, true) {
		return errors.New("a receiver runs once")
	}
	reading, failed := context.WithCancelCause(ctx)
	defer failed(nil)
	var readers, workers, helpers, writers sync.WaitGroup
	drain, quiet := make(chan struct{}), make(chan struct{})
	for _, l := range r.listeners {
		for _, s := range l.sockets {
			readers.Go(func() {
				if err := r.read(s); err != nil {
					failed(err)
				}
			})
		}
	}
	for _, l := range r.listeners {
		if l.streams == nil {
			continue
		}
		readers.Go(func() {
			if err := r.accept(l, &readers, &writers); err != nil {
				failed(err)
			}
		})
	}
	for _, w := range r.workers {
		workers.Go(func() { w.run(drain) })
	}
	helpers.Go(func() { r.answer(quiet) })
	helpers.Go(func() { r.keepHouse(quiet) })

	<-reading.Done()
	errs := []error{r.stopReading()}
	readers.Wait()
	for _, l := range r.listeners {
		for _, s := range l.sockets {
			s.reader.stop()
		}
	}
	close(drain)
	workers.Wait()
	errs = append(errs, r.settleOpen())
	close(quiet)
	helpers.Wait()
	for _, l := range r.listeners {
		l.account() // the kernel's last word on what it dropped
		if l.streams != nil {
			l.streams.end()
		}
	}
	writers.Wait()
	if ctx.Err() == nil {
		errs = append(errs, context.Cause(reading))
	}
	return errors.Join(append(errs, r.Close())...)
}

func (r *Receiver) stopReading() error {
	var errs []error
	for _, l := range r.listeners {
		errs = append(errs, l.stopReading())
	}
	return errors.Join(errs...)
}

// settleOpen waits until everything that was handed over is decided.
func (r *Receiver) settleOpen() error {
	limit := time.NewTimer(r.opts.Linger)
	defer limit.Stop()
	for r.open.Load() > 0 {
		select {
		case <-r.idle:
		case <-limit.C:
			return fmt.Errorf("end receiving: %d notifications were not decided within %s", r.open.Load(), r.opts.Linger)
		}
	}
	return nil
}

// landed notes that a notification that was handed over is decided.
func (r *Receiver) landed() {
	if r.open.Add(-1) > 0 {
		return
	}
	select {
	case r.idle <- struct{}{}:
	default:
	}
}

// keepHouse looks after what is counted by the kernel and what the log holds
// back, until stop is closed.
func (r *Receiver) keepHouse(stop <-chan struct{}) {
	tick := time.NewTicker(keepHouse)
	defer tick.Stop()
	for {
		select {
		case <-tick.C:
			for _, l := range r.listeners {
				l.account()
			}
			r.withheld.flush(r.now())
		case <-stop:
			return
		}
	}
}

// read moves datagrams from a socket to the workers until its read deadline has
// passed.
func (r *Receiver) read(s *socket) error {
	for {
		switch err := s.reader.read(); {
		case err == nil, transient(err):
		case errors.Is(err, os.ErrDeadlineExceeded):
			return nil
		default:
			return fmt.Errorf("read from listener %q: %w", s.listener.opts.Name, err)
		}
	}
}

// handOn puts datagrams of a socket into the workers' queues. Sources that are
// not allowed do not get in. One call for a socket at a time, so that what one
// source sends stays in order.
func (r *Receiver) handOn(s *socket, in []incoming) {
	l, now, dir := s.listener, r.now(), r.directory.Load()
	octets := 0
	policy := dir.policy(l.opts.Name)
	for i := range in {
		d := &in[i]
		octets += len(d.octets)
		d.lane = dir.lane(d.from.Addr())
		if !policy.allows(d.from.Addr()) {
			d.fate = NotAllowed
		}
	}
	l.meter.octets.Add(uint64(octets))
	l.meter.arrived.Add(uint64(len(in)))
	l.meter.touch(now)
	for i, w := range r.workers {
		w.queue.push(s, in, uint64(len(r.workers)), uint64(i))
	}
	r.turnAway(l, in, now)
}

// look empties the sockets into the queues. Workers do it now and then, since
// while all processors are busy Go's scheduler asks only every 10 ms which sockets
// are readable (runtime, proc.go), in which time 17,000 datagrams a second overflow
// the default buffer.
func (r *Receiver) look() {
	for _, l := range r.listeners {
		for _, s := range l.sockets {
			s.reader.look()
		}
	}
}

// turnAway settles what did not get into a queue.
func (r *Receiver) turnAway(l *listener, in []incoming, now time.Time) {
	for i := range in {
		d := &in[i]
		why := ""
		switch d.fate {
		case noFate:
			continue
		case NotAllowed:
			why = "the source is not on the listener's allow list"
		case QueueFull:
			why = "datagrams come faster than they can be decided about"
		}
		r.book(l, r.directory.Load().byAddr[d.from.Addr()], d.from.Addr(), d.fate, now)
		r.remember(Kept{At: now, Source: d.from, Listener: l.opts.Name, Fate: d.fate, Why: why}, d.octets)
	}
}

// settle enters a ruling in the books and keeps what was refused.
func (r *Receiver) settle(t *task, ru ruling) {
	if ru.agent == nil {
		ru.agent = t.dir.byAddr[t.from.Addr()]
	}
	r.book(t.socket.listener, ru.agent, t.from.Addr(), ru.fate, t.now)
	if ru.fate.Refusal() {
		r.remember(Kept{At: t.now, Source: t.from, Listener: t.socket.listener.opts.Name, Fate: ru.fate, Offset: ru.offset, Why: ru.why}, t.octets)
	}
}

// book counts a datagram once for its listener and once for whom it was from.
func (r *Receiver) book(l *listener, a *agent, source netip.Addr, fate Fate, at time.Time) {
	if a != nil {
		a.meter.settle(fate, at)
	} else {
		r.sources.settle(source, fate, at)
	}
	l.meter.tally[fate].Add(1)
}

// remember keeps a refused datagram and tells the log, at a bounded rate.
func (r *Receiver) remember(k Kept, octets []byte) {
	r.kept.keep(k, octets)
	r.withheld.note(&k)
}

func (r *Receiver) screams(id correlate.AgentID, over bool) {
	if r.opts.Screaming != nil {
		r.opts.Screaming(id, over)
	}
}

// Unseal decodes a kept v3 datagram with the keys in force now, for whoever
// looks at the evidence: without time window, replay check or counters. The
// notification is the caller's.
func (r *Receiver) Unseal(datagram []byte) (*snmp.Notification, error) {
	d := &snmp.Decoder{}
	if _, err := d.Parse(slices.Clone(datagram)); err != nil {
		return nil, err
	}
	return d.Reopen(r.directory.Load().users)
}
