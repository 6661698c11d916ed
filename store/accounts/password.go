package accounts

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/alexedwards/argon2id"
)

// Bounds of passwords. NIST SP 800-63B asks for length and not for kinds of
// characters (from memory); the numbers are our own choice.
const (
	leastPassword = 12  // characters
	mostPassword  = 256 // octets; hashing is not a way to keep the master busy
)

// Hashing is the work of argon2id (RFC 9106).
type Hashing struct {
	MemoryKiB uint32
	Passes    uint32
}

// hasher bounds how many passwords are hashed at a time.
type hasher struct {
	params *argon2id.Params
	slots  chan struct{}
	queue  chan struct{}
}

// hashWait bounds how long a login waits for its turn.
const hashWait = 10 * time.Second

func newHasher(h Hashing) hasher {
	if h == (Hashing{}) {
		h = Hashing{MemoryKiB: 19 << 10, Passes: 2}
	}
	p := &argon2id.Params{Memory: h.MemoryKiB, Iterations: h.Passes, Parallelism: 1, SaltLength: 16, KeyLength: 32}
	return hasher{params: p, slots: make(chan struct{}, 2), queue: make(chan struct{}, 32)}
}

// turn runs fn when it is its turn. It returns ErrBusy when too many wait.
func (h *hasher) turn(ctx context.Context, fn func() error) error {
	select {
	case h.queue <- struct{}{}:
		defer func() { <-h.queue }()
	default:
		return ErrBusy
	}
	ctx, cancel := context.WithTimeout(ctx, hashWait)
	defer cancel()
	select {
	case h.slots <- struct{}{}:
		defer func() { <-h.slots }()
		return fn()
	case <-ctx.Done():
		return ErrBusy
	}
}

// newHash checks a password that somebody wants, and hashes it.
func (b *Book) newHash(ctx context.Context, name, password string) (hash string, err error) {
	if err := GoodPassword(name, password); err != nil {
		return "", err
	}
	err = b.hasher.turn(ctx, func() (err error) {
		hash, err = argon2id.CreateHash(password, b.hasher.params)
		return err
	})
	if err != nil && !errors.Is(err, ErrBusy) {
		err = fmt.Errorf("hash a password: %w", err)
	}
	return hash, err
}

// GoodPassword returns an ErrPassword that says what is wrong with a password
// for the account name.
func GoodPassword(name, password string) error {
	switch {
	case !utf8.ValidString(password):
		return fmt.Errorf("%w: it is no text", ErrPassword)
	case utf8.RuneCountInString(password) < leastPassword:
		return fmt.Errorf("%w: it needs at least %d characters; a few words in a row are good", ErrPassword, leastPassword)
	case len(password) > mostPassword:
		return fmt.Errorf("%w: it is longer than %d octets", ErrPassword, mostPassword)
	case len(name) >= 4 && strings.Contains(strings.ToLower(password), strings.ToLower(name)):
		return fmt.Errorf("%w: the account's name is in it", ErrPassword)
	case strings.Count(password, password[:1]) == len(password):
		return fmt.Errorf("%w: it is one character again and again", ErrPassword)
	}
	return nil
}

// matches compares a password with a hash; an empty hash matches nothing, and
// takes as long to.
func (b *Book) matches(ctx context.Context, password, hash string) (same bool, err error) {
	if len(password) > mostPassword {
		password, hash = "", ""
	}
	err = b.hasher.turn(ctx, func() (err error) {
		if hash == "" {
			_, err = argon2id.CreateHash(password, b.hasher.params)
			return err
		}
		same, err = argon2id.ComparePasswordAndHash(password, hash)
		return err
	})
	return same, err
}

// OneTimePassword returns a random password that can be read out over a
// telephone: 100 bits in four groups of letters and digits that look alike to
// nobody.
func OneTimePassword() string {
	const letters = "abcdefghjkmnpqrstuvwxyz23456789"
	var b strings.Builder
	octet := make([]byte, 1)
	for n := 0; n < 20; {
		if _, err := rand.Read(octet); err != nil {
			panic(err) // crypto/rand.Read never returns an error
		}
		if int(octet[0]) >= len(letters)*8 {
			continue // so that no letter is more likely
		}
		if n > 0 && n%5 == 0 {
			b.WriteByte('-')
		}
		b.WriteByte(letters[int(octet[0])%len(letters)])
		n++
	}
	return b.String()
}
