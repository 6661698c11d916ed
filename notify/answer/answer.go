// Package answer reads what people answer: a code in a short message, and a
// signed link.
//
// Guarantee: pure. Parse accepts only what cannot be mistaken for another
// code; Open accepts only tokens made with the same key that have not run out,
// and compares in constant time.
//
// It decides nothing about call-outs: whether a code is one, whose it is and
// whether it is late is decided by notify.Plan.Reply. A token can be opened
// any number of times; that it takes an alarm only once follows from a taken
// alarm not being takeable.
package answer

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"encoding/binary"
	"errors"
	"strings"
	"time"
)

// Parse finds the code in a reply: the only word of five or six characters
// that are all of the alphabet. Case does not matter, nor do quoted lines (">"
// at the start), nor marks around the code. ok is false when there is no code,
// or more than one.
func Parse(text, alphabet string) (code string, ok bool) {
	for line := range strings.Lines(text) {
		if strings.HasPrefix(strings.TrimSpace(line), ">") {
			continue
		}
		for word := range strings.FieldsSeq(line) {
			word = strings.ToUpper(strings.Trim(word, `.,;:!?"'()[]<>*`))
			if len(word) < 5 || len(word) > 6 || strings.Trim(word, alphabet) != "" {
				continue
			}
			if code != "" && code != word {
				return "", false
			}
			code = word
		}
	}
	return code, code != ""
}

// Claim is what a link says: this person takes this call-out.
type Claim struct {
	CallOut string
	Person  string
	Until   time.Time // to the second
}

// ErrBadToken is returned for a token that was not made with the key, and
// ErrTooLate for one that has run out.
var (
	ErrBadToken = errors.New("the link is not one of ours")
	ErrTooLate  = errors.New("the link is no longer good")
)

// MinKey is the least length of a key in octets (RFC 2104 section 3: not less
// than the output of the hash).
const MinKey = sha256.Size

// Signer makes and opens tokens. It is safe for concurrent use.
type Signer struct{ key []byte }

// NewSigner returns a signer. It returns an error if the key is shorter than
// MinKey. The key is retained.
func NewSigner(key []byte) (*Signer, error) {
	if len(key) < MinKey {
		return nil, errors.New("the key for links is too short")
	}
	return &Signer{key}, nil
}

// Sign returns the token of a claim, fit for a URL path segment: base64url
// (RFC 4648 section 5) of the time, the two names with their lengths, and
// HMAC-SHA-256 over these.
func (s *Signer) Sign(c Claim) string {
	body := binary.BigEndian.AppendUint64(nil, uint64(c.Until.Unix()))
	for _, name := range []string{c.CallOut, c.Person} {
		body = binary.AppendUvarint(body, uint64(len(name)))
		body = append(body, name...)
	}
	return base64.RawURLEncoding.EncodeToString(append(body, s.mac(body)...))
}

func (s *Signer) mac(body []byte) []byte {
	m := hmac.New(sha256.New, s.key)
	m.Write(body)
	return m.Sum(nil)
}

// Open returns the claim of a token. It returns ErrBadToken or ErrTooLate.
func (s *Signer) Open(token string, now time.Time) (Claim, error) {
	raw, err := base64.RawURLEncoding.Strict().DecodeString(token)
	if strings.ContainsAny(token, "\r\n") { // the decoder passes over line ends
		return Claim{}, ErrBadToken
	}
	if err != nil || len(raw) < 8+sha256.Size {
		return Claim{}, ErrBadToken
	}
	body, mac := raw[:len(raw)-sha256.Size], raw[len(raw)-sha256.Size:]
	if !hmac.Equal(mac, s.mac(body)) {
		return Claim{}, ErrBadToken
	}
	c := Claim{Until: time.Unix(int64(binary.BigEndian.Uint64(body)), 0)}
	rest := body[8:]
	for _, name := range []*string{&c.CallOut, &c.Person} {
		n, size := binary.Uvarint(rest)
		if size <= 0 || n > uint64(len(rest)-size) {
			return Claim{}, ErrBadToken
		}
		*name, rest = string(rest[size:size+int(n)]), rest[size+int(n):]
	}
	if !now.Before(c.Until) {
		return Claim{}, ErrTooLate
	}
	return c, nil
}
