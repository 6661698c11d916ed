package audit

import (
	"context"
	"errors"
	"fmt"
	"net/netip"
	"slices"
	"strings"
	"sync/atomic"
	"syscall"

	"github.com/gosnmp/gosnmp"

	"example.net/standwatch/receiver/snmp"
	"example.net/standwatch/receiver/usm"
)

// session is a conversation with one address of an agent.
type session struct {
	target *Target
	at     netip.AddrPort
	lib    *gosnmp.GoSNMP
	guard  *guard
}

// faultError says in words for people why an agent could not be asked.
type faultError struct {
	what string
	err  error
}

func (e *faultError) Error() string { return e.what }
func (e *faultError) Unwrap() error { return e.err }

// errLibrary is a panic of the library, contained.
var errLibrary = errors.New("its answer broke the decoder")

func open(ctx context.Context, t *Target, at netip.AddrPort, dropped *atomic.Uint64) (*session, error) {
	s := &session{target: t, at: at}
	s.lib = &gosnmp.GoSNMP{
		Target: at.Addr().String(), Port: at.Port(), Transport: "udp", Context: ctx,
		Timeout: t.Timeout, Retries: t.Retries, MaxOids: maxColumns, Community: t.Community,
	}
	level := usm.Level(0)
	switch t.Version {
	case snmp.V1:
		s.lib.Version = gosnmp.Version1
	case snmp.V2c:
		s.lib.Version = gosnmp.Version2c
	case snmp.V3:
		level = t.User.Level()
		secure(s.lib, t)
	}
	if err := s.lib.Connect(); err != nil {
		return nil, s.explain(err)
	}
	s.guard = &guard{Conn: s.lib.Conn, level: level, dropped: dropped}
	s.lib.Conn = s.guard
	return s, nil
}

func (s *session) close() {
	// A datagram socket has nothing to flush; closing it twice is no fault.
	_ = s.guard.Close()
}

var authOf = [...]gosnmp.SnmpV3AuthProtocol{usm.NoAuth: gosnmp.NoAuth, usm.MD5: gosnmp.MD5, usm.SHA1: gosnmp.SHA, usm.SHA224: gosnmp.SHA224,
	usm.SHA256: gosnmp.SHA256, usm.SHA384: gosnmp.SHA384, usm.SHA512: gosnmp.SHA512}

var privOf = [...]gosnmp.SnmpV3PrivProtocol{usm.NoPriv: gosnmp.NoPriv, usm.DES: gosnmp.DES, usm.AES128: gosnmp.AES, usm.AES192: gosnmp.AES192,
	usm.AES256: gosnmp.AES256, usm.AES192C: gosnmp.AES192C, usm.AES256C: gosnmp.AES256C}

// secure sets up the user-based model. Localised keys are of one engine, so its
// ID is known before it is asked.
func secure(lib *gosnmp.GoSNMP, t *Target) {
	u := t.User
	p := &gosnmp.UsmSecurityParameters{
		UserName:               u.Name,
		AuthenticationProtocol: authOf[u.Auth], AuthenticationPassphrase: u.AuthPass,
		PrivacyProtocol: privOf[u.Priv], PrivacyPassphrase: u.PrivPass,
	}
	if u.AuthKey != nil {
		p.SecretKey, p.PrivacyKey = slices.Clone(u.AuthKey), slices.Clone(u.PrivKey)
		if len(t.EngineIDs) > 0 {
			p.AuthoritativeEngineID = string(t.EngineIDs[0])
		}
	}
	lib.Version, lib.SecurityModel, lib.SecurityParameters, lib.ContextName = gosnmp.Version3, gosnmp.UserSecurityModel, p, t.Context
	switch u.Level() {
	case usm.AuthPriv:
		lib.MsgFlags = gosnmp.AuthPriv
	case usm.AuthNoPriv:
		lib.MsgFlags = gosnmp.AuthNoPriv
	default:
		lib.MsgFlags = gosnmp.NoAuthNoPriv
	}
}

// request runs one request of the library, whatever the library does.
func (s *session) request(ctx context.Context, do func() (*gosnmp.SnmpPacket, error)) (p *gosnmp.SnmpPacket, err error) {
	defer func() {
		if r := recover(); r != nil {
			p, err = nil, fmt.Errorf("%w (%v)", errLibrary, r)
		}
	}()
	if err := ctx.Err(); err != nil {
		return nil, s.explain(err)
	}
	// The library looks at its context between tries only.
	stop := context.AfterFunc(ctx, func() { _ = s.guard.Close() })
	defer stop()
	s.guard.ask()
	p, err = do()
	switch {
	case ctx.Err() != nil:
		return nil, s.explain(ctx.Err())
	case err != nil:
		return nil, s.explain(err)
	case p == nil:
		return nil, errLibrary
	}
	return p, s.otherEngine()
}

// otherEngine reports an answer from an engine that is not the agent's.
func (s *session) otherEngine() error {
	p, ok := s.lib.SecurityParameters.(*gosnmp.UsmSecurityParameters)
	if !ok || len(s.target.EngineIDs) == 0 {
		return nil
	}
	for _, id := range s.target.EngineIDs {
		if string(id) == p.AuthoritativeEngineID {
			return nil
		}
	}
	return &faultError{what: fmt.Sprintf("%s answers as engine %x, which is not among the agent's engine-id", s.at, p.AuthoritativeEngineID)}
}

