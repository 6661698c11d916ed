package accounts

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"example.net/standwatch/correlate"
)

// tokenPrefix makes a token known for what it is, in a file or a log where it
// should not be.
const tokenPrefix = "stw_"

// longestToken bounds how long a token works.
const longestToken = 400 * 24 * time.Hour

// NewToken is what a token begins with.
type NewToken struct {
	Name  string
	Owner string
	Role  Role
	Scope Scope
	Ends  time.Time
}

// MakeToken makes a token and returns it, this once; only its hash is kept.
func (b *Book) MakeToken(ctx context.Context, by By, n NewToken) (token string, made Token, err error) {
	b.change.Lock()
	defer b.change.Unlock()
	owner, there := b.Account(n.Owner)
	now := b.opts.Now().UTC()
	n.Name = strings.TrimSpace(n.Name)
	switch {
	case !there:
		return "", Token{}, ErrNoAccount
	case n.Name == "" || utf8.RuneCountInString(n.Name) > 64 || strings.ContainsFunc(n.Name, func(r rune) bool { return !unicode.IsPrint(r) }):
		return "", Token{}, fmt.Errorf("%w: a token needs a name of up to 64 characters", ErrName)
	case n.Role < Look || n.Role > owner.Role:
		return "", Token{}, fmt.Errorf("%w: a token may no more than its owner, whose role is %s", ErrBounds, owner.Role)
	case !n.Ends.After(now) || n.Ends.Sub(now) > longestToken:
		return "", Token{}, fmt.Errorf("%w: a token ends within %d days from now", ErrBounds, longestToken/(24*time.Hour))
	case len(b.Tokens()) >= maxTokens:
		return "", Token{}, fmt.Errorf("%w: there are %d tokens, which is the most", ErrBounds, maxTokens)
	}
	token = newSecret(tokenPrefix)
	k := keyOf(token)
	t := &Token{ID: k.id(), Name: n.Name, Owner: n.Owner, Role: n.Role, Scope: n.Scope, Made: now, Ends: n.Ends.UTC()}
	if err := b.journal(ctx, by, correlate.TokenMade, n.Owner, fmt.Sprintf("%s, role %s, %s, until %s", t.Name, t.Role, t.Scope, t.Ends.Format(time.DateOnly))); err != nil {
		return "", Token{}, err
	}
	if err := b.put("tokens", []byte(k), t); err != nil {
		return "", Token{}, err
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	b.tokens[k] = t
	return token, *t, nil
}

// Tokens lists all tokens, newest first.
func (b *Book) Tokens() []Token {
	b.mu.RLock()
	defer b.mu.RUnlock()
	var out []Token
	for _, t := range b.tokens {
		out = append(out, *t)
	}
	slices.SortFunc(out, func(a, c Token) int { return cmp.Or(c.Made.Compare(a.Made), cmp.Compare(a.ID, c.ID)) })
	return out
}

// EndToken ends a token and the sessions made from it. With owner set it has
// to be that account's. It returns ErrNoToken.
func (b *Book) EndToken(ctx context.Context, by By, owner, id string) error {
	b.change.Lock()
	defer b.change.Unlock()
	b.mu.RLock()
	t := b.tokenByID(id)
	b.mu.RUnlock()
	if t == nil || owner != "" && t.Owner != owner {
		return ErrNoToken
	}
	return b.endToken(ctx, by, id)
}

// endToken is called with change held.
func (b *Book) endToken(ctx context.Context, by By, id string) error {
	b.mu.RLock()
	t := b.tokenByID(id)
	var at key
	for k, other := range b.tokens {
		if other == t {
			at = k
		}
	}
	b.mu.RUnlock()
	if err := b.journal(ctx, by, correlate.TokenEnded, t.Owner, t.Name); err != nil {
		return err
	}
	if err := b.put("tokens", []byte(at), nil); err != nil {
		return err
	}
	b.mu.Lock()
	delete(b.tokens, at)
	b.mu.Unlock()
	return b.endWhere(ctx, by, "its token was ended", func(s *session) bool { return s.Token == id })
}

// tokenByID is called with mu held.
func (b *Book) tokenByID(id string) *Token {
	for _, t := range b.tokens {
		if t.ID == id {
			return t
		}
	}
	return nil
}

func (b *Book) token(secret string) (Token, bool) {
	b.mu.RLock()
	defer b.mu.RUnlock()
	t := b.tokens[keyOf(secret)]
	if t == nil || !b.opts.Now().Before(t.Ends) || b.accounts[t.Owner] == nil {
		return Token{}, false
	}
	return *t, true
}

// ByToken returns who has a token. Wrong ones count against the address like
// wrong passwords; then it returns ErrLogin or a [WaitError].
func (b *Book) ByToken(ctx context.Context, secret string, p Place) (Who, error) {
	now := b.opts.Now()
	t, found := b.token(secret)
	if !found {
		if wait := b.doors.wait(now, "", p.From); wait > 0 {
			return Who{}, &WaitError{For: wait}
		}
		return Who{}, b.refused(ctx, "", false, p)
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	owner := b.accounts[t.Owner]
	if owner == nil {
		return Who{}, ErrLogin
	}
	if kept := b.tokens[keyOf(secret)]; kept != nil {
		kept.Used = now.UTC()
	}
	return Who{Name: t.Owner, Role: min(t.Role, owner.Role), Scopes: []Scope{owner.Scope, t.Scope}, Token: t.Name}, nil
}
