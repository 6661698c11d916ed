package usm

import (
	"crypto/md5"  //nolint:gosec // RFC 3414 section 6, still spoken by agents in the field
	"crypto/sha1" //nolint:gosec // RFC 3414 section 7, likewise
	"crypto/sha256"
	"crypto/sha512"
	"fmt"
	"hash"
	"strings"
)

// Auth is an authentication protocol. The zero value is none.
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
	keyLen int // M of RFC 7860 section 4.1: octets of a localised key
	macLen int // N of RFC 7860 section 4.1: octets of the digest that are sent
}

// protocol returns the figures of a; a must be one of the constants.
func (a Auth) protocol() authProtocol {
	switch a {
	case NoAuth:
		return authProtocol{word: "none"}
	case MD5:
		return authProtocol{"md5", md5.New, md5.Size, 12}
	case SHA1:
		return authProtocol{"sha1", sha1.New, sha1.Size, 12}
	case SHA224:
		return authProtocol{"sha224", sha256.New224, sha256.Size224, 16}
	case SHA256:
		return authProtocol{"sha256", sha256.New, sha256.Size, 24}
	case SHA384:
		return authProtocol{"sha384", sha512.New384, sha512.Size384, 32}
	case SHA512:
		return authProtocol{"sha512", sha512.New, sha512.Size, 48}
	}
	panic(fmt.Sprintf("usm: authentication protocol %d", uint8(a)))
}

// String returns the protocol's word, "none" for NoAuth.
func (a Auth) String() string { return a.protocol().word }

// AuthWords lists the words that ParseAuth takes besides "none" and "sha".
func AuthWords() []string {
	return []string{"md5", "sha1", "sha224", "sha256", "sha384", "sha512"}
}

// ParseAuth reads an authentication protocol's word: one of AuthWords, "none",
// or "sha", which is "sha1".
func ParseAuth(word string) (Auth, error) {
	if word == "sha" {
		return SHA1, nil
	}
	for a := NoAuth; a <= SHA512; a++ {
		if a.String() == word {
			return a, nil
		}
	}
	return NoAuth, fmt.Errorf("unknown authentication protocol %q (known: %s)", word, strings.Join(AuthWords(), ", "))
}

// Priv is a privacy protocol. The zero value is none.
type Priv uint8

// Privacy protocols. DES is of RFC 3414 section 8, AES128 of RFC 3826. AES with
// longer keys stands in no RFC: agents lengthen a localised key that is too
// short in one of two ways. AES192 and AES256 append the hash of the key so far
// (draft-blumenthal-aes-usm-04 section 3.1.2.1, from memory); AES192C and
// AES256C derive a further localised key from the first as if it were a
// passphrase (draft-reeder-snmpv3-usm-3desede-00 section 2.1, from memory).
// Where the authentication hash is long enough both are the same.
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
	keyLen int  // octets of localised key, the pre-IV of DES included
	again  bool // lengthens a short key by deriving a key from it
}

// protocol returns the figures of p; p must be one of the constants.
func (p Priv) protocol() privProtocol {
	switch p {
	case NoPriv:
		return privProtocol{word: "none"}
	case DES:
		return privProtocol{"des", 16, false}
	case AES128:
		return privProtocol{"aes128", 16, false}
	case AES192:
		return privProtocol{"aes192", 24, false}
	case AES256:
		return privProtocol{"aes256", 32, false}
	case AES192C:
		return privProtocol{"aes192c", 24, true}
	case AES256C:
		return privProtocol{"aes256c", 32, true}
	}
	panic(fmt.Sprintf("usm: privacy protocol %d", uint8(p)))
}

// String returns the protocol's word, "none" for NoPriv.
func (p Priv) String() string { return p.protocol().word }

// PrivWords lists the words that ParsePriv takes besides "none" and "aes".
func PrivWords() []string {
	return []string{"des", "aes128", "aes192", "aes256", "aes192c", "aes256c"}
}

// ParsePriv reads a privacy protocol's word: one of PrivWords, "none", or
// "aes", which is "aes128".
func ParsePriv(word string) (Priv, error) {
	if word == "aes" {
		return AES128, nil
	}
	for p := NoPriv; p <= AES256C; p++ {
		if p.String() == word {
			return p, nil
		}
	}
	return NoPriv, fmt.Errorf("unknown privacy protocol %q (known: %s)", word, strings.Join(PrivWords(), ", "))
}

// Level is a security level (RFC 3411 section 3.4.3). The zero value is none:
// what msgFlags say when they ask for privacy without authentication.
type Level uint8

// Security levels, weakest first.
const (
	NoAuthNoPriv Level = 1
	AuthNoPriv   Level = 2
	AuthPriv     Level = 3
)

// String returns the RFC's word, "none" for the zero value.
func (l Level) String() string {
	switch l {
	case NoAuthNoPriv:
		return "noAuthNoPriv"
	case AuthNoPriv:
		return "authNoPriv"
	case AuthPriv:
		return "authPriv"
	}
	return "none"
}

// ParseLevel reads the RFC's word for a level; ok is false for any other text.
func ParseLevel(word string) (l Level, ok bool) {
	for l := NoAuthNoPriv; l <= AuthPriv; l++ {
		if l.String() == word {
			return l, true
		}
	}
	return 0, false
}
