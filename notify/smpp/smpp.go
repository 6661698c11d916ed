package smpp

import (
	"cmp"
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"hash/fnv"
	"math/big"
	"math/rand/v2"
	"net"
	"strconv"
	"strings"
	"sync"
	"time"

	"golang.org/x/time/rate"

	"example.net/standwatch/correlate"
	"example.net/standwatch/notify"
	"example.net/standwatch/notify/sms"
)

// Defaults of [Options].
const (
	DefaultPort        = 2775
	DefaultWindow      = 10
	DefaultTimeout     = 10 * time.Second
	DefaultEnquire     = 30 * time.Second
	DefaultFirstWait   = time.Second
	DefaultLongestWait = 30 * time.Second
)

// Join says how the parts of a long text are marked.
type Join string

// The ways to mark parts.
const (
	JoinHeader  Join = "udh"     // a user data header in the text (the default)
	JoinSAR     Join = "sar"     // the sar_ parameters; the centre makes the header
	JoinPayload Join = "payload" // one message_payload; the centre parts it
)

// Joins lists the ways to mark parts.
func Joins() []string { return []string{string(JoinHeader), string(JoinSAR), string(JoinPayload)} }

// Options describe a service centre. A zero number means its default.
type Options struct {
	Host        string
	Port        int
	TLS         bool           // TLS from the first octet; the host's certificate is checked
	RootCAs     *x509.CertPool // nil means the system's
	SystemID    string         // at most 15 characters
	Password    string         // at most 8
	SystemType  string         // at most 12
	Service     string         // service_type, at most 5
	From        string         // sender: +E.164, a short number, or up to 11 letters
	Join        Join
	Receipts    bool          // ask for delivery receipts
	HexReceipt  bool          // the centre answers IDs in hexadecimal and writes them in decimal in receipts
	Keep        time.Duration // how long the network tries to deliver; 0 leaves it to the centre
	Window      int           // messages unanswered at once, 1 to 1000
	PerSecond   int           // most messages a second; 0 is no limit of our own
	Timeout     time.Duration // for connecting and for each answer
	Enquire     time.Duration // between signs of life
	FirstWait   time.Duration // before connecting anew, doubling up to LongestWait; also of throttling
	LongestWait time.Duration
}

// Channel sends short messages. It is safe for concurrent use.
type Channel struct {
	o       Options
	window  chan struct{} // a place for each unanswered message
	limiter *rate.Limiter

	mu      sync.Mutex    // guards what follows
	link    *link         // nil when there is none
	changed chan struct{} // closed when link or refused changes, and replaced
	trouble string
	refused bool // the bind was refused for good

	throttles int // in a row
	holdUntil time.Time
}

// New checks the options and returns a channel. It connects to nothing.
func New(o Options) (*Channel, error) {
	o.Port = cmp.Or(o.Port, DefaultPort)
	o.Join = cmp.Or(o.Join, JoinHeader)
	o.Window = cmp.Or(o.Window, DefaultWindow)
	o.Timeout = cmp.Or(o.Timeout, DefaultTimeout)
	o.Enquire = cmp.Or(o.Enquire, DefaultEnquire)
	o.FirstWait = cmp.Or(o.FirstWait, DefaultFirstWait)
	o.LongestWait = cmp.Or(o.LongestWait, DefaultLongestWait)
	if err := o.check(); err != nil {
		return nil, err
	}
	limit := rate.Inf
	if o.PerSecond > 0 {
		limit = rate.Limit(o.PerSecond)
	}
	return &Channel{o: o, window: make(chan struct{}, o.Window), limiter: rate.NewLimiter(limit, max(1, o.PerSecond/10)), changed: make(chan struct{})}, nil
}

