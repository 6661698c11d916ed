package usm

import (
	"crypto/aes"
	"crypto/cipher"
	"crypto/des"  //nolint:gosec // RFC 3414 section 8: agents in the field still use it
	"crypto/md5"  //nolint:gosec // RFC 3414 section 6
	"crypto/sha1" //nolint:gosec // RFC 3414 section 7
	"crypto/sha256"
	"crypto/sha512"
	"fmt"
	"hash"
)

// Auth is an authentication protocol.
type Auth uint8

// Authentication protocols (RFC 3414 sections 6 and 7, RFC 7860 section 4).
const (
	NoAuth Auth = iota
	MD5
	SHA1
	SHA224
	SHA256
	SHA384
	SHA512
)

type authProtocol struct {
	word   string
	new    func() hash.Hash
	macLen int // N of RFC 7860 section 4.1: octets of the digest that are sent
}

var authProtocols = [...]authProtocol{
	NoAuth: {"none", nil, 0},
	MD5:    {"md5", md5.New, 12},
	SHA1:   {"sha1", sha1.New, 12},
	SHA224: {"sha224", sha256.New224, 16},
	SHA256: {"sha256", sha256.New, 24},
	SHA384: {"sha384", sha512.New384, 32},
	SHA512: {"sha512", sha512.New, 48},
}

// String returns the protocol's word.
func (a Auth) String() string { return authProtocols[a].word }

// AuthWords lists the words ParseAuth takes.
func AuthWords() []string { return []string{"md5", "sha1", "sha224", "sha256", "sha384", "sha512"} }

// ParseAuth reads an authentication protocol's word; "sha" is "sha1".
func ParseAuth(word string) (Auth, error) {
	if word == "sha" {
		return SHA1, nil
	}
	for i, p := range authProtocols {
		if p.word == word {
			return Auth(i), nil
		}
	}
	return 0, fmt.Errorf("unknown authentication protocol %q (known: %v)", word, AuthWords())
}

// Priv is a privacy protocol.
type Priv uint8

// Privacy protocols. AES-192 and AES-256 stand in no RFC; agents extend a
// localised key that is too short in one of two ways, so each has two
// variants: "aes192" and "aes256" extend by hashing what there is
// (draft-blumenthal-aes-usm, from memory), "aes192c" and "aes256c" by
// localising again (draft-reeder-snmpv3-usm-3desede, from memory). Where the
// authentication hash is long enough the two agree.
const (
	NoPriv Priv = iota
	DES
	AES128
	AES192
	AES256
	AES192C
	AES256C
)

type privProtocol struct {
	word   string
	keyLen int // octets of localised key, the DES pre-IV included
	reeder bool
}

var privProtocols = [...]privProtocol{
	NoPriv: {"none", 0, false}, DES: {"des", 16, false}, AES128: {"aes128", 16, false},
	AES192: {"aes192", 24, false}, AES256: {"aes256", 32, false},
	AES192C: {"aes192c", 24, true}, AES256C: {"aes256c", 32, true},
}

// String returns the protocol's word.
func (p Priv) String() string { return privProtocols[p].word }

// PrivWords lists the words ParsePriv takes.
func PrivWords() []string {
	return []string{"des", "aes128", "aes192", "aes256", "aes192c", "aes256c"}
}

// ParsePriv reads a privacy protocol's word; "aes" is "aes128".
func ParsePriv(word string) (Priv, error) {
	if word == "aes" {
		return AES128, nil
	}
	for i, p := range privProtocols {
		if p.word == word {
			return Priv(i), nil
		}
	}
	return 0, fmt.Errorf("unknown privacy protocol %q (known: %v)", word, PrivWords())
}

// PasswordToKey is the algorithm of RFC 3414 section A.2: the hash of the
// passphrase repeated to 1,048,576 octets. An empty passphrase gives nil.
func PasswordToKey(a Auth, passphrase string) []byte {
	if a == NoAuth || passphrase == "" {
		return nil
	}
	h := authProtocols[a].new()
	block := make([]byte, 0, 64+len(passphrase))
	for len(block) < 64 {
		block = append(block, passphrase...)
	}
	const total = 1 << 20
	// A block of whole passphrases keeps the phase of the repetition.
	for written := 0; written < total; {
		n := min(len(block), total-written)
		h.Write(block[:n])
		written += n
	}
	return h.Sum(nil)
}

// Localize makes a user's key that of one engine (RFC 3414 section 2.6):
// H(Ku ‖ engineID ‖ Ku).
func Localize(a Auth, ku, engineID []byte) []byte {
	h := authProtocols[a].new()
	h.Write(ku)
	h.Write(engineID)
	h.Write(ku)
	return h.Sum(nil)
}

// privKey returns the localised privacy key at the length the protocol needs.
func privKey(a Auth, p Priv, kul, engineID []byte) []byte {
	need := privProtocols[p].keyLen
	key := append([]byte(nil), kul...)
	last := kul
	for len(key) < need {
		if privProtocols[p].reeder {
			// The last part of the key serves as a passphrase again.
			last = Localize(a, PasswordToKey(a, string(last)), engineID)
			key = append(key, last...)
			continue
		}
		h := authProtocols[a].new()
		h.Write(key)
		key = h.Sum(key)
	}
	return key[:need]
}

// KeyChange returns the value that changes oldKey into newKey
// (RFC 3414 section 5, KeyChange): random ‖ delta for keys of hash length L,
// with the iterated delta of the general case.
func KeyChange(a Auth, oldKey, newKey, random []byte) []byte {
	out := append([]byte(nil), random...)
	temp := oldKey
	for at := 0; at < len(newKey); {
		h := authProtocols[a].new()
		h.Write(temp)
		h.Write(random)
		temp = h.Sum(nil)
		for i := 0; i < len(temp) && at < len(newKey); i++ {
			out = append(out, temp[i]^newKey[at])
			at++
		}
	}
	return out
}

func newBlock(p Priv, key []byte) (cipher.Block, error) {
	if p == DES {
		return des.NewCipher(key[:8]) //nolint:gosec // see above
	}
	return aes.NewCipher(key)
}
