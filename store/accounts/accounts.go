package accounts

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/fxamacker/cbor/v2"
	"go.etcd.io/bbolt"

	"example.net/standwatch/correlate"
	"example.net/standwatch/store"
)

// The errors that callers branch on. All can be shown to the person.
var (
	// ErrNoAccount is returned when there is no account of that name.
	ErrNoAccount = errors.New("there is no such account")
	// ErrTaken is returned when an account of that name is there already.
	ErrTaken = errors.New("there is an account of that name")
	// ErrName, ErrPassword and ErrBounds are wrapped with what is wrong.
	ErrName     = errors.New("this name cannot be used")
	ErrPassword = errors.New("this password cannot be used")
	ErrBounds   = errors.New("this cannot be done")
	// ErrLastAdministrator is returned when nobody would be left to make accounts.
	ErrLastAdministrator = errors.New("this is the last administrator; make another one first")
	// ErrLogin is returned for a wrong name or password, whichever it was.
	ErrLogin = errors.New("name or password is wrong")
	// ErrBusy is returned when too many logins are being checked at once.
	ErrBusy = errors.New("too many logins at once; try again in a moment")
	// ErrNoSession and ErrNoToken are returned when there is none to end.
	ErrNoSession = errors.New("there is no such session")
	ErrNoToken   = errors.New("there is no such token")
)

// Bounds.
const (
	fileFormat    = 1
	maxAccounts   = 2000
	maxSessions   = 20 // of one account; the one used longest ago gives way
	maxTokens     = 500
	oneTimeLasts  = 24 * time.Hour // of a password that another gave
	secretOctets  = 32
	usedPersisted = time.Minute // how often the time of the last use is written
)

// Account is somebody who may use the console. Issuer and Subject are set, and
// Hash is empty, when another provider (OpenID Connect) vouches for the person.
type Account struct {
	Name    string    `cbor:"1,keyasint"`
	Role    Role      `cbor:"2,keyasint"`
	Scope   Scope     `cbor:"3,keyasint"`
	Hash    string    `cbor:"4,keyasint,omitempty"` // argon2id, in the PHC string format
	OneTime time.Time `cbor:"5,keyasint,omitzero"`  // set: the password was given by another and works until then
	Made    time.Time `cbor:"6,keyasint"`
	Changed time.Time `cbor:"7,keyasint,omitzero"` // of the password
	Issuer  string    `cbor:"8,keyasint,omitempty"`
	Subject string    `cbor:"9,keyasint,omitempty"`
	Entered time.Time `cbor:"10,keyasint,omitzero"` // last login
}

// Session is one login that is not over.
type Session struct {
	ID      string    `cbor:"1,keyasint"` // to name it by; gives no way in
	Account string    `cbor:"2,keyasint"`
	Made    time.Time `cbor:"3,keyasint"`
	Used    time.Time `cbor:"4,keyasint"`
	Ends    time.Time `cbor:"5,keyasint"` // whatever is done with it
	From    string    `cbor:"6,keyasint,omitempty"`
	Agent   string    `cbor:"7,keyasint,omitempty"` // what the browser calls itself
	Token   string    `cbor:"8,keyasint,omitempty"` // ID of the token it was made from
}

// Token lets a machine in, with at most the role and sites of its owner.
type Token struct {
	ID    string    `cbor:"1,keyasint"` // to name it by; gives no way in
	Name  string    `cbor:"2,keyasint"`
	Owner string    `cbor:"3,keyasint"`
	Role  Role      `cbor:"4,keyasint"`
	Scope Scope     `cbor:"5,keyasint"`
	Made  time.Time `cbor:"6,keyasint"`
	Ends  time.Time `cbor:"7,keyasint"`
	Used  time.Time `cbor:"8,keyasint,omitzero"`
}

// By says who does something, by what, and from where.
type By struct{ Actor, Via, From string }

// Options say what a Book works with. Store, Journal and Now are required.
type Options struct {
	Store *store.Store
	// Journal makes a fact durable; nothing takes effect when it fails.
	Journal func(context.Context, *correlate.Access) error
	Now     func() time.Time
	Idle    time.Duration // a session that is not used for this long is over; 0 means an hour
	Longest time.Duration // and after this long in any case; 0 means 16 hours
	// Hashing is the work of argon2id; the zero value is what people get. Tests
	// that log in often make it cheap.
	Hashing Hashing
}

