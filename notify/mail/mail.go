// Package mail hands messages to a mail server by SMTP (RFC 5321).
//
// Guarantee: one attempt per call, over a connection of its own that is closed
// when the call returns. A message is Accepted once the server has answered the
// end of the data with a positive reply, whatever happens to the connection
// after that; Permanent on a 5yz reply; Temporary on anything else, a broken
// connection or a missing answer included. The Message-ID follows from the
// message, so that a mail that is sent twice, because the answer to the first
// was lost, is recognised as one.
//
// Mails are marked Auto-Submitted: auto-generated (RFC 3834 section 5) and all
// mails about one alarm refer to one thread.
//
// Timeouts are those of paging, far below the minutes of RFC 5321 section
// 4.5.3.2: a server that takes longer is as good as down, and the next channel
// is worth more than the first.
//
// It keeps no queue and does not retry. It reads no mail.
package mail

import (
	"context"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"html"
	"net"
	"net/textproto"
	"strings"
	"sync"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/notify"

	gomail "github.com/wneessen/go-mail"
)

// TLS says how a connection is secured.
type TLS string

// The ways to secure a connection.
const (
	StartTLS TLS = "starttls" // RFC 3207, required
	Implicit TLS = "implicit" // TLS from the first byte (RFC 8314)
	None     TLS = "none"     // in the clear; no credentials are sent
)

// DefaultTimeout bounds one attempt.
const DefaultTimeout = 20 * time.Second

// Options describe a mail server.
type Options struct {
	Host     string
	Port     int // 0 means 587 with StartTLS, 465 with Implicit, 25 with None
	TLS      TLS // empty means StartTLS
	Username string
	Password string         // set together with Username
	From     string         // envelope sender and From address
	Name     string         // shown with From; may be empty
	Hello    string         // EHLO name; empty means this host's
	RootCAs  *x509.CertPool // nil means the system's
	Timeout  time.Duration  // of one attempt; 0 means DefaultTimeout
}

// Channel sends mails. It is safe for concurrent use and keeps no connection.
type Channel struct {
	o      Options
	domain string
}

// New checks the options and returns a channel. It connects to nothing.
func New(o Options) (*Channel, error) {
	if o.TLS == "" {
		o.TLS = StartTLS
	}
	if o.Timeout == 0 {
		o.Timeout = DefaultTimeout
	}
	_, domain, ok := strings.Cut(o.From, "@")
	var errs []error
	check := func(bad bool, what string) {
		if bad {
			errs = append(errs, errors.New(what))
		}
	}
	check(o.Host == "", "a mail server needs a host")
	check(!ok || domain == "" || strings.ContainsAny(o.From, " <>\r\n"), "from is not a plain mail address")
	check(o.TLS != StartTLS && o.TLS != Implicit && o.TLS != None, "tls is none of starttls, implicit and none")
	check(o.TLS == None && o.Username != "", "credentials are not sent without TLS")
	check((o.Username == "") != (o.Password == ""), "a user name and a password belong together")
	check(o.Timeout < 0 || o.Port < 0 || o.Port > 65535, "the timeout or port is out of range")
	if len(errs) > 0 {
		return nil, errors.Join(errs...)
	}
	if o.Port == 0 {
		o.Port = map[TLS]int{StartTLS: 587, Implicit: 465, None: 25}[o.TLS]
	}
	return &Channel{o: o, domain: domain}, nil
}

// Send makes one attempt.
func (c *Channel) Send(ctx context.Context, m correlate.Message) notify.Result {
	ctx, cancel := context.WithTimeout(ctx, c.o.Timeout)
	defer cancel()
	mail, err := c.compose(m)
	if err != nil {
		return notify.Result{Outcome: correlate.Permanent, Answer: err.Error()}
	}
	line := &line{}
	defer line.close()
	client, err := c.client(line)
	if err != nil {
		return notify.Result{Outcome: correlate.Permanent, Answer: err.Error()}
	}
	session, err := client.DialToSMTPClientWithContext(ctx)
	if err != nil {
		return result(ctx, err)
	}
	// The library's deadlines know nothing of ctx.
	defer context.AfterFunc(ctx, line.close)()
	err = client.SendWithSMTPClient(session, mail)
	if !mail.IsDelivered() {
		return result(ctx, err)
	}
	answer := strings.TrimSpace(mail.ServerResponse())
	// The server has the mail; a farewell that fails changes nothing.
	_ = client.CloseWithSMTPClient(session)
	return notify.Result{Outcome: correlate.Accepted, Answer: answer, GatewayID: mail.GetMessageID()}
}

// Probe logs in and takes leave.
func (c *Channel) Probe(ctx context.Context) notify.Result {
	ctx, cancel := context.WithTimeout(ctx, c.o.Timeout)
	defer cancel()
	line := &line{}
	defer line.close()
	client, err := c.client(line)
	if err != nil {
		return notify.Result{Outcome: correlate.Permanent, Answer: err.Error()}
	}
	session, err := client.DialToSMTPClientWithContext(ctx)
	if err != nil {
		return result(ctx, err)
	}
	// A farewell that fails changes nothing.
	_ = client.CloseWithSMTPClient(session)
	return notify.Result{Outcome: correlate.Accepted}
}

