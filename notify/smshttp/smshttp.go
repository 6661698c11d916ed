// Package smshttp hands short messages to a gateway over HTTP. The request and
// what counts as success are described in configuration, so that a gateway of
// any make fits without code.
//
// Guarantee: one request per call; redirects are not followed, since they would
// carry credentials to where nobody sent them. A message is Accepted when the
// status is one of those wanted and the answer says what it should; Temporary
// on 408, 425, 429 and 5xx (RFC 9110 section 15, RFC 6585 section 4), on a
// broken connection and when no answer comes; Permanent on anything else.
// Retry-After is honoured in both its forms (RFC 9110 section 10.2.3).
//
// Answers are kept as evidence, shortened; addresses with their queries never
// are, since gateways like to have secrets there.
//
// It keeps no queue and does not retry. Delivery receipts and
// incoming messages are read by package incoming.
package smshttp

import (
	"bytes"
	"cmp"
	"context"
	"crypto/tls"
	"crypto/x509"
	"encoding/json"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/notify"
	"example.net/standwatch/notify/field"
	"example.net/standwatch/notify/httpanswer"
)

// DefaultTimeout bounds one attempt.
const DefaultTimeout = 15 * time.Second

// Options describe a gateway. ${to}, ${text}, ${id} and ${from} in URL, header
// values and Body stand for the number, the text, the message's ID and From;
// they are escaped as the place needs: in a URL and a form as a query value, in
// JSON as the inside of a string, in XML as text.
type Options struct {
	Method      string // empty means POST
	URL         string
	Headers     map[string]string
	Body        string
	ContentType string // decides the escaping in Body; empty means application/json
	Username    string // HTTP basic authentication, with Password
	Password    string
	From        string
	Accept      []int          // statuses of success; none means 200, 201 and 202
	IDPath      string         // where the gateway's ID is in a JSON answer: "messages.0.id"; empty means nowhere
	OKPath      string         // a value in a JSON answer that must be one of OKValues; empty means the status suffices
	OKValues    []string       // compared as text
	Timeout     time.Duration  // of one attempt; 0 means DefaultTimeout
	RootCAs     *x509.CertPool // nil means the system's
}

// Channel sends short messages. It is safe for concurrent use.
type Channel struct {
	o      Options
	form   escaper
	client *http.Client
}

type escaper func(string) string

// New checks the options and returns a channel. It connects to nothing.
func New(o Options) (*Channel, error) {
	o.Method = cmp.Or(o.Method, http.MethodPost)
	o.ContentType = cmp.Or(o.ContentType, "application/json")
	o.Timeout = cmp.Or(o.Timeout, DefaultTimeout)
	if len(o.Accept) == 0 {
		o.Accept = []int{http.StatusOK, http.StatusCreated, http.StatusAccepted}
	}
	if err := o.check(); err != nil {
		return nil, err
	}
	transport := http.DefaultTransport.(*http.Transport).Clone()
	transport.TLSClientConfig = &tls.Config{RootCAs: o.RootCAs, MinVersion: tls.VersionTLS12}
	return &Channel{o: o, form: escaping(o.ContentType), client: &http.Client{Transport: transport, Timeout: o.Timeout,
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}}, nil
}

func (o Options) check() error {
	var errs []error
	check := func(bad bool, what string) {
		if bad {
			errs = append(errs, errors.New(what))
		}
	}
	at, err := url.Parse(expand(o.URL, url.QueryEscape, correlate.Message{}, ""))
	check(err != nil || (at.Scheme != "http" && at.Scheme != "https") || at.Host == "", "url is not an http or https address")
	all := o.URL + o.Body
	for _, v := range o.Headers {
		all += v
		check(strings.ContainsAny(v, "\r\n"), "a header value has a line break")
	}
	for _, p := range placeholder.FindAllString(all, -1) {
		check(!slices.Contains([]string{"${to}", "${text}", "${id}", "${from}"}, p), p+" is none of ${to}, ${text}, ${id} and ${from}")
	}
	check(!strings.Contains(all, "${to}") || !strings.Contains(all, "${text}"), "the request has no place for ${to} or ${text}")
	check(o.OKPath != "" && len(o.OKValues) == 0, "it is not said which values mean success")
	check(o.Timeout < 0, "the timeout is negative")
	return errors.Join(errs...)
}

