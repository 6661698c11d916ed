package modem

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"hash/fnv"
	"strings"
	"sync"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/notify"
	"example.net/standwatch/notify/tty"
)

// Defaults of [Options].
const (
	DefaultTimeout     = 25 * time.Second
	DefaultAnswer      = 3 * time.Second
	DefaultLook        = 30 * time.Second
	DefaultFirstWait   = time.Second
	DefaultLongestWait = time.Minute
)

// Options describe a modem. A zero number means its default.
type Options struct {
	Line        tty.Options
	PIN         string        // of the SIM card; empty when it has none
	Centre      string        // number of the service centre; empty means the card's own
	TextMode    bool          // for modems without PDU mode
	Receipts    bool          // ask for delivery reports; not in text mode
	Keep        time.Duration // how long the network tries to deliver; 0 leaves it to the network
	Timeout     time.Duration // for the network's answer to one part
	Answer      time.Duration // for what the modem answers by itself
	Look        time.Duration // between looks at registration and memory
	FirstWait   time.Duration // before the line is opened anew, doubling up to LongestWait
	LongestWait time.Duration
}

// Channel sends short messages. It is safe for concurrent use.
type Channel struct {
	o    Options
	jobs chan job

	mu       sync.Mutex // guards what follows
	up       bool       // a session serves jobs
	trouble  string
	pinTried bool
}

// job is a message for the session.
type job struct {
	ctx  context.Context
	m    correlate.Message
	done chan notify.Result // room for one
}

// New checks the options and returns a channel. It opens nothing.
func New(o Options) (*Channel, error) {
	o.Timeout = cmp.Or(o.Timeout, DefaultTimeout)
	o.Answer = cmp.Or(o.Answer, DefaultAnswer)
	o.Look = cmp.Or(o.Look, DefaultLook)
	o.FirstWait = cmp.Or(o.FirstWait, DefaultFirstWait)
	o.LongestWait = cmp.Or(o.LongestWait, DefaultLongestWait)
	var errs []error
	check := func(bad bool, what string) {
		if bad {
			errs = append(errs, errors.New(what))
		}
	}
	errs = append(errs, o.Line.Check())
	check(o.PIN != "" && (len(o.PIN) < 4 || len(o.PIN) > 8 || strings.Trim(o.PIN, "0123456789") != ""), "a PIN has 4 to 8 digits")
	check(strings.Trim(strings.TrimPrefix(o.Centre, "+"), "0123456789") != "" || len(o.Centre) > 21, "centre is no telephone number")
	check(o.Timeout < 0 || o.Answer < 0 || o.Look < 0 || o.FirstWait < 0 || o.LongestWait < o.FirstWait || o.Keep < 0, "a time is out of range")
	if err := errors.Join(errs...); err != nil {
		return nil, err
	}
	return &Channel{o: o, jobs: make(chan job)}, nil
}

// Width is 1: a modem does one thing at a time.
func (c *Channel) Width() int { return 1 }

// Trouble says why the modem cannot be used now.
func (c *Channel) Trouble() string {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.trouble
}

// note sets whether jobs are served and what the trouble is.
func (c *Channel) note(up bool, trouble string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.up, c.trouble = up, trouble
}

// patience is how long a send waits for a modem that is busy or being set up.
const patience = 10 * time.Second

// Send makes one attempt.
func (c *Channel) Send(ctx context.Context, m correlate.Message) notify.Result {
	j := job{ctx: ctx, m: m, done: make(chan notify.Result, 1)}
	timer := time.NewTimer(patience)
	defer timer.Stop()
	select {
	case c.jobs <- j:
	case <-ctx.Done():
		return c.unused()
	case <-timer.C:
		return c.unused()
	}
	select {
	case r := <-j.done:
		return r
	case <-ctx.Done():
		return notify.Result{Outcome: correlate.Temporary, Answer: "no answer in time; it may have been taken", InDoubt: true}
	}
}

func (c *Channel) unused() notify.Result {
	return notify.Result{Outcome: correlate.Temporary, Answer: cmp.Or(c.Trouble(), "the modem is busy")}
}

// Run keeps the modem ready until ctx ends.
func (c *Channel) Run(ctx context.Context, in notify.Inbox) {
	for wait := c.o.FirstWait; ctx.Err() == nil; wait = min(2*wait, c.o.LongestWait) {
		began := time.Now()
		err := c.session(ctx, in)
		if ctx.Err() != nil {
			return
		}
		c.note(false, "the modem cannot be used: "+err.Error())
		if time.Since(began) > 2*c.o.LongestWait {
			wait = c.o.FirstWait // it worked for a good while
		}
		timer := time.NewTimer(wait)
		select {
		case <-timer.C:
		case <-ctx.Done():
			timer.Stop()
		}
	}
}

// session opens the line, sets the modem up and serves it until it or ctx
// ends.
func (c *Channel) session(ctx context.Context, in notify.Inbox) error {
	line, err := tty.Open(ctx, c.o.Line)
	if err != nil {
		return err
	}
	d := newDialogue(line, c.o.Answer)
	var listener sync.WaitGroup
	defer listener.Wait()
	defer line.Close()
	listener.Go(d.listen)
	s := &session{c: c, o: &c.o, d: d, in: in}
	if err := s.awake(ctx); err != nil {
		return err
	}
	return s.serve(ctx)
}

// reference marks the parts of one text: it follows from the message's ID, so
// that parts that are sent again join those that came before.
func reference(id correlate.MessageID) uint8 {
	h := fnv.New32a()
	h.Write([]byte(id))
	return uint8(h.Sum32())
}

// accepted is the result of a message that the network took.
func accepted(id, signal string, parts int) notify.Result {
	answer := "accepted as " + id
	if parts > 1 {
		answer += fmt.Sprintf(", in %d parts", parts)
	}
	if signal != "" {
		answer += ", " + signal
	}
	return notify.Result{Outcome: correlate.Accepted, Answer: answer, GatewayID: id}
}
