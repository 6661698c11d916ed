// Package hook hands messages to any program that takes a signed HTTP request:
// the way out to whatever has no channel of its own.
//
// Guarantee: one POST per call, with a JSON document of the message; redirects
// are not followed. A message is Accepted on any 2xx status, Temporary on 408,
// 425, 429, 5xx, a broken connection and a missing answer, and Permanent on
// anything else. Retry-After is honoured. A problem document (RFC 9457) in the
// answer is shown by its title and detail.
//
// The request carries three headers. Standwatch-Message is the message's ID,
// which stays the same when it is sent again. Standwatch-Timestamp is the time
// of sending in seconds since 1970. Standwatch-Signature is "sha256=" and, in
// hexadecimal, the HMAC-SHA-256 (RFC 2104) with the shared secret over the
// time stamp, a full stop and the body. Whoever receives it should compute the
// same, compare in constant time, and refuse a time stamp that is minutes off,
// so that nobody can make or replay a message.
//
// Members of the document are never renamed; others may be added. It keeps no
// queue and does not retry.
package hook

import (
	"bytes"
	"cmp"
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/notify"
	"example.net/standwatch/notify/field"
	"example.net/standwatch/notify/httpanswer"
)

// DefaultTimeout bounds one attempt.
const DefaultTimeout = 15 * time.Second

// MinSecret is the least length of the shared secret, in octets.
const MinSecret = 16

// The headers of a request.
const (
	MessageHeader   = "Standwatch-Message"
	TimestampHeader = "Standwatch-Timestamp"
	SignatureHeader = "Standwatch-Signature"
)

// Options describe where messages go.
type Options struct {
	URL     string
	Secret  string         // of the signature, at least [MinSecret] octets
	Timeout time.Duration  // of one attempt; 0 means DefaultTimeout
	RootCAs *x509.CertPool // nil means the system's
}

// Document is the body of a request.
type Document struct {
	ID       string    `json:"id"`
	CallOut  string    `json:"call-out,omitempty"`
	Alarm    string    `json:"alarm"`
	Site     string    `json:"site"`
	Point    string    `json:"point"`
	Instance string    `json:"instance,omitempty"`
	Purpose  string    `json:"purpose"` // "raised", "worse", "cleared", ...
	Severity string    `json:"severity"`
	Person   string    `json:"person"`
	To       string    `json:"to"` // the person's address at this gateway
	Subject  string    `json:"subject,omitempty"`
	Text     string    `json:"text"`
	Queued   time.Time `json:"queued"`
	Attempt  int       `json:"attempt"` // from 1
}

// Channel sends signed requests. It is safe for concurrent use.
type Channel struct {
	o      Options
	now    func() time.Time
	client *http.Client
}

// New checks the options and returns a channel, which stamps its requests with
// the time that now says. It connects to nothing.
func New(o Options, now func() time.Time) (*Channel, error) {
	o.Timeout = cmp.Or(o.Timeout, DefaultTimeout)
	var errs []error
	check := func(bad bool, what string) {
		if bad {
			errs = append(errs, errors.New(what))
		}
	}
	at, err := url.Parse(o.URL)
	check(err != nil || (at.Scheme != "http" && at.Scheme != "https") || at.Host == "", "url is not an http or https address")
	check(len(o.Secret) < MinSecret, fmt.Sprintf("the secret has fewer than %d characters", MinSecret))
	check(o.Timeout < 0, "the timeout is negative")
	if err := errors.Join(errs...); err != nil {
		return nil, err
	}
	transport := http.DefaultTransport.(*http.Transport).Clone()
	transport.TLSClientConfig = &tls.Config{RootCAs: o.RootCAs, MinVersion: tls.VersionTLS12}
	return &Channel{o: o, now: now, client: &http.Client{Transport: transport, Timeout: o.Timeout,
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}}, nil
}

// Sign returns the value of the signature's header.
func Sign(secret, stamp string, body []byte) string {
	mac := hmac.New(sha256.New, []byte(secret))
	mac.Write([]byte(stamp + "."))
	mac.Write(body)
	return "sha256=" + hex.EncodeToString(mac.Sum(nil))
}

// Send makes one attempt.
func (c *Channel) Send(ctx context.Context, m correlate.Message) notify.Result {
	request, err := c.request(ctx, m)
	if err != nil {
		return notify.Result{Outcome: correlate.Permanent, Answer: "the request cannot be made: " + httpanswer.WithoutURL(err).Error()}
	}
	response, err := c.client.Do(request)
	if err != nil {
		return notify.Result{Outcome: correlate.Temporary, Answer: httpanswer.Broken(err), InDoubt: !httpanswer.Unreached(err)}
	}
	defer response.Body.Close()
	// An answer that breaks off has a status, and that decides.
	body, _ := io.ReadAll(io.LimitReader(response.Body, httpanswer.MaxBody))
	words, ok := httpanswer.Problem(response.Header, body)
	if !ok {
		words = httpanswer.Excerpt(body)
	}
	r := notify.Result{Outcome: httpanswer.Outcome(response.StatusCode), Answer: strings.TrimSpace(response.Status + " " + words)}
	switch {
	case response.StatusCode/100 == 2:
		r.Outcome, r.GatewayID = correlate.Accepted, idIn(body)
	case r.Outcome == correlate.Temporary:
		r.RetryAfter = httpanswer.RetryAfter(response.Header)
	}
	return r
}

// idIn returns the member id of a JSON answer, or "".
func idIn(body []byte) string {
	var doc any
	d := json.NewDecoder(bytes.NewReader(body))
	d.UseNumber()
	if d.Decode(&doc) != nil {
		return ""
	}
	return field.Text(doc, "id")
}

func (c *Channel) request(ctx context.Context, m correlate.Message) (*http.Request, error) {
	body, err := json.Marshal(Document{ID: string(m.ID), CallOut: string(m.CallOut), Alarm: string(m.Key.ID()), Site: string(m.Key.Site), Point: string(m.Key.Point),
		Instance: m.Key.Instance, Purpose: m.Purpose, Severity: m.Severity.String(), Person: m.Person, To: m.Address, Subject: m.Subject, Text: m.Body,
		Queued: m.Queued, Attempt: len(m.Attempts) + 1})
	if err != nil {
		return nil, err
	}
	request, err := http.NewRequestWithContext(ctx, http.MethodPost, c.o.URL, bytes.NewReader(body))
	if err != nil {
		return nil, err
	}
	stamp := strconv.FormatInt(c.now().Unix(), 10)
	request.Header.Set("Content-Type", "application/json")
	request.Header.Set("Accept", "application/json, application/problem+json")
	request.Header.Set(MessageHeader, string(m.ID))
	request.Header.Set(TimestampHeader, stamp)
	request.Header.Set(SignatureHeader, Sign(c.o.Secret, stamp, body))
	return request, nil
}
