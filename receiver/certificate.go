package receiver

import (
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"encoding/asn1"
	"encoding/hex"
	"errors"
	"fmt"
	"net/netip"
	"strings"
	"time"
)

// Fingerprint is the SHA-256 of a certificate in DER. It names one certificate
// and no other (RFC 6353 section 7, SnmpTLSFingerprint, has the hash's number
// before it; here there is one hash only).
type Fingerprint [sha256.Size]byte

// FingerprintOf returns a certificate's fingerprint.
func FingerprintOf(c *x509.Certificate) Fingerprint { return sha256.Sum256(c.Raw) }

// String returns the fingerprint in hexadecimal.
func (f Fingerprint) String() string { return hex.EncodeToString(f[:]) }

// NameFrom says which part of a certificate names its owner (RFC 6353 section 7,
// snmpTlstmCertToTSNTable). The zero value is SANAny.
type NameFrom uint8

// Parts of a certificate.
const (
	SANAny     NameFrom = iota // the first subjectAltName of the three kinds below
	SANEmail                   // rfc822Name
	SANDNS                     // dNSName
	SANAddress                 // iPAddress
	CommonName                 // the subject's
)

// NameFromWords lists the words that ParseNameFrom takes.
func NameFromWords() []string {
	return []string{"san-any", "san-email", "san-dns", "san-address", "common-name"}
}

// String returns the word.
func (n NameFrom) String() string {
	if words := NameFromWords(); int(n) < len(words) {
		return words[n]
	}
	return "unknown"
}

// ParseNameFrom reads a word; ok is false for any other text.
func ParseNameFrom(word string) (n NameFrom, ok bool) {
	for n := SANAny; n <= CommonName; n++ {
		if n.String() == word {
			return n, true
		}
	}
	return 0, false
}

// TLS is what a listener that speaks TLS needs. It can be changed while running:
// connections that it would refuse are closed then.
type TLS struct {
	Certificate tls.Certificate // the master's own, with its key
	// Clients are the authorities whose certificates are taken besides those
	// that agents name by fingerprint. Nil: none.
	Clients *x509.CertPool
	Name    NameFrom // what names the owner of such a certificate
}

// identity is who is at the other end of a connection.
type identity struct {
	print Fingerprint
	name  string // vouched for by an authority; empty if only the fingerprint counts
}

// String names the owner for people.
func (id identity) String() string {
	if id.name != "" {
		return id.name
	}
	return "certificate " + id.print.String()
}

var errNoCertificate = errors.New("no certificate came")

// identify decides who presented a chain of certificates: a certificate that an
// agent names by its fingerprint, else one that an authority vouches for, by its
// name. RFC 6353 section 7 (snmpTlstmCertToTSNTable, to which section 5.3.2
// points) takes either and goes by the order of the configured rows; here those
// for one certificate come before those for an authority, always. Whoever fits
// none is not listened to. A certificate outside its time is refused either way.
func (d *directory) identify(t *TLS, chain []*x509.Certificate, now time.Time) (identity, error) {
	if len(chain) == 0 {
		return identity{}, errNoCertificate
	}
	leaf := chain[0]
	id := identity{print: FingerprintOf(leaf)}
	if now.Before(leaf.NotBefore) || now.After(leaf.NotAfter) {
		return id, fmt.Errorf("certificate %s is valid from %s to %s only", id.print, leaf.NotBefore.Format(time.DateOnly), leaf.NotAfter.Format(time.DateOnly))
	}
	if d.byPrint[id.print] != nil {
		return id, nil
	}
	if t.Clients == nil {
		return id, fmt.Errorf("certificate %s is no agent's", id.print)
	}
	between := x509.NewCertPool()
	for _, c := range chain[1:] {
		between.AddCert(c)
	}
	_, err := leaf.Verify(x509.VerifyOptions{Roots: t.Clients, Intermediates: between, CurrentTime: now, KeyUsages: []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth}})
	if err != nil {
		return id, fmt.Errorf("certificate %s is no agent's, and: %w", id.print, err)
	}
	if id.name = nameIn(leaf, t.Name); id.name == "" {
		return id, fmt.Errorf("certificate %s has no name of the kind %s", id.print, t.Name)
	}
	return id, nil
}

// nameIn returns the name that a part of a certificate gives, empty if there is
// none. Domain names come in lower case, IPv6 addresses as 32 hexadecimal digits
// in lower case without colons, and of several names the first counts (RFC 6353
// section 7, snmpTlstmCertSANAny and its kin). The common name is there because
// certificates in the field have nothing else; the RFC advises against it.
func nameIn(c *x509.Certificate, from NameFrom) string {
	if from == CommonName {
		return c.Subject.CommonName
	}
	for _, e := range c.Extensions {
		if e.Id.Equal(asn1.ObjectIdentifier{2, 5, 29, 17}) { // subjectAltName, RFC 5280 section 4.2.1.6
			return alternative(e.Value, from)
		}
	}
	return ""
}

// alternative returns the first GeneralName of the wanted kind. The library
// sorts them by kind, which loses which was first.
func alternative(extension []byte, from NameFrom) string {
	var names asn1.RawValue
	if rest, err := asn1.Unmarshal(extension, &names); err != nil || len(rest) > 0 {
		return ""
	}
	for rest := names.Bytes; len(rest) > 0; {
		var n asn1.RawValue
		var err error
		if rest, err = asn1.Unmarshal(rest, &n); err != nil {
			return ""
		}
		kind, name := generalName(n)
		if name != "" && (from == SANAny || from == kind) {
			return name
		}
	}
	return ""
}

// generalName reads one of the three kinds of names (their tags: RFC 5280
// section 4.2.1.6), which it returns empty for any other.
func generalName(n asn1.RawValue) (NameFrom, string) {
	switch n.Tag {
	case 1:
		// The part before the @ may mean more than one person by its case.
		local, domain, _ := strings.Cut(string(n.Bytes), "@")
		return SANEmail, local + "@" + strings.ToLower(domain)
	case 2:
		return SANDNS, strings.ToLower(string(n.Bytes))
	case 7:
		addr, ok := netip.AddrFromSlice(n.Bytes)
		if !ok {
			return SANAddress, ""
		}
		if addr.Is4() {
			return SANAddress, addr.String()
		}
		return SANAddress, hex.EncodeToString(n.Bytes)
	}
	return SANAny, ""
}

// byIdentity finds the agent at the other end of a connection. known is false if
// the certificate counts for nothing any more.
func (d *directory) byIdentity(id identity) (s speaker, known bool) {
	if a := d.byPrint[id.print]; a != nil {
		return speaker{a, ""}, true
	}
	if id.name == "" {
		return speaker{}, false
	}
	return speaker{d.byName[id.name], fmt.Sprintf("%s: no agent has the certificate name %q", unknown, id.name)}, true
}
