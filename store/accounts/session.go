package accounts

import (
	"cmp"
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode"

	"example.net/standwatch/correlate"
)

// key is the SHA-256 of a secret.
type key string

func keyOf(secret string) key {
	sum := sha256.Sum256([]byte(secret))
	return key(sum[:])
}

// id is what a key is called by. It gives no way in.
func (k key) id() string { return hex.EncodeToString([]byte(k)[:6]) }

func newSecret(prefix string) string {
	octets := make([]byte, secretOctets)
	if _, err := rand.Read(octets); err != nil {
		panic(err) // crypto/rand.Read never returns an error
	}
	return prefix + base64.RawURLEncoding.EncodeToString(octets)
}

// Place is where a login comes from.
type Place struct {
	From  string // address, without a port
	Agent string // what the browser calls itself; only for showing
}

// maxAgent bounds what is kept of a browser's own words.
const maxAgent = 120

func (p Place) agent() string {
	text := strings.Map(func(r rune) rune {
		if unicode.IsGraphic(r) {
			return r
		}
		return -1
	}, strings.ToValidUTF8(p.Agent, ""))
	if runes := []rune(text); len(runes) > maxAgent {
		text = string(runes[:maxAgent])
	}
	return text
}

// Login begins a session for a name and password. It returns ErrLogin, a
// [WaitError] when there were too many wrong ones, or ErrBusy. The secret is
// what the browser keeps; it is kept nowhere else.
func (b *Book) Login(ctx context.Context, name, password string, p Place) (secret string, who Who, err error) {
	now := b.opts.Now()
	if wait := b.doors.wait(now, name, p.From); wait > 0 {
		return "", Who{}, &WaitError{For: wait}
	}
	b.mu.RLock()
	a, hash := b.accounts[name], ""
	if a != nil && (a.OneTime.IsZero() || now.Before(a.OneTime)) {
		hash = a.Hash
	}
	b.mu.RUnlock()
	same, err := b.matches(ctx, password, hash)
	if err != nil {
		return "", Who{}, err
	}
	if !same {
		return "", Who{}, b.refused(ctx, name, a != nil, p)
	}
	b.doors.good(now, name, p.From)
	return b.begin(ctx, By{Actor: name, Via: "console", From: p.From}, &session{Session: Session{Account: name, From: p.From, Agent: p.agent()}})
}

// Enter begins a session for an account that another provider vouches for, and
// that was adopted.
func (b *Book) Enter(ctx context.Context, name string, p Place) (secret string, who Who, err error) {
	return b.begin(ctx, By{Actor: name, Via: "openid", From: p.From}, &session{Session: Session{Account: name, From: p.From, Agent: p.agent()}})
}

// EnterByToken begins a session that may only look, for a screen on a wall. It
// lasts as long as the token. It returns ErrLogin or a [WaitError].
func (b *Book) EnterByToken(ctx context.Context, token string, p Place) (secret string, who Who, err error) {
	now := b.opts.Now()
	if wait := b.doors.wait(now, "", p.From); wait > 0 {
		return "", Who{}, &WaitError{For: wait}
	}
	t, found := b.token(token)
	if !found {
		return "", Who{}, b.refused(ctx, "", false, p)
	}
	s := &session{Session: Session{Account: t.Owner, From: p.From, Agent: p.agent(), Token: t.ID, Ends: t.Ends}}
	return b.begin(ctx, By{Actor: t.Owner + " (token " + t.Name + ")", Via: "token", From: p.From}, s)
}

// refused counts a refused login and journals it, as often as is useful.
func (b *Book) refused(ctx context.Context, name string, known bool, p Place) error {
	times, tell := b.doors.bad(b.opts.Now(), name, p.From)
	if !tell {
		return ErrLogin
	}
	if !known {
		name = "" // what was typed may be a password in the wrong place
	}
	in := &correlate.Access{What: correlate.LoginFailed, Account: name, Actor: "nobody", Via: "console", From: p.From, Text: "name, password or token is wrong", Times: times}
	if err := b.opts.Journal(ctx, in); err != nil {
		return err
	}
	return ErrLogin
}