// get reads instances. Of those that are not there it returns nothing.
func (s *session) get(ctx context.Context, names ...snmp.OID) (out []snmp.Varbind, err error) {
	dotted := make([]string, len(names))
	for i, n := range names {
		dotted[i] = n.String()
	}
	p, err := s.request(ctx, func() (*gosnmp.SnmpPacket, error) { return s.lib.Get(dotted) })
	switch {
	case err != nil:
		return nil, err
	case p.Error == gosnmp.NoSuchName: // v1 says so of all for one
		return nil, nil
	case p.Error != gosnmp.NoError:
		return nil, fmt.Errorf("it answers %s", p.Error)
	}
	for _, v := range p.Variables {
		if vb, ok := varbind(v); ok {
			out = append(out, vb)
		}
	}
	return out, nil
}

// Counters of a Report, as BER: usmStatsUnsupportedSecLevels,
// usmStatsUnknownUserNames, usmStatsWrongDigests and usmStatsDecryptionErrors
// (RFC 3414 section 5).
const (
	usmWrongLevel    = "\x2b\x06\x01\x06\x03\x0f\x01\x01\x01\x00"
	usmUnknownUser   = "\x2b\x06\x01\x06\x03\x0f\x01\x01\x03\x00"
	usmWrongDigest   = "\x2b\x06\x01\x06\x03\x0f\x01\x01\x05\x00"
	usmCannotDecrypt = "\x2b\x06\x01\x06\x03\x0f\x01\x01\x06\x00"
)

// explain says in words what a person can do about a failure.
func (s *session) explain(err error) error {
	tries := s.target.Retries + 1
	var what, refused string
	if s.guard != nil && s.target.Version == snmp.V3 {
		refused = s.guard.refusal()
	}
	switch {
	case errors.Is(err, context.DeadlineExceeded):
		what = fmt.Sprintf("asking %s took too long and was ended", s.at)
	case errors.Is(err, context.Canceled):
		what = "asking was ended because the program ends"
	case errors.Is(err, syscall.ECONNREFUSED):
		what = fmt.Sprintf("nothing listens at %s: is the agent's SNMP service on, and is its port right?", s.at)
	case errors.Is(err, syscall.EHOSTUNREACH), errors.Is(err, syscall.ENETUNREACH):
		what = fmt.Sprintf("there is no way to %s from here", s.at)
	case refused == usmUnknownUser, errors.Is(err, gosnmp.ErrUnknownUsername):
		what = fmt.Sprintf("%s does not know the user %s", s.at, s.target.User.Name)
	case refused == usmWrongDigest, errors.Is(err, gosnmp.ErrWrongDigest):
		what = fmt.Sprintf("%s refuses user %s: the authentication secret or protocol differs", s.at, s.target.User.Name)
	case refused == usmCannotDecrypt, errors.Is(err, gosnmp.ErrDecryption):
		what = fmt.Sprintf("%s cannot decrypt: the privacy secret or protocol of user %s differs", s.at, s.target.User.Name)
	case refused == usmWrongLevel, errors.Is(err, gosnmp.ErrUnknownSecurityLevel):
		what = fmt.Sprintf("%s does not let user %s ask at the level %s", s.at, s.target.User.Name, s.target.User.Level())
	case errors.Is(err, gosnmp.ErrMaxRetriesExceeded), strings.Contains(err.Error(), "timeout"):
		what = fmt.Sprintf("no answer from %s in %s of %s: is it reachable, and does it let this machine ask with that %s?", s.at, triesText(tries), s.target.Timeout, s.credential())
	default:
		what = fmt.Sprintf("%s could not be asked: %v", s.at, err)
	}
	return &faultError{what: what, err: err}
}

func triesText(n int) string {
	if n == 1 {
		return "one try"
	}
	return fmt.Sprintf("%d tries", n)
}

func (s *session) credential() string {
	if s.target.Version == snmp.V3 {
		return "user"
	}
	return "community"
}

// varbind turns the library's form into ours. It is false for what stands for
// a missing value and for what the library could not decode.
func varbind(v gosnmp.SnmpPDU) (out snmp.Varbind, ok bool) {
	name, err := snmp.ParseOID(v.Name)
	if err != nil {
		return out, false
	}
	switch value := v.Value.(type) {
	case int:
		if v.Type == gosnmp.Integer && int64(value) == int64(int32(value)) {
			return snmp.Integer(name, int32(value)), true
		}
	case uint:
		return unsigned(name, v.Type, uint64(value))
	case uint32:
		return unsigned(name, v.Type, uint64(value))
	case uint64:
		return unsigned(name, v.Type, value)
	case float32:
		return snmp.Double(name, float64(value)), v.Type == gosnmp.OpaqueFloat
	case float64:
		return snmp.Double(name, value), v.Type == gosnmp.OpaqueDouble
	case []byte:
		if v.Type == gosnmp.OctetString || v.Type == gosnmp.BitString {
			return snmp.Octets(name, slices.Clone(value)), true
		}
	case string:
		return worded(name, v.Type, value)
	}
	return out, false
}

func unsigned(name snmp.OID, kind gosnmp.Asn1BER, v uint64) (snmp.Varbind, bool) {
	switch kind {
	case gosnmp.Counter32, gosnmp.Gauge32, gosnmp.TimeTicks, gosnmp.Counter64:
		return snmp.Unsigned(name, byte(kind), v), true
	case gosnmp.Uinteger32:
		return snmp.Unsigned(name, snmp.TagGauge32, v), true
	}
	return snmp.Varbind{}, false
}

func worded(name snmp.OID, kind gosnmp.Asn1BER, v string) (out snmp.Varbind, ok bool) {
	switch kind {
	case gosnmp.ObjectIdentifier:
		oid, err := snmp.ParseOID(v)
		return snmp.Identifier(name, oid), err == nil
	case gosnmp.IPAddress:
		addr, err := netip.ParseAddr(v)
		return snmp.Address(name, addr), err == nil
	case gosnmp.OctetString:
		return snmp.Octets(name, []byte(v)), true
	}
	return out, false
}
