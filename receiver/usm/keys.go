package usm

import (
	"crypto/aes"
	"crypto/cipher"
	"crypto/des" //nolint:gosec // RFC 3414 section 8, still spoken by agents in the field
	"crypto/hmac"
	"crypto/subtle"
	"encoding/binary"
	"fmt"
	"hash"
	"sync"
)

// Keys are one user's keys on one engine, ready for use: about 2 KiB. They are
// safe for concurrent use, one message at a time.
type Keys struct {
	auth   Auth
	priv   Priv
	min    Level
	macLen int

	block cipher.Block
	preIV [8]byte // of DES (RFC 3414 section 8.1.1.1)

	mu  sync.Mutex // guards what follows, which is used again for each message
	mac hash.Hash
	sum [64]byte
	iv  [aes.BlockSize]byte
	ks  [aes.BlockSize]byte
}

// NewKeys derives the keys that a user has on one engine. It takes
// milliseconds.
func NewKeys(u User, engineID []byte) (*Keys, error) {
	if err := u.check(); err != nil {
		return nil, err
	}
	return newKeys(&u, engineID, PasswordToKey)
}

// newKeys is NewKeys with the costly first step left to the caller, who may
// remember its results.
func newKeys(u *User, engineID []byte, master func(Auth, string) []byte) (*Keys, error) {
	k := &Keys{auth: u.Auth, priv: u.Priv, min: u.floor(), macLen: u.Auth.protocol().macLen}
	if u.Auth == NoAuth {
		return k, nil
	}
	authKey := u.AuthKey
	if authKey == nil {
		authKey = Localize(u.Auth, master(u.Auth, u.AuthPass), engineID)
	}
	k.mac = hmac.New(u.Auth.protocol().new, authKey)
	if u.Priv == NoPriv {
		return k, nil
	}
	privKey := u.PrivKey
	if privKey == nil {
		privKey = Localize(u.Auth, master(u.Auth, u.PrivPass), engineID)
	}
	return k, k.setPriv(PrivKey(u.Auth, u.Priv, privKey, engineID))
}

func (k *Keys) setPriv(key []byte) (err error) {
	if k.priv == DES {
		copy(k.preIV[:], key[8:16])
		k.block, err = des.NewCipher(key[:8]) //nolint:gosec // see the import
	} else {
		k.block, err = aes.NewCipher(key)
	}
	if err != nil {
		return fmt.Errorf("make the %s cipher ready: %w", k.priv, err)
	}
	return nil
}

// Level returns the highest level the keys allow.
func (k *Keys) Level() Level {
	switch {
	case k.auth == NoAuth:
		return NoAuthNoPriv
	case k.priv == NoPriv:
		return AuthNoPriv
	}
	return AuthPriv
}

// MACLen returns how many octets msgAuthenticationParameters have: 0 to 48.
func (k *Keys) MACLen() int { return k.macLen }

// Verify reports whether the macLen octets at offset at of the message are its
// digest, taken with zeros in their place (RFC 3414 section 6.3.2, RFC 7860
// section 4.2.2). The comparison takes constant time. scratch may be nil; with
// the capacity for a copy of the message it makes this quicker.
func (k *Keys) Verify(message []byte, at, macLen int, scratch []byte) bool {
	k.mu.Lock()
	defer k.mu.Unlock()
	return k.verify(message, at, macLen, scratch)
}

// verify is Verify for who holds mu.
func (k *Keys) verify(message []byte, at, macLen int, scratch []byte) bool {
	// The length comes first: a shortened digest would be easy to guess.
	if k.mac == nil || macLen != k.macLen || at < 0 || at+macLen > len(message) {
		return false
	}
	k.mac.Reset()
	if cap(scratch) >= len(message) {
		blank := scratch[:copy(scratch[:len(message)], message)]
		clear(blank[at : at+macLen])
		k.mac.Write(blank)
	} else {
		k.mac.Write(message[:at])
		clear(k.sum[:])
		k.mac.Write(k.sum[:macLen])
		k.mac.Write(message[at+macLen:])
	}
	return subtle.ConstantTimeCompare(k.mac.Sum(k.sum[:0])[:macLen], message[at:at+macLen]) == 1
}

// Sign writes the message's digest to offset at, where MACLen octets have been
// left for it.
func (k *Keys) Sign(message []byte, at int) {
	k.mu.Lock()
	defer k.mu.Unlock()
	place := message[at : at+k.macLen]
	clear(place)
	k.mac.Reset()
	k.mac.Write(message)
	copy(place, k.mac.Sum(k.sum[:0]))
}

