package demo

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"mime"
	"net"
	"net/mail"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	gosmtp "github.com/emersion/go-smtp"
)

// Failure is how a stand-in gateway answers.
type Failure int32

// The answers a stand-in can be told to give.
const (
	Working   Failure = iota // takes what it gets
	Busy                     // refuses for now: SMTP 451, HTTP 503
	Rejecting                // refuses for good: SMTP 550, HTTP 400
)

// kept is how many caught messages a stand-in remembers; older ones go.
const kept = 1000

// Mail is one caught mail.
type Mail struct {
	At      time.Time
	From    string
	To      []string
	Subject string // decoded
	Raw     []byte // header and body as received
}

// Mailbox is a mail server that delivers nothing and remembers what it got. It
// speaks SMTP (RFC 5321) without TLS on a loopback address. It is safe for
// concurrent use.
type Mailbox struct {
	ln      net.Listener
	server  *gosmtp.Server
	failure atomic.Int32
	caught  func(Mail)
	now     func() time.Time

	mu    sync.Mutex // guards mails
	mails []Mail     // oldest first
}

// NewMailbox listens on addr, port 0 for any. caught, if not nil, is called
// for every mail taken.
func NewMailbox(addr string, now func() time.Time, caught func(Mail)) (*Mailbox, error) {
	ln, err := net.Listen("tcp", addr)
	if err != nil {
		return nil, fmt.Errorf("listen for mail: %w", err)
	}
	b := &Mailbox{ln: ln, caught: caught, now: now}
	b.server = gosmtp.NewServer(gosmtp.BackendFunc(func(*gosmtp.Conn) (gosmtp.Session, error) {
		return &envelope{box: b}, nil
	}))
	b.server.Domain = "mail.example.net"
	b.server.MaxMessageBytes = 1 << 20
	b.server.MaxRecipients = 50
	b.server.ReadTimeout = 30 * time.Second
	b.server.WriteTimeout = 30 * time.Second
	b.server.ErrorLog = silent{}
	return b, nil
}

// silent drops the library's complaints about clients that went away.
type silent struct{}

func (silent) Printf(string, ...any) {}
func (silent) Println(...any)        {}

// Addr returns the address it listens on, host:port.
func (b *Mailbox) Addr() string { return b.ln.Addr().String() }

// Run serves until ctx ends.
func (b *Mailbox) Run(ctx context.Context) error {
	stop := context.AfterFunc(ctx, func() { _ = b.server.Close() }) // its error is that of the listener, which Serve returns
	defer stop()
	if err := b.server.Serve(b.ln); err != nil && ctx.Err() == nil {
		return fmt.Errorf("serve mail: %w", err)
	}
	return nil
}

// Close frees the listener of a mailbox that was never run.
func (b *Mailbox) Close() error { return b.ln.Close() }

// Fail sets how it answers from now on.
func (b *Mailbox) Fail(f Failure) { b.failure.Store(int32(f)) }

// Mails lists the caught mails, newest first.
func (b *Mailbox) Mails() []Mail {
	b.mu.Lock()
	defer b.mu.Unlock()
	return newestFirst(b.mails)
}

func (b *Mailbox) take(m Mail) {
	m.At = b.now()
	b.mu.Lock()
	b.mails = remember(b.mails, m)
	b.mu.Unlock()
	if b.caught != nil {
		b.caught(m)
	}
}

// remember appends v and lets the oldest go.
func remember[T any](list []T, v T) []T {
	if len(list) >= kept {
		list = append(list[:0], list[1:]...)
	}
	return append(list, v)
}

func newestFirst[T any](list []T) []T {
	out := make([]T, 0, len(list))
	for i := len(list) - 1; i >= 0; i-- {
		out = append(out, list[i])
	}
	return out
}

// envelope is one SMTP session.
type envelope struct {
	box  *Mailbox
	from string
	to   []string
}

func (e *envelope) Reset()        { e.from, e.to = "", nil }
func (e *envelope) Logout() error { return nil }

func (e *envelope) Mail(from string, _ *gosmtp.MailOptions) error {
	switch Failure(e.box.failure.Load()) {
	case Busy:
		return &gosmtp.SMTPError{Code: 451, EnhancedCode: gosmtp.EnhancedCode{4, 3, 2}, Message: "the stand-in was told to be busy"}
	case Rejecting:
		return &gosmtp.SMTPError{Code: 550, EnhancedCode: gosmtp.EnhancedCode{5, 7, 1}, Message: "the stand-in was told to refuse"}
	}
	e.from = from
	return nil
}

func (e *envelope) Rcpt(to string, _ *gosmtp.RcptOptions) error {
	e.to = append(e.to, to)
	return nil
}

func (e *envelope) Data(r io.Reader) error {
	raw, err := io.ReadAll(r)
	if err != nil {
		return err
	}
	e.box.take(Mail{From: e.from, To: e.to, Subject: subjectOf(raw), Raw: raw})
	return nil
}

// subjectOf reads the subject, empty when the text is no mail.
func subjectOf(raw []byte) string {
	m, err := mail.ReadMessage(bytes.NewReader(raw))
	if err != nil {
		return ""
	}
	text, err := new(mime.WordDecoder).DecodeHeader(m.Header.Get("Subject"))
	if err != nil {
		text = m.Header.Get("Subject")
	}
	return strings.TrimSpace(text)
}
