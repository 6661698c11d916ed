// Package httpanswer reads what a gateway over HTTP answers, for the channels
// that speak it: whether a later attempt may do, when, and the gateway's words
// in a form that can be kept and shown.
//
// Guarantee: pure. Addresses, which may hold secrets, are in nothing that it
// returns.
//
// Standards: RFC 9110 sections 10.2.3 and 15, RFC 6585 section 4, RFC 9457.
package httpanswer

import (
	"context"
	"encoding/json"
	"errors"
	"mime"
	"net"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"

	"example.net/standwatch/correlate"
)

// MaxBody bounds how much of an answer is worth reading, in octets.
const MaxBody = 64 << 10

// maxRetryAfter bounds what a gateway may wish for: beyond it the message has
// moved on to another channel anyhow.
const maxRetryAfter = time.Hour

// Outcome says what a status means that is none of success: Temporary on 408,
// 425, 429 and 5xx, else Permanent.
func Outcome(status int) correlate.Outcome {
	later := []int{http.StatusRequestTimeout, http.StatusTooEarly, http.StatusTooManyRequests}
	if status >= 500 || slices.Contains(later, status) {
		return correlate.Temporary
	}
	return correlate.Permanent
}

// RetryAfter reads the header as seconds or as a date, the latter against the
// gateway's own clock where it tells it. It returns 0 when there is none, and
// an hour at most.
func RetryAfter(h http.Header) time.Duration {
	text := h.Get("Retry-After")
	if seconds, err := strconv.Atoi(text); err == nil {
		return time.Duration(min(max(0, seconds), int(maxRetryAfter/time.Second))) * time.Second
	}
	at, errAt := http.ParseTime(text)
	now, errNow := http.ParseTime(h.Get("Date"))
	if errAt != nil || errNow != nil {
		return 0
	}
	return min(max(0, at.Sub(now)), maxRetryAfter)
}

// Broken says in what way no answer came.
func Broken(err error) string {
	err = WithoutURL(err)
	if t, ok := err.(interface{ Timeout() bool }); (ok && t.Timeout()) || errors.Is(err, context.DeadlineExceeded) {
		return "no answer in time; it may have been taken"
	}
	return err.Error()
}

// Unreached reports whether the gateway was never reached, so that it cannot
// have taken anything.
func Unreached(err error) bool {
	dial, ok := errors.AsType[*net.OpError](err)
	return ok && dial.Op == "dial"
}

// WithoutURL takes the address, which may hold secrets, out of an error.
func WithoutURL(err error) error {
	if e, ok := errors.AsType[*url.Error](err); ok {
		return e.Err
	}
	return err
}

// Excerpt returns the beginning of an answer as one printable line.
func Excerpt(body []byte) string {
	text := strings.Map(func(r rune) rune {
		if unicode.IsControl(r) || r == unicode.ReplacementChar {
			return ' '
		}
		return r
	}, strings.ToValidUTF8(string(body[:min(len(body), 600)]), ""))
	runes := []rune(strings.Join(strings.Fields(text), " "))
	if len(runes) > 200 {
		return string(runes[:200]) + "..."
	}
	return string(runes)
}

// Problem returns the words of a problem document (RFC 9457): its title and
// detail. ok is false when the answer is none.
func Problem(h http.Header, body []byte) (words string, ok bool) {
	media, _, err := mime.ParseMediaType(h.Get("Content-Type"))
	if err != nil || media != "application/problem+json" {
		return "", false
	}
	var p struct{ Type, Title, Detail string }
	if json.Unmarshal(body, &p) != nil {
		return "", false
	}
	if p.Title == "" {
		p.Title = p.Type // RFC 9457 section 3.1.3: the title is a summary of the type
	}
	if p.Title != "" && p.Detail != "" {
		p.Title += ": "
	}
	return Excerpt([]byte(p.Title + p.Detail)), p.Title+p.Detail != ""
}
