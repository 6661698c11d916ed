package usm

import (
	"crypto/cipher"
	"crypto/hmac"
	"encoding/binary"
	"errors"
	"fmt"
	"hash"
	"sync"
	"time"
)

// Level is a security level (RFC 3411 section 3.4.3).
type Level uint8

// Security levels.
const (
	NoAuthNoPriv Level = 1
	AuthNoPriv   Level = 2
	AuthPriv     Level = 3
)

var levelWords = [...]string{NoAuthNoPriv: "noAuthNoPriv", AuthNoPriv: "authNoPriv", AuthPriv: "authPriv"}

// String returns the RFC's word, or "unset".
func (l Level) String() string {
	if l == 0 || int(l) >= len(levelWords) {
		return "unset"
	}
	return levelWords[l]
}

// ParseLevel reads the RFC's word; ok is false for any other text.
func ParseLevel(word string) (l Level, ok bool) {
	for i, w := range levelWords {
		if w != "" && w == word {
			return Level(i), true
		}
	}
	return 0, false
}

// Verdict is what became of a message. All but Accepted refuse it.
type Verdict uint8

// Verdicts, named after the counters of RFC 3414 section 5 (usmStats) where
// one exists.
const (
	Accepted Verdict = iota
	UnsupportedSecLevel
	NotInTimeWindow
	UnknownUserName
	UnknownEngineID
	WrongDigest
	DecryptionError
	Replayed
)

// WindowSeconds is the time window of RFC 3414 section 2.2.3.
const WindowSeconds = 150

// maxBoots is the boots value at which an engine must be configured anew
// (RFC 3414 section 2.2.2).
const maxBoots = 1<<31 - 1

// Engine is an authoritative engine's position in time.
type Engine struct {
	ID    []byte
	Boots uint32
	Time  uint32    // snmpEngineTime in seconds at At
	At    time.Time // on the receiver's clock
}

// User is one configured user on one engine. A nil EngineID is the receiver's
// own engine, under which informs come in. Keys may be given localised instead
// of as passphrases.
type User struct {
	Name             string
	EngineID         []byte
	Auth             Auth
	Priv             Priv
	AuthPass         string
	PrivPass         string
	AuthKey, PrivKey []byte // localised; used where set
}

// Level returns the highest level the user can have.
func (u *User) Level() Level {
	switch {
	case u.Auth == NoAuth:
		return NoAuthNoPriv
	case u.Priv == NoPriv:
		return AuthNoPriv
	}
	return AuthPriv
}

// check says what cannot work about a user, or nil.
func (u *User) check() error {
	switch {
	case u.Name == "" || len(u.Name) > 32:
		return fmt.Errorf("user name %q must have 1 to 32 octets (RFC 3414 section 2.4)", u.Name)
	case u.Priv != NoPriv && u.Auth == NoAuth:
		return fmt.Errorf("user %q: privacy needs authentication", u.Name)
	case u.Auth != NoAuth && u.AuthKey == nil && len(u.AuthPass) < 8:
		return fmt.Errorf("user %q: the authentication passphrase needs at least 8 characters (RFC 3414 section 11.2)", u.Name)
	case u.Priv != NoPriv && u.PrivKey == nil && len(u.PrivPass) < 8:
		return fmt.Errorf("user %q: the privacy passphrase needs at least 8 characters (RFC 3414 section 11.2)", u.Name)
	}
	return nil
}

// account is a user with its keys made ready for one engine.
type account struct {
	user    User
	mu      sync.Mutex // guards mac, whose state is reused
	mac     hash.Hash
	sum     [64]byte
	block   cipher.Block
	preIV   [8]byte
	authKey []byte
}

// engine is what is known of one authoritative engine.
type engine struct {
	id       []byte
	accounts map[string]*account

	mu    sync.Mutex // guards what follows
	boots uint32
	time  uint32 // at at
	at    time.Time
	top   uint32 // latestReceivedEngineTime
	seen  map[uint64]time.Time
	order []uint64 // of seen, oldest first
	known bool
}

