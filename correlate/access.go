package correlate

// AccessWhat is what happened to an account, a session or a token of the
// console. Numbers are fixed.
type AccessWhat uint8

// What can happen. The account's own word follows in [Access].Text where there
// is one: the new role, the new scope, the token's name.
const (
	AccountAdded    AccessWhat = 1
	AccountRole     AccessWhat = 2
	AccountScope    AccessWhat = 3
	AccountPassword AccessWhat = 4
	AccountRemoved  AccessWhat = 5
	TokenMade       AccessWhat = 6
	TokenEnded      AccessWhat = 7
	SessionBegan    AccessWhat = 8
	SessionEnded    AccessWhat = 9
	LoginFailed     AccessWhat = 10
)

var accessNames = [...]string{
	AccountAdded: "account added", AccountRole: "role changed", AccountScope: "sites changed", AccountPassword: "password changed", AccountRemoved: "account removed",
	TokenMade: "token made", TokenEnded: "token ended", SessionBegan: "logged in", SessionEnded: "session ended", LoginFailed: "login refused",
}

// String returns what happened in plain words, or "unset".
func (w AccessWhat) String() string {
	if w == 0 || int(w) >= len(accessNames) {
		return "unset"
	}
	return accessNames[w]
}

// Access is something about who may use the console: an account, a session or
// a token began, changed or ended, or a login was refused. It is journaled so
// that the audit trail is part of the same chain as everything else; the
// accounts themselves are kept elsewhere, and no password, token or hash is
// ever in it.
type Access struct {
	What    AccessWhat `cbor:"1,keyasint"`
	Account string     `cbor:"2,keyasint,omitempty"` // the account concerned; empty when the name given is nobody's
	Actor   string     `cbor:"3,keyasint"`           // who did it
	Via     string     `cbor:"4,keyasint"`           // by what: "console", "command", "openid", "first start"
	From    string     `cbor:"5,keyasint,omitempty"` // address it came from
	Text    string     `cbor:"6,keyasint,omitempty"`
	Times   int        `cbor:"7,keyasint,omitempty"` // a refused login: how often by now
}

func (*Access) input() {}

// Event returns the one event that an Access leads to. It depends on nothing
// else, so whoever journals one without an engine uses it too.
func (in *Access) Event() Event {
	switch in.What {
	case SessionBegan, SessionEnded:
		return &SessionChanged{What: in.What, Account: in.Account, Actor: in.Actor, From: in.From, Text: in.Text}
	case LoginFailed:
		return &LoginRefused{Account: in.Account, From: in.From, Text: in.Text, Times: in.Times}
	}
	return &AccountChanged{What: in.What, Account: in.Account, Actor: in.Actor, Text: in.Text}
}

// The events of who may use the console, and of the configuration in force.
// They are about no alarm and change no state.
type (
	// AccountChanged says that an account or one of its tokens was made, changed
	// or removed.
	AccountChanged struct {
		What    AccessWhat `cbor:"1,keyasint"`
		Account string     `cbor:"2,keyasint"`
		Actor   string     `cbor:"3,keyasint"`
		Text    string     `cbor:"4,keyasint,omitempty"`
	}
	// SessionChanged says that somebody logged in, or that a session was ended.
	SessionChanged struct {
		What    AccessWhat `cbor:"1,keyasint"`
		Account string     `cbor:"2,keyasint"`
		Actor   string     `cbor:"3,keyasint"`
		From    string     `cbor:"4,keyasint,omitempty"`
		Text    string     `cbor:"5,keyasint,omitempty"`
	}
	// LoginRefused says that logins were refused, and how often by now.
	LoginRefused struct {
		Account string `cbor:"1,keyasint,omitempty"`
		From    string `cbor:"2,keyasint,omitempty"`
		Text    string `cbor:"3,keyasint,omitempty"`
		Times   int    `cbor:"4,keyasint,omitempty"`
	}
	// Configured says that another configuration came into force, and by whom.
	Configured struct {
		Actor   string `cbor:"1,keyasint,omitempty"`
		Summary string `cbor:"2,keyasint,omitempty"`
		Hash    string `cbor:"3,keyasint"`
	}
)

// Subject returns the zero Key: the event is about no alarm.
func (*AccountChanged) Subject() Key { return Key{} }

// Subject returns the zero Key: the event is about no alarm.
func (*SessionChanged) Subject() Key { return Key{} }

// Subject returns the zero Key: the event is about no alarm.
func (*LoginRefused) Subject() Key { return Key{} }

// Subject returns the zero Key: the event is about no alarm.
func (*Configured) Subject() Key { return Key{} }

// Kind numbers; see [EventKinds].
func (*AccountChanged) Kind() EventKind { return 56 }
func (*SessionChanged) Kind() EventKind { return 57 }
func (*LoginRefused) Kind() EventKind   { return 58 }
func (*Configured) Kind() EventKind     { return 59 }
