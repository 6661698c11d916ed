package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"sync"
	"time"

	"example.net/standwatch/cmd/standwatch/access"
	"example.net/standwatch/cmd/standwatch/api"
	"example.net/standwatch/cmd/standwatch/console"
	"example.net/standwatch/cmd/standwatch/scoped"
	"example.net/standwatch/configs"
	"example.net/standwatch/correlate"
	"example.net/standwatch/notify"
	"example.net/standwatch/notify/answer"
	"example.net/standwatch/receiver"
	"example.net/standwatch/receiver/snmp"
	"example.net/standwatch/store"
	"example.net/standwatch/store/accounts"
	"example.net/standwatch/store/ledger"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"
	"github.com/rs/zerolog"
)

// daemonOptions say what a daemon runs on beside its configuration.
type daemonOptions struct {
	Config *configs.Config
	Data   string // the data folder, in place of the configuration's
	Reload func(context.Context) (*configs.Config, configs.Problems)
	Banner string
	// Folder is the configuration's, to see that what it holds is in force; "" for none.
	Folder string
	// Profile is where the Go profiler answers, on this machine only; "" for nowhere.
	Profile string
	Sockets []*os.File // opened by whoever started the program, for its listeners
	// Machine is asked in place of the one that the daemon runs on, and every Look (0:
	// five seconds) the master looks at itself.
	Machine *machine
	Look    time.Duration
	Log     zerolog.Logger
	Now     func() time.Time

	// Login says that people have to log in. Without it the console may listen on
	// loopback only, which is the caller's to see to.
	Login   bool
	Told    io.Writer        // gets the one-time password of a first start; may be nil
	Hashing accounts.Hashing // of passwords; the zero value is what people get
}

// daemon joins the parts: receiver, ledger, outbox runner and console over one
// store.
type daemon struct {
	opts       daemonOptions
	log        zerolog.Logger
	dir        string // the data folder
	store      *store.Store
	ledger     *ledger.Ledger
	receiver   *receiver.Receiver
	runner     *notify.Runner
	auditor    *auditor
	web        *http.Server
	webAt      net.Listener
	control    *control
	forwarders *forwarders
	keeper     *keeper
	answers    *answers
	heart      heart          // how the heartbeats to the watcher outside went
	signer     *answer.Signer // of the links in messages
	linkKey    []byte         // its key, which the addresses of calendars are made with too
	door       door
	closing    chan struct{} // closed before the web server ends, so that streams end

	machine    machine
	profiler   *http.Server // nil without
	profilerAt net.Listener

	reloading sync.Mutex // one reload at a time

	mu       sync.RWMutex // guards config, channels and reloaded
	config   *configs.Config
	channels map[string]notify.Channel // of config's gateways
	reloaded string                    // why the last reload failed, or ""
}

// newDaemon opens, binds and loads everything; nothing runs yet.
func newDaemon(ctx context.Context, o daemonOptions) (*daemon, error) {
	d := &daemon{opts: o, machine: thisMachine(), log: o.Log, config: o.Config, answers: newAnswers(), closing: make(chan struct{})}
	if o.Machine != nil {
		d.machine = *o.Machine
	}
	d.keeper = &keeper{d: d}
	d.dir = o.Config.Store.Folder
	if o.Data != "" {
		d.dir = o.Data
	}
	var err error
	if d.store, err = store.Open(d.dir, store.Options{Now: o.Now, Log: o.Log}); err != nil {
		return nil, err
	}
	if err := d.assemble(ctx); err != nil {
		for _, at := range []net.Listener{d.webAt, d.profilerAt} {
			if at != nil {
				err = errors.Join(err, at.Close())
			}
		}
		return nil, errors.Join(err, d.control.close(), d.store.Close())
	}
	return d, nil
}

func (d *daemon) assemble(ctx context.Context) (err error) {
	if err := d.openSigner(); err != nil {
		return err
	}
	d.config = d.armed(d.config)
	cfg := d.config
	if err := d.openDoor(ctx); err != nil {
		return err
	}
	d.ledger, err = ledger.New(ledger.Options{Store: d.store, Network: cfg.Network, Climber: cfg.Plan, Now: d.opts.Now, Log: d.log})
	if err != nil {
		return err
	}
	if d.auditor, err = newAuditor(d); err != nil {
		return err
	}
	if err := d.listenWeb(); err != nil {
		return err
	}
	if d.control, err = listenControl(d.dir); err != nil {
		return err
	}
	if d.opts.Profile != "" {
		if d.profiler, d.profilerAt, err = newProfiler(d.opts.Profile); err != nil {
			return err
		}
	}
	channels, err := gatewayChannels(cfg, nil, nil)
	if err != nil {
		return err
	}
	d.channels = channels
	if d.runner, err = notify.New(notify.RunnerOptions{Outbox: newOutbox(d.ledger), Channels: channels, Inbox: d.inbox, Now: d.opts.Now, Log: d.log}); err != nil {
		return err
	}
	if d.forwarders, err = d.newForwarders(); err != nil {
		return err
	}
	return d.listenTraps()
}

