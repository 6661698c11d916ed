package demo

import (
	"context"
	"fmt"
	"io"
	"net/netip"
	"slices"
	"strings"
	"sync"
	"time"

	"example.net/standwatch/cmd/standwatch/demo/wire"
	"example.net/standwatch/correlate"
)

// Options configure a [Demo].
type Options struct {
	Out     io.Writer          // the story is told here, in plain words
	Master  netip.AddrPort     // where the remotes send: a loopback address
	Network *correlate.Network // the network that the story plays in
	Remotes []Remote           // one or more for each site that the story names
	Script  []Beat             // nil: [Script]
	// Leave names sites whose remotes say and answer nothing, so that somebody
	// else can play them.
	Leave    []correlate.SiteID
	MailAddr string  // where the mail stand-in listens; "" any port of 127.0.0.1
	SMSAddr  string  // where the SMS stand-in listens; "" likewise
	Pace     float64 // how many times as fast as written; 0 is 1
	Now      func() time.Time
	// Wait waits for d, or returns the context's error; nil waits in earnest.
	Wait func(ctx context.Context, d time.Duration) error
}

// Demo is an invented network with a story.
type Demo struct {
	opts   Options
	stage  *stage
	all    []*actor
	mails  *Mailbox
	phones *Phones
	port   uint16     // where all remotes answer questions
	mu     sync.Mutex // guards opts.Out
}

// New binds the stand-ins and the socket of every remote. It returns an error,
// and holds nothing, if an address is not a loopback one or cannot be bound,
// or if the script names what the network lacks.
func New(o Options) (*Demo, error) {
	d := &Demo{opts: withDefaults(o)}
	if err := d.open(); err != nil {
		d.close()
		return nil, err
	}
	return d, nil
}

func withDefaults(o Options) Options {
	if o.Script == nil {
		o.Script = Script()
	}
	if o.Pace <= 0 {
		o.Pace = 1
	}
	if o.Wait == nil {
		o.Wait = wait
	}
	for _, addr := range []*string{&o.MailAddr, &o.SMSAddr} {
		if *addr == "" {
			*addr = "127.0.0.1:0"
		}
	}
	return o
}

// wait sleeps for d or until ctx ends.
func wait(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

func (d *Demo) open() error {
	o := d.opts
	if !o.Master.Addr().IsLoopback() {
		return fmt.Errorf("the simulated remotes send on this machine only: %v is no loopback address", o.Master)
	}
	var err error
	if d.mails, err = NewMailbox(o.MailAddr, o.Now, func(m Mail) { d.tell("mail to %s: %s", strings.Join(m.To, ", "), m.Subject) }); err != nil {
		return err
	}
	if d.phones, err = NewPhones(o.SMSAddr, o.Now, func(t Text) { d.tell("text to %s: %s", t.To, t.Body) }); err != nil {
		return err
	}
	d.stage = &stage{network: o.Network, actors: map[correlate.SiteID]*actor{}, now: o.Now}
	for _, r := range o.Remotes {
		a, err := newActor(r, o.Master, o.Now())
		if err != nil {
			return err
		}
		d.all = append(d.all, a)
		a.silent.Store(slices.Contains(o.Leave, r.Site))
		if err := a.answer(o.Network, d.port, o.Now); err != nil {
			return err
		}
		d.port = a.answers.Addr().Port()
		if d.stage.actors[r.Site] == nil {
			d.stage.actors[r.Site] = a
		}
	}
	return d.stage.check(o.Script)
}

func (d *Demo) close() {
	if d.mails != nil {
		_ = d.mails.Close() // closed already after a run
	}
	if d.phones != nil {
		_ = d.phones.Close() // likewise
	}
	for _, a := range d.all {
		a.wire.Close()
		if a.answers != nil {
			_ = a.answers.Close() // closed already after a run
		}
	}
}

// Mailbox returns the mail stand-in.
func (d *Demo) Mailbox() *Mailbox { return d.mails }

// Phones returns the SMS stand-in.
func (d *Demo) Phones() *Phones { return d.phones }

// AskPort returns the UDP port at which every remote answers when it is asked
// for its state.
func (d *Demo) AskPort() uint16 { return d.port }

// Close frees the sockets of a demo that will not be run.
func (d *Demo) Close() { d.close() }

// Run serves the stand-ins, lets the remotes send their heartbeats, tells the
// story once, and goes on until ctx ends. It returns an error if a stand-in
// stopped serving. What the master does not hear is told, not returned.
func (d *Demo) Run(ctx context.Context) error {
	defer d.close()
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	var wg sync.WaitGroup
	failed := make(chan error, 2)
	for _, serve := range []func(context.Context) error{d.mails.Run, d.phones.Run} {
		wg.Go(func() {
			if err := serve(ctx); err != nil {
				failed <- err
				cancel()
			}
		})
	}
	for _, a := range d.all {
		wg.Go(func() {
			if err := a.answers.Run(ctx); err != nil {
				d.tell("(%v)", err)
			}
		})
	}
	for i, a := range d.all {
		wg.Go(func() { d.beat(ctx, a, i) })
	}
	if d.story(ctx) == nil {
		d.tell("The story is over. The remotes go on reporting; end with Ctrl-C.")
	}
	<-ctx.Done()
	wg.Wait()
	close(failed)
	return <-failed
}

// beat lets a remote say that it has started, and then that it is alive, a
// little more often than it owes.
func (d *Demo) beat(ctx context.Context, a *actor, index int) {
	if a.Heartbeat <= 0 {
		return
	}
	every := a.Heartbeat * 8 / 10
	// Spread over one period, so that the board is not told by all at once.
	next := time.Duration(index) * every / time.Duration(len(d.all))
	for first := true; wait(ctx, next) == nil; first = false {
		var err error
		if first {
			err = a.say(ctx, d.opts.Now(), restarted)
		} else {
			err = a.say(ctx, d.opts.Now(), func(seq uint32) wire.Notification { return heartbeat(seq, 0) })
		}
		d.missed(ctx, err)
		next = every
	}
}

// missed tells of an inform that was not answered or a send that failed.
func (d *Demo) missed(ctx context.Context, err error) {
	if err != nil && ctx.Err() == nil {
		d.tell("(%v)", err)
	}
}

// story plays the script; its error is the context's.
func (d *Demo) story(ctx context.Context) error {
	began := time.Duration(0)
	for _, c := range cues(d.opts.Script) {
		if err := d.opts.Wait(ctx, d.paced(c.at-began)); err != nil {
			return err
		}
		began = c.at
		if c.say {
			d.tell("In %s %s.", seconds(d.paced(c.beat.At-c.at)), c.beat.Say)
			continue
		}
		if c.beat.Look != "" {
			d.tell("Now %s. Look for: %s.", c.beat.Say, c.beat.Look)
		}
		for _, a := range c.beat.acts {
			d.missed(ctx, d.stage.play(ctx, a))
		}
	}
	return ctx.Err()
}

func (d *Demo) paced(t time.Duration) time.Duration {
	return time.Duration(float64(t) / d.opts.Pace)
}

func seconds(t time.Duration) string {
	if t < time.Second {
		return "a moment"
	}
	return fmt.Sprintf("%d s", int(t.Round(time.Second)/time.Second))
}

// tell writes one line with the time of day.
func (d *Demo) tell(format string, args ...any) {
	d.mu.Lock()
	defer d.mu.Unlock()
	// The story is told to whoever watches; a closed pipe does not end it.
	_, _ = fmt.Fprintf(d.opts.Out, "%s  %s\n", d.opts.Now().Format("15:04:05"), fmt.Sprintf(format, args...))
}
