package usm

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"fmt"
	"slices"
	"sync"
	"sync/atomic"
	"time"
)

// Options configure a Table.
type Options struct {
	LocalID    []byte    // the receiver's own engine ID
	LocalBoots uint32    // its snmpEngineBoots, already counted up for this start
	Started    time.Time // when its snmpEngineTime was 0
	Users      []User
	// Clocks are what Table.Clocks returned before a restart. Those of engines
	// that are not configured are admitted again.
	Clocks []Engine
	// Salt is where the salts of own messages begin. It need not be secret, but
	// must not repeat under the same LocalBoots.
	Salt uint64
	// MaxAdmitted bounds the engines that are admitted; zero is 4,096.
	MaxAdmitted int
}

// engine is an authoritative engine with the keys of its users. Neither map nor
// keys change once the engine is in a table.
type engine struct {
	id       []byte
	keys     map[string]*Keys
	clock    *clock
	admitted bool // not configured
}

// shared is what outlives a change of the users.
type shared struct {
	localID []byte
	started time.Time
	own     clock // boots never change
	salt    atomic.Uint64
	counts  [Verdicts]atomic.Uint64

	mu       sync.Mutex // guards what follows, and changes of Table.engines
	masters  map[masterKey][]byte
	admitted admission
}

// masterKey names a key Ku without holding on to the passphrase.
type masterKey struct {
	auth Auth
	pass [sha256.Size]byte
}

// Table holds the users of each engine, the engines' clocks and the memory of
// their messages. It is safe for concurrent use. It does not forget an engine,
// and takes about 2 KiB for each user on each engine.
type Table struct {
	shared  *shared
	engines atomic.Pointer[map[string]*engine] // replaced, never changed
	users   []User
	roaming []*User // of users, those on every engine
}

// NewTable derives the keys of every user on every configured engine. For each
// distinct passphrase that takes milliseconds. It returns all faults at once,
// joined.
func NewTable(o Options) (*Table, error) {
	if err := CheckEngineID(o.LocalID); err != nil {
		return nil, fmt.Errorf("the receiver's own engine: %w", err)
	}
	s := &shared{localID: bytes.Clone(o.LocalID), started: o.Started, masters: map[masterKey][]byte{}}
	s.own.known, s.own.boots = true, o.LocalBoots
	s.salt.Store(o.Salt)
	s.admitted.max = o.MaxAdmitted
	if s.admitted.max == 0 {
		s.admitted.max = 4096
	}
	return newTable(s, o.Users, o.Clocks, nil)
}

// With returns a table with other users that goes on with the clocks, the memory
// of messages, the counters, the salts and the admitted engines of t. Keys of
// passphrases that stay are not derived again. Both tables may be used at once.
// On an error t stays as it was.
func (t *Table) With(users []User) (*Table, error) {
	t.shared.mu.Lock()
	defer t.shared.mu.Unlock()
	return newTable(t.shared, users, nil, *t.engines.Load())
}

// newTable builds a table. It takes the clocks of old engines, and admits again
// those that were. With old engines the caller holds mu.
func newTable(s *shared, users []User, clocks []Engine, old map[string]*engine) (*Table, error) {
	t := &Table{shared: s, users: slices.Clone(users)}
	b := builder{t: t, engines: map[string]*engine{}, masters: map[masterKey][]byte{}}
	b.engine(s.localID)
	var faults []error
	for i := range t.users {
		faults = append(faults, b.place(&t.users[i]))
	}
	if err := errors.Join(faults...); err != nil {
		return nil, err
	}
	for _, e := range b.engines {
		faults = append(faults, b.fill(e))
	}
	for id, e := range old {
		switch now := b.engines[id]; {
		case now != nil:
			now.clock = e.clock
		case e.admitted && len(t.roaming) > 0:
			faults = append(faults, b.admit(e.id, e.clock))
		}
	}
	for _, c := range clocks {
		faults = append(faults, b.restore(c))
	}
	if err := errors.Join(faults...); err != nil {
		return nil, err
	}
	s.masters = b.masters
	t.engines.Store(&b.engines)
	return t, nil
}

// builder gathers the engines of a table.
type builder struct {
	t       *Table
	engines map[string]*engine
	masters map[masterKey][]byte
	claims  map[string]map[string]*User // engine ID, user name
}

func (b *builder) engine(id []byte) *engine {
	e := b.engines[string(id)]
	if e == nil {
		e = &engine{id: bytes.Clone(id), keys: map[string]*Keys{}, clock: &clock{}}
		if bytes.Equal(id, b.t.shared.localID) {
			e.clock = &b.t.shared.own
		}
		b.engines[string(id)] = e
	}
	return e
}

// place notes which engines a user is on.
func (b *builder) place(u *User) error {
	if err := u.Check(); err != nil {
		return err
	}
	if len(u.EngineIDs) == 0 {
		for _, other := range b.t.roaming {
			if other.Name == u.Name {
				return fmt.Errorf("user %q is on every engine twice", u.Name)
			}
		}
		b.t.roaming = append(b.t.roaming, u)
		return nil
	}
	ids := u.EngineIDs
	if u.Informs {
		ids = append(slices.Clone(ids), b.t.shared.localID)
	}
	for _, id := range ids {
		if err := b.claim(id, u); err != nil {
			return err
		}
	}
	return nil
}

func (b *builder) claim(id []byte, u *User) error {
	e := b.engine(id)
	if b.claims == nil {
		b.claims = map[string]map[string]*User{}
	}
	users := b.claims[string(e.id)]
	if users == nil {
		users = map[string]*User{}
		b.claims[string(e.id)] = users
	}
	if users[u.Name] != nil {
		return fmt.Errorf("user %q is on engine %x twice", u.Name, id)
	}
	users[u.Name] = u
	return nil
}

