package usm

// PasswordToKey returns the key Ku of a passphrase, the hash of the passphrase
// repeated to 1,048,576 octets (RFC 3414 section A.2). It takes milliseconds. An
// empty passphrase or NoAuth gives nil.
func PasswordToKey(a Auth, passphrase string) []byte {
	if a == NoAuth || passphrase == "" {
		return nil
	}
	// Blocks of whole passphrases keep the phase of the repetition.
	block := []byte(passphrase)
	for len(block) < 1024 {
		block = append(block, passphrase...)
	}
	h := a.protocol().new()
	for left := 1 << 20; left > 0; left -= len(block) {
		h.Write(block[:min(len(block), left)])
	}
	return h.Sum(nil)
}

// Localize returns the key Kul that a user with key ku has on one engine:
// H(Ku ‖ engineID ‖ Ku) (RFC 3414 section 2.6).
func Localize(a Auth, ku, engineID []byte) []byte {
	h := a.protocol().new()
	h.Write(ku)
	h.Write(engineID)
	h.Write(ku)
	return h.Sum(nil)
}

// PrivKey returns the privacy key that follows from a localised key, lengthened
// as the protocol says where it is too short. For AES192C and AES256C this may
// cost as much as PasswordToKey.
func PrivKey(a Auth, p Priv, kul, engineID []byte) []byte {
	figures := p.protocol()
	key := append([]byte(nil), kul...)
	part := kul
	for len(key) < figures.keyLen {
		if figures.again {
			part = Localize(a, PasswordToKey(a, string(part)), engineID)
			key = append(key, part...)
		} else {
			h := a.protocol().new()
			h.Write(key)
			key = h.Sum(key)
		}
	}
	return key[:figures.keyLen]
}

// derives reports whether PrivKey derives a key from a passphrase's worth of
// octets, which is too slow to be done often.
func derives(a Auth, p Priv) bool {
	return p.protocol().again && a.protocol().keyLen < p.protocol().keyLen
}

// KeyChange returns the value that turns oldKey into newKey when an agent is
// told to change its key: random ‖ delta (RFC 3414 section 5, textual
// convention KeyChange). The three arguments have the same length.
func KeyChange(a Auth, oldKey, newKey, random []byte) []byte {
	out := append([]byte(nil), random...)
	temp := oldKey
	for at := 0; at < len(newKey); at += len(temp) {
		h := a.protocol().new()
		h.Write(temp)
		h.Write(random)
		temp = h.Sum(nil)
		for i := 0; i < len(temp) && at+i < len(newKey); i++ {
			out = append(out, temp[i]^newKey[at+i])
		}
	}
	return out
}
