package configs

import (
	"fmt"
	"maps"
	"os"
	"slices"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/notify/northbound"
	"example.net/standwatch/notify/syslog"
)

type forwardShape struct {
	Here    place        `yaml:"-"`
	SNMP    *northShape  `yaml:"snmp" jsonschema_description:"As SNMP notifications of RFC 3877."`
	Syslog  *syslogShape `yaml:"syslog" jsonschema_description:"As syslog messages of RFC 5424 with the alarm element of RFC 5674."`
	AtLeast severity     `yaml:"at-least" jsonschema_description:"Alarms that rise less severe than this are left out."`
}

type northShape struct {
	Here       place   `yaml:"-"`
	Host       text    `yaml:"host" jsonschema_description:"Name or address of the other manager."`
	Port       integer `yaml:"port" jsonschema_description:"Default 162."`
	Inform     truth   `yaml:"inform" jsonschema_description:"Whether to send informs, which are answered, in place of traps; default yes."`
	Community  secret  `yaml:"secret-community" jsonschema_description:"Community, for v2c."`
	User       text    `yaml:"user" jsonschema_description:"Name of a user under security.users, for v3."`
	Enterprise text    `yaml:"enterprise" jsonschema_description:"OID of your own enterprise, under which resources are named; default 1.3.6.1.4.1.32473, which is for documentation."`
	Timeout    span    `yaml:"timeout" jsonschema_description:"For the answer to one inform; default 3s."`
}

type syslogShape struct {
	Here      place   `yaml:"-"`
	Host      text    `yaml:"host" jsonschema_description:"Name or address of the collector."`
	Port      integer `yaml:"port" jsonschema_description:"Default 6514 for tls, else 514."`
	Transport text    `yaml:"transport" jsonschema_description:"tls (default), tcp or udp."`
	Facility  integer `yaml:"facility" jsonschema_description:"1 to 23; default 16, which is local0."`
}

// Forward is another manager that is told of alarms. Exactly one of SNMP and
// Syslog is set. The options hold secrets in the clear; they must not be
// printed.
type Forward struct {
	Name    string
	SNMP    *northbound.Options
	Syslog  *syslog.Options
	AtLeast correlate.Severity
	At      Pos
}

func (c *compiler) forwardOf(list entries[forwardShape]) (out []Forward) {
	for i := range list {
		e := &list[i]
		f := Forward{Name: e.Key, AtLeast: e.V.AtLeast.V, At: e.At.pos()}
		switch {
		case (e.V.SNMP == nil) == (e.V.Syslog == nil):
			c.out.mistake(e.At, fmt.Sprintf("%s must be exactly one of snmp and syslog", e.Key), "write snmp: {host: ..., user: ...} or syslog: {host: ...} under it")
			continue
		case e.V.SNMP != nil:
			f.SNMP = c.northOf(e.V.SNMP)
		default:
			f.Syslog = c.syslogOf(e.V.Syslog)
		}
		out = append(out, f)
	}
	return out
}

func (c *compiler) northOf(s *northShape) *northbound.Options {
	o := &northbound.Options{Host: s.Host.V, Port: s.Port.V, Inform: s.Inform.or(true), Community: s.Community.V.Reveal(), Enterprise: s.Enterprise.V, Timeout: s.Timeout.V}
	if s.User.Set {
		u := c.users[s.User.V]
		if u == nil {
			c.out.mistake(s.User.At, "there is no user "+quoted(s.User.V)+" under security.users", DidYouMean(s.User.V, slices.Sorted(maps.Keys(c.users))))
			return o
		}
		o.User, o.AuthSecret, o.PrivSecret = u.Name, u.AuthPass, u.PrivPass
		if o.AuthSecret != "" {
			o.Auth = u.Auth.String()
		}
		if o.PrivSecret != "" {
			o.Priv = u.Priv.String()
		}
	}
	_, err := northbound.New(*o, northbound.Identity{Now: time.Now})
	c.complain(s.Here, err, s.Community)
	return o
}

func (c *compiler) syslogOf(s *syslogShape) *syslog.Options {
	host, _ := os.Hostname() // without one the header has none
	o := &syslog.Options{Host: s.Host.V, Port: s.Port.V, Transport: syslog.Transport(s.Transport.V), Facility: s.Facility.V, Hostname: host}
	if s.Transport.Set && !slices.Contains(syslog.Transports(), s.Transport.V) {
		c.out.mistake(s.Transport.At, "unknown transport "+quoted(s.Transport.V), DidYouMean(s.Transport.V, syslog.Transports()))
		return o
	}
	_, err := syslog.New(*o)
	c.complain(s.Here, err)
	return o
}