func (d *daemon) listenTraps() (err error) {
	id := d.store.Identity()
	listeners, err := adopt(d.config.Listeners, d.opts.Sockets)
	if err != nil {
		return err
	}
	d.receiver, err = receiver.New(receiver.Options{
		Listeners: listeners, Config: d.config.Receiver, Offer: d.offer, Clocks: d.clocks(), Clockless: d.clockless(), Screaming: d.screaming,
		Identity: receiver.Identity{EngineID: id.EngineID, Boots: id.Boots}, Now: d.opts.Now, Log: d.log,
	})
	return err
}

// offer hands an accepted notification to the ledger, which calls back when it
// is durable.
func (d *daemon) offer(in *correlate.Arrival, done func(correlate.Seq, error)) bool {
	return d.ledger.Offer(in, func(r ledger.Receipt, err error) { done(r.Seq, err) })
}

// unseal decodes a kept v3 datagram for the alarm page.
func (d *daemon) unseal(in *correlate.Arrival) (*snmp.Notification, error) {
	return d.receiver.Unseal(in.Datagram)
}

// screaming raises the fault of an agent that sends more than its rate, and
// clears it when it calms down. It must not wait: a full queue drops the word,
// and the agent's next turn says it again.
func (d *daemon) screaming(agent correlate.AgentID, over bool) {
	o := correlate.Observation{Key: correlate.Key{Site: correlate.SiteSelf, Point: configs.SelfIntake, Instance: string(agent)}, What: correlate.Clear}
	if over {
		o.What, o.Severity, o.Text = correlate.Raise, correlate.Minor, "Agent "+string(agent)+" sends more than its rate; its newest states are kept"
	}
	in := &correlate.Notice{Source: "intake", Observations: []correlate.Observation{o}}
	if !d.ledger.Offer(in, func(ledger.Receipt, error) {}) {
		d.log.Warn().Str("agent", string(agent)).Bool("over", over).Msg("no room to journal that an agent screams")
	}
}

func (d *daemon) listenWeb() (err error) {
	cfg := d.config
	if d.webAt, err = net.Listen("tcp", cfg.Console.Listen); err != nil {
		return fmt.Errorf("listen for the console on %s: %w", cfg.Console.Listen, err)
	}
	submit := func(ctx context.Context, in correlate.Input) ([]correlate.Event, error) {
		r, err := d.ledger.Submit(ctx, in)
		return r.Events, err
	}
	registry := prometheus.NewRegistry()
	registry.MustRegister(collector{d}, collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))

	// What a page or operation shows comes from the view, never from the daemon
	// itself: the view leaves out what its reader may not see.
	pages := func(v *scoped.View) http.Handler {
		kept, forwards := d.unmatched(), d.forwards
		if !v.Whole() {
			kept, forwards = nil, nil // they are of all sites
		}
		mux := http.NewServeMux()
		mux.Handle("/api/v1/", api.Handler(api.Options{Board: v, Journal: v, Submit: v.Submit, Intake: v.Intake, Unmatched: kept, OnCall: d.onCall, Shifts: d.shifts, Plan: d.planNow, Auditor: d.auditor, Actor: access.Actor,
			Sentence: func() api.Sentence { return d.sentence(v) }, Archive: d.store, Upkeep: d.keeper.upkeep, Centre: cfg.Centre.Name, Zone: cfg.Centre.Zone, Now: d.opts.Now, Closing: d.closing, Log: d.log, Version: version}))
		mux.Handle("/", console.Handler(console.Options{Board: v, Journal: v, Submit: v.Submit, Intake: v.Intake, Unmatched: kept, OnCall: d.onCall, Shifts: d.shifts, Plan: d.planNow, Forwards: forwards, Calendar: d.calendarPath, Auditor: d.auditor, Actor: access.Actor,
			Archive: d.store, Upkeep: d.keeper.upkeep, Zone: cfg.Centre.Zone, Now: d.opts.Now, Closing: d.closing, Log: d.log, Names: namesInForce{d}, Unseal: d.unseal, Trouble: d.trouble, Banner: d.opts.Banner, Centre: cfg.Centre.Name,
			Gate: d.door.gate, OpenID: d.door.openID}))
		return mux
	}
	inside, mux := http.NewServeMux(), http.NewServeMux()
	inside.Handle("/", &views{make: pages, src: scoped.Source{Board: d.ledger, Journal: d.store, Submit: submit, Intake: d.intake}, byKey: map[string]http.Handler{}})
	inside.Handle("GET /metrics", behind(access.Whole, promhttp.HandlerFor(registry, promhttp.HandlerOpts{})))
	mux.Handle("/", d.door.gate.Wrap(inside))
	d.answerRoutes(mux) // each request proves itself
	mux.HandleFunc("GET /healthz", func(w http.ResponseWriter, _ *http.Request) { fmt.Fprintln(w, "alive") })
	mux.HandleFunc("GET /readyz", d.ready)
	d.web = &http.Server{Handler: d.door.gate.Bound(mux), ReadHeaderTimeout: 10 * time.Second, IdleTimeout: 2 * time.Minute, MaxHeaderBytes: 64 << 10}
	return nil
}