// line holds the connection of one attempt, which the library does not close
// when it fails.
type line struct {
	mu     sync.Mutex // guards what follows
	conn   net.Conn
	closed bool
}

func (l *line) keep(conn net.Conn) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.conn = conn
	if l.closed {
		_ = conn.Close() // the attempt has ended already
	}
}

func (l *line) close() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.closed = true
	if l.conn != nil {
		_ = l.conn.Close() // closing twice is harmless, and nothing is left to lose
	}
}

func (c *Channel) client(l *line) (*gomail.Client, error) {
	config := &tls.Config{ServerName: c.o.Host, RootCAs: c.o.RootCAs, MinVersion: tls.VersionTLS12}
	dial := func(ctx context.Context, network, addr string) (net.Conn, error) {
		conn, err := (&net.Dialer{}).DialContext(ctx, network, addr)
		if err != nil {
			return nil, err
		}
		l.keep(conn)
		if c.o.TLS != Implicit {
			return conn, nil
		}
		secure := tls.Client(conn, config)
		return secure, secure.HandshakeContext(ctx)
	}
	options := []gomail.Option{gomail.WithPort(c.o.Port), gomail.WithTimeout(c.o.Timeout), gomail.WithTLSConfig(config),
		gomail.WithDialContextFunc(dial), gomail.WithoutNoop(), gomail.WithoutRset(), gomail.WithTLSPolicy(gomail.NoTLS)}
	if c.o.TLS == StartTLS {
		options = append(options, gomail.WithTLSPolicy(gomail.TLSMandatory))
	}
	if c.o.TLS == Implicit {
		options = append(options, gomail.WithSSL())
	}
	if c.o.Hello != "" {
		options = append(options, gomail.WithHELO(c.o.Hello))
	}
	if c.o.Username != "" {
		options = append(options, gomail.WithUsername(c.o.Username), gomail.WithPassword(c.o.Password),
			gomail.WithOpportunisticSMTPAuth(gomail.SMTPAuthSCRAMSHA256, gomail.SMTPAuthPlain, gomail.SMTPAuthLogin, gomail.SMTPAuthCramMD5))
	}
	client, err := gomail.NewClient(c.o.Host, options...)
	if err != nil {
		return nil, fmt.Errorf("set up the mail client: %w", err)
	}
	return client, nil
}

// compose writes the mail.
func (c *Channel) compose(m correlate.Message) (*gomail.Msg, error) {
	mail := gomail.NewMsg(gomail.WithNoDefaultUserAgent())
	var err error
	if c.o.Name != "" {
		err = mail.FromFormat(c.o.Name, c.o.From)
	} else {
		err = mail.From(c.o.From)
	}
	if err = errors.Join(err, mail.To(m.Address)); err != nil {
		return nil, fmt.Errorf("address the mail: %w", err)
	}
	mail.Subject(m.Subject)
	mail.SetDateWithValue(m.Queued)
	mail.SetMessageIDWithValue(c.messageID(m))
	thread := "<" + c.thread(m.Key) + ">"
	mail.SetGenHeader(gomail.HeaderReferences, thread)
	mail.SetGenHeader(gomail.HeaderInReplyTo, thread)
	mail.SetGenHeader("Auto-Submitted", "auto-generated")
	mail.SetBodyString(gomail.TypeTextPlain, m.Body)
	mail.AddAlternativeString(gomail.TypeTextHTML, simpleHTML(m))
	return mail, nil
}

// messageID is the same for every attempt at a message. The time keeps two
// journals that begin at one from having the same.
func (c *Channel) messageID(m correlate.Message) string {
	return fmt.Sprintf("%s.%x@%s", m.ID, m.Queued.UnixNano(), c.domain)
}

// thread names the thread of an alarm. No mail has this ID; mails that refer
// to it are shown together all the same.
func (c *Channel) thread(k correlate.Key) string {
	sum := sha256.Sum256([]byte(k.ID()))
	return fmt.Sprintf("alarm.%x@%s", sum[:8], c.domain)
}

func simpleHTML(m correlate.Message) string {
	return "<!doctype html>\n<html lang=\"en\"><head><meta charset=\"utf-8\"><title>" + html.EscapeString(m.Subject) +
		"</title></head>\n<body><pre style=\"white-space: pre-wrap\">" + html.EscapeString(m.Body) + "</pre></body></html>\n"
}

// result says what an error means for the message.
func result(ctx context.Context, err error) notify.Result {
	answer := strings.Join(strings.Fields(err.Error()), " ")
	code, inDoubt := 0, false
	if e, ok := errors.AsType[*gomail.SendError](err); ok {
		code = e.ErrorCode()
		// The whole mail was sent and no reply came.
		inDoubt = e.Reason == gomail.ErrSMTPDataClose && code == 0
	} else if e, ok := errors.AsType[*textproto.Error](err); ok {
		code = e.Code
	}
	switch {
	case code >= 500 && code <= 599:
		return notify.Result{Outcome: correlate.Permanent, Answer: answer}
	case inDoubt:
		answer = "no answer; it may have been taken: " + answer
	case ctx.Err() != nil:
		answer = "no answer in time: " + answer
	}
	return notify.Result{Outcome: correlate.Temporary, Answer: answer, InDoubt: inDoubt}
}
