package receiver

import (
	"context"
	"errors"
	"fmt"
	"hash/maphash"
	"net"
	"net/netip"
	"os"
	"sync"
	"sync/atomic"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/receiver/rules"
	"example.net/standwatch/receiver/usm"
	"github.com/rs/zerolog"
	"golang.org/x/time/rate"
)

// Agent is an agent as the receiver must recognise it.
type Agent struct {
	ID        correlate.AgentID
	Addresses []netip.Addr
	EngineID  []byte    // of an agent that sends v3 traps
	User      string    // the only v3 user that may speak for it; empty: none may
	Community string    // a secret; empty: the default communities
	MinLevel  usm.Level // the weakest security that may speak for it; 0 takes community messages
}

// Config is what can change while the receiver runs.
type Config struct {
	Network     *correlate.Network
	Rules       *rules.Set
	Agents      []Agent
	Communities []string       // taken where an agent has none of its own; none: any
	Relays      []netip.Prefix // sources whose word about another origin is believed
	Users       *usm.Table
}

// ListenerOptions describe one socket.
type ListenerOptions struct {
	Name   string
	Addr   netip.AddrPort
	Buffer int            // wanted socket buffer in octets; 0 leaves the system's
	Allow  []netip.Prefix // sources that are heard; none: all
}

// Options configure a Receiver.
type Options struct {
	Listeners []ListenerOptions
	Config    Config
	// Offer hands over an accepted notification and never blocks; false means
	// that there is no room. done is called once, with nil only when the
	// notification and what was decided about it are durable.
	Offer   func(in *correlate.Arrival, done func(error)) bool
	Workers int // 0: one for each CPU that would help, at least two
	Queue   int // datagrams that may wait for each worker; 0: 8192
	Now     func() time.Time
	Log     zerolog.Logger
}

// Receiver listens.
type Receiver struct {
	opts      Options
	listeners []*listener
	workers   []*worker
	config    atomic.Pointer[compiled]
	kept      quarantine
	informs   informs
	reports   *rate.Limiter
	seed      maphash.Seed
	logs      [reasonCount]refusalLog
}

type listener struct {
	opts   ListenerOptions
	conn   *net.UDPConn
	buffer int
	counts counts
}

// packet is one datagram on its way to a worker.
type packet struct {
	data []byte
	from netip.AddrPort
	at   time.Time
	l    *listener
}

// compiled is a Config with its look-up tables.
type compiled struct {
	Config
	byAddr   map[netip.Addr]*Agent
	byEngine map[string]*Agent
}

func compile(c Config) *compiled {
	out := &compiled{Config: c, byAddr: map[netip.Addr]*Agent{}, byEngine: map[string]*Agent{}}
	for i := range c.Agents {
		a := &c.Agents[i]
		for _, addr := range a.Addresses {
			out.byAddr[addr.Unmap()] = a
		}
		if len(a.EngineID) > 0 {
			out.byEngine[string(a.EngineID)] = a
		}
	}
	return out
}

// New binds the sockets. The error says which could not be bound and why.
func New(o Options) (*Receiver, error) {
	if o.Workers == 0 {
		o.Workers = 2
	}
	if o.Queue == 0 {
		o.Queue = 8192
	}
	r := &Receiver{opts: o, reports: rate.NewLimiter(100, 200), seed: maphash.MakeSeed()}
	r.config.Store(compile(o.Config))
	for _, lo := range o.Listeners {
		l, err := listen(lo)
		if err != nil {
			r.close()
			return nil, err
		}
		if lo.Buffer > 0 && l.buffer < lo.Buffer {
			o.Log.Warn().Str("listener", lo.Name).Int("wanted", lo.Buffer).Int("granted", l.buffer).
				Msg("the kernel gave a smaller socket buffer; raise net.core.rmem_max so that bursts are not lost")
		}
		r.listeners = append(r.listeners, l)
	}
	for range o.Workers {
		r.workers = append(r.workers, &worker{r: r, in: make(chan packet, o.Queue)})
	}
	return r, nil
}

func listen(o ListenerOptions) (*listener, error) {
	conn, err := net.ListenUDP("udp", net.UDPAddrFromAddrPort(o.Addr))
	if err != nil {
		if errors.Is(err, os.ErrPermission) {
			return nil, fmt.Errorf("listen on %s (%s): %w: ports below 1024 need a privilege; give the program CAP_NET_BIND_SERVICE, or listen on a higher port", o.Addr, o.Name, err)
		}
		return nil, fmt.Errorf("listen on %s (%s): %w", o.Addr, o.Name, err)
	}
	l := &listener{opts: o, conn: conn}
	if l.buffer, err = prepareSocket(conn, o.Buffer); err != nil {
		conn.Close()
		return nil, fmt.Errorf("set up the socket on %s (%s): %w", o.Addr, o.Name, err)
	}
	return l, nil
}

func (r *Receiver) close() {
	for _, l := range r.listeners {
		l.conn.Close()
	}
}

