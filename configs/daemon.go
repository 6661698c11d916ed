package configs

import (
	"fmt"
	"net/netip"
	"slices"
	"strconv"
	"strings"
	"time"

	"example.net/standwatch/notify/mail"
	"example.net/standwatch/notify/smshttp"
	"example.net/standwatch/receiver"
)

// What holds when standwatch.yaml says nothing else.
const (
	defaultFolder = "/var/lib/standwatch"
	defaultHold   = 10 * time.Second
	defaultGrace  = 30 * time.Second
)

// Centre is the operations centre.
type Centre struct {
	Name string
	Zone *time.Location
}

func (c *compiler) centreOf(s centreShape) Centre {
	c.centre = c.zone(s.TimeZone)
	return Centre{Name: s.Name.or("Standwatch"), Zone: c.centre}
}

func (c *compiler) setDefaults(s *defaultsShape) {
	c.defaults = pointDefaults{raiseAfter: s.RaiseAfter.or(0), clearAfter: s.ClearAfter.or(0), reAlarm: s.ReAlarm.or(0), hold: s.Hold.or(defaultHold)}
	c.agentsBy = agentDefaults{heartbeat: s.Heartbeat.or(0), grace: s.Grace.or(defaultGrace)}
	if s.Flap == nil {
		c.defaults.flap = c.flapDefault()
		return
	}
	c.defaults.flap, c.defaults.flapCount = c.flapSettings(s.Flap)
}

// listenersOf returns the sockets and who may speak at them.
func (c *compiler) listenersOf(s *trapsShape) (listeners []receiver.Listener, policies []receiver.Policy) {
	at, tls := map[netip.AddrPort]string{}, map[netip.AddrPort]bool{}
	for i := range s.Listeners {
		e := &s.Listeners[i]
		l := receiver.Listener{Name: e.Key, Address: e.V.Address.V, Interface: e.V.Interface.V, Buffer: int(e.V.Buffer.V), Readers: e.V.Readers.V}
		if !e.V.Address.Set && e.V.Address.At.src == nil {
			c.out.mistake(e.At, fmt.Sprintf("listener %s has no address", e.Key), "write address: 0.0.0.0:162")
		}
		if l.Readers < 0 || l.Readers > 64 {
			c.out.mistake(e.V.Readers.At, "readers are 1 to 64", "one is enough below some 100,000 datagrams a second")
		}
		if other := at[l.Address]; other != "" && tls[l.Address] == (e.V.TLS != nil) && l.Address.Port() != 0 && l.Interface == "" {
			c.out.mistake(e.V.Address.At, fmt.Sprintf("listeners %s and %s have the same address", other, e.Key), "remove one, or use readers:")
		}
		at[l.Address], tls[l.Address] = e.Key, e.V.TLS != nil
		p := receiver.Policy{Listener: e.Key, Allow: values(e.V.Allow), Relays: values(e.V.Relays)}
		if e.V.TLS != nil {
			l.TLS, p.TLS = true, c.listenerTLS(e)
		}
		for _, name := range e.V.Community {
			if secret, ok := c.community(name); ok {
				p.Communities = append(p.Communities, receiver.Secret(secret.Reveal()))
			}
		}
		listeners, policies = append(listeners, l), append(policies, p)
	}
	if len(s.Listeners) > 0 {
		return listeners, policies
	}
	for name, address := range map[string]string{"ipv4": "0.0.0.0:162", "ipv6": "[::]:162"} {
		listeners = append(listeners, receiver.Listener{Name: name, Address: netip.MustParseAddrPort(address)})
		policies = append(policies, receiver.Policy{Listener: name})
	}
	slices.SortFunc(listeners, func(a, b receiver.Listener) int { return strings.Compare(a.Name, b.Name) })
	slices.SortFunc(policies, func(a, b receiver.Policy) int { return strings.Compare(a.Listener, b.Listener) })
	return listeners, policies
}

func values[T any](l list[val[T]]) []T {
	var out []T
	for _, v := range l {
		if v.Set {
			out = append(out, v.V)
		}
	}
	return out
}

func (c *compiler) mailGateway(s *mailShape) *mail.Options {
	o := &mail.Options{Host: s.Host.V, Port: s.Port.V, TLS: mail.TLS(s.TLS.V), Username: s.Username.V, Password: s.Password.V.Reveal(),
		From: s.From.V, Name: s.Name.V, Hello: s.Hello.V, Timeout: s.Timeout.V}
	if words := []string{string(mail.StartTLS), string(mail.Implicit), string(mail.None)}; s.TLS.Set && !slices.Contains(words, s.TLS.V) {
		c.out.mistake(s.TLS.At, "unknown way to secure the connection "+quoted(s.TLS.V), DidYouMean(s.TLS.V, words))
		return o
	}
	if s.Port.Set && (s.Port.V < 1 || s.Port.V > 65535) {
		c.out.mistake(s.Port.At, strconv.Itoa(s.Port.V)+" is no port", "a port is 1 to 65535")
		return o
	}
	if _, err := mail.New(*o); err != nil && !failed(s.Password) {
		c.out.mistake(s.Here, err.Error(), "")
	}
	return o
}

// failed reports whether a secret was given but could not be had.
func failed(s secret) bool { return s.At.src != nil && !s.Set }

func (c *compiler) smsGateway(s *smsShape) *smshttp.Options {
	o := &smshttp.Options{Method: s.Method.V, URL: s.URL.V, Headers: map[string]string{}, Body: s.Body.V, ContentType: s.ContentType.V,
		Username: s.Username.V, Password: s.Password.V.Reveal(), From: s.From.V, Accept: values(s.Accept), IDPath: s.IDPath.V, OKPath: s.OKPath.V,
		OKValues: values(s.OKValues), Timeout: s.Timeout.V}
	broken := failed(s.Password)
	for _, h := range s.Headers {
		o.Headers[h.Key] = h.V.V
	}
	for _, h := range s.Secrets {
		o.Headers[h.Key] = h.V.V.Reveal()
		broken = broken || failed(h.V)
	}
	if good := c.noLogin(s.URL, "use username: and password:, or secret-headers:"); !c.openHeaders(s.Headers) || !good {
		return o
	}
	if _, err := smshttp.New(*o); err != nil && !broken {
		c.out.mistake(s.Here, err.Error(), "")
	}
	return o
}
