// Package snpp hands messages to a paging terminal by the Simple Network Paging
// Protocol (RFC 1861), level 1 and the login of level 2.
//
// Guarantee: one attempt per call over a connection of its own, closed when the
// call returns. A message is Accepted once SEND was answered with success;
// Permanent when the terminal does not know the pager, refuses the login or the
// text; Temporary on anything else, a broken connection and a missing answer
// included, in which case it may have been taken. The text goes in printable
// ASCII on one line, cut to what the terminal takes.
//
// Answers are read in bounds: a line of 1024 octets, a reply of 64 lines. The
// password is in no answer. It keeps no queue, does not retry, and does not
// wait for the answers of two-way pagers. The protocol has no encryption:
// TLS, which the RFC does not know, can be laid around it where the terminal
// has it.
//
// The commands and reply codes are from memory of RFC 1861, the first digits of
// replies second hand by way of an independent implementation.
package snpp

import (
	"bufio"
	"cmp"
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"net"
	"strconv"
	"strings"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/notify"
	"example.net/standwatch/notify/text"
)

// Defaults of [Options].
const (
	DefaultPort    = 444
	DefaultTimeout = 20 * time.Second
	DefaultLongest = 240
)

const (
	maxLine  = 1024
	maxLines = 64
)

// Options describe a paging terminal. A zero number means its default.
type Options struct {
	Host     string
	Port     int
	TLS      bool           // TLS from the first octet
	RootCAs  *x509.CertPool // nil means the system's
	Username string         // for LOGI; empty means none
	Password string         // set only with Username
	Longest  int            // characters that the pagers show
	Timeout  time.Duration  // of one attempt
}

// Channel sends pages. It is safe for concurrent use and keeps no connection.
type Channel struct{ o Options }

// New checks the options and returns a channel. It connects to nothing.
func New(o Options) (*Channel, error) {
	o.Port = cmp.Or(o.Port, DefaultPort)
	o.Timeout = cmp.Or(o.Timeout, DefaultTimeout)
	o.Longest = cmp.Or(o.Longest, DefaultLongest)
	var errs []error
	check := func(bad bool, what string) {
		if bad {
			errs = append(errs, errors.New(what))
		}
	}
	check(o.Host == "", "a paging terminal needs a host")
	check(o.Port < 1 || o.Port > 65535, "a port is 1 to 65535")
	check(o.Password != "" && o.Username == "", "a password needs a user name")
	check(strings.ContainsAny(o.Username+o.Password, " \r\n"), "user name and password have no blanks")
	check(o.Longest < 20 || o.Longest > 900, "longest is 20 to 900 characters")
	check(o.Timeout < 0, "the timeout is negative")
	if err := errors.Join(errs...); err != nil {
		return nil, err
	}
	return &Channel{o: o}, nil
}

// reply is an answer of the terminal.
type reply struct {
	code  int
	words string
}

func (r reply) String() string { return fmt.Sprintf("%d %s", r.code, r.words) }

// good reports whether a reply says that the command was done: 2 at its
// beginning, or one of the two-way codes that say that the page was taken (8
// done, 9 queued).
func (r reply) good() bool { return r.code/100 == 2 || r.code/100 == 8 || r.code/100 == 9 }

// outcome is what a refusal means. 421, 552 and 554 speak of the terminal's
// state, 7yz of a pager that does not answer now; the other 5yz of what was
// asked (judgement).
func (r reply) outcome() correlate.Outcome {
	if r.code/100 == 5 && r.code != 552 && r.code != 554 {
		return correlate.Permanent
	}
	return correlate.Temporary
}

// refused is a command that was answered with no.
type refused struct {
	command string
	reply   reply
}

func (r *refused) Error() string { return r.command + ": " + r.reply.String() }

// session is one connection.
type session struct {
	conn net.Conn
	in   *bufio.Reader
}

// Send makes one attempt.
func (c *Channel) Send(ctx context.Context, m correlate.Message) notify.Result {
	ctx, cancel := context.WithTimeout(ctx, c.o.Timeout)
	defer cancel()
	if m.Address == "" || strings.ContainsFunc(m.Address, func(r rune) bool { return r <= ' ' || r > '~' }) {
		return notify.Result{Outcome: correlate.Permanent, Answer: fmt.Sprintf("%q is not the ID of a pager", m.Address)}
	}
	conn, err := c.dial(ctx)
	if err != nil {
		return notify.Result{Outcome: correlate.Temporary, Answer: err.Error()}
	}
	defer conn.Close()
	defer context.AfterFunc(ctx, func() { conn.Close() })()
	s := &session{conn: conn, in: bufio.NewReaderSize(conn, maxLine)}
	final, sent, err := c.page(s, m)
	var no *refused
	switch {
	case errors.As(err, &no):
		return notify.Result{Outcome: no.reply.outcome(), Answer: no.Error()}
	case err != nil:
		answer := err.Error()
		if ctx.Err() != nil {
			answer = "no answer in time"
		}
		if sent {
			answer += "; it may have been taken"
		}
		return notify.Result{Outcome: correlate.Temporary, Answer: answer, InDoubt: sent}
	}
	return notify.Result{Outcome: correlate.Accepted, Answer: final.String()}
}

// page goes through the commands. sent tells whether the terminal may have
// taken the page.
func (c *Channel) page(s *session, m correlate.Message) (final reply, sent bool, err error) {
	if r, err := s.read(); err != nil {
		return r, false, err
	} else if !r.good() {
		return r, false, &refused{"greeting", r}
	}
	var commands []string
	if c.o.Username != "" {
		commands = append(commands, strings.TrimSpace("LOGI "+c.o.Username+" "+c.o.Password))
	}
	commands = append(commands, "PAGE "+m.Address, "MESS "+text.Fit(text.ASCII(m.Body), c.o.Longest), "SEND")
	for _, command := range commands {
		sent = sent || command == "SEND"
		if final, err = s.ask(command); err != nil {
			return final, sent, err
		}
	}
	// The page is taken; a farewell that fails changes nothing.
	_, _ = s.ask("QUIT")
	return final, true, nil
}

func (s *session) ask(command string) (reply, error) {
	if _, err := io.WriteString(s.conn, command+"\r\n"); err != nil {
		return reply{}, err
	}
	r, err := s.read()
	if err == nil && !r.good() {
		err = &refused{command[:4], r}
	}
	return r, err
}

// read reads one reply. Lines that go on have a hyphen behind the code.
func (s *session) read() (reply, error) {
	var r reply
	for range maxLines {
		line, err := s.in.ReadSlice('\n')
		if err != nil {
			if errors.Is(err, bufio.ErrBufferFull) {
				err = errors.New("a line of the reply is too long")
			}
			return r, err
		}
		var more bool
		if r, more, err = parse(string(line)); err != nil || !more {
			return r, err
		}
	}
	return r, errors.New("the reply has no end")
}

// parse reads one line of a reply.
func parse(line string) (r reply, more bool, err error) {
	line = strings.TrimRight(line, "\r\n")
	if len(line) < 3 {
		return r, false, errors.New("the reply is no reply of SNPP")
	}
	r.code, err = strconv.Atoi(line[:3])
	if err != nil || r.code < 100 {
		return r, false, errors.New("the reply is no reply of SNPP")
	}
	more = len(line) > 3 && line[3] == '-'
	r.words = text.ASCII(strings.TrimLeft(line[3:], " -"))
	return r, more, nil
}

func (c *Channel) dial(ctx context.Context) (net.Conn, error) {
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
