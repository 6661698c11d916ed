package configs

import (
	"bytes"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"encoding/hex"
	"fmt"
	"strings"

	"example.net/standwatch/receiver"
	"example.net/standwatch/receiver/usm"
)

// secrets fills in the communities and users.
func (c *compiler) secrets(s *securityShape) {
	for _, e := range s.Communities {
		c.communities[e.Key] = e.V.V
	}
	for i := range s.Users {
		c.user(&s.Users[i])
	}
}

func (c *compiler) user(e *entry[userShape]) {
	u := &usm.User{Name: e.V.Name.or(e.Key), AuthPass: e.V.AuthSecret.V.Reveal(), PrivPass: e.V.PrivSecret.V.Reveal()}
	for _, id := range e.V.EngineIDs {
		if id.Set {
			u.EngineIDs = append(u.EngineIDs, id.V)
		}
	}
	c.pinned[e.Key] = len(e.V.EngineIDs) > 0
	ok := c.protocols(&e.V, u)
	ok = c.localised(&e.V.AuthKey, e.V.AuthSecret, &u.AuthKey) && ok
	ok = c.localised(&e.V.PrivKey, e.V.PrivSecret, &u.PrivKey) && ok
	switch {
	case !c.pinned[e.Key]:
	case e.V.Informs != nil:
		u.Informs = e.V.Informs.V
	default:
		u.Informs = u.AuthKey == nil && u.PrivKey == nil
	}
	if err := u.Check(); ok && err != nil {
		// The user's line is hushed by nothing: the error never has a secret.
		c.out.mistake(e.At, err.Error(), "")
	}
	c.users[e.Key] = u
	c.userOrder = append(c.userOrder, e)
}

// localised reads a localised key. A passphrase beside it would mean nothing.
func (c *compiler) localised(key *secret, pass secret, into *[]byte) (ok bool) {
	if !key.Set {
		return !failed(*key)
	}
	if pass.Set {
		c.out.mistake(key.At, "a localised key stands beside a passphrase for the same", "remove one of them")
		return false
	}
	text := strings.TrimPrefix(strings.NewReplacer(" ", "", ":", "").Replace(key.V.Reveal()), "0x")
	b, err := hex.DecodeString(text)
	if err != nil || len(b) == 0 {
		c.out.mistake(key.At, "the localised key that is kept there is not in hexadecimal", "")
		return false
	}
	*into = b
	return true
}

func (c *compiler) protocols(s *userShape, u *usm.User) (ok bool) {
	ok = true
	var err error
	fail := func(at place, what, mend string) { c.out.mistake(at, what, mend); ok = false }
	if s.Auth.Set {
		if u.Auth, err = usm.ParseAuth(s.Auth.V); err != nil {
			fail(s.Auth.At, "unknown authentication protocol "+quoted(s.Auth.V), DidYouMean(s.Auth.V, usm.AuthWords()))
		}
	}
	if s.Priv.Set {
		if u.Priv, err = usm.ParsePriv(s.Priv.V); err != nil {
			fail(s.Priv.At, "unknown privacy protocol "+quoted(s.Priv.V), DidYouMean(s.Priv.V, usm.PrivWords()))
		}
	}
	if s.Minimum.Set {
		var known bool
		if u.MinLevel, known = usm.ParseLevel(s.Minimum.V); !known {
			fail(s.Minimum.At, "unknown security level "+quoted(s.Minimum.V), DidYouMean(s.Minimum.V, levelWords()))
		}
	}
	// A secret that was given but could not be had is reported already.
	return ok && !failed(s.AuthSecret) && !failed(s.PrivSecret)
}

// usersInOrder returns the users as the receiver wants them. On one engine a
// user name means one user (RFC 3414 section 2.1), and the master's own, under
// which informs come, is one engine.
func (c *compiler) usersInOrder() []usm.User {
	out := make([]usm.User, 0, len(c.userOrder))
	sharing := map[string]int{}
	for _, e := range c.userOrder {
		sharing[c.users[e.Key].Name]++
	}
	for i, e := range c.userOrder {
		u := c.users[e.Key]
		if sharing[u.Name] > 1 && e.V.Informs == nil {
			u.Informs = false
		}
		for j, other := range c.userOrder[:i] {
			if out[j].Name == u.Name {
				c.clash(e, u, other, &out[j])
			}
		}
		out = append(out, *u)
	}
	return out
}