// Table holds users by engine and each engine's clock.
type Table struct {
	local   *engine
	started time.Time
	engines map[string]*engine
	salt    uint64
	saltMu  sync.Mutex
}

// Options configure a Table.
type Options struct {
	LocalID    []byte // the receiver's own engine ID (RFC 3411 SnmpEngineID)
	LocalBoots uint32 // its snmpEngineBoots, already counted up for this start
	Started    time.Time
	Users      []User
	Clocks     []Engine // as learned before a restart
	Salt       uint64   // where the salts of own messages begin; must not repeat under the same boots
}

// NewTable localises every user's keys. It returns all faults at once, joined.
func NewTable(o Options) (*Table, error) {
	t := &Table{engines: map[string]*engine{}, started: o.Started, salt: o.Salt}
	t.local = t.engine(o.LocalID)
	t.local.boots, t.local.known = o.LocalBoots, true
	keys := map[string][]byte{}
	var faults []error
	for i := range o.Users {
		if err := t.add(&o.Users[i], keys); err != nil {
			faults = append(faults, err)
		}
	}
	for _, c := range o.Clocks {
		if e := t.engines[string(c.ID)]; e != nil && e != t.local {
			e.boots, e.time, e.top, e.at, e.known = c.Boots, c.Time, c.Time, c.At, true
		}
	}
	return t, errors.Join(faults...)
}

func (t *Table) engine(id []byte) *engine {
	e := t.engines[string(id)]
	if e == nil {
		e = &engine{id: append([]byte(nil), id...), accounts: map[string]*account{}, seen: map[uint64]time.Time{}}
		t.engines[string(id)] = e
	}
	return e
}

// add makes a user's keys ready. keys caches the expensive first step by
// protocol and passphrase.
func (t *Table) add(u *User, keys map[string][]byte) error {
	if err := u.check(); err != nil {
		return err
	}
	e := t.local
	if u.EngineID != nil {
		e = t.engine(u.EngineID)
	}
	if e.accounts[u.Name] != nil {
		return fmt.Errorf("user %q is there twice for engine %x", u.Name, e.id)
	}
	derive := func(pass string) []byte {
		at := u.Auth.String() + "\x00" + pass
		if keys[at] == nil {
			keys[at] = PasswordToKey(u.Auth, pass)
		}
		return Localize(u.Auth, keys[at], e.id)
	}
	a := &account{user: *u, authKey: u.AuthKey}
	if u.Auth != NoAuth {
		if a.authKey == nil {
			a.authKey = derive(u.AuthPass)
		}
		a.mac = hmac.New(authProtocols[u.Auth].new, a.authKey)
	}
	if u.Priv != NoPriv {
		key := u.PrivKey
		if key == nil {
			key = privKey(u.Auth, u.Priv, derive(u.PrivPass), e.id)
		}
		if len(key) < privProtocols[u.Priv].keyLen {
			return fmt.Errorf("user %q: the localised privacy key has %d octets, %s needs %d", u.Name, len(key), u.Priv, privProtocols[u.Priv].keyLen)
		}
		block, err := newBlock(u.Priv, key[:privProtocols[u.Priv].keyLen])
		if err != nil {
			return fmt.Errorf("user %q: %w", u.Name, err)
		}
		a.block = block
		if u.Priv == DES {
			copy(a.preIV[:], key[8:16])
		}
	}
	e.accounts[u.Name] = a
	return nil
}

// LocalID returns the receiver's own engine ID.
func (t *Table) LocalID() []byte { return t.local.id }

// LocalBoots returns the receiver's own snmpEngineBoots.
func (t *Table) LocalBoots() uint32 { return t.local.boots }

// LocalTime returns the receiver's own snmpEngineTime in seconds.
func (t *Table) LocalTime(now time.Time) uint32 {
	return uint32(max(0, now.Sub(t.started)/time.Second))
}