// Open decrypts payload into dst, which grows as needed, and returns the plain
// octets: the scoped PDU and perhaps padding (RFC 3414 section 8.3.2, RFC 3826
// section 3.1.4). It is false if salt or payload have impossible lengths. dst
// and payload must not overlap, and what dst holds beyond the plain octets is
// overwritten up to the end of a block.
func (k *Keys) Open(dst, payload []byte, h *Header) ([]byte, bool) {
	k.mu.Lock()
	defer k.mu.Unlock()
	return k.open(dst, payload, h)
}

// open is Open for who holds mu.
func (k *Keys) open(dst, payload []byte, h *Header) ([]byte, bool) {
	if k.block == nil || len(h.Salt) != 8 || len(payload) == 0 || len(payload)%k.unit() != 0 {
		return nil, false
	}
	if whole := (len(payload) + aes.BlockSize - 1) &^ (aes.BlockSize - 1); cap(dst) < whole {
		dst = make([]byte, whole)
	}
	dst = dst[:len(payload)]
	if k.priv == DES {
		k.openDES(dst, payload, h.Salt)
	} else {
		k.setIV(h.Boots, h.Time, h.Salt)
		k.openCFB(dst, payload)
	}
	return dst, true
}

// Seal encrypts plain under the salt and returns the octets and the eight of
// msgPrivacyParameters. No two messages under the same keys, boots and time may
// have the same salt.
func (k *Keys) Seal(plain []byte, boots, seconds uint32, salt uint64) (payload []byte, params [8]byte) {
	binary.BigEndian.PutUint64(params[:], salt)
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.priv == DES {
		// RFC 3414 section 8.1.1.1: engineBoots ‖ a counter.
		binary.BigEndian.PutUint32(params[:], boots)
		return k.sealDES(plain, params[:]), params
	}
	k.setIV(boots, seconds, params[:])
	payload = make([]byte, len(plain))
	k.sealCFB(payload, plain)
	return payload, params
}

// unit returns what the length of a payload is a multiple of.
func (k *Keys) unit() int {
	if k.priv == DES {
		return des.BlockSize
	}
	return 1
}

// setIV makes engineBoots ‖ engineTime ‖ salt (RFC 3826 section 3.1.2.1) the
// first input of the cipher.
func (k *Keys) setIV(boots, seconds uint32, salt []byte) {
	binary.BigEndian.PutUint32(k.iv[0:], boots)
	binary.BigEndian.PutUint32(k.iv[4:], seconds)
	copy(k.iv[8:], salt)
}

// openCFB is CFB with 128-bit segments (RFC 3826 section 3.1.3; NIST SP 800-38A
// section 6.3). The last segment may be short. All inputs of the cipher are known
// beforehand, the first input and then the encrypted octets, so its outputs are
// made first, in dst, which has the capacity of whole blocks, and everything is
// combined in one go.
func (k *Keys) openCFB(dst, src []byte) {
	block, stream := k.block, dst[:cap(dst)]
	block.Encrypt(stream[:aes.BlockSize], k.iv[:])
	for at := aes.BlockSize; at < len(src); at += aes.BlockSize {
		block.Encrypt(stream[at:at+aes.BlockSize], src[at-aes.BlockSize:at])
	}
	subtle.XORBytes(dst, dst, src)
}

func (k *Keys) sealCFB(dst, src []byte) {
	input := k.iv[:]
	for len(src) > 0 {
		k.block.Encrypt(k.ks[:], input)
		n := subtle.XORBytes(dst, src, k.ks[:])
		input = dst[:n]
		dst, src = dst[n:], src[n:]
	}
}

// openDES is CBC under preIV ⊕ salt (RFC 3414 section 8.1.1.3).
func (k *Keys) openDES(dst, src, salt []byte) {
	subtle.XORBytes(k.iv[:8], k.preIV[:], salt)
	last := k.iv[:8]
	for len(src) > 0 {
		k.block.Decrypt(dst[:8], src[:8])
		subtle.XORBytes(dst[:8], dst[:8], last)
		last = src[:8]
		dst, src = dst[8:], src[8:]
	}
}

func (k *Keys) sealDES(plain, salt []byte) []byte {
	out := make([]byte, (len(plain)+7)&^7)
	copy(out, plain)
	subtle.XORBytes(k.iv[:8], k.preIV[:], salt)
	last := k.iv[:8]
	for at := 0; at < len(out); at += 8 {
		part := out[at : at+8]
		subtle.XORBytes(part, part, last)
		k.block.Encrypt(part, part)
		last = part
	}
	return out
}
