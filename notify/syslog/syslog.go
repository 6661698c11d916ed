// Package syslog hands alarms to a syslog collector: messages of RFC 5424 with
// the alarm element of RFC 5674, over UDP (RFC 5426), TCP with octet counting
// (RFC 6587 section 3.4.1) or TLS (RFC 5425).
//
// Guarantee: one change is one message. No collector confirms what it got, so a
// message counts as taken once the system has it: over UDP it may be lost on
// the way, and over TCP and TLS what was written shortly before a connection
// broke is written again over the next, with the same record number in it. A
// connection that the collector closed is noticed before the next message.
//
// It keeps one connection and no queue.
//
// PRI follows RFC 5674 Table 1; the examples of that RFC do not. The element
// standwatch@32473 (RFC 5612: the enterprise number for documentation) carries
// what the standard element has no place for; its names are never changed.
package syslog

import (
	"cmp"
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	"slices"
	"strconv"
	"strings"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/notify/forward"
)

// Transport is how messages travel.
type Transport string

// The transports.
const (
	UDP Transport = "udp"
	TCP Transport = "tcp"
	TLS Transport = "tls"
)

// Transports lists the transports.
func Transports() []string { return []string{string(UDP), string(TCP), string(TLS)} }

// DefaultFacility is local0 (RFC 5424 section 6.2.1).
const DefaultFacility = 16

// Options describe a collector.
type Options struct {
	Host      string
	Port      int       // 0 means 514, or 6514 with TLS (RFC 5425 section 4.1)
	Transport Transport // empty means TLS
	RootCAs   *x509.CertPool
	Facility  int    // 0 to 23; 0 means DefaultFacility: kernel messages are not ours
	Hostname  string // of this machine, as the collector is to see it
	// EventType says what kind of event (IANAItuEventType) a probable cause is,
	// or "" when that is not certain. nil means never.
	EventType func(cause string) string
}

// Sender hands changes to a collector. It belongs to one goroutine.
type Sender struct {
	o      Options
	conn   net.Conn
	recent []written
}

// written is a message that may be lost with the connection.
type written struct {
	at   time.Time
	text []byte
}

const (
	keptFor  = 10 * time.Second // how long a written message counts as uncertain
	keptMost = 256
)

// New checks the options and returns a sender. It connects to nothing.
func New(o Options) (*Sender, error) {
	o.Transport = cmp.Or(o.Transport, TLS)
	o.Facility = cmp.Or(o.Facility, DefaultFacility)
	if o.Port == 0 {
		o.Port = map[Transport]int{UDP: 514, TCP: 514, TLS: 6514}[o.Transport]
	}
	var errs []error
	check := func(bad bool, what string) {
		if bad {
			errs = append(errs, errors.New(what))
		}
	}
	check(o.Host == "", "a collector needs a host")
	check(!slices.Contains(Transports(), string(o.Transport)), "transport is none of "+strings.Join(Transports(), ", "))
	check(o.Port < 0 || o.Port > 65535, "a port is 1 to 65535")
	check(o.Facility < 0 || o.Facility > 23, "a facility is 1 to 23")
	if err := errors.Join(errs...); err != nil {
		return nil, err
	}
	return &Sender{o: o}, nil
}

// Send writes one message.
func (s *Sender) Send(ctx context.Context, c forward.Change) error {
	text := s.message(c)
	if s.conn != nil && s.o.Transport != UDP && ended(s.conn) {
		s.Close()
	}
	if s.conn == nil {
		if err := s.connect(ctx); err != nil {
			return err
		}
	}
	if err := s.write(ctx, text); err != nil {
		s.Close()
		return fmt.Errorf("write to the collector: %w", err)
	}
	if s.o.Transport != UDP {
		s.recent = append(s.recent, written{time.Now(), text})
		if len(s.recent) > keptMost {
			s.recent = s.recent[1:]
		}
	}
	return nil
}

// Close ends the connection.
func (s *Sender) Close() {
	if s.conn != nil {
		_ = s.conn.Close() // nothing is left to lose
		s.conn = nil
	}
}

// ended reports whether the other side closed the connection. A collector says
// nothing, so anything but silence is an end.
func ended(conn net.Conn) bool {
	if conn.SetReadDeadline(time.Now().Add(time.Millisecond)) != nil {
		return true
	}
	_, err := conn.Read(make([]byte, 1))
	late, ok := errors.AsType[net.Error](err)
	return !ok || !late.Timeout()
}