// ready answers 503 with the reason when the master cannot do its work.
func (d *daemon) ready(w http.ResponseWriter, _ *http.Request) {
	if trouble := d.trouble(); trouble != "" {
		http.Error(w, trouble, http.StatusServiceUnavailable)
		return
	}
	fmt.Fprintln(w, "ready")
}

// trouble is a sentence when what is shown may be incomplete, or "".
func (d *daemon) trouble() string {
	h := d.ledger.Health()
	if h.Failures > 0 {
		return "The journal cannot be written (" + h.Err + "). Informs stay unanswered until it can; free space on the disk of " + d.dir + "."
	}
	return ""
}

func (d *daemon) queued() int { return d.ledger.Health().Queue }

func (d *daemon) current() *configs.Config {
	d.mu.RLock()
	defer d.mu.RUnlock()
	return d.config
}

// shutdownTime bounds how long pages and streams may take to end.
const shutdownTime = 5 * time.Second

// run runs everything until ctx ends or a part fails, then ends it in order:
// sockets, then the last commit and the answers to informs, then the outbox,
// then pages, then the store.
func (d *daemon) run(ctx context.Context) error {
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	ledgerCtx, stopLedger := context.WithCancel(context.WithoutCancel(ctx))
	defer stopLedger()
	var ledgerDone, others sync.WaitGroup
	start := func(group *sync.WaitGroup, ctx context.Context, run func(context.Context) error) {
		group.Go(func() {
			if err := run(ctx); err != nil {
				cancel(err)
			}
		})
	}
	start(&ledgerDone, ledgerCtx, d.ledger.Run)
	if err := d.journalStart(ctx); err != nil {
		cancel(err)
	}
	start(&others, ctx, d.receiver.Run)
	start(&others, ctx, d.runner.Run)
	start(&others, ctx, d.forwarders.run)
	start(&others, ctx, d.auditor.runner.Run)
	start(&others, ctx, d.auditor.follow)
	start(&others, ctx, d.watchSelf)
	start(&others, ctx, d.tendDuties)
	start(&others, ctx, d.turnShifts)
	start(&others, ctx, d.keeper.run)
	start(&others, ctx, d.runDoor)
	start(&others, ctx, d.serveWeb)
	start(&others, ctx, func(ctx context.Context) error { return d.control.run(ctx, d.controls) })
	start(&others, ctx, d.manage)
	if d.profiler != nil {
		start(&others, ctx, func(ctx context.Context) error { return serveProfiles(ctx, d.profiler, d.profilerAt) })
	}
	<-ctx.Done()
	others.Wait()
	stopLedger()
	ledgerDone.Wait()
	err := context.Cause(ctx)
	if errors.Is(err, context.Canceled) {
		err = nil
	}
	return errors.Join(err, d.store.Close())
}

// serveWeb serves pages until ctx ends, then ends the streams and what is open.
func (d *daemon) serveWeb(ctx context.Context) error {
	stopped := make(chan error, 1)
	stop := context.AfterFunc(ctx, func() {
		close(d.closing)
		end, cancel := context.WithTimeout(context.WithoutCancel(ctx), shutdownTime)
		defer cancel()
		stopped <- d.web.Shutdown(end)
	})
	defer stop()
	err := d.serveOn(d.webAt)
	if !errors.Is(err, http.ErrServerClosed) {
		return fmt.Errorf("serve the console: %w", err)
	}
	return <-stopped
}