// Addr returns the address that listener i is bound to.
func (r *Receiver) Addr(i int) netip.AddrPort {
	return r.listeners[i].conn.LocalAddr().(*net.UDPAddr).AddrPort()
}

// Use puts another configuration in force for what is decoded from now on.
func (r *Receiver) Use(c Config) { r.config.Store(compile(c)) }

// Clocks lists what was learned of the engines of trap senders.
func (r *Receiver) Clocks() []usm.Engine { return r.config.Load().Users.Clocks() }

// Accounts returns the books of each listener.
func (r *Receiver) Accounts() []Account {
	out := make([]Account, len(r.listeners))
	for i, l := range r.listeners {
		out[i] = l.counts.account()
		out[i].Listener, out[i].Buffer = l.opts.Name, l.buffer
		out[i].Address = l.conn.LocalAddr().String()
	}
	return out
}

// Quarantine lists the newest refused datagrams, newest first.
func (r *Receiver) Quarantine() []Kept { return r.kept.newest() }

// Run receives until ctx ends, then lets the workers finish what was read, and
// closes the sockets. Answers to informs still on their way to the disk go out
// before the caller closes what Offer feeds, so it returns only when all of
// them have been decided.
func (r *Receiver) Run(ctx context.Context) error {
	var readers, workers sync.WaitGroup
	for _, w := range r.workers {
		workers.Go(w.run)
	}
	errs := make(chan error, len(r.listeners))
	readCtx, stop := context.WithCancel(ctx)
	defer stop()
	for _, l := range r.listeners {
		readers.Go(func() {
			if err := r.read(l); err != nil && readCtx.Err() == nil {
				errs <- fmt.Errorf("read from %s (%s): %w", l.opts.Addr, l.opts.Name, err)
				stop()
			}
		})
	}
	<-readCtx.Done()
	for _, l := range r.listeners {
		if err := l.conn.SetReadDeadline(time.Unix(1, 0)); err != nil {
			r.opts.Log.Error().Err(err).Msg("unblock a reader")
		}
	}
	readers.Wait()
	for _, w := range r.workers {
		close(w.in)
	}
	workers.Wait()
	r.informs.wait()
	r.close()
	select {
	case err := <-errs:
		return err
	default:
		return nil
	}
}

// read moves datagrams from a socket to the workers.
func (r *Receiver) read(l *listener) error {
	buf := make([]byte, 65535)
	oob := make([]byte, 128)
	for {
		n, oobn, _, from, err := l.conn.ReadMsgUDPAddrPort(buf, oob)
		if err != nil {
			if errors.Is(err, os.ErrDeadlineExceeded) || errors.Is(err, net.ErrClosed) {
				return nil
			}
			// An ICMP error of an earlier answer shows here; it says nothing
			// about the socket.
			if isTransient(err) {
				continue
			}
			return err
		}
		l.counts.arrived.Add(1)
		if drops, ok := kernelDrops(oob[:oobn]); ok {
			l.counts.kernel.Store(uint64(drops))
		}
		from = netip.AddrPortFrom(from.Addr().Unmap(), from.Port())
		p := packet{data: append([]byte(nil), buf[:n]...), from: from, at: r.opts.Now(), l: l}
		if !allowed(l.opts.Allow, from.Addr()) {
			r.refuse(p, NotAllowed, "the source is not on the listener's allow list")
			continue
		}
		w := r.workers[maphash.Comparable(r.seed, from.Addr())%uint64(len(r.workers))]
		select {
		case w.in <- p:
		default:
			r.refuse(p, QueueFull, "decoding is behind")
		}
	}
}

func allowed(allow []netip.Prefix, addr netip.Addr) bool {
	for _, p := range allow {
		if p.Contains(addr) {
			return true
		}
	}
	return len(allow) == 0
}

// refuse ends a datagram: counted, kept, logged at a bounded rate.
func (r *Receiver) refuse(p packet, reason Reason, why string) {
	p.l.counts.refused[reason].Add(1)
	r.kept.keep(Kept{At: p.at, From: p.from.String(), Listener: p.l.opts.Name, Reason: reason, Why: why, Size: len(p.data), Head: p.data[:min(len(p.data), keptOctets)]})
	r.logs[reason].note(r.opts.Log, p, reason, why)
}

// refusalLog lets one line a reason through every ten seconds.
type refusalLog struct {
	mu       sync.Mutex // guards what follows
	last     time.Time
	withheld int
}

const refusalLogEvery = 10 * time.Second

func (l *refusalLog) note(log zerolog.Logger, p packet, reason Reason, why string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if p.at.Sub(l.last) < refusalLogEvery {
		l.withheld++
		return
	}
	log.Warn().Str("reason", reason.String()).Str("from", p.from.String()).Str("listener", p.l.opts.Name).Int("withheld", l.withheld).Str("why", why).Msg("datagram refused")
	l.last, l.withheld = p.at, 0
}