// Book is all accounts, sessions and tokens.
type Book struct {
	opts   Options
	db     *bbolt.DB
	hasher hasher
	doors  doors

	change sync.Mutex // held over journal and file, so that changes do not cross

	mu       sync.RWMutex // guards the rest
	accounts map[string]*Account
	sessions map[key]*session
	tokens   map[key]*Token
}

// session is a Session and what ends with it.
type session struct {
	Session
	written time.Time     // of Used, in the file
	over    chan struct{} // closed when it has ended
}

// New reads the accounts of a data folder. The file is made when it is missing.
func New(o Options) (*Book, error) {
	if o.Idle == 0 {
		o.Idle = time.Hour
	}
	if o.Longest == 0 {
		o.Longest = 16 * time.Hour
	}
	db, err := o.Store.AccountsFile()
	if err != nil {
		return nil, err
	}
	b := &Book{opts: o, db: db, hasher: newHasher(o.Hashing), doors: newDoors(), accounts: map[string]*Account{}, sessions: map[key]*session{}, tokens: map[key]*Token{}}
	if !db.IsReadOnly() {
		if err := db.Update(initFile); err != nil {
			return nil, fmt.Errorf("begin the file of accounts: %w", err)
		}
	}
	if err := db.View(b.read); err != nil {
		return nil, fmt.Errorf("read the accounts: %w", err)
	}
	return b, nil
}

func initFile(tx *bbolt.Tx) error {
	for _, name := range []string{"accounts", "sessions", "tokens"} {
		if _, err := tx.CreateBucketIfNotExists([]byte(name)); err != nil {
			return err
		}
	}
	head, err := tx.CreateBucketIfNotExists([]byte("head"))
	if err != nil || head.Get([]byte("format")) != nil {
		return err
	}
	return head.Put([]byte("format"), []byte{fileFormat})
}

func (b *Book) read(tx *bbolt.Tx) error {
	if head := tx.Bucket([]byte("head")); head == nil || len(head.Get([]byte("format"))) != 1 || head.Get([]byte("format"))[0] != fileFormat {
		return store.ErrFormat
	}
	each := func(bucket string, take func(k, v []byte) error) error {
		if bk := tx.Bucket([]byte(bucket)); bk != nil {
			return bk.ForEach(take)
		}
		return nil // a restored folder has no sessions
	}
	return errors.Join(
		each("accounts", func(k, v []byte) error {
			a := new(Account)
			b.accounts[string(k)] = a
			return cbor.Unmarshal(v, a)
		}),
		each("sessions", func(k, v []byte) error {
			s := &session{over: make(chan struct{})}
			b.sessions[key(k)] = s
			err := cbor.Unmarshal(v, &s.Session)
			s.written = s.Used
			return err
		}),
		each("tokens", func(k, v []byte) error {
			t := new(Token)
			b.tokens[key(k)] = t
			return cbor.Unmarshal(v, t)
		}),
	)
}

// put writes one value, or removes it when v is nil.
func (b *Book) put(bucket string, k []byte, v any) error {
	err := b.db.Update(func(tx *bbolt.Tx) error {
		bk := tx.Bucket([]byte(bucket))
		if v == nil {
			return bk.Delete(k)
		}
		data, err := encoded(v)
		if err != nil {
			return err
		}
		return bk.Put(k, data)
	})
	if err != nil {
		return fmt.Errorf("keep %s: %w", bucket, err)
	}
	return nil
}

func encoded(v any) ([]byte, error) {
	enc, err := cbor.EncOptions{Time: cbor.TimeRFC3339NanoUTC}.EncMode()
	if err != nil {
		return nil, err
	}
	return enc.Marshal(v)
}

func (b *Book) journal(ctx context.Context, by By, what correlate.AccessWhat, account, text string) error {
	return b.opts.Journal(ctx, &correlate.Access{What: what, Account: account, Actor: by.Actor, Via: by.Via, From: by.From, Text: text})
}

