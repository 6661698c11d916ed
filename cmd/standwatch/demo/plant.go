package demo

import (
	"cmp"
	"fmt"
	"math"
	"net/netip"
	"slices"
	"strings"
	"sync"
	"time"

	"example.net/standwatch/cmd/standwatch/demo/wire"
	"example.net/standwatch/correlate"
	"example.net/standwatch/receiver/audit/responder"
	"example.net/standwatch/receiver/snmp"
	"example.net/standwatch/receiver/usm"
)

// plant is what a remote knows of its site, whether or not its reports arrive.
type plant struct {
	mu      sync.Mutex // guards the rest
	started time.Time
	now     func() time.Time
	alarms  map[int]bool // contacts, by number: in alarm
	analogs map[int]int  // tenths of the unit
	links   map[int]bool // interfaces: up; empty for a remote without any
}

// note enters what happens at the site.
func (p *plant) note(a act, point *correlate.Point) {
	p.mu.Lock()
	defer p.mu.Unlock()
	switch a.do {
	case closes, loses:
		p.alarms[point.Number] = true
	case opens:
		p.alarms[point.Number] = false
	case reads:
		p.analogs[point.Number] = int(math.Round(a.value * 10))
	case drops, restores:
		p.links[int(a.value)] = a.do == restores
	}
}

// interfaces is how many a remote with links has.
const interfaces = 12

// standard fills in a site where all is well.
func (p *plant) standard(s *correlate.Site) {
	p.alarms, p.analogs, p.links = map[int]bool{}, map[int]int{}, map[int]bool{}
	for _, point := range s.Points {
		switch {
		case point.Kind == correlate.Link:
			for i := range interfaces {
				p.links[i+1] = true
			}
		case point.Number == 0:
		case point.Kind == correlate.Discrete:
			p.alarms[point.Number] = false
		case point.Kind == correlate.Analog:
			p.analogs[point.Number] = usual(point)
		}
	}
}

// usual is a reading in tenths that is within the limits of a point and
// plausible.
func usual(p *correlate.Point) int {
	low, high := -100.0, 100.0
	if p.PlausibleMin != nil {
		low = *p.PlausibleMin
	}
	if p.PlausibleMax != nil {
		high = *p.PlausibleMax
	}
	if l := cmp.Or(p.Limits.Low, p.Limits.LowLow); l != nil {
		low = l.At
	}
	if l := cmp.Or(p.Limits.High, p.Limits.HighHigh); l != nil {
		high = l.At
		low = max(low, min(0, high)) // what has a high limit alone is near nothing
	}
	return int(math.Round(5 * (low + high)))
}

// tree is all that the remote answers, in order of the names.
func (p *plant) tree() []snmp.Varbind {
	p.mu.Lock()
	defer p.mu.Unlock()
	integer := func(name string, v int) snmp.Varbind {
		return snmp.Integer(snmp.MustOID(strings.TrimPrefix(name, ".")), int32(v))
	}
	ticks := uint64(p.now().Sub(p.started) / (10 * time.Millisecond))
	out := []snmp.Varbind{snmp.Unsigned(snmp.MustOID("1.3.6.1.2.1.1.3.0"), snmp.TagTimeTicks, ticks)}
	for i, up := range p.links {
		state := ifDown
		if up {
			state = ifUp
		}
		out = append(out, integer(fmt.Sprintf("%s7.%d", ifTable, i), ifUp), integer(fmt.Sprintf("%s8.%d", ifTable, i), state))
	}
	for n, alarm := range p.alarms {
		state := contactNormal
		if alarm {
			state = contactAlarm
		}
		out = append(out, integer(fmt.Sprintf("%s%d", objContactState, n), state))
	}
	for n, tenths := range p.analogs {
		out = append(out, integer(fmt.Sprintf("%s%d", objAnalogValue, n), tenths))
	}
	slices.SortFunc(out, func(a, b snmp.Varbind) int { return slices.Compare(snmp.OID(a.Name).Arcs(), snmp.OID(b.Name).Arcs()) })
	return out
}

// answer binds the port at which a remote is asked; 0 takes any free one.
func (a *actor) answer(net *correlate.Network, port uint16, now func() time.Time) (err error) {
	a.plant.started, a.plant.now = now(), now
	a.plant.standard(net.Site(a.Site))
	o := responder.Options{Address: netip.AddrPortFrom(a.Address, port), Tree: a.plant.tree, Mute: a.silent.Load, Now: now}
	if a.Version == snmp.V3 {
		l := a.Login
		o.Users = []usm.User{{Name: l.User, Auth: l.Auth, AuthPass: l.AuthSecret, Priv: l.Priv, PrivPass: l.PrivSecret}}
		o.EngineID, o.Boots = l.EngineID, wire.Boots(a.plant.started)
		if len(o.EngineID) == 0 {
			// Enterprise 32473 (RFC 5612), format 5: octets of its own (RFC 3411).
			o.EngineID = append([]byte("\x80\x00\x7e\xd9\x05"), a.Address.AsSlice()...)
		}
	} else {
		o.Communities = []string{a.Community}
	}
	if a.answers, err = responder.New(o); err != nil {
		return fmt.Errorf("remote %s: %w", a.Agent, err)
	}
	return nil
}