var placeholder = regexp.MustCompile(`\$\{[^}]*\}`)

// expand fills in a template.
func expand(template string, escape escaper, m correlate.Message, from string) string {
	return strings.NewReplacer("${to}", escape(m.Address), "${text}", escape(m.Body), "${id}", escape(string(m.ID)), "${from}", escape(from)).Replace(template)
}

// escaping returns how values are written into a body of a content type.
func escaping(contentType string) escaper {
	// A type that cannot be parsed is sent as it is; its values go in plain.
	media, _, _ := mime.ParseMediaType(contentType)
	switch {
	case media == "application/json" || strings.HasSuffix(media, "+json"):
		return inJSON
	case media == "application/x-www-form-urlencoded":
		return url.QueryEscape
	case strings.HasSuffix(media, "/xml") || strings.HasSuffix(media, "+xml"):
		return inXML
	}
	return func(s string) string { return s }
}

func inJSON(s string) string {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	_ = e.Encode(s) // a string is always encodable, and a buffer takes it
	return strings.TrimSuffix(strings.TrimPrefix(strings.TrimSuffix(b.String(), "\n"), `"`), `"`)
}

func inXML(s string) string {
	var b bytes.Buffer
	_ = xml.EscapeText(&b, []byte(s)) // a buffer takes everything
	return b.String()
}

// inHeader leaves out what would end the header.
func inHeader(s string) string { return strings.Join(strings.Fields(s), " ") }

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
	body, err := io.ReadAll(io.LimitReader(response.Body, httpanswer.MaxBody))
	r := notify.Result{Answer: strings.TrimSpace(response.Status + " " + httpanswer.Excerpt(body)), Outcome: correlate.Permanent}
	switch {
	case slices.Contains(c.o.Accept, response.StatusCode):
		c.judge(&r, body, err)
	case httpanswer.Outcome(response.StatusCode) == correlate.Temporary:
		r.Outcome = correlate.Temporary
		r.RetryAfter = httpanswer.RetryAfter(response.Header)
	}
	return r
}

func (c *Channel) request(ctx context.Context, m correlate.Message) (*http.Request, error) {
	body := expand(c.o.Body, c.form, m, c.o.From)
	request, err := http.NewRequestWithContext(ctx, c.o.Method, expand(c.o.URL, url.QueryEscape, m, c.o.From), strings.NewReader(body))
	if err != nil {
		return nil, err
	}
	if c.o.Body != "" {
		request.Header.Set("Content-Type", c.o.ContentType)
	}
	for name, value := range c.o.Headers {
		request.Header.Set(name, expand(value, inHeader, m, c.o.From))
	}
	if c.o.Username != "" {
		request.SetBasicAuth(c.o.Username, c.o.Password)
	}
	return request, nil
}

// judge decides about an answer whose status says success.
func (c *Channel) judge(r *notify.Result, body []byte, readErr error) {
	r.Outcome = correlate.Accepted
	if readErr != nil {
		r.Answer += " (the answer broke off)"
	}
	if c.o.IDPath == "" && c.o.OKPath == "" {
		return
	}
	var answer any
	d := json.NewDecoder(bytes.NewReader(body))
	d.UseNumber()
	if err := d.Decode(&answer); err != nil && c.o.OKPath != "" {
		// It may well have been taken, but it did not say so.
		r.Outcome, r.Answer = correlate.Temporary, r.Answer+" (the answer is not JSON)"
		return
	}
	if c.o.OKPath != "" {
		if said := field.Text(answer, c.o.OKPath); !slices.Contains(c.o.OKValues, said) {
			r.Outcome = correlate.Permanent
			r.Answer += fmt.Sprintf(" (%s is %q)", c.o.OKPath, said)
			return
		}
	}
	if c.o.IDPath != "" {
		r.GatewayID = field.Text(answer, c.o.IDPath)
	}
}
