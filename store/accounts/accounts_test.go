package accounts_test

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/store"
	"example.net/standwatch/store/accounts"
	"example.net/standwatch/store/storetest"

	"github.com/google/go-cmp/cmp"
)

// bench is a book over a real folder, with a clock that the test steps.
type bench struct {
	*accounts.Book
	dir   string
	store *store.Store
	mu    sync.Mutex // guards now
	now   time.Time
}

func (b *bench) clock() time.Time {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.now
}

func (b *bench) step(d time.Duration) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.now = b.now.Add(d)
}

const good = "six words make one pass"

func newBench(t *testing.T) *bench {
	t.Helper()
	b := &bench{dir: t.TempDir(), now: time.Date(2026, 11, 25, 6, 0, 0, 0, time.UTC)}
	b.store = storetest.Open(t, b.dir, store.Options{Now: b.clock})
	b.open(t)
	return b
}

func (b *bench) open(t *testing.T) {
	t.Helper()
	var err error
	b.Book, err = accounts.New(accounts.Options{Store: b.store, Journal: accounts.Direct(b.store, b.clock), Now: b.clock, Hashing: accounts.Hashing{MemoryKiB: 64, Passes: 1}})
	if err != nil {
		t.Fatal(err)
	}
}

var by = accounts.By{Actor: "administrator", Via: "test"}

func (b *bench) add(t *testing.T, name string, role accounts.Role, scope accounts.Scope) {
	t.Helper()
	if err := b.Add(t.Context(), by, accounts.NewAccount{Name: name, Role: role, Scope: scope, Password: good}); err != nil {
		t.Fatal(err)
	}
}

func (b *bench) login(t *testing.T, name, from string) string {
	t.Helper()
	secret, _, err := b.Login(t.Context(), name, good, accounts.Place{From: from, Agent: "test\x00\u202e browser"})
	if err != nil {
		t.Fatal(err)
	}
	return secret
}

