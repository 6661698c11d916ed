package syslog

import (
	"bufio"
	"context"
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"io"
	"net"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/notify/forward"
)

var _ forward.Sender = (*Sender)(nil)

var change = forward.Change{Seq: 17, At: time.Date(2026, 1, 10, 9, 14, 5, 120e6, time.UTC), Key: correlate.Key{Site: "harrow-knoll", Point: "mains"},
	Severity: correlate.Critical, Text: "Mains failed", Site: "Harrow Knoll", Point: "Mains supply", Class: "power", Cause: "commercialPowerFailure"}

const text = "<129>1 2026-01-10T09:14:05.120000Z watch.example.net standwatch - alarm " +
	`[alarm resource="harrow-knoll:mains" probableCause="commercialPowerFailure" perceivedSeverity="critical" eventType="environmentalAlarm"]` +
	`[standwatch@32473 site="harrow-knoll" point="mains" class="power" record="17"]` + " \ufeffHarrow Knoll: Mains failed"

func sender(t *testing.T, o Options) *Sender {
	t.Helper()
	o.Hostname = "watch.example.net"
	o.EventType = func(cause string) string {
		if cause == "commercialPowerFailure" {
			return "environmentalAlarm"
		}
		return ""
	}
	s, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	return s
}

func at(addr net.Addr) (string, int) {
	host, port, _ := net.SplitHostPort(addr.String())
	var n int
	fmt.Sscan(port, &n)
	return host, n
}

// TestSeverities: RFC 5674 Table 1.
func TestSeverities(t *testing.T) {
	for s, want := range map[correlate.Severity]int{correlate.Cleared: 5, correlate.Indeterminate: 5, correlate.Warning: 4, correlate.Minor: 3, correlate.Major: 2, correlate.Critical: 1} {
		if got := severityOf(s); got != want {
			t.Errorf("%s: %d, want %d", s, got, want)
		}
	}
}

// TestMessage: escapes of RFC 5424 section 6.3.3, and what is left out.
func TestMessage(t *testing.T) {
	c := change
	c.Key.Instance, c.Cause, c.Text, c.Worse, c.Again = `a"b]c\d`, "", "two\nlines\x00", true, true
	s := sender(t, Options{Host: "log.example.net", Facility: 4})
	got := string(s.message(c))
	for _, want := range []string{"<33>1 ", `instance="a\"b\]c\\d"`, `probableCause="other"`, `trendIndication="moreSevere"`, `again="yes"`, "Harrow Knoll: two lines "} {
		if !strings.Contains(got, want) {
			t.Errorf("%s is not in %s", want, got)
		}
	}
	if strings.Contains(got, "eventType") || strings.ContainsAny(got, "\n\x00") {
		t.Errorf("got %q", got)
	}
}

func TestUDP(t *testing.T) {
	conn, err := net.ListenPacket("udp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	host, port := at(conn.LocalAddr())
	if err := sender(t, Options{Host: host, Port: port, Transport: UDP}).Send(t.Context(), change); err != nil {
		t.Fatal(err)
	}
	buf := make([]byte, 4096)
	n, _, err := conn.ReadFrom(buf)
	if err != nil || string(buf[:n]) != text {
		t.Errorf("got  %q %v\nwant %q", buf[:n], err, text)
	}
}

// read reads one counted message.
func read(t *testing.T, r *bufio.Reader) string {
	t.Helper()
	word, err := r.ReadString(' ')
	if err != nil {
		t.Fatal(err)
	}
	var n int
	if _, err := fmt.Sscanf(word, "%d ", &n); err != nil {
		t.Fatal(err)
	}
	buf := make([]byte, n)
	if _, err := io.ReadFull(r, buf); err != nil {
		t.Fatal(err)
	}
	return string(buf)
}

// TestTCP: octet counting; a collector that goes away gets what it may not
// have read over its next connection.
func TestTCP(t *testing.T) {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer ln.Close()
	host, port := at(ln.Addr())
	s := sender(t, Options{Host: host, Port: port, Transport: TCP})
	if err := s.Send(t.Context(), change); err != nil {
		t.Fatal(err)
	}
	first, err := ln.Accept()
	if err != nil {
		t.Fatal(err)
	}
	if got := read(t, bufio.NewReader(first)); got != text {
		t.Errorf("got %q", got)
	}
	first.Close()
	c := change
	c.Severity = correlate.Cleared
	// The end of the connection may take a moment to arrive.
	for {
		if err := s.Send(t.Context(), c); err != nil {
			t.Fatal(err)
		}
		if ended := s.conn.LocalAddr().String(); ended != first.RemoteAddr().String() {
			break
		}
	}
	second, err := ln.Accept()
	if err != nil {
		t.Fatal(err)
	}
	defer second.Close()
	r := bufio.NewReader(second)
	if got := read(t, r); got != text {
		t.Errorf("what may be lost was not told again: %q", got)
	}
	if got := read(t, r); !strings.HasPrefix(got, "<133>1 ") || !strings.Contains(got, `perceivedSeverity="cleared"`) {
		t.Errorf("got %q", got)
	}
	ln.Close()
	second.Close()
	for s.Send(t.Context(), c) == nil {
		if t.Context().Err() != nil {
			t.Fatal("a collector that is gone takes messages")
		}
	}
}

func TestTLS(t *testing.T) {
	host := httptest.NewUnstartedServer(nil)
	host.StartTLS() // for its certificate
	defer host.Close()
	ln, err := tls.Listen("tcp", "127.0.0.1:0", &tls.Config{Certificates: host.TLS.Certificates, MinVersion: tls.VersionTLS12})
	if err != nil {
		t.Fatal(err)
	}
	defer ln.Close()
	got := make(chan string, 2)
	go func() {
		for {
			conn, err := ln.Accept()
			if err != nil {
				return
			}
			line, err := bufio.NewReader(conn).ReadString('n') // up to a letter of the message
			if err == nil {
				got <- line
			}
		}
	}()
	name, port := at(ln.Addr())
	o := Options{Host: name, Port: port}
	ctx, cancel := context.WithTimeout(t.Context(), 5*time.Second)
	defer cancel()
	if err := sender(t, o).Send(ctx, change); err == nil || !strings.Contains(err.Error(), "certificate") {
		t.Errorf("unknown issuer: %v", err)
	}
	o.RootCAs = x509.NewCertPool()
	o.RootCAs.AddCert(host.Certificate())
	if err := sender(t, o).Send(ctx, change); err != nil {
		t.Errorf("known issuer: %v", err)
	}
	if line := <-got; !strings.Contains(line, " <129>1 2026") {
		t.Errorf("got %q", line)
	}
}

func TestNewRefuses(t *testing.T) {
	for want, o := range map[string]Options{
		"a collector needs a host":           {},
		"transport is none of udp, tcp, tls": {Host: "log.example.net", Transport: "carrier", Port: 1},
		"a facility is 1 to 23":              {Host: "log.example.net", Facility: 24},
	} {
		if _, err := New(o); err == nil || err.Error() != want {
			t.Errorf("got %v, want %s", err, want)
		}
	}
}