// begin journals and keeps a session.
func (b *Book) begin(ctx context.Context, by By, s *session) (secret string, who Who, err error) {
	b.change.Lock()
	defer b.change.Unlock()
	now := b.opts.Now().UTC()
	secret = newSecret("")
	k := keyOf(secret)
	s.ID, s.Made, s.Used, s.over = k.id(), now, now, make(chan struct{})
	if s.Ends.IsZero() {
		s.Ends = now.Add(b.opts.Longest)
	}
	if err := b.makeRoom(ctx, s.Account); err != nil {
		return "", Who{}, err
	}
	if err := b.journal(ctx, by, correlate.SessionBegan, s.Account, s.Agent); err != nil {
		return "", Who{}, err
	}
	if err := b.put("sessions", []byte(k), &s.Session); err != nil {
		return "", Who{}, err
	}
	s.written = now
	b.mu.Lock()
	b.sessions[k] = s
	a := b.accounts[s.Account]
	b.mu.Unlock()
	if a == nil {
		return "", Who{}, ErrNoAccount
	}
	if s.Token == "" {
		entered := *a
		entered.Entered = now
		if err := b.keep(&entered); err != nil {
			return "", Who{}, err
		}
	}
	who, _, _ = b.Session(secret)
	return secret, who, nil
}

// makeRoom ends the session that was used longest ago when an account has as
// many as it may.
func (b *Book) makeRoom(ctx context.Context, account string) error {
	var own []Session
	for _, s := range b.Sessions() {
		if s.Account == account {
			own = append(own, s)
		}
	}
	if len(own) < maxSessions {
		return nil
	}
	oldest := slices.MinFunc(own, func(a, c Session) int { return a.Used.Compare(c.Used) })
	return b.endWhere(ctx, By{Actor: account, Via: "console"}, "another login took its place", func(s *session) bool { return s.ID == oldest.ID })
}

// Session returns who has a session, and notes that it is used. over is closed
// when it ends or what it may do changes.
func (b *Book) Session(secret string) (who Who, over <-chan struct{}, ok bool) {
	now := b.opts.Now().UTC()
	k := keyOf(secret)
	b.mu.Lock()
	s := b.sessions[k]
	if s == nil || b.finished(s, now) != "" {
		b.mu.Unlock()
		return Who{}, nil, false
	}
	a := b.accounts[s.Account]
	if a == nil {
		b.mu.Unlock()
		return Who{}, nil, false
	}
	s.Used = now
	over = s.over
	stale := now.Sub(s.written) >= usedPersisted
	if stale {
		s.written = now
	}
	copied := s.Session
	who = Who{Name: a.Name, Role: a.Role, Scopes: []Scope{a.Scope}, Session: s.ID, MustChange: !a.OneTime.IsZero()}
	if s.Token != "" {
		t := b.tokenByID(s.Token)
		if t == nil {
			b.mu.Unlock()
			return Who{}, nil, false
		}
		who.Role, who.Scopes, who.Token, who.MustChange = Look, []Scope{a.Scope, t.Scope}, t.Name, false
	}
	b.mu.Unlock()
	if stale {
		b.touched(k, copied)
	}
	return who, over, true
}

// touched writes the time of the last use. Losing it costs nothing but an
// earlier end after a restart, so that an error is not the request's.
func (b *Book) touched(k key, s Session) {
	b.change.Lock()
	defer b.change.Unlock()
	b.mu.RLock()
	_, there := b.sessions[k]
	b.mu.RUnlock()
	if there {
		_ = b.put("sessions", []byte(k), &s)
	}
}

// finished returns why a session is over, or "".
func (b *Book) finished(s *session, now time.Time) string {
	switch {
	case !now.Before(s.Ends):
		return "its time was over"
	case s.Token == "" && now.Sub(s.Used) >= b.opts.Idle:
		return "it was not used for " + b.opts.Idle.String()
	}
	return ""
}

// Sessions lists all sessions, newest login first.
func (b *Book) Sessions() []Session {
	now := b.opts.Now()
	b.mu.RLock()
	defer b.mu.RUnlock()
	var out []Session
	for _, s := range b.sessions {
		if b.finished(s, now) == "" {
			out = append(out, s.Session)
		}
	}
	slices.SortFunc(out, func(a, c Session) int { return cmp.Or(c.Made.Compare(a.Made), cmp.Compare(a.ID, c.ID)) })
	return out
}