// told lists what the journal says about access.
func (b *bench) told(t *testing.T) (out []string) {
	t.Helper()
	err := b.store.Scan(t.Context(), 1, func(r *correlate.Record) error {
		if in, ok := r.Input.(*correlate.Access); ok {
			out = append(out, strings.TrimSpace(fmt.Sprintf("%s: %s %s", in.Actor, in.What, in.Account)))
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func TestALifeOfAnAccountIsInTheJournal(t *testing.T) {
	b := newBench(t)
	ctx := t.Context()
	b.add(t, "administrator", accounts.Administer, accounts.Scope{})
	b.add(t, "north-desk", accounts.Operate, accounts.NewScope(nil, []string{"north"}))
	secret := b.login(t, "north-desk", "192.0.2.7")
	who, _, ok := b.Session(secret)
	if !ok || who.Actor() != "north-desk" || who.Role != accounts.Operate || who.All() {
		t.Fatalf("session is %+v, %v", who, ok)
	}
	for _, do := range []func() error{
		func() error { return b.SetRole(ctx, by, "north-desk", accounts.Supervise) },
		func() error {
			return b.SetScope(ctx, by, "north-desk", accounts.NewScope([]string{"harrow-knoll"}, nil))
		},
		func() error { return b.SetPassword(ctx, by, "north-desk", "another long password", true) },
		func() error { return b.Remove(ctx, by, "north-desk") },
	} {
		if err := do(); err != nil {
			t.Fatal(err)
		}
	}
	if _, _, ok := b.Session(secret); ok {
		t.Error("the session outlived the password")
	}
	want := []string{"administrator: account added administrator", "administrator: account added north-desk", "north-desk: logged in north-desk",
		"administrator: role changed north-desk", "administrator: sites changed north-desk", "administrator: password changed north-desk",
		"administrator: session ended north-desk", "administrator: account removed north-desk"}
	if diff := cmp.Diff(want, b.told(t)); diff != "" {
		t.Errorf("journal (-want +got):\n%s", diff)
	}
}

// Nothing takes effect that could not be journaled.
func TestNothingHappensWithoutTheJournal(t *testing.T) {
	b := newBench(t)
	b.add(t, "administrator", accounts.Administer, accounts.Scope{})
	b.add(t, "north-desk", accounts.Look, accounts.Scope{})
	full := errors.New("the disk is full")
	broken, err := accounts.New(accounts.Options{Store: b.store, Now: b.clock, Hashing: accounts.Hashing{MemoryKiB: 64, Passes: 1},
		Journal: func(context.Context, *correlate.Access) error { return full }})
	if err != nil {
		t.Fatal(err)
	}
	for what, do := range map[string]func() error{
		"add": func() error {
			return broken.Add(t.Context(), by, accounts.NewAccount{Name: "south-desk", Role: accounts.Look, Password: good})
		},
		"role":     func() error { return broken.SetRole(t.Context(), by, "north-desk", accounts.Administer) },
		"password": func() error { return broken.SetPassword(t.Context(), by, "north-desk", "another long password", false) },
		"remove":   func() error { return broken.Remove(t.Context(), by, "north-desk") },
		"login":    func() error { _, _, err := broken.Login(t.Context(), "north-desk", good, accounts.Place{}); return err },
		"token": func() error {
			_, _, err := broken.MakeToken(t.Context(), by, accounts.NewToken{Name: "a", Owner: "north-desk", Role: accounts.Look, Ends: b.clock().Add(time.Hour)})
			return err
		},
	} {
		if err := do(); !errors.Is(err, full) {
			t.Errorf("%s: %v", what, err)
		}
	}
	b.open(t) // as the file has it
	if n := len(b.Accounts()); n != 2 || len(b.Sessions()) != 0 || len(b.Tokens()) != 0 {
		t.Errorf("%d accounts, %d sessions, %d tokens", n, len(b.Sessions()), len(b.Tokens()))
	}
	if a, _ := b.Account("north-desk"); a.Role != accounts.Look {
		t.Errorf("the role is %s", a.Role)
	}
	b.login(t, "north-desk", "192.0.2.7")
}

func TestNothingInTheFileGivesAWayIn(t *testing.T) {
	b := newBench(t)
	b.add(t, "administrator", accounts.Administer, accounts.Scope{})
	session := b.login(t, "administrator", "192.0.2.7")
	token, _, err := b.MakeToken(t.Context(), by, accounts.NewToken{Name: "wall", Owner: "administrator", Role: accounts.Look, Ends: b.clock().Add(time.Hour)})
	if err != nil {
		t.Fatal(err)
	}
	files := 0
	err = filepath.Walk(b.dir, func(path string, info os.FileInfo, err error) error {
		if err != nil || !info.Mode().IsRegular() {
			return err
		}
		files++
		data, err := os.ReadFile(path)
		for _, secret := range []string{good, session, token} {
			if strings.Contains(string(data), secret) {
				t.Errorf("%s holds a secret in the clear", filepath.Base(path))
			}
		}
		return err
	})
	if err != nil || files < 3 {
		t.Fatalf("%d files, %v", files, err)
	}
}

func TestSessionsEnd(t *testing.T) {
	b := newBench(t)
	b.add(t, "north-desk", accounts.Operate, accounts.Scope{})
	idle := b.login(t, "north-desk", "192.0.2.7")
	used := b.login(t, "north-desk", "192.0.2.8")
	for range 31 {
		b.step(30 * time.Minute)
		if _, _, ok := b.Session(used); !ok {
			t.Fatalf("a session that is used was over at %s", b.clock())
		}
	}
	if _, _, ok := b.Session(idle); ok {
		t.Error("a session that nobody used is still open")
	}
	b.step(time.Hour - time.Second)
	if _, _, ok := b.Session(used); ok {
		t.Error("a session lasts longer than the longest")
	}
	own := b.login(t, "north-desk", "192.0.2.9")
	_, over, _ := b.Session(own)
	if err := b.EndSession(t.Context(), by, "somebody-else", b.Sessions()[0].ID); !errors.Is(err, accounts.ErrNoSession) {
		t.Errorf("another's session: %v", err)
	}
	if err := b.EndSession(t.Context(), by, "", b.Sessions()[0].ID); err != nil {
		t.Fatal(err)
	}
	select {
	case <-over:
	default:
		t.Error("whoever holds the session is not told that it is over")
	}
	if err := b.Tidy(t.Context()); err != nil {
		t.Fatal(err)
	}
	ended := 0
	for _, line := range b.told(t) {
		if strings.Contains(line, "session ended") {
			ended++
		}
	}
	if ended != 3 {
		t.Errorf("%d ends are in the journal, want 3", ended)
	}
}

func TestSessionsOutliveARestartAndNotARestore(t *testing.T) {
	b := newBench(t)
	b.add(t, "north-desk", accounts.Operate, accounts.Scope{})
	secret := b.login(t, "north-desk", "192.0.2.7")
	b.open(t)
	if _, _, ok := b.Session(secret); !ok {
		t.Error("a restart ended the session")
	}
	backup, restored := filepath.Join(t.TempDir(), "backup"), filepath.Join(t.TempDir(), "restored")
	if _, err := b.store.Backup(t.Context(), backup, nil); err != nil {
		t.Fatal(err)
	}
	if _, err := store.Restore(t.Context(), backup, restored, store.Options{}, nil); err != nil {
		t.Fatal(err)
	}
	b.store = storetest.Open(t, restored, store.Options{Now: b.clock})
	b.open(t)
	if _, _, ok := b.Session(secret); ok {
		t.Error("a restore brought a session back")
	}
	b.login(t, "north-desk", "192.0.2.7")
}

func TestTokens(t *testing.T) {
	b := newBench(t)
	ctx := t.Context()
	b.add(t, "administrator", accounts.Administer, accounts.Scope{})
	b.add(t, "north-desk", accounts.Operate, accounts.NewScope(nil, []string{"north"}))
	ends := b.clock().Add(48 * time.Hour)
	if _, _, err := b.MakeToken(ctx, by, accounts.NewToken{Name: "a", Owner: "north-desk", Role: accounts.Supervise, Ends: ends}); !errors.Is(err, accounts.ErrBounds) {
		t.Errorf("a token above its owner: %v", err)
	}
	if _, _, err := b.MakeToken(ctx, by, accounts.NewToken{Name: "a", Owner: "north-desk", Role: accounts.Look}); !errors.Is(err, accounts.ErrBounds) {
		t.Errorf("a token without an end: %v", err)
	}
	token, made, err := b.MakeToken(ctx, by, accounts.NewToken{Name: "wall", Owner: "north-desk", Role: accounts.Operate, Scope: accounts.NewScope([]string{"harrow-knoll"}, nil), Ends: ends})
	if err != nil {
		t.Fatal(err)
	}
	who, err := b.ByToken(ctx, token, accounts.Place{From: "192.0.2.7"})
	if err != nil || who.Actor() != "north-desk (token wall)" || who.Role != accounts.Operate {
		t.Fatalf("%+v, %v", who, err)
	}
	site := func(id, region string) *correlate.Site {
		return &correlate.Site{ID: correlate.SiteID(id), Region: region}
	}
	for want, s := range map[bool]*correlate.Site{true: site("harrow-knoll", "north"), false: site("harrow-knoll", "south")} {
		if who.Sees(s) != want {
			t.Errorf("sees %v is not %v", s, want)
		}
	}
	if who.Sees(site("sallow-fen", "north")) || who.Sees(nil) {
		t.Error("the token sees what is not in its own sites")
	}
	if err := b.SetRole(ctx, by, "north-desk", accounts.Look); err != nil {
		t.Fatal(err)
	}
	if who, _ = b.ByToken(ctx, token, accounts.Place{}); who.Role != accounts.Look {
		t.Errorf("the token may %s when its owner may only look", who.Role)
	}
	// A screen on a wall: a session that only looks and needs no use.
	screen, who, err := b.EnterByToken(ctx, token, accounts.Place{From: "192.0.2.9"})
	if err != nil || who.Role != accounts.Look {
		t.Fatalf("%+v, %v", who, err)
	}
	b.step(47 * time.Hour)
	if _, _, ok := b.Session(screen); !ok {
		t.Error("the screen went dark before its token ended")
	}
	b.step(2 * time.Hour)
	if _, err := b.ByToken(ctx, token, accounts.Place{}); !errors.Is(err, accounts.ErrLogin) {
		t.Errorf("a token after its end: %v", err)
	}
	if err := b.Tidy(ctx); err != nil {
		t.Fatal(err)
	}
	if err := b.EndToken(ctx, by, "", made.ID); !errors.Is(err, accounts.ErrNoToken) {
		t.Errorf("a token that is over: %v", err)
	}
}

func TestTheLastAdministratorStays(t *testing.T) {
	b := newBench(t)
	b.add(t, "administrator", accounts.Administer, accounts.Scope{})
	b.add(t, "north-desk", accounts.Operate, accounts.Scope{})
	if err := b.Remove(t.Context(), by, "administrator"); !errors.Is(err, accounts.ErrLastAdministrator) {
		t.Error(err)
	}
	if err := b.SetRole(t.Context(), by, "administrator", accounts.Look); !errors.Is(err, accounts.ErrLastAdministrator) {
		t.Error(err)
	}
	if err := b.SetRole(t.Context(), by, "north-desk", accounts.Administer); err != nil {
		t.Fatal(err)
	}
	if err := b.Remove(t.Context(), by, "administrator"); err != nil {
		t.Error(err)
	}
}

func TestAOneTimePasswordHasToBeChanged(t *testing.T) {
	b := newBench(t)
	once := accounts.OneTimePassword()
	if err := accounts.GoodPassword("administrator", once); err != nil || once == accounts.OneTimePassword() {
		t.Fatalf("%q: %v", once, err)
	}
	if err := b.Add(t.Context(), by, accounts.NewAccount{Name: "administrator", Role: accounts.Administer, Password: once, OneTime: true}); err != nil {
		t.Fatal(err)
	}
	if b.Begun() {
		t.Error("nobody has chosen a password, and yet the accounts are said to be begun")
	}
	secret, who, err := b.Login(t.Context(), "administrator", once, accounts.Place{From: "127.0.0.1"})
	if err != nil || !who.MustChange {
		t.Fatalf("%+v, %v", who, err)
	}
	if err := b.ChangePassword(t.Context(), who, accounts.Place{From: "127.0.0.1"}, "not the old one", good); !errors.Is(err, accounts.ErrLogin) {
		t.Errorf("a wrong old password: %v", err)
	}
	if err := b.ChangePassword(t.Context(), who, accounts.Place{From: "127.0.0.1"}, once, once); !errors.Is(err, accounts.ErrPassword) {
		t.Errorf("the same again: %v", err)
	}
	if err := b.ChangePassword(t.Context(), who, accounts.Place{From: "127.0.0.1"}, once, good); err != nil {
		t.Fatal(err)
	}
	if who, _, ok := b.Session(secret); !ok || who.MustChange || !b.Begun() {
		t.Errorf("after the change: %+v, %v, begun %v", who, ok, b.Begun())
	}
	// Another one is given and nobody uses it within the day.
	if err := b.SetPassword(t.Context(), by, "administrator", once, true); err != nil {
		t.Fatal(err)
	}
	b.step(25 * time.Hour)
	if _, _, err := b.Login(t.Context(), "administrator", once, accounts.Place{From: "127.0.0.1"}); !errors.Is(err, accounts.ErrLogin) {
		t.Errorf("a day later: %v", err)
	}
}

func TestWrongLoginsWait(t *testing.T) {
	b := newBench(t)
	b.add(t, "north-desk", accounts.Operate, accounts.Scope{})
	b.login(t, "north-desk", "192.0.2.7")
	wrong := func(name, from string) error {
		_, _, err := b.Login(t.Context(), name, "a wrong password", accounts.Place{From: from})
		return err
	}
	for i := range 3 {
		if err := wrong("north-desk", "198.51.100.1"); !errors.Is(err, accounts.ErrLogin) {
			t.Fatalf("wrong login %d: %v", i+1, err)
		}
	}
	wait, waits := errors.AsType[*accounts.WaitError](wrong("north-desk", "198.51.100.1"))
	if !waits || wait.For != time.Second {
		t.Fatalf("the fourth: %v", wait)
	}
	// The name waits at any other address, but not where its owner has been.
	if _, waits := errors.AsType[*accounts.WaitError](wrong("north-desk", "203.0.113.9")); !waits {
		t.Error("another address does not wait for the name")
	}
	b.login(t, "north-desk", "192.0.2.7")
	// The wait grows, and grows no further.
	longest := time.Duration(0)
	for range 30 {
		err := wrong("nobody-"+b.clock().String(), "2001:db8::1")
		if w, waits := errors.AsType[*accounts.WaitError](err); waits {
			longest = max(longest, w.For)
			b.step(w.For)
		}
	}
	if longest != 15*time.Minute {
		t.Errorf("the longest wait is %s, want 15m", longest)
	}
	if err := wrong("x", "2001:db8::1"); !errors.Is(err, accounts.ErrLogin) {
		t.Errorf("after the wait: %v", err)
	}
	if _, waits := errors.AsType[*accounts.WaitError](wrong("x", "2001:db8::ffff")); !waits {
		t.Error("another address of the same subscriber does not wait")
	}
	var names []string
	err := b.store.Scan(t.Context(), 1, func(r *correlate.Record) error {
		if in, ok := r.Input.(*correlate.Access); ok && in.What == correlate.LoginFailed {
			names = append(names, in.Account)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(names) < 4 || len(names) > 12 {
		t.Errorf("%d refusals are in the journal", len(names))
	}
	for _, n := range names {
		if n != "" && n != "north-desk" {
			t.Errorf("the journal holds %q, which may be a password in the wrong place", n)
		}
	}
}

func TestNamesAndPasswordsThatCannotBe(t *testing.T) {
	b := newBench(t)
	for _, name := range []string{"", "A", "a b", "a\nb", "../etc", "-a", strings.Repeat("a", 65), "naïve"} {
		if err := b.Add(t.Context(), by, accounts.NewAccount{Name: name, Role: accounts.Look, Password: good}); !errors.Is(err, accounts.ErrName) {
			t.Errorf("name %q: %v", name, err)
		}
	}
	for _, password := range []string{"", "short", "aaaaaaaaaaaaaaaa", "my north-desk password", strings.Repeat("long", 65), "\xff\xfe not a text at all"} {
		if err := b.Add(t.Context(), by, accounts.NewAccount{Name: "north-desk", Role: accounts.Look, Password: password}); !errors.Is(err, accounts.ErrPassword) {
			t.Errorf("password %q: %v", password, err)
		}
	}
	if err := b.Add(t.Context(), by, accounts.NewAccount{Name: "north-desk", Password: good}); !errors.Is(err, accounts.ErrBounds) {
		t.Errorf("no role: %v", err)
	}
}

func TestAnotherProviderVouches(t *testing.T) {
	b := newBench(t)
	b.add(t, "administrator", accounts.Administer, accounts.Scope{})
	o := accounts.Outside{Issuer: "https://id.example.net", Subject: "1234", Name: "North-Desk", Role: accounts.Operate}
	if err := b.Adopt(t.Context(), by, o); err != nil {
		t.Fatal(err)
	}
	o.Role = accounts.Supervise
	if err := b.Adopt(t.Context(), by, o); err != nil {
		t.Fatal(err)
	}
	if a, _ := b.Account("north-desk"); a.Role != accounts.Supervise || a.Issuer == "" {
		t.Errorf("account %+v", a)
	}
	for what, o := range map[string]accounts.Outside{
		"the name of a local account": {Issuer: o.Issuer, Subject: "5", Name: "administrator", Role: accounts.Look},
		"the name of somebody else":   {Issuer: o.Issuer, Subject: "6", Name: "north-desk", Role: accounts.Look},
	} {
		if err := b.Adopt(t.Context(), by, o); !errors.Is(err, accounts.ErrTaken) {
			t.Errorf("%s: %v", what, err)
		}
	}
	if _, _, err := b.Login(t.Context(), "north-desk", good, accounts.Place{}); !errors.Is(err, accounts.ErrLogin) {
		t.Errorf("a password for it: %v", err)
	}
	if _, who, err := b.Enter(t.Context(), "north-desk", accounts.Place{}); err != nil || who.Role != accounts.Supervise {
		t.Errorf("%+v, %v", who, err)
	}
}
