// Package responder plays the part of an SNMP agent that is asked: for the
// simulated remotes of the demonstration and for tests.
//
// It answers GET, GETNEXT and GETBULK of v1, v2c and v3 (RFC 1157, RFC 3416,
// RFC 3414) from a list of values, discovery included, and takes no other
// request. It is for loopback and trials: it has no views and no rate limits.
//
// [Responder.Run] owns its socket and runs on one goroutine. The values that
// Tree returns are read during one answer only.
package responder

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/netip"
	"slices"
	"sort"
	"time"

	"example.net/standwatch/receiver/snmp"
	"example.net/standwatch/receiver/usm"
)

// Options say whom a responder answers and with what.
type Options struct {
	Address     netip.AddrPort // where it listens; port 0 is any free one
	Communities []string       // v1 and v2c
	Users       []usm.User     // v3
	EngineID    []byte         // v3: its own
	Boots       uint32
	// Tree returns all values in order of their names.
	Tree func() []snmp.Varbind
	Mute func() bool // nothing is answered while true; nil: never
	Now  func() time.Time
}

// Responder answers requests.
type Responder struct {
	opts  Options
	table *usm.Table
	conn  *net.UDPConn
	dec   snmp.Decoder
}

// largest is the size in octets that an answer keeps below, so that it is not
// cut into fragments; one value goes out however large.
const largest = 1300

// noSuchName of RFC 3416 section 3.
const noSuchName = 2

// New binds the address.
func New(o Options) (*Responder, error) {
	if o.Tree == nil || o.Now == nil {
		return nil, errors.New("a responder needs Tree and Now")
	}
	r := &Responder{opts: o}
	if len(o.Users) > 0 {
		table, err := usm.NewTable(usm.Options{LocalID: o.EngineID, LocalBoots: o.Boots, Started: o.Now(), Users: o.Users})
		if err != nil {
			return nil, fmt.Errorf("responder %s: %w", o.Address, err)
		}
		r.table = table
	}
	conn, err := net.ListenUDP("udp", net.UDPAddrFromAddrPort(o.Address))
	if err != nil {
		return nil, fmt.Errorf("responder: %w", err)
	}
	r.conn = conn
	return r, nil
}

// Addr returns where it listens.
func (r *Responder) Addr() netip.AddrPort {
	return r.conn.LocalAddr().(*net.UDPAddr).AddrPort()
}

// Close frees the socket of a responder that will not be run.
func (r *Responder) Close() error { return r.conn.Close() }

// Run answers until ctx ends.
func (r *Responder) Run(ctx context.Context) error {
	stop := context.AfterFunc(ctx, func() { _ = r.conn.Close() }) // ends the read below
	defer stop()
	buf := make([]byte, 65536)
	for {
		n, from, err := r.conn.ReadFromUDPAddrPort(buf)
		switch {
		case ctx.Err() != nil:
			return nil
		case err != nil:
			// An error of an earlier answer, such as nobody listening there.
			continue
		}
		if answer, ok := r.Answer(buf[:n]); ok {
			// Whoever does not get an answer asks again.
			_, _ = r.conn.WriteToUDPAddrPort(answer, from)
		}
	}
}

// Answer returns the answer to one datagram; ok is false where there is none.
func (r *Responder) Answer(datagram []byte) (answer []byte, ok bool) {
	if r.opts.Mute != nil && r.opts.Mute() {
		return nil, false
	}
	m, err := r.dec.Parse(datagram)
	if err != nil {
		return nil, false
	}
	now := r.opts.Now()
	var req *snmp.Request
	switch {
	case m.Version == snmp.V3 && r.table != nil:
		req, err = r.dec.OpenRequest(now, r.table)
		var v usm.Verdict
		if errors.As(err, &v) {
			return r.dec.AppendReport(nil, now, r.table, v)
		}
	case m.Version != snmp.V3 && slices.Contains(r.opts.Communities, string(m.Community)):
		req, err = r.dec.Request()
	default:
		return nil, false
	}
	if err != nil {
		return nil, false
	}
	status, index, vbs := r.values(req, m.Version)
	answer, err = r.dec.AppendAnswer(nil, now, r.table, status, index, vbs)
	return answer, err == nil
}

// values returns what a request asks for. In v1 what is missing is an error,
// later it is a value of its own (RFC 3416 section 4.2).
func (r *Responder) values(req *snmp.Request, version snmp.Version) (status, index int32, vbs []snmp.Varbind) {
	tree := r.opts.Tree()
	if req.Kind == snmp.KindGetBulk {
		return 0, 0, bulk(tree, req)
	}
	for i, name := range req.Names {
		vb, ok := pick(tree, name, req.Kind == snmp.KindGetNext)
		if !ok && version == snmp.V1 {
			return noSuchName, int32(i + 1), empty(req.Names)
		}
		vbs = append(vbs, vb)
	}
	return 0, 0, vbs
}

func empty(names []snmp.OID) (vbs []snmp.Varbind) {
	for _, name := range names {
		vbs = append(vbs, snmp.Varbind{Name: []byte(name), Tag: snmp.TagNull})
	}
	return vbs
}

// pick returns the value of a name, or of the next one.
func pick(tree []snmp.Varbind, name snmp.OID, next bool) (vb snmp.Varbind, ok bool) {
	arcs := name.Arcs()
	at := sort.Search(len(tree), func(i int) bool {
		c := slices.Compare(snmp.OID(tree[i].Name).Arcs(), arcs)
		return c > 0 || c == 0 && !next
	})
	if at < len(tree) && (next || string(tree[at].Name) == string(name)) {
		return tree[at], true
	}
	return snmp.Missing(name, next), false
}

// bulk answers a GETBULK (RFC 3416 section 4.2.3) as far as it fits.
func bulk(tree []snmp.Varbind, req *snmp.Request) (vbs []snmp.Varbind) {
	size := 0
	add := func(vb snmp.Varbind) bool {
		size += len(vb.Name) + len(vb.Value) + 8
		if size > largest && len(vbs) > 0 {
			return false
		}
		vbs = append(vbs, vb)
		return true
	}
	single := min(max(int(req.NonRepeaters), 0), len(req.Names))
	for _, name := range req.Names[:single] {
		if vb, _ := pick(tree, name, true); !add(vb) {
			return vbs
		}
	}
	names := slices.Clone(req.Names[single:])
	for range req.MaxRepetitions {
		ended := true
		for i, name := range names {
			vb, ok := pick(tree, name, true)
			if !add(vb) {
				return vbs
			}
			names[i], ended = snmp.OID(vb.Name), ended && !ok
		}
		if ended {
			break
		}
	}
	return vbs
}