func (o *Options) check() error {
	var errs []error
	check := func(bad bool, what string) {
		if bad {
			errs = append(errs, errors.New(what))
		}
	}
	check(o.Host == "", "a service centre needs a host")
	check(o.Port < 1 || o.Port > 65535, "a port is 1 to 65535")
	check(o.SystemID == "" || len(o.SystemID) > 15, "system-id has 1 to 15 characters")
	check(len(o.Password) > 8, "a password of SMPP 3.4 has at most 8 characters")
	check(len(o.SystemType) > 12, "system-type has at most 12 characters")
	check(len(o.Service) > longService, "service has at most 5 characters")
	check(strings.ContainsRune(o.SystemID+o.Password+o.SystemType+o.Service+o.From, 0), "a word has a zero octet")
	check(o.Join != JoinHeader && o.Join != JoinSAR && o.Join != JoinPayload, "join is none of "+strings.Join(Joins(), ", "))
	from := addressOf(o.From)
	check(from.ton == tonWord && len(o.From) > 11 || len(from.digits) > longAddress, "from is a number, or at most 11 letters")
	check(o.Window < 1 || o.Window > 1000, "the window is 1 to 1000")
	check(o.PerSecond < 0, "per-second is negative")
	check(o.Timeout < 0 || o.Enquire < 0 || o.FirstWait < 0 || o.LongestWait < o.FirstWait || o.Keep < 0 || o.Keep > 99*24*time.Hour, "a time is out of range")
	return errors.Join(errs...)
}

// Width is the window.
func (c *Channel) Width() int { return c.o.Window }

// Trouble says why the centre cannot be used now.
func (c *Channel) Trouble() string {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.trouble
}

// patience is how long a send waits for a link that is being made.
const patience = 5 * time.Second

// Send makes one attempt.
func (c *Channel) Send(ctx context.Context, m correlate.Message) notify.Result {
	parts, err := c.compose(m)
	if err != nil {
		return notify.Result{Outcome: correlate.Permanent, Answer: err.Error()}
	}
	l, problem := c.await(ctx)
	if problem != nil {
		return *problem
	}
	var id string
	for i, part := range parts {
		r := c.submit(ctx, l, part)
		if r.Outcome != correlate.Accepted {
			if len(parts) > 1 {
				r.Answer = fmt.Sprintf("part %d of %d: %s", i+1, len(parts), r.Answer)
				r.InDoubt = r.InDoubt || r.Outcome == correlate.Temporary && i > 0 // parts of it were taken
			}
			return r
		}
		id = r.GatewayID
	}
	answer := "accepted"
	if id != "" {
		answer += " as " + id
	}
	if len(parts) > 1 {
		answer += fmt.Sprintf(", in %d parts", len(parts))
	}
	return notify.Result{Outcome: correlate.Accepted, Answer: answer, GatewayID: id}
}

// compose writes the submit_sm of each part. The mark of the parts follows from
// the message's ID, so that a text that is sent again joins the parts that came
// before.
func (c *Channel) compose(m correlate.Message) ([]message, error) {
	h := fnv.New32a()
	h.Write([]byte(m.ID))
	ref := h.Sum32()
	parts, err := sms.Split(m.Body, uint8(ref), false)
	if err != nil {
		return nil, err
	}
	to := addressOf(m.Address)
	if to.ton == tonWord || to.digits == "" || len(to.digits) > longAddress {
		return nil, fmt.Errorf("%q is not a telephone number", m.Address)
	}
	form := message{service: c.o.Service, from: addressOf(c.o.From), to: to, validity: validity(c.o.Keep)}
	if c.o.From == "" {
		form.from = address{}
	}
	if c.o.Join == JoinPayload && len(parts) > 1 {
		return []message{c.last(payload(form, parts))}, nil
	}
	out := make([]message, len(parts))
	for i, p := range parts {
		out[i] = c.part(form, p)
	}
	out[len(out)-1] = c.last(out[len(out)-1])
	return out, nil
}

func (c *Channel) part(form message, p sms.Part) message {
	form.coding = coding(p.Alphabet)
	form.text = p.Data
	switch {
	case p.Number.Total == 0:
	case c.o.Join == JoinSAR:
		form.optional = []parameter{{tagSARRef, []byte{0, byte(p.Number.Ref)}}, {tagSARTotal, []byte{p.Number.Total}}, {tagSARSeq, []byte{p.Number.Seq}}}
	default:
		form.class |= classHeader
		form.text = append(p.Number.Header(), p.Data...)
	}
	return form
}