// fill derives the keys on one engine. A user named for the engine goes before
// one of the same name that is on every engine.
func (b *builder) fill(e *engine) error {
	var faults []error
	claimed := b.claims[string(e.id)]
	for name, u := range claimed {
		k, err := newKeys(u, e.id, b.master)
		e.keys[name] = k
		faults = append(faults, err)
	}
	for _, u := range b.t.roaming {
		if claimed[u.Name] != nil {
			continue
		}
		k, err := newKeys(u, e.id, b.master)
		e.keys[u.Name] = k
		faults = append(faults, err)
	}
	return errors.Join(faults...)
}

// master is PasswordToKey, with the keys that this table or the one before had.
func (b *builder) master(a Auth, pass string) []byte {
	name := masterKey{a, sha256.Sum256([]byte(pass))}
	ku := b.masters[name]
	if ku == nil {
		ku = b.t.shared.masters[name]
	}
	if ku == nil {
		ku = PasswordToKey(a, pass)
	}
	b.masters[name] = ku
	return ku
}

// admit adds an engine that is not configured.
func (b *builder) admit(id []byte, c *clock) error {
	e := b.engine(id)
	e.admitted, e.clock = true, c
	return b.fill(e)
}

// restore sets the clock of an engine from before a restart.
func (b *builder) restore(saved Engine) error {
	if CheckEngineID(saved.ID) != nil || bytes.Equal(saved.ID, b.t.shared.localID) {
		return nil // written by something else than Clocks; not worth a failing start
	}
	e := b.engines[string(saved.ID)]
	if e == nil {
		s := b.t.shared
		if len(b.t.roaming) == 0 || len(s.admitted.order) >= s.admitted.max {
			return nil
		}
		s.admitted.order = append(s.admitted.order, string(saved.ID))
		if err := b.admit(saved.ID, &clock{}); err != nil {
			return err
		}
		e = b.engines[string(saved.ID)]
	}
	e.clock.restore(saved)
	return nil
}

// LocalID returns the receiver's own engine ID. It must not be changed.
func (t *Table) LocalID() []byte { return t.shared.localID }

// LocalBoots returns the receiver's own snmpEngineBoots.
func (t *Table) LocalBoots() uint32 { return t.shared.own.boots }

// LocalTime returns the receiver's own snmpEngineTime in seconds, 0 to 2^31-1.
func (t *Table) LocalTime(now time.Time) uint32 {
	return uint32(min(max(0, now.Sub(t.shared.started)/time.Second), maxBoots))
}

// Keys returns a user's keys on an engine, or nil.
func (t *Table) Keys(engineID []byte, user []byte) *Keys {
	e := (*t.engines.Load())[string(engineID)]
	if e == nil {
		return nil
	}
	return e.keys[string(user)]
}

// NextSalt returns a salt for Keys.Seal that no other message of this start has.
func (t *Table) NextSalt() uint64 { return t.shared.salt.Add(1) }

// Refuse counts a refusal that the caller found, as Process does with its own.
func (t *Table) Refuse(v Verdict) { t.shared.counts[v].Add(1) }

// Count returns how many messages were refused with a verdict since the start.
func (t *Table) Count(v Verdict) uint64 { return t.shared.counts[v].Load() }

// Clock returns what is known of a trap sender's time; ok is false if nothing
// is, or if the engine is the receiver's own.
func (t *Table) Clock(id []byte) (c Engine, ok bool) {
	e := (*t.engines.Load())[string(id)]
	if e == nil || e.clock == &t.shared.own {
		return Engine{}, false
	}
	e.clock.mu.Lock()
	defer e.clock.mu.Unlock()
	return Engine{ID: e.id, Boots: e.clock.boots, Time: e.clock.latest, At: e.clock.at}, e.clock.known
}

// Clocks returns what is known of every trap sender's time, sorted by engine ID.
func (t *Table) Clocks() []Engine {
	var out []Engine
	for _, e := range *t.engines.Load() {
		if c, ok := t.Clock(e.id); ok {
			out = append(out, c)
		}
	}
	slices.SortFunc(out, func(a, b Engine) int { return bytes.Compare(a.ID, b.ID) })
	return out
}

// Remember notes a message of a sender without a clock that was accepted before
// a restart, so that it is not accepted again. For senders with a clock the clock
// is enough, and nothing is noted. The clocks must have been restored.
func (t *Table) Remember(h *Header) {
	e := (*t.engines.Load())[string(h.EngineID)]
	if e == nil || e.clock == &t.shared.own || len(h.MAC) < 12 || h.Boots != 0 || h.Time != 0 {
		return
	}
	e.clock.mu.Lock()
	defer e.clock.mu.Unlock()
	if e.clock.boots == 0 && e.clock.latest == 0 {
		e.clock.seen.note(digestKey(h.MAC), 0, 0, WindowSeconds)
	}
}

// Forget lets a trap sender begin anew whose boots or time went back, as after
// a repair that lost them. It is for an operator: until the sender speaks, what
// it sent before can be sent again. It reports whether the engine is known.
func (t *Table) Forget(engineID []byte) bool {
	e := (*t.engines.Load())[string(engineID)]
	if e == nil || e.clock == &t.shared.own {
		return false
	}
	e.clock.mu.Lock()
	defer e.clock.mu.Unlock()
	known := e.clock.known
	e.clock.known = false
	return known
}
