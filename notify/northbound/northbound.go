// Package northbound hands alarms to another manager as SNMP notifications:
// alarmActiveState when an alarm rises or changes, alarmClearState when it ends
// (RFC 3877), as traps or informs of v2c or v3.
//
// Guarantee: one change is one notification, sent once a call. An inform counts
// as taken when it was answered; a trap when it was sent, and nobody knows
// whether it arrived: use informs where the other side can answer.
//
// What stands in a notification beside sysUpTime.0 and snmpTrapOID.0:
//
//	alarmActiveModelPointer   alarmModelNotificationId."".cause.state
//	alarmActiveResourceId     enterprise.1, then site, point and instance, each as
//	                          its length and its octets; what would be too long
//	                          becomes enterprise.2 and eight octets of a SHA-256
//	alarmActiveDescription    the alarm's text
//	ituAlarmProbableCause     the cause's number (IANAItuProbableCause); its index
//	                          ends with the severity as ItuPerceivedSeverity
//	ituAlarmAdditionalText    the alarm's ID and the names of site and point
//
// cause, which is also alarmModelIndex, is the number of the probable cause, and
// state is alarmModelState: 1 clear, 2 indeterminate, 3 warning, 4 minor, 5
// major, 6 critical. The alarm list has the empty name. The rows of the active
// table are named by the time of the change and a number that follows from the
// alarm. They are names only: this program answers no SNMP request, so another
// manager cannot fetch them.
//
// The two seconds that RFC 3877 wants between like notifications of one
// resource, with what comes sooner thrown away, are not kept: nothing may be
// lost here, and flapping is dealt with before.
//
// OIDs and indexes were checked against the compiled ALARM-MIB and
// ITU-ALARM-MIB; that 2 to 6 are the severities' states is from memory of RFC
// 3877 section 5.4.
//
// A Sender belongs to one goroutine.
package northbound

import (
	"cmp"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"hash/crc32"
	"strconv"
	"strings"
	"time"

	"github.com/gosnmp/gosnmp"

	"example.net/standwatch/correlate"
	"example.net/standwatch/notify/forward"
)

// DefaultTimeout is how long an answer to one inform is waited for, Tries how
// often it is sent.
const (
	DefaultTimeout = 3 * time.Second
	DefaultTries   = 3
)

// DocumentationEnterprise is the enterprise under which resources are named
// unless another is configured (RFC 5612).
const DocumentationEnterprise = "1.3.6.1.4.1.32473"

// Options describe another manager.
type Options struct {
	Host       string
	Port       int // 0 means 162
	Inform     bool
	Community  string // v2c; set either this or User
	User       string // v3
	Auth       string // "", "md5", "sha1", "sha224", "sha256", "sha384" or "sha512"
	AuthSecret string
	Priv       string // "", "des", "aes128", "aes192" or "aes256"
	PrivSecret string
	Enterprise string // dotted; empty means DocumentationEnterprise
	Timeout    time.Duration
	Tries      int
}

// Identity is who we are to SNMP. A trap of v3 is sent under our own engine ID,
// whose boots never go back (RFC 3414 section 2.2).
type Identity struct {
	EngineID []byte
	Boots    uint32
	Started  time.Time // of this run
	Now      func() time.Time
	// Cause returns the number of a probable cause.
	Cause func(mnemonic string) int
}

// Sender sends notifications.
type Sender struct {
	o    Options
	id   Identity
	snmp *gosnmp.GoSNMP // nil when not open
}

var authentications = map[string]gosnmp.SnmpV3AuthProtocol{"": gosnmp.NoAuth, "md5": gosnmp.MD5, "sha1": gosnmp.SHA, "sha224": gosnmp.SHA224,
	"sha256": gosnmp.SHA256, "sha384": gosnmp.SHA384, "sha512": gosnmp.SHA512}

var privacies = map[string]gosnmp.SnmpV3PrivProtocol{"": gosnmp.NoPriv, "des": gosnmp.DES, "aes128": gosnmp.AES, "aes192": gosnmp.AES192, "aes256": gosnmp.AES256}

// New checks the options and returns a sender. It opens nothing.
func New(o Options, id Identity) (*Sender, error) {
	o.Port = cmp.Or(o.Port, 162)
	o.Timeout = cmp.Or(o.Timeout, DefaultTimeout)
	o.Tries = cmp.Or(o.Tries, DefaultTries)
	o.Enterprise = strings.TrimPrefix(cmp.Or(o.Enterprise, DocumentationEnterprise), ".")
	if err := o.check(); err != nil {
		return nil, err
	}
	return &Sender{o: o, id: id}, nil
}