// payload puts a text of several parts into one message.
func payload(form message, parts []sms.Part) message {
	var data []byte
	for _, p := range parts {
		data = append(data, p.Data...)
	}
	form.coding = coding(parts[0].Alphabet)
	form.optional = []parameter{{tagPayload, data}}
	return form
}

// last marks the part that a receipt is asked for.
func (c *Channel) last(m message) message {
	if c.o.Receipts {
		m.registered = 1
	}
	return m
}

// coding is data_coding (section 5.2.19): the centre's default alphabet, which
// is taken for the GSM one, or UCS-2.
func coding(a sms.Alphabet) byte {
	if a == sms.Wide {
		return 8
	}
	return 0
}

// validity writes a relative time (section 7.1.1.2).
func validity(d time.Duration) string {
	if d <= 0 {
		return ""
	}
	s := int(d / time.Second)
	return fmt.Sprintf("0000%02d%02d%02d%02d000R", s/86400, s/3600%24, s/60%60, s%60)
}

// await returns the link, waiting a little for one that is being made.
func (c *Channel) await(ctx context.Context) (*link, *notify.Result) {
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	for {
		c.mu.Lock()
		l, refused, trouble, changed := c.link, c.refused, c.trouble, c.changed
		c.mu.Unlock()
		switch {
		case l != nil:
			return l, nil
		case refused:
			return nil, &notify.Result{Outcome: correlate.Permanent, Answer: trouble}
		}
		select {
		case <-changed:
		case <-ctx.Done():
			return nil, &notify.Result{Outcome: correlate.Temporary, Answer: cmp.Or(trouble, "not connected to the service centre")}
		}
	}
}

// submit sends one part and waits for its answer.
func (c *Channel) submit(ctx context.Context, l *link, m message) notify.Result {
	if wait := c.held(ctx); wait > 0 {
		return notify.Result{Outcome: correlate.Temporary, Answer: "held back: the centre asked to slow down", RetryAfter: wait}
	}
	if err := c.limiter.Wait(ctx); err != nil {
		return notify.Result{Outcome: correlate.Temporary, Answer: "held back by per-second"}
	}
	select {
	case c.window <- struct{}{}:
		defer func() { <-c.window }()
	case <-ctx.Done():
		return notify.Result{Outcome: correlate.Temporary, Answer: "the window was full all the time"}
	case <-l.gone:
		return notify.Result{Outcome: correlate.Temporary, Answer: "the link broke before it was sent"}
	}
	answer, err := l.request(ctx, submitSM, m.marshal())
	if err != nil {
		return notify.Result{Outcome: correlate.Temporary, Answer: err.Error() + "; it may have been taken", InDoubt: true}
	}
	return c.judge(answer)
}

func (c *Channel) judge(answer pdu) notify.Result {
	wait := c.answered(answer.status)
	r := notify.Result{Outcome: answer.status.outcome(), Answer: answer.status.String(), RetryAfter: wait}
	if answer.command == genericNack && answer.status == ok {
		r.Outcome, r.Answer = correlate.Temporary, "generic_nack"
	}
	if r.Outcome == correlate.Accepted {
		d := &fields{rest: answer.body}
		r.GatewayID = c.idOf(d.word(64))
	}
	return r
}

// idOf is an ID the way receipts write it.
func (c *Channel) idOf(id string) string {
	if n, isHex := new(big.Int).SetString(id, 16); c.o.HexReceipt && isHex {
		return n.String()
	}
	return id
}

// held waits while messages are held back. It returns how long they still are
// when that is longer than ctx.
func (c *Channel) held(ctx context.Context) time.Duration {
	for {
		c.mu.Lock()
		wait := time.Until(c.holdUntil)
		c.mu.Unlock()
		if wait <= 0 {
			return 0
		}
		if by, set := ctx.Deadline(); set && time.Until(by) < wait {
			return wait
		}
		timer := time.NewTimer(wait)
		select {
		case <-timer.C:
		case <-ctx.Done():
			timer.Stop()
			return wait
		}
	}
}