// nextSalt returns a salt that no other message of this start has.
func (t *Table) nextSalt() [8]byte {
	t.saltMu.Lock()
	defer t.saltMu.Unlock()
	t.salt++
	var out [8]byte
	binary.BigEndian.PutUint64(out[:], t.salt)
	return out
}

// Header holds the security parameters of a message (RFC 3414 section 2.4),
// aliasing the datagram.
type Header struct {
	EngineID    []byte
	Boots, Time uint32
	User        []byte
	MAC         []byte // msgAuthenticationParameters
	MACAt       int    // its offset in the datagram
	Salt        []byte // msgPrivacyParameters
	Level       Level  // of the message, from msgFlags
}

// Incoming is a message to be checked.
type Incoming struct {
	Header   *Header
	Datagram []byte // the whole message, trailing octets excluded
	Payload  []byte // scoped PDU, or the octets that encrypt it
	Into     []byte // where to decrypt to; may be nil
}

// Result is an accepted message's plain scoped PDU and who sent it.
type Result struct {
	Plain []byte
	Local bool // the receiver is the authoritative engine: an inform or discovery
	Level Level
}

// Process checks a message in the order of RFC 3414 section 3.2.
func (t *Table) Process(now time.Time, in Incoming) (Result, Verdict) {
	h := in.Header
	e := t.engines[string(h.EngineID)]
	if e == nil {
		return Result{}, UnknownEngineID
	}
	local := e == t.local
	a := e.accounts[string(h.User)]
	if a == nil {
		return Result{Local: local}, UnknownUserName
	}
	if h.Level > a.user.Level() {
		return Result{Local: local}, UnsupportedSecLevel
	}
	res := Result{Plain: in.Payload, Local: local, Level: h.Level}
	if h.Level == NoAuthNoPriv {
		return res, Accepted
	}
	if !a.verify(in) {
		return Result{Local: local}, WrongDigest
	}
	if v := t.timely(now, e, h); v != Accepted {
		return Result{Local: local}, v
	}
	if h.Level == AuthPriv {
		plain, ok := a.decrypt(h, in.Payload, in.Into)
		if !ok {
			return Result{Local: local}, DecryptionError
		}
		res.Plain = plain
	}
	return res, Accepted
}

var zeros [64]byte