// EndSession ends one session. With account set it has to be that account's.
// It returns ErrNoSession.
func (b *Book) EndSession(ctx context.Context, by By, account, id string) error {
	b.change.Lock()
	defer b.change.Unlock()
	found := false
	err := b.endWhere(ctx, by, "", func(s *session) bool {
		match := s.ID == id && (account == "" || s.Account == account)
		found = found || match
		return match
	})
	if err == nil && !found {
		return ErrNoSession
	}
	return err
}

// EndSessions ends all sessions of an account but the one named, which may be
// empty.
func (b *Book) EndSessions(ctx context.Context, by By, account, but string) error {
	b.change.Lock()
	defer b.change.Unlock()
	return b.endWhere(ctx, by, "", func(s *session) bool { return s.Account == account && s.ID != but })
}

// endWhere ends the sessions that end picks. It is called with change held.
func (b *Book) endWhere(ctx context.Context, by By, why string, end func(*session) bool) error {
	b.mu.RLock()
	ended := map[key]*session{}
	for k, s := range b.sessions {
		if end(s) {
			ended[k] = s
		}
	}
	b.mu.RUnlock()
	for k, s := range ended {
		if err := b.journal(ctx, by, correlate.SessionEnded, s.Account, why); err != nil {
			return err
		}
		b.mu.Lock()
		delete(b.sessions, k)
		close(s.over)
		b.mu.Unlock()
		if err := b.put("sessions", []byte(k), nil); err != nil {
			return err
		}
	}
	return nil
}

// wake makes the open pages of an account begin anew, because what it may see
// or do has changed.
func (b *Book) wake(account string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, s := range b.sessions {
		if s.Account == account {
			close(s.over)
			s.over = make(chan struct{})
		}
	}
}

// Run ends sessions and tokens whose time is over, until ctx ends.
func (b *Book) Run(ctx context.Context) error {
	ticker := time.NewTicker(30 * time.Second)
	defer ticker.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-ticker.C:
			// What cannot be journaled now is tried again; it lets nobody in
			// meanwhile, since times are looked at on every use.
			_ = b.Tidy(ctx)
		}
	}
}

// Tidy ends what is over.
func (b *Book) Tidy(ctx context.Context) error {
	b.change.Lock()
	defer b.change.Unlock()
	now := b.opts.Now()
	b.doors.tidy(now)
	for _, t := range b.Tokens() {
		if !now.Before(t.Ends) {
			if err := b.endToken(ctx, By{Actor: "time", Via: "clock"}, t.ID); err != nil {
				return err
			}
		}
	}
	for _, why := range []string{"its time was over", "it was not used for " + b.opts.Idle.String()} {
		err := b.endWhere(ctx, By{Actor: "time", Via: "clock"}, why, func(s *session) bool { return b.finished(s, now) == why })
		if err != nil {
			return err
		}
	}
	return nil
}

// ChangePassword changes one's own password, the old one in hand. It ends the
// account's other sessions. It returns ErrLogin when the old one is wrong.
func (b *Book) ChangePassword(ctx context.Context, who Who, p Place, old, wanted string) error {
	now := b.opts.Now()
	if wait := b.doors.wait(now, who.Name, p.From); wait > 0 {
		return &WaitError{For: wait}
	}
	b.mu.RLock()
	hash := ""
	if a := b.accounts[who.Name]; a != nil {
		hash = a.Hash
	}
	b.mu.RUnlock()
	same, err := b.matches(ctx, old, hash)
	if err != nil {
		return err
	}
	if !same {
		return b.refused(ctx, who.Name, true, p)
	}
	if old == wanted {
		return fmt.Errorf("%w: it is the old one", ErrPassword)
	}
	fresh, err := b.newHash(ctx, who.Name, wanted)
	if err != nil {
		return err
	}
	b.change.Lock()
	defer b.change.Unlock()
	by := By{Actor: who.Actor(), Via: "console", From: p.From}
	err = b.altered(ctx, by, who.Name, correlate.AccountPassword, func(a *Account) (string, error) {
		a.Hash, a.Changed, a.OneTime = fresh, b.opts.Now().UTC(), time.Time{}
		return "by its owner", nil
	})
	if err != nil {
		return err
	}
	return b.endWhere(ctx, by, "the password was changed", func(s *session) bool { return s.Account == who.Name && s.ID != who.Session && s.Token == "" })
}