// Accounts lists all accounts in the order of their names, without hashes.
func (b *Book) Accounts() []Account {
	b.mu.RLock()
	defer b.mu.RUnlock()
	var out []Account
	for _, name := range slices.Sorted(maps.Keys(b.accounts)) {
		a := *b.accounts[name]
		a.Hash = ""
		out = append(out, a)
	}
	return out
}

// Account returns one account without its hash.
func (b *Book) Account(name string) (Account, bool) {
	b.mu.RLock()
	defer b.mu.RUnlock()
	a := b.accounts[name]
	if a == nil {
		return Account{}, false
	}
	out := *a
	out.Hash = ""
	return out, true
}

// Begun reports whether anybody has a password of their own, or is vouched for
// by another provider. Until then the console must not be reached from outside.
func (b *Book) Begun() bool {
	b.mu.RLock()
	defer b.mu.RUnlock()
	for _, a := range b.accounts {
		if a.OneTime.IsZero() {
			return true
		}
	}
	return false
}

var goodName = regexp.MustCompile(`^[a-z0-9][a-z0-9._@-]{0,63}$`)

// NewAccount is what an account begins with.
type NewAccount struct {
	Name     string
	Role     Role
	Scope    Scope
	Password string
	// OneTime says that whoever gives the password is not whom it is for: it
	// works for a day and has to be changed at the first login.
	OneTime bool
}

// Add makes an account.
func (b *Book) Add(ctx context.Context, by By, n NewAccount) error {
	if !goodName.MatchString(n.Name) {
		return fmt.Errorf("%w: it is 1 to 64 small letters, digits, and . _ @ - after the first", ErrName)
	}
	if n.Role < Look || n.Role > Administer {
		return fmt.Errorf("%w: the account has no role", ErrBounds)
	}
	hash, err := b.newHash(ctx, n.Name, n.Password)
	if err != nil {
		return err
	}
	b.change.Lock()
	defer b.change.Unlock()
	if _, there := b.Account(n.Name); there {
		return ErrTaken
	}
	if len(b.Accounts()) >= maxAccounts {
		return fmt.Errorf("%w: there are %d accounts, which is the most", ErrBounds, maxAccounts)
	}
	a := &Account{Name: n.Name, Role: n.Role, Scope: n.Scope, Hash: hash, Made: b.opts.Now().UTC()}
	if n.OneTime {
		a.OneTime = a.Made.Add(oneTimeLasts)
	}
	if err := b.journal(ctx, by, correlate.AccountAdded, n.Name, "role "+n.Role.String()+", "+n.Scope.String()); err != nil {
		return err
	}
	return b.keep(a)
}

