// Package incoming reads what gateways send back over HTTP: messages that
// people sent, and receipts for what was sent to them. Where the fields stand
// is described in configuration, so that a gateway of any make fits without
// code. A received mail may also come whole (message/rfc822).
//
// Guarantee: pure but for the request that it is lent. Nothing is believed
// before its proof was checked: a shared secret in a header or in the address,
// or an HMAC-SHA-256 (RFC 2104) over the body, or both, compared in constant
// time. With a time stamp the signature is over "stamp.body", and one that is
// older or newer than [Tolerance] is refused, so that a request cannot be
// played again later. Whatever is too long or cannot be read is refused whole.
//
// It decides nothing about call-outs, and answers no one.
package incoming

import (
	"bytes"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"mime"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"example.net/standwatch/notify/field"
)

// Bounds of what is read. Own choice, no source.
const (
	MaxBody   = 1 << 20 // octets; a mail may have a picture
	MaxItems  = 200     // messages and receipts in one request
	Tolerance = 5 * time.Minute
	minSecret = 16
)

// Errors of [Reader.Read].
var (
	ErrProof  = errors.New("the request does not prove that it comes from the gateway")
	ErrStale  = errors.New("the request's time stamp is not of now")
	ErrFormat = errors.New("the request cannot be read")
)

// Options describe what a gateway sends. The paths are names of JSON members
// ("message.from", "results.0.to"), of form fields, or of query parameters,
// whichever the request has.
type Options struct {
	Secret       string // shared; empty: none is looked for
	SecretHeader string // where it stands; empty means Authorization, after "Bearer "
	SecretParam  string // or the query parameter in which it stands
	HMACKey      string // empty: no signature is looked for
	HMACHeader   string // where the signature stands, in hexadecimal or base64
	HMACPrefix   string // what stands before it there: "sha256="
	StampHeader  string // where the time of signing stands, in seconds since 1970; empty: none

	List    string // path of a list of messages or receipts; empty: the request is one
	From    string
	Text    string
	Subject string // of a mail
	ID      string // the gateway's own ID of an incoming message
	Auto    string // header Auto-Submitted of a mail, where the gateway passes it on

	ReceiptID   string // the ID under which the gateway took what was sent
	Status      string
	Words       string   // further words about the status; may be empty
	Delivered   []string // values of Status that say: it arrived
	Undelivered []string // values of Status that say: it never will
}

// Message is one incoming message.
type Message struct {
	From, Text, Subject, ID string
	Auto                    bool // a machine sent it (RFC 3834): nobody is to answer
}

// Receipt is what became of one message.
type Receipt struct {
	ID        string
	Delivered bool // else it never will be
	Words     string
}

// Incoming is what one request brought. Statuses that are neither of arrival
// nor of failure are left out.
type Incoming struct {
	Messages []Message
	Receipts []Receipt
}

// Reader reads requests of one gateway. It is safe for concurrent use.
type Reader struct{ o Options }

// New checks the options.
func New(o Options) (*Reader, error) {
	var errs []error
	check := func(bad bool, what string) {
		if bad {
			errs = append(errs, errors.New(what))
		}
	}
	check(o.Secret == "" && o.HMACKey == "", "it needs a secret or an hmac-secret: anybody could answer otherwise")
	check(o.Secret != "" && len(o.Secret) < minSecret, "the secret is shorter than 16 characters")
	check(o.HMACKey != "" && len(o.HMACKey) < minSecret, "the hmac-secret is shorter than 16 characters")
	check(o.HMACKey != "" && o.HMACHeader == "", "it is not said in which header the signature stands")
	check(o.HMACKey == "" && o.StampHeader != "", "a time stamp proves nothing without a signature")
	check(o.SecretHeader != "" && o.SecretParam != "", "the secret stands in a header or in a parameter, not both")
	check((o.From == "") != (o.Text == ""), "incoming messages need both from and text")
	check(o.From == "" && o.ReceiptID == "", "it is neither said where messages stand nor where receipts do")
	check((o.ReceiptID == "") != (o.Status == ""), "receipts need both an ID and a status")
	check(o.Status != "" && len(o.Delivered)+len(o.Undelivered) == 0, "it is not said which statuses mean that a message arrived or never will")
	return &Reader{o}, errors.Join(errs...)
}

// Read reads a request whose body was read already. It returns [ErrProof],
// [ErrStale] or an error that wraps [ErrFormat].
func (rd *Reader) Read(r *http.Request, body []byte, now time.Time) (Incoming, error) {
	if err := rd.prove(r, body, now); err != nil {
		return Incoming{}, err
	}
	// A type that cannot be parsed is none of those that can be read.
	media, _, _ := mime.ParseMediaType(r.Header.Get("Content-Type"))
	switch {
	case media == "message/rfc822":
		m, err := readMail(body)
		if err != nil {
			return Incoming{}, fmt.Errorf("%w: %w", ErrFormat, err)
		}
		return Incoming{Messages: []Message{m}}, nil
	case media == "application/json" || strings.HasSuffix(media, "+json"):
		return rd.fromJSON(body)
	case media == "application/x-www-form-urlencoded" || (media == "" && len(body) == 0):
		return rd.fromForm(r.URL.Query(), body)
	}
	return Incoming{}, fmt.Errorf("%w: a content type %q is not expected", ErrFormat, media)
}

