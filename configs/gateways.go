package configs

import (
	"fmt"
	"reflect"
	"slices"
	"strings"
	"time"

	"example.net/standwatch/notify"
	"example.net/standwatch/notify/hook"
	"example.net/standwatch/notify/incoming"
	"example.net/standwatch/notify/mail"
	"example.net/standwatch/notify/modem"
	"example.net/standwatch/notify/smpp"
	"example.net/standwatch/notify/smshttp"
	"example.net/standwatch/notify/snpp"
	"example.net/standwatch/notify/tap"
	"example.net/standwatch/notify/tty"
)

// Gateway is a way to tell people. Exactly one of the options is set. They
// hold the gateway's secrets in the clear, as the channel needs them; they must
// not be printed.
type Gateway struct {
	Name  string
	Mail  *mail.Options
	SMS   *smshttp.Options
	SMPP  *smpp.Options
	Modem *modem.Options
	SNPP  *snpp.Options
	TAP   *tap.Options
	Hook  *hook.Options
	At    Pos

	Incoming *incoming.Options // what comes back over HTTP; nil: nothing
}

// Same reports whether two gateways are the same but for where they stand.
func (g Gateway) Same(other Gateway) bool {
	g.At, other.At = Pos{}, Pos{}
	return reflect.DeepEqual(g, other)
}

// gatewaysOf returns the gateways, once for those who send and once for the
// plan.
func (c *compiler) gatewaysOf(list entries[gatewayShape]) (gateways []Gateway, named []notify.Gateway) {
	for i := range list {
		e := &list[i]
		g := Gateway{Name: e.Key, At: e.At.pos()}
		kind, ok := c.gateway(&g, &e.V)
		if !ok {
			c.out.mistake(e.At, fmt.Sprintf("gateway %s must be exactly one of %s", e.Key, kindList()), "write mail: {host: ..., from: ...} or sms-http: {url: ..., body: ...} or another of them under it")
			continue
		}
		g.Incoming = c.incomingOf(e.V.Incoming, kind == notify.KindMail)
		gateways = append(gateways, g)
		named = append(named, notify.Gateway{Pos: notify.Pos(g.At), Name: e.Key, Kind: kind, Hears: g.Incoming != nil || kind.Hears()})
	}
	return gateways, named
}

// gateway fills in the one kind of gateway that is there; ok is false when
// there is none, or more than one.
func (c *compiler) gateway(g *Gateway, s *gatewayShape) (kind notify.Kind, ok bool) {
	var fill []func()
	add := func(there bool, k notify.Kind, f func()) {
		if there {
			kind, fill = k, append(fill, f)
		}
	}
	add(s.Mail != nil, notify.KindMail, func() { g.Mail = c.mailGateway(s.Mail) })
	add(s.SMS != nil, notify.KindSMSHTTP, func() { g.SMS = c.smsGateway(s.SMS) })
	add(s.SMPP != nil, notify.KindSMPP, func() { g.SMPP = c.smppGateway(s.SMPP) })
	add(s.Modem != nil, notify.KindModem, func() { g.Modem = c.modemGateway(s.Modem) })
	add(s.SNPP != nil, notify.KindSNPP, func() { g.SNPP = c.snppGateway(s.SNPP) })
	add(s.TAP != nil, notify.KindTAP, func() { g.TAP = c.tapGateway(s.TAP) })
	add(s.Hook != nil, notify.KindHook, func() { g.Hook = c.hookGateway(s.Hook) })
	if len(fill) != 1 {
		return "", false
	}
	fill[0]()
	return kind, true
}

func kindList() string {
	var words []string
	for _, k := range notify.Kinds() {
		words = append(words, string(k))
	}
	last := len(words) - 1
	return strings.Join(words[:last], ", ") + " and " + words[last]
}

// complain notes what a gateway's constructor found, unless a secret that could
// not be had is behind it, which is reported already.
func (c *compiler) complain(at place, err error, secrets ...secret) {
	if err == nil {
		return
	}
	for _, s := range secrets {
		if failed(s) {
			return
		}
	}
	for line := range strings.SplitSeq(err.Error(), "\n") {
		c.out.mistake(at, line, "")
	}
}

// implicitTLS reads how a protocol is secured that has no way to begin TLS
// later.
func (c *compiler) implicitTLS(s text) bool {
	words := []string{string(mail.Implicit), string(mail.None)}
	if s.Set && !slices.Contains(words, s.V) {
		c.out.mistake(s.At, "unknown way to secure the connection "+quoted(s.V), DidYouMean(s.V, words))
	}
	return s.V == string(mail.Implicit)
}

func (c *compiler) smppGateway(s *smppShape) *smpp.Options {
	o := &smpp.Options{Host: s.Host.V, Port: s.Port.V, TLS: c.implicitTLS(s.TLS), SystemID: s.SystemID.V, Password: s.Password.V.Reveal(), SystemType: s.SystemType.V,
		Service: s.Service.V, From: s.From.V, Join: smpp.Join(s.Join.V), Receipts: s.Receipts.or(true), HexReceipt: s.HexReceipt.V, Keep: s.Keep.V,
		Window: s.Window.V, PerSecond: s.PerSecond.V, Timeout: s.Timeout.V, Enquire: s.Enquire.V}
	_, err := smpp.New(*o)
	c.complain(s.Here, err, s.Password)
	return o
}

func (c *compiler) modemGateway(s *modemShape) *modem.Options {
	o := &modem.Options{Line: tty.Options{Device: s.Device.V, Baud: s.Baud.V}, PIN: s.PIN.V.Reveal(), Centre: s.Centre.V, TextMode: s.Mode.V == "text",
		Receipts: s.Receipts.or(true), Keep: s.Keep.V, Timeout: s.Timeout.V}
	if modes := []string{"pdu", "text"}; s.Mode.Set && !slices.Contains(modes, s.Mode.V) {
		c.out.mistake(s.Mode.At, "unknown mode "+quoted(s.Mode.V), DidYouMean(s.Mode.V, modes))
	}
	_, err := modem.New(*o)
	c.complain(s.Here, err, s.PIN)
	return o
}

func (c *compiler) snppGateway(s *snppShape) *snpp.Options {
	o := &snpp.Options{Host: s.Host.V, Port: s.Port.V, TLS: c.implicitTLS(s.TLS), Username: s.Username.V, Password: s.Password.V.Reveal(),
		Longest: s.Longest.V, Timeout: s.Timeout.V}
	_, err := snpp.New(*o)
	c.complain(s.Here, err, s.Password)
	return o
}

func (c *compiler) tapGateway(s *tapShape) *tap.Options {
	o := &tap.Options{Line: tty.Options{Device: s.Device.V, Baud: s.Baud.V}, Dial: s.Dial.V, Password: s.Password.V.Reveal(), Longest: s.Longest.V, Timeout: s.Timeout.V}
	_, err := tap.New(*o)
	c.complain(s.Here, err, s.Password)
	return o
}

func (c *compiler) hookGateway(s *hookShape) *hook.Options {
	o := &hook.Options{URL: s.URL.V, Secret: s.Secret.V.Reveal(), Timeout: s.Timeout.V}
	if !c.noLogin(s.URL, "the program knows us by the signature that secret: makes") {
		return o
	}
	_, err := hook.New(*o, time.Now)
	c.complain(s.Here, err, s.Secret)
	return o
}