func (o *Options) check() error {
	var errs []error
	check := func(bad bool, what string) {
		if bad {
			errs = append(errs, errors.New(what))
		}
	}
	_, auth := authentications[o.Auth]
	_, priv := privacies[o.Priv]
	check(o.Host == "", "another manager needs a host")
	check(o.Port < 1 || o.Port > 65535, "a port is 1 to 65535")
	check((o.Community == "") == (o.User == ""), "another manager is told with either a community or a user")
	check(!auth, "unknown authentication "+strconv.Quote(o.Auth))
	check(!priv, "unknown privacy "+strconv.Quote(o.Priv))
	check(o.Priv != "" && o.Auth == "", "privacy needs authentication (RFC 3414 section 1.4)")
	check(o.Auth != "" && len(o.AuthSecret) < 8 || o.Priv != "" && len(o.PrivSecret) < 8, "a passphrase has at least 8 octets (RFC 3414 section 11.2)")
	check(!dotted(o.Enterprise), "the enterprise is no OID such as 1.3.6.1.4.1.32473")
	check(o.Timeout < 0 || o.Tries < 1 || o.Tries > 10, "the timeout or tries are out of range")
	return errors.Join(errs...)
}

func dotted(oid string) bool {
	arcs := strings.Split(oid, ".")
	for _, a := range arcs {
		if _, err := strconv.ParseUint(a, 10, 32); err != nil {
			return false
		}
	}
	return len(arcs) >= 7 && len(arcs) <= 20 && strings.HasPrefix(oid, "1.3.6.1.4.1.")
}

// Send sends one notification.
func (s *Sender) Send(ctx context.Context, c forward.Change) error {
	if s.snmp == nil {
		if err := s.open(); err != nil {
			return err
		}
	}
	s.snmp.Context = ctx
	s.stamp()
	_, err := s.snmp.SendTrap(gosnmp.SnmpTrap{Variables: s.variables(c), IsInform: s.o.Inform})
	if err != nil {
		// The next one begins anew, with a discovery where it takes one.
		s.Close()
		return fmt.Errorf("notify %s: %w", s.o.Host, err)
	}
	return nil
}

// Close closes the socket.
func (s *Sender) Close() {
	if s.snmp != nil && s.snmp.Conn != nil {
		_ = s.snmp.Conn.Close() // nothing is left to lose
	}
	s.snmp = nil
}

func (s *Sender) open() error {
	g := &gosnmp.GoSNMP{Target: s.o.Host, Port: uint16(s.o.Port), Transport: "udp", Timeout: s.o.Timeout, Retries: s.o.Tries - 1, MaxOids: 60, Version: gosnmp.Version2c, Community: s.o.Community}
	if s.o.User != "" {
		g.Version, g.SecurityModel, g.MsgFlags = gosnmp.Version3, gosnmp.UserSecurityModel, gosnmp.NoAuthNoPriv
		if s.o.Auth != "" {
			g.MsgFlags = gosnmp.AuthNoPriv
		}
		if s.o.Priv != "" {
			g.MsgFlags = gosnmp.AuthPriv
		}
		p := &gosnmp.UsmSecurityParameters{UserName: s.o.User, AuthenticationProtocol: authentications[s.o.Auth], AuthenticationPassphrase: s.o.AuthSecret,
			PrivacyProtocol: privacies[s.o.Priv], PrivacyPassphrase: s.o.PrivSecret}
		if !s.o.Inform {
			p.AuthoritativeEngineID = string(s.id.EngineID)
		}
		g.SecurityParameters = p
	}
	if err := g.Connect(); err != nil {
		return fmt.Errorf("open a way to %s: %w", s.o.Host, err)
	}
	s.snmp = g
	return nil
}

// stamp sets our own time for a trap of v3; an inform's is the other side's.
func (s *Sender) stamp() {
	p, v3 := s.snmp.SecurityParameters.(*gosnmp.UsmSecurityParameters)
	if v3 && !s.o.Inform {
		p.AuthoritativeEngineBoots = s.id.Boots
		p.AuthoritativeEngineTime = uint32(max(0, s.id.Now().Sub(s.id.Started)) / time.Second)
	}
}

// OIDs of RFC 3877.
const (
	sysUpTime      = ".1.3.6.1.2.1.1.3.0"
	snmpTrapOID    = ".1.3.6.1.6.3.1.1.4.1.0"
	activeState    = ".1.3.6.1.2.1.118.0.2"
	clearState     = ".1.3.6.1.2.1.118.0.3"
	modelEntry     = ".1.3.6.1.2.1.118.1.1.2.1."
	activeEntry    = ".1.3.6.1.2.1.118.1.2.2.1."
	ituEntry       = ".1.3.6.1.2.1.121.1.1.1.1."
	modelNotice    = "3"
	activeResource = "10"
	activeText     = "11"
	activeModel    = "13"
	ituCause       = "3"
	ituText        = "4"
)