// verify recomputes the digest over the message with zeros in the digest's
// place (RFC 3414 section 6.3.2, RFC 7860 section 4.2.2).
func (a *account) verify(in Incoming) bool {
	n := authProtocols[a.user.Auth].macLen
	h := in.Header
	if len(h.MAC) != n || h.MACAt < 0 || h.MACAt+n > len(in.Datagram) {
		return false
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	a.mac.Reset()
	a.mac.Write(in.Datagram[:h.MACAt])
	a.mac.Write(zeros[:n])
	a.mac.Write(in.Datagram[h.MACAt+n:])
	return hmac.Equal(a.mac.Sum(a.sum[:0])[:n], h.MAC)
}

// timely checks the window (RFC 3414 section 3.2 step 7) and, for traps, that
// the message was not seen before.
func (t *Table) timely(now time.Time, e *engine, h *Header) Verdict {
	if e == t.local {
		off := int64(h.Time) - int64(t.LocalTime(now))
		if e.boots >= maxBoots || h.Boots != e.boots || off > WindowSeconds || off < -WindowSeconds {
			return NotInTimeWindow
		}
		return Accepted
	}
	e.mu.Lock()
	defer e.mu.Unlock()
	if !e.known || h.Boots > e.boots || (h.Boots == e.boots && h.Time > e.top) {
		if h.Boots > e.boots {
			clear(e.seen)
			e.order = e.order[:0]
		}
		e.boots, e.time, e.top, e.at, e.known = h.Boots, h.Time, h.Time, now, true
	}
	if e.boots >= maxBoots || h.Boots < e.boots {
		return NotInTimeWindow
	}
	local := int64(e.time) + int64(now.Sub(e.at)/time.Second)
	if e.time == 0 && e.boots == 0 {
		// Some senders never run their clock (boots 0, time 0); their time
		// cannot be held against the receiver's.
		local = 0
	}
	if int64(h.Time) < local-WindowSeconds {
		return NotInTimeWindow
	}
	return e.fresh(now, h)
}

// maxSeen bounds the digests remembered for each engine.
const maxSeen = 8192

// fresh refuses a message whose digest was seen before. Digests are kept for
// twice the window, or for as long as maxSeen newer ones have not come.
func (e *engine) fresh(now time.Time, h *Header) Verdict {
	digest := binary.BigEndian.Uint64(h.MAC)
	if at, ok := e.seen[digest]; ok && (now.Sub(at) < 2*WindowSeconds*time.Second || e.boots == 0) {
		return Replayed
	}
	for len(e.order) > 0 && (len(e.order) >= maxSeen || (e.boots != 0 && now.Sub(e.seen[e.order[0]]) > 2*WindowSeconds*time.Second)) {
		delete(e.seen, e.order[0])
		e.order = e.order[1:]
	}
	e.seen[digest] = now
	e.order = append(e.order, digest)
	return Accepted
}

// decrypt returns the plain scoped PDU (RFC 3414 section 8.1.1.2, RFC 3826
// section 3.1.4). The octets after the scoped PDU, if any, are padding.
func (a *account) decrypt(h *Header, payload, into []byte) ([]byte, bool) {
	if len(h.Salt) != 8 || a.block == nil || len(payload) == 0 {
		return nil, false
	}
	if cap(into) < len(payload) {
		into = make([]byte, len(payload))
	}
	into = into[:len(payload)]
	if a.user.Priv == DES {
		if len(payload)%8 != 0 {
			return nil, false
		}
		var iv, next [8]byte
		for i := range iv {
			iv[i] = a.preIV[i] ^ h.Salt[i]
		}
		for at := 0; at < len(payload); at += 8 {
			copy(next[:], payload[at:])
			a.block.Decrypt(into[at:at+8], payload[at:at+8])
			for i := range iv {
				into[at+i] ^= iv[i]
			}
			iv = next
		}
	} else {
		iv := aesIV(h.Boots, h.Time, h.Salt)
		cfb(a.block, iv, into, payload, false)
	}
	return into, into[0] == 0x30
}

// aesIV is engineBoots ‖ engineTime ‖ salt (RFC 3826 section 3.1.2.1).
func aesIV(boots, seconds uint32, salt []byte) [16]byte {
	var iv [16]byte
	binary.BigEndian.PutUint32(iv[0:], boots)
	binary.BigEndian.PutUint32(iv[4:], seconds)
	copy(iv[8:], salt)
	return iv
}

// cfb is CFB128 (NIST SP 800-38A section 6.3, segment of 128 bits), which RFC
// 3826 section 3.1.3 asks for; the last segment may be short.
func cfb(block cipher.Block, iv [16]byte, dst, src []byte, encrypt bool) {
	stream := iv[:]
	for at := 0; at < len(src); at += 16 {
		block.Encrypt(stream, stream)
		n := min(16, len(src)-at)
		for i := 0; i < n; i++ {
			c := src[at+i]
			dst[at+i] = c ^ stream[i]
			if encrypt {
				c = dst[at+i]
			}
			stream[i] = c
		}
	}
}

// Clock returns an engine's newest boots and time; ok is false for one of
// which nothing is known.
func (t *Table) Clock(id []byte) (c Engine, ok bool) {
	e := t.engines[string(id)]
	if e == nil {
		return Engine{}, false
	}
	e.mu.Lock()
	defer e.mu.Unlock()
	return Engine{ID: e.id, Boots: e.boots, Time: e.time, At: e.at}, e.known
}

// Clocks lists what is known of every engine but the receiver's own.
func (t *Table) Clocks() []Engine {
	var out []Engine
	for _, e := range t.engines {
		if c, ok := t.Clock(e.id); ok && e != t.local {
			out = append(out, c)
		}
	}
	return out
}