func (rd *Reader) prove(r *http.Request, body []byte, now time.Time) error {
	if o := rd.o; o.Secret != "" {
		given := strings.TrimPrefix(r.Header.Get("Authorization"), "Bearer ")
		if o.SecretHeader != "" {
			given = r.Header.Get(o.SecretHeader)
		}
		if o.SecretParam != "" {
			given = r.URL.Query().Get(o.SecretParam)
		}
		// HMAC makes equal lengths of unequal ones, so that none is told.
		if !hmac.Equal(sum(o.Secret, []byte(given)), sum(o.Secret, []byte(o.Secret))) {
			return ErrProof
		}
	}
	if rd.o.HMACKey == "" {
		return nil
	}
	return rd.signed(r.Header, body, now)
}

func (rd *Reader) signed(h http.Header, body []byte, now time.Time) error {
	signed, stamp := body, ""
	if rd.o.StampHeader != "" {
		stamp = h.Get(rd.o.StampHeader)
		signed = append([]byte(stamp+"."), body...)
	}
	given, found := strings.CutPrefix(h.Get(rd.o.HMACHeader), rd.o.HMACPrefix)
	if !found || !hmac.Equal(octets(given), sum(rd.o.HMACKey, signed)) {
		return ErrProof
	}
	if rd.o.StampHeader == "" {
		return nil
	}
	seconds, err := strconv.ParseInt(stamp, 10, 64)
	if err != nil || now.Sub(time.Unix(seconds, 0)).Abs() > Tolerance {
		return ErrStale
	}
	return nil
}

func sum(key string, text []byte) []byte {
	m := hmac.New(sha256.New, []byte(key))
	m.Write(text)
	return m.Sum(nil)
}

// octets reads a signature in whichever form it is written.
func octets(text string) []byte {
	if raw, err := hex.DecodeString(text); err == nil {
		return raw
	}
	// What is neither is no signature, and equal to none.
	raw, _ := base64.StdEncoding.DecodeString(text)
	return raw
}

func (rd *Reader) fromJSON(body []byte) (Incoming, error) {
	var doc any
	d := json.NewDecoder(bytes.NewReader(body))
	d.UseNumber()
	if err := d.Decode(&doc); err != nil {
		return Incoming{}, fmt.Errorf("%w: %w", ErrFormat, err)
	}
	items := []any{doc}
	if rd.o.List != "" {
		found, _ := field.At(doc, rd.o.List)
		list, ok := found.([]any)
		if !ok || len(list) > MaxItems {
			return Incoming{}, fmt.Errorf("%w: no list of at most %d at %s", ErrFormat, MaxItems, rd.o.List)
		}
		items = list
	}
	var in Incoming
	for _, item := range items {
		rd.add(&in, func(path string) string { return field.Text(item, path) })
	}
	return in, rd.anything(in, len(items))
}

func (rd *Reader) fromForm(query url.Values, body []byte) (Incoming, error) {
	form, err := url.ParseQuery(string(body))
	if err != nil {
		return Incoming{}, fmt.Errorf("%w: %w", ErrFormat, err)
	}
	for name, values := range query {
		form[name] = append(form[name], values...)
	}
	var in Incoming
	rd.add(&in, form.Get)
	return in, rd.anything(in, 1)
}

// add adds what one item says.
func (rd *Reader) add(in *Incoming, get func(path string) string) {
	value := func(path string) string {
		if path == "" {
			return ""
		}
		return get(path)
	}
	if id := value(rd.o.ReceiptID); id != "" {
		status := value(rd.o.Status)
		r := Receipt{ID: id, Words: strings.TrimSpace(status + " " + value(rd.o.Words)), Delivered: slices.Contains(rd.o.Delivered, status)}
		if r.Delivered || slices.Contains(rd.o.Undelivered, status) {
			in.Receipts = append(in.Receipts, r)
			return
		}
		if status != "" {
			in.Receipts = append(in.Receipts, Receipt{}) // under way; left out below
			return
		}
	}
	if from := value(rd.o.From); from != "" {
		auto := value(rd.o.Auto)
		in.Messages = append(in.Messages, Message{From: address(from), Text: value(rd.o.Text), Subject: value(rd.o.Subject), ID: value(rd.o.ID),
			Auto: auto != "" && !strings.EqualFold(auto, "no")})
	}
}

// anything leaves out what is only under way, and refuses a request in which
// nothing at all was found: the description does not fit.
func (rd *Reader) anything(in Incoming, items int) error {
	found := len(in.Messages) + len(in.Receipts)
	if found == 0 && items > 0 {
		return fmt.Errorf("%w: neither a message nor a receipt stands where the configuration says", ErrFormat)
	}
	return nil
}

// Final lists the receipts that say how it ended.
func (in Incoming) Final() []Receipt {
	return slices.DeleteFunc(slices.Clone(in.Receipts), func(r Receipt) bool { return r.ID == "" })
}