func (s *Sender) variables(c forward.Change) []gosnmp.SnmpPDU {
	notice := activeState
	if c.Severity == correlate.Cleared {
		notice = clearState
	}
	cause := strconv.Itoa(s.cause(c.Cause))
	row := "." + activeIndex(c)
	itu := ".0." + cause + "." + strconv.Itoa(itu(c.Severity))
	about := fmt.Sprintf("%s (%s, %s)", c.Key.ID(), cmp.Or(c.Site, string(c.Key.Site)), cmp.Or(c.Point, string(c.Key.Point)))
	return []gosnmp.SnmpPDU{
		{Name: sysUpTime, Type: gosnmp.TimeTicks, Value: uint32(max(0, s.id.Now().Sub(s.id.Started)) / (10 * time.Millisecond))},
		{Name: snmpTrapOID, Type: gosnmp.ObjectIdentifier, Value: notice},
		{Name: activeEntry + activeModel + row, Type: gosnmp.ObjectIdentifier, Value: modelEntry + modelNotice + ".0." + cause + "." + strconv.Itoa(state(c.Severity))},
		{Name: activeEntry + activeResource + row, Type: gosnmp.ObjectIdentifier, Value: "." + s.resource(c.Key)},
		{Name: activeEntry + activeText + row, Type: gosnmp.OctetString, Value: fit(c.Text)},
		{Name: ituEntry + ituCause + itu, Type: gosnmp.Integer, Value: s.cause(c.Cause)},
		{Name: ituEntry + ituText + itu, Type: gosnmp.OctetString, Value: fit(about)},
	}
}

// fit keeps a text within SnmpAdminString (RFC 3411: 255 octets of UTF-8).
func fit(text string) []byte {
	text = strings.ToValidUTF8(text, "?")
	return []byte(strings.ToValidUTF8(text[:min(len(text), 255)], ""))
}

// otherCause is the number of "other".
const otherCause = 1024

func (s *Sender) cause(mnemonic string) int {
	if s.id.Cause == nil {
		return otherCause
	}
	return cmp.Or(s.id.Cause(mnemonic), otherCause)
}

// state is alarmModelState.
func state(s correlate.Severity) int {
	return map[correlate.Severity]int{correlate.Cleared: 1, correlate.Indeterminate: 2, correlate.Warning: 3, correlate.Minor: 4, correlate.Major: 5, correlate.Critical: 6}[s]
}

// itu is ItuPerceivedSeverity (RFC 3877, ITU-ALARM-TC-MIB), which counts the
// other way round.
func itu(s correlate.Severity) int {
	return map[correlate.Severity]int{correlate.Cleared: 1, correlate.Indeterminate: 2, correlate.Critical: 3, correlate.Major: 4, correlate.Minor: 5, correlate.Warning: 6}[s]
}

// activeIndex is the index of the row: the empty list name, the time as
// DateAndTime (RFC 2579) in UTC with its length, and a number of the alarm's.
func activeIndex(c forward.Change) string {
	t := c.At.UTC()
	arcs := []int{0, 11, t.Year() >> 8, t.Year() & 255, int(t.Month()), t.Day(), t.Hour(), t.Minute(), t.Second(), t.Nanosecond() / 1e8, '+', 0, 0}
	return join(arcs) + "." + strconv.FormatUint(uint64(crc32.ChecksumIEEE([]byte(c.Key.ID()))), 10)
}

func join(arcs []int) string {
	words := make([]string, len(arcs))
	for i, a := range arcs {
		words[i] = strconv.Itoa(a)
	}
	return strings.Join(words, ".")
}

// maxArcs bounds an OID (RFC 2578 section 3.5).
const maxArcs = 128

// resource names what an alarm is about.
func (s *Sender) resource(k correlate.Key) string {
	arcs := []int{1}
	for _, part := range []string{string(k.Site), string(k.Point), k.Instance} {
		arcs = append(arcs, len(part))
		for i := range len(part) {
			arcs = append(arcs, int(part[i]))
		}
	}
	if len(arcs)+strings.Count(s.o.Enterprise, ".")+1 > maxArcs {
		arcs = []int{2}
		sum := sha256.Sum256([]byte(k.ID()))
		for _, o := range sum[:8] {
			arcs = append(arcs, int(o))
		}
	}
	return s.o.Enterprise + "." + join(arcs)
}