func (c *compiler) clash(e *entry[userShape], u *usm.User, other *entry[userShape], earlier *usm.User) {
	const mend = "give them different engines by engine-id, or make one entry of them"
	switch {
	case len(u.EngineIDs) == 0 && len(earlier.EngineIDs) == 0:
		c.out.mistake(e.At, fmt.Sprintf("%s and %s are both the user %s on every engine", other.Key, e.Key, u.Name), mend)
	case u.Informs && earlier.Informs:
		c.out.mistake(e.At, fmt.Sprintf("%s and %s are both the user %s for informs, which all come under the master's one engine", other.Key, e.Key, u.Name), "write informs: no at one of them")
	}
	for _, id := range u.EngineIDs {
		for _, taken := range earlier.EngineIDs {
			if bytes.Equal(id, taken) {
				c.out.mistake(e.At, fmt.Sprintf("%s and %s are both the user %s on the engine %x", other.Key, e.Key, u.Name, id), mend)
			}
		}
	}
}

// certificates reads which certificates speak for an agent.
func (c *compiler) certificates(s *agentShape, r *receiver.Agent) {
	for _, word := range s.Certificate {
		if !word.Set {
			continue
		}
		b, err := hex.DecodeString(strings.NewReplacer(":", "", " ", "").Replace(word.V))
		if err != nil || len(b) != sha256.Size {
			c.out.mistake(word.At, quoted(word.V)+" is no SHA-256 fingerprint of 32 octets in hexadecimal", "openssl x509 -in CERTIFICATE -noout -fingerprint -sha256 shows it")
			continue
		}
		if print := receiver.Fingerprint(b); c.claim("certificate "+print.String(), word.At) {
			r.Certificates = append(r.Certificates, print)
		}
	}
	for _, name := range s.CertNames {
		if name.Set && c.claim("certificate name "+name.V, name.At) {
			r.CertNames = append(r.CertNames, name.V)
		}
	}
}

// listenerTLS reads what a listener needs for TLS.
func (c *compiler) listenerTLS(e *entry[listenerShape]) *receiver.TLS {
	s := e.V.TLS
	out := &receiver.TLS{}
	if e.V.Readers.Set || e.V.Buffer.Set {
		c.out.mistake(s.Here, fmt.Sprintf("listener %s speaks TLS, so readers and buffer mean nothing", e.Key), "remove them")
	}
	switch {
	case failed(s.Certificate) || failed(s.Key):
	case !s.Certificate.Set || !s.Key.Set:
		c.out.mistake(s.Here, fmt.Sprintf("listener %s speaks TLS and has no certificate or no key", e.Key), "write certificate: ${file:/path} and key: ${file:/path}")
	default:
		cert, err := tls.X509KeyPair([]byte(s.Certificate.V.Reveal()), []byte(s.Key.V.Reveal()))
		if err != nil {
			c.out.mistake(s.Certificate.At, "certificate and key do not work: "+strings.TrimPrefix(err.Error(), "tls: "), "both are PEM, and the key is the first certificate's")
		}
		out.Certificate = cert
	}
	if s.Clients.Set {
		out.Clients = x509.NewCertPool()
		if !out.Clients.AppendCertsFromPEM([]byte(s.Clients.V.Reveal())) {
			c.out.mistake(s.Clients.At, "no certificate in PEM is kept there", "")
		}
	}
	if s.Name.Set {
		from, known := receiver.ParseNameFrom(s.Name.V)
		if !known {
			c.out.mistake(s.Name.At, "unknown part of a certificate "+quoted(s.Name.V), DidYouMean(s.Name.V, receiver.NameFromWords()))
		}
		out.Name = from
	}
	return out
}