// connect makes a connection and writes again what may have been lost with the
// last one.
func (s *Sender) connect(ctx context.Context) error {
	network := "tcp"
	if s.o.Transport == UDP {
		network = "udp"
	}
	conn, err := (&net.Dialer{}).DialContext(ctx, network, net.JoinHostPort(s.o.Host, strconv.Itoa(s.o.Port)))
	if err != nil {
		return err
	}
	if s.o.Transport == TLS {
		secure := tls.Client(conn, &tls.Config{ServerName: s.o.Host, RootCAs: s.o.RootCAs, MinVersion: tls.VersionTLS12})
		if err := secure.HandshakeContext(ctx); err != nil {
			_ = conn.Close() // it was never of use
			return fmt.Errorf("secure the connection: %w", err)
		}
		conn = secure
	}
	s.conn = conn
	again := s.recent
	s.recent = nil
	for i, w := range again {
		if time.Since(w.at) > keptFor {
			continue
		}
		if err := s.write(ctx, w.text); err != nil {
			s.recent = again[i:]
			s.Close()
			return fmt.Errorf("write to the collector: %w", err)
		}
		s.recent = append(s.recent, written{time.Now(), w.text})
	}
	return nil
}

func (s *Sender) write(ctx context.Context, text []byte) error {
	if by, set := ctx.Deadline(); set {
		if err := s.conn.SetWriteDeadline(by); err != nil {
			return err
		}
	}
	if s.o.Transport != UDP {
		text = append([]byte(strconv.Itoa(len(text))+" "), text...)
	}
	_, err := s.conn.Write(text)
	return err
}

// severityOf is RFC 5674 Table 1.
func severityOf(s correlate.Severity) int {
	switch s {
	case correlate.Critical:
		return 1
	case correlate.Major:
		return 2
	case correlate.Minor:
		return 3
	case correlate.Warning:
		return 4
	}
	return 5 // cleared and indeterminate
}

// message writes one message (RFC 5424 section 6).
func (s *Sender) message(c forward.Change) []byte {
	host := ascii(s.o.Hostname, 255)
	b := fmt.Appendf(nil, "<%d>1 %s %s standwatch - alarm ", s.o.Facility*8+severityOf(c.Severity), c.At.UTC().Format("2006-01-02T15:04:05.000000Z"), host)
	b = append(b, "[alarm"...)
	b = parameter(b, "resource", string(c.Key.ID()))
	b = parameter(b, "probableCause", cmp.Or(c.Cause, "other"))
	b = parameter(b, "perceivedSeverity", c.Severity.String())
	if s.o.EventType != nil {
		b = parameter(b, "eventType", s.o.EventType(c.Cause))
	}
	if c.Worse {
		b = parameter(b, "trendIndication", "moreSevere")
	}
	b = append(b, "][standwatch@32473"...)
	b = parameter(b, "site", string(c.Key.Site))
	b = parameter(b, "point", string(c.Key.Point))
	b = parameter(b, "instance", c.Key.Instance)
	b = parameter(b, "class", c.Class)
	b = parameter(b, "record", strconv.FormatUint(uint64(c.Seq), 10))
	if c.Again {
		b = parameter(b, "again", "yes")
	}
	// The octets of a byte order mark say that UTF-8 follows (section 6.4).
	return append(append(b, "] \ufeff"...), line(cmp.Or(c.Site, string(c.Key.Site))+": "+c.Text)...)
}

// parameter adds a parameter of structured data; an empty one is left out.
func parameter(b []byte, name, value string) []byte {
	if value == "" {
		return b
	}
	// Section 6.3.3: these three are escaped.
	value = strings.NewReplacer(`\`, `\\`, `"`, `\"`, `]`, `\]`).Replace(line(value))
	return append(b, ` `+name+`="`+value+`"`...)
}

// line is a text as one line of valid UTF-8.
func line(s string) string {
	return strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f {
			return ' '
		}
		return r
	}, strings.ToValidUTF8(s, "?"))
}

// ascii is a name for the header: printable ASCII without blanks, or "-" (the
// nil value).
func ascii(s string, longest int) string {
	s = strings.Map(func(r rune) rune {
		if r <= ' ' || r > '~' {
			return -1
		}
		return r
	}, s)
	return cmp.Or(s[:min(len(s), longest)], "-")
}
