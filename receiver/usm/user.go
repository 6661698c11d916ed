package usm

import (
	"errors"
	"fmt"
)

// User is one configured user. Passphrases are for every engine the user is on;
// localised keys (AuthKey, PrivKey) are for a single one.
type User struct {
	Name string // 1 to 32 octets of UTF-8

	// EngineIDs are the engines the user sends traps from. None means every
	// engine: configured, admitted, and the receiver's own.
	EngineIDs [][]byte
	// Informs puts a user with EngineIDs on the receiver's own engine too, under
	// whose ID informs come in.
	Informs bool

	Auth Auth
	Priv Priv
	// AuthPass and PrivPass are passphrases of at least 8 octets (RFC 3414
	// section 11.2).
	AuthPass, PrivPass string
	// AuthKey and PrivKey are localised keys, used instead of passphrases.
	AuthKey, PrivKey []byte

	// MinLevel refuses weaker messages. Zero is the highest level the user's
	// protocols allow.
	MinLevel Level
}

// Level returns the highest level the user's protocols allow.
func (u *User) Level() Level {
	switch {
	case u.Auth == NoAuth:
		return NoAuthNoPriv
	case u.Priv == NoPriv:
		return AuthNoPriv
	}
	return AuthPriv
}

// floor returns the weakest level that is accepted.
func (u *User) floor() Level {
	if u.MinLevel == 0 {
		return u.Level()
	}
	return u.MinLevel
}

// Check returns all that cannot work about a user, or nil.
func (u *User) Check() error {
	faults := []error{u.check()}
	if (u.AuthKey != nil || u.PrivKey != nil) && len(u.EngineIDs) != 1 {
		faults = append(faults, fmt.Errorf("user %q: localised keys belong to exactly one engine, %d are given", u.Name, len(u.EngineIDs)))
	}
	if u.AuthKey != nil && u.Informs {
		faults = append(faults, fmt.Errorf("user %q: localised keys of a sender cannot serve for informs, which need keys of the receiver's engine", u.Name))
	}
	for _, id := range u.EngineIDs {
		if err := CheckEngineID(id); err != nil {
			faults = append(faults, fmt.Errorf("user %q: %w", u.Name, err))
		}
	}
	return errors.Join(faults...)
}

// check looks at the name, the protocols and the keys.
func (u *User) check() error {
	var faults []error
	wrong := func(is bool, format string, args ...any) {
		if is {
			faults = append(faults, fmt.Errorf("user %q: "+format, append([]any{u.Name}, args...)...))
		}
	}
	wrong(u.Name == "" || len(u.Name) > 32, "a name has 1 to 32 octets (RFC 3414 section 5, usmUserName)")
	wrong(u.Priv != NoPriv && u.Auth == NoAuth, "privacy needs authentication (RFC 3411 section 3.4.3)")
	wrong(u.MinLevel > u.Level(), "the minimum level %s needs more than the protocols given", u.MinLevel)
	if u.Auth != NoAuth {
		need := u.Auth.protocol().keyLen
		wrong(u.AuthKey == nil && len(u.AuthPass) < 8, "an authentication passphrase has at least 8 characters (RFC 3414 section 11.2)")
		wrong(u.AuthKey != nil && len(u.AuthKey) != need, "a localised %s key has %d octets, not %d", u.Auth, need, len(u.AuthKey))
	}
	if u.Priv != NoPriv {
		wrong(u.PrivKey == nil && len(u.PrivPass) < 8, "a privacy passphrase has at least 8 characters (RFC 3414 section 11.2)")
		wrong(u.PrivKey != nil && len(u.PrivKey) < 16, "a localised privacy key has at least 16 octets, not %d", len(u.PrivKey))
	}
	return errors.Join(faults...)
}

// CheckEngineID returns what is wrong with an engine ID, or nil: 5 to 32 octets,
// not all 0x00 and not all 0xff (RFC 3411 section 5, SnmpEngineID).
func CheckEngineID(id []byte) error {
	if len(id) < 5 || len(id) > 32 {
		return fmt.Errorf("engine ID %x has %d octets, not 5 to 32 (RFC 3411)", id, len(id))
	}
	zeros, ones := true, true
	for _, b := range id {
		zeros, ones = zeros && b == 0, ones && b == 0xff
	}
	if zeros || ones {
		return fmt.Errorf("engine ID %x is all zeros or all ones (RFC 3411)", id)
	}
	return nil
}
