package usm

import "fmt"

// Outgoing says on whose behalf, at which authoritative engine and at what
// position in its time a message is secured.
type Outgoing struct {
	EngineID    []byte
	User        string
	Level       Level
	Boots, Time uint32
}

func (t *Table) account(o Outgoing) (*account, error) {
	e := t.engines[string(o.EngineID)]
	if e == nil || e.accounts[o.User] == nil {
		return nil, fmt.Errorf("secure a message: no user %q at engine %x", o.User, o.EngineID)
	}
	return e.accounts[o.User], nil
}

// MACLen returns how many octets the digest of a message takes; 0 without
// authentication.
func (t *Table) MACLen(o Outgoing) int {
	a, err := t.account(o)
	if err != nil || o.Level < AuthNoPriv {
		return 0
	}
	return authProtocols[a.user.Auth].macLen
}

// Encrypt returns the encrypted scoped PDU and its salt. No two messages get
// the same salt.
func (t *Table) Encrypt(o Outgoing, plain []byte) (cipherText, salt []byte, err error) {
	a, err := t.account(o)
	if err != nil {
		return nil, nil, err
	}
	if a.block == nil {
		return nil, nil, fmt.Errorf("encrypt a message: user %q has no privacy", o.User)
	}
	s := t.nextSalt()
	if a.user.Priv != DES {
		out := make([]byte, len(plain))
		cfb(a.block, aesIV(o.Boots, o.Time, s[:]), out, plain, true)
		return out, s[:], nil
	}
	// RFC 3414 section 8.1.1.1: the salt is boots and a counter.
	s[0], s[1], s[2], s[3] = byte(o.Boots>>24), byte(o.Boots>>16), byte(o.Boots>>8), byte(o.Boots)
	padded := append([]byte(nil), plain...)
	for len(padded)%8 != 0 {
		padded = append(padded, 0)
	}
	var iv [8]byte
	for i := range iv {
		iv[i] = a.preIV[i] ^ s[i]
	}
	for at := 0; at < len(padded); at += 8 {
		for i := range iv {
			padded[at+i] ^= iv[i]
		}
		a.block.Encrypt(padded[at:at+8], padded[at:at+8])
		copy(iv[:], padded[at:])
	}
	return padded, s[:], nil
}

// Sign writes the digest into message at macAt, where it now has zeros.
func (t *Table) Sign(o Outgoing, message []byte, macAt int) error {
	a, err := t.account(o)
	if err != nil {
		return err
	}
	if a.mac == nil {
		return fmt.Errorf("authenticate a message: user %q has no authentication", o.User)
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	a.mac.Reset()
	a.mac.Write(message)
	copy(message[macAt:macAt+authProtocols[a.user.Auth].macLen], a.mac.Sum(a.sum[:0]))
	return nil
}