// keep writes an account and puts it in force.
func (b *Book) keep(a *Account) error {
	if err := b.put("accounts", []byte(a.Name), a); err != nil {
		return err
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	b.accounts[a.Name] = a
	return nil
}

// altered journals and keeps a changed copy of an account. It is called with
// change held.
func (b *Book) altered(ctx context.Context, by By, name string, what correlate.AccessWhat, alter func(*Account) (text string, err error)) error {
	b.mu.RLock()
	old := b.accounts[name]
	b.mu.RUnlock()
	if old == nil {
		return ErrNoAccount
	}
	a := *old
	text, err := alter(&a)
	if err != nil {
		return err
	}
	if err := b.journal(ctx, by, what, name, text); err != nil {
		return err
	}
	return b.keep(&a)
}

// SetRole gives an account another role. Its open pages begin anew.
func (b *Book) SetRole(ctx context.Context, by By, name string, role Role) error {
	if role < Look || role > Administer {
		return fmt.Errorf("%w: that is no role", ErrBounds)
	}
	b.change.Lock()
	defer b.change.Unlock()
	err := b.altered(ctx, by, name, correlate.AccountRole, func(a *Account) (string, error) {
		if role != Administer && b.lastAdministrator(a) {
			return "", ErrLastAdministrator
		}
		text := a.Role.String() + " to " + role.String()
		a.Role = role
		return text, nil
	})
	if err == nil {
		b.wake(name)
	}
	return err
}

// SetScope gives an account other sites to see. Its open pages begin anew.
func (b *Book) SetScope(ctx context.Context, by By, name string, scope Scope) error {
	b.change.Lock()
	defer b.change.Unlock()
	err := b.altered(ctx, by, name, correlate.AccountScope, func(a *Account) (string, error) {
		a.Scope = scope
		return scope.String(), nil
	})
	if err == nil {
		b.wake(name)
	}
	return err
}

// lastAdministrator reports whether nobody else could make accounts.
func (b *Book) lastAdministrator(a *Account) bool {
	if a.Role != Administer {
		return false
	}
	for _, other := range b.Accounts() {
		if other.Name != a.Name && other.Role == Administer {
			return false
		}
	}
	return true
}

// SetPassword gives an account another password and ends its sessions. With
// oneTime it works for a day and has to be changed at the first login.
func (b *Book) SetPassword(ctx context.Context, by By, name, password string, oneTime bool) error {
	hash, err := b.newHash(ctx, name, password)
	if err != nil {
		return err
	}
	b.change.Lock()
	defer b.change.Unlock()
	now := b.opts.Now().UTC()
	err = b.altered(ctx, by, name, correlate.AccountPassword, func(a *Account) (string, error) {
		if a.Issuer != "" {
			return "", fmt.Errorf("%w: %s vouches for this account, so it has no password here", ErrBounds, a.Issuer)
		}
		a.Hash, a.Changed, a.OneTime = hash, now, time.Time{}
		if oneTime {
			a.OneTime = now.Add(oneTimeLasts)
			return "given by another, for one day", nil
		}
		return "", nil
	})
	if err != nil {
		return err
	}
	return b.endWhere(ctx, by, "the password was changed", func(s *session) bool { return s.Account == name })
}

// Remove removes an account with its sessions and tokens.
func (b *Book) Remove(ctx context.Context, by By, name string) error {
	b.change.Lock()
	defer b.change.Unlock()
	a, there := b.Account(name)
	if !there {
		return ErrNoAccount
	}
	if b.lastAdministrator(&a) {
		return ErrLastAdministrator
	}
	for _, t := range b.Tokens() {
		if t.Owner == name {
			if err := b.endToken(ctx, by, t.ID); err != nil {
				return err
			}
		}
	}
	if err := b.journal(ctx, by, correlate.AccountRemoved, name, ""); err != nil {
		return err
	}
	if err := b.put("accounts", []byte(name), nil); err != nil {
		return err
	}
	b.mu.Lock()
	delete(b.accounts, name)
	b.mu.Unlock()
	return b.endWhere(ctx, by, "the account was removed", func(s *session) bool { return s.Account == name })
}

// FoldName returns a name as accounts have it: names that differ in the case of
// their letters are the same.
func FoldName(name string) string { return strings.ToLower(name) }

// Outside is a person for whom another provider vouches.
type Outside struct {
	Issuer, Subject, Name string
	Role                  Role
	Scope                 Scope
}

// Adopt makes or updates the account of a person for whom another provider
// vouches. It returns ErrTaken when the name is that of somebody else.
func (b *Book) Adopt(ctx context.Context, by By, o Outside) error {
	name := FoldName(o.Name)
	if !goodName.MatchString(name) {
		return fmt.Errorf("%w: the provider calls this person %q", ErrName, o.Name)
	}
	b.change.Lock()
	defer b.change.Unlock()
	a, there := b.Account(name)
	if there && (a.Issuer != o.Issuer || a.Subject != o.Subject) {
		return ErrTaken
	}
	fresh := &Account{Name: name, Role: o.Role, Scope: o.Scope, Made: b.opts.Now().UTC(), Issuer: o.Issuer, Subject: o.Subject}
	what, text := correlate.AccountAdded, "role "+o.Role.String()+", "+o.Scope.String()+", by "+o.Issuer
	switch {
	case there && a.Role == o.Role && a.Scope.String() == o.Scope.String():
		return nil
	case there && a.Role != o.Role:
		what, text = correlate.AccountRole, a.Role.String()+" to "+o.Role.String()+", "+o.Scope.String()
	case there:
		what, text = correlate.AccountScope, o.Scope.String()
	}
	if there {
		fresh.Made, fresh.Entered = a.Made, a.Entered
	}
	if err := b.journal(ctx, by, what, name, text); err != nil {
		return err
	}
	if err := b.keep(fresh); err != nil {
		return err
	}
	b.wake(name)
	return nil
}