// answered notes a status, and holds messages back when the centre asks for
// it. Answers to what was under way already count once.
func (c *Channel) answered(s status) time.Duration {
	c.mu.Lock()
	defer c.mu.Unlock()
	if !s.slow() {
		if s == ok {
			c.throttles = 0
		}
		return 0
	}
	if wait := time.Until(c.holdUntil); wait > 0 {
		return wait
	}
	wait := min(c.o.FirstWait<<min(c.throttles, 10), c.o.LongestWait)
	c.throttles++
	c.holdUntil = time.Now().Add(wait)
	return wait
}

// Run keeps the link up until ctx ends.
func (c *Channel) Run(ctx context.Context, in notify.Inbox) {
	for wait := c.o.FirstWait; ctx.Err() == nil; wait = min(2*wait, c.o.LongestWait) {
		bound, err := c.session(ctx, in)
		if bound {
			wait = c.o.FirstWait
		}
		if ctx.Err() != nil {
			return
		}
		var no *refusal
		refused := errors.As(err, &no) && no.status.refused()
		// A link that broke is made anew at once; only if that fails it is trouble.
		if !bound {
			c.use(nil, "the service centre cannot be used: "+err.Error(), refused)
		}
		if refused {
			wait = c.o.LongestWait
		}
		spread := time.Duration((rand.Float64() - 0.5) / 2 * float64(wait))
		timer := time.NewTimer(wait + spread)
		select {
		case <-timer.C:
		case <-ctx.Done():
			timer.Stop()
		}
	}
}

// use puts a link in force, or none for a reason.
func (c *Channel) use(l *link, trouble string, refused bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.link, c.trouble, c.refused = l, trouble, refused
	close(c.changed)
	c.changed = make(chan struct{})
}

// refusal is a bind that was answered with no.
type refusal struct{ status status }

func (r *refusal) Error() string { return "bind: " + r.status.String() }

// farewell bounds how long the end of a link may take.
const farewell = 3 * time.Second

// session makes a link and serves it until it or ctx ends. bound tells whether
// it came so far as to be of use.
func (c *Channel) session(ctx context.Context, in notify.Inbox) (bound bool, err error) {
	conn, err := c.dial(ctx)
	if err != nil {
		return false, err
	}
	l := newLink(conn, c.o.Timeout)
	box := newMailbox(l, in)
	var helpers sync.WaitGroup
	defer helpers.Wait()
	helpers.Go(func() { l.read(box.offer) })
	// What is on its way may finish after ctx has ended.
	life, stop := context.WithCancel(context.WithoutCancel(ctx))
	defer stop()
	answer, err := l.request(ctx, bindTransceiver, bindBody(&c.o))
	if err == nil && answer.status != ok {
		err = &refusal{answer.status}
	}
	if err != nil {
		l.end(err)
		return false, err
	}
	helpers.Go(func() { box.serve(life) })
	helpers.Go(func() { l.watch(life, c.o.Enquire) })
	c.use(l, "", false)
	select {
	case <-ctx.Done():
		c.use(nil, "", false)
		l.leave(ctx, farewell)
	case <-l.gone:
		c.use(nil, "", false)
	}
	return true, l.why()
}

func (c *Channel) dial(ctx context.Context) (net.Conn, error) {
	ctx, cancel := context.WithTimeout(ctx, c.o.Timeout)
	defer cancel()
	conn, err := (&net.Dialer{}).DialContext(ctx, "tcp", net.JoinHostPort(c.o.Host, strconv.Itoa(c.o.Port)))
	if err != nil || !c.o.TLS {
		return conn, err
	}
	secure := tls.Client(conn, &tls.Config{ServerName: c.o.Host, RootCAs: c.o.RootCAs, MinVersion: tls.VersionTLS12})
	if err := secure.HandshakeContext(ctx); err != nil {
		_ = conn.Close() // it was never of use
		return nil, fmt.Errorf("secure the connection: %w", err)
	}
	return secure, nil
}
