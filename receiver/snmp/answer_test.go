package snmp

import (
	"bytes"
	"math"
	"strings"
	"testing"
	"time"

	"example.net/standwatch/receiver/usm"
)

// Notes what an answer says, read with a decoder of its own.
type heard struct {
	msg     Message
	context string
	tag     byte
	id      []byte
	status  int32
	list    []byte
}

// hear takes an answer apart, decrypting it with the keys.
func hear(t *testing.T, datagram []byte, keys *usm.Keys) heard {
	t.Helper()
	var d Decoder
	m, err := d.Parse(datagram)
	if err != nil {
		t.Fatalf("%x: %v", datagram, err)
	}
	h := heard{msg: *m}
	body := m.pdu
	if m.Version == V3 {
		plain := m.Payload
		if m.Security.Level > usm.NoAuthNoPriv && !keys.Verify(m.Datagram, m.Security.MACAt, len(m.Security.MAC), nil) {
			t.Fatal("the answer's digest is wrong")
		}
		if m.Encrypted {
			var ok bool
			if plain, ok = keys.Open(nil, m.Payload, &m.Security); !ok {
				t.Fatal("the answer does not decrypt")
			}
		}
		outer := reader{b: plain}
		if body, err = outer.inside(tagSequence, BadPDU, ""); err != nil {
			t.Fatal(err)
		}
		id, _ := body.octets(TagOctetString, BadPDU, "")
		name, _ := body.octets(TagOctetString, BadPDU, "")
		h.context = string(id) + "/" + string(name)
	}
	h.tag = body.b[body.at]
	p, err := body.inside(h.tag, BadPDU, "")
	if err != nil {
		t.Fatal(err)
	}
	at := p.at
	if _, err := p.integer(BadPDU, ""); err != nil {
		t.Fatal(err)
	}
	h.id = p.b[at:p.at]
	if h.status, err = p.integer(BadPDU, ""); err != nil {
		t.Fatal(err)
	}
	if _, err = p.integer(BadPDU, ""); err != nil {
		t.Fatal(err)
	}
	h.list = p.b[p.at:]
	return h
}

// RFC 3416 section 4.2.7; Failing 10 of the twelve (twelve_test.go in package snmp): a negative request-id and
// types that are not known here come back octet for octet, in whatever form they
// came.
func TestResponseEchoes(t *testing.T) {
	list := "3081" + "3a" + vbUpTime + vbTrapOID + "300f" + "06062b0601020101" + "4a05deadbeef00"
	for _, id := range []string{"0204fffffff0", "02060000000000ff", "020100"} {
		datagram := unhex(t, seq("30", "020101"+"04067075626c6963"+seq("a6", id+"020105"+"020107"+list)))
		d, n := mustDecode(t, datagram)
		if !n.Inform {
			t.Fatal("no inform")
		}
		answer, err := d.AppendResponse([]byte("before"), time.Time{}, nil)
		if err != nil {
			t.Fatal(err)
		}
		want := unhex(t, seq("30", "020101"+"04067075626c6963"+seq("a2", id+"020100"+"020100"+list)))
		if !bytes.Equal(answer, append([]byte("before"), want...)) {
			t.Errorf("request-id %s: got %x, want %x", id, answer[6:], want)
		}
	}
}

func TestNoResponseToTraps(t *testing.T) {
	d, _ := mustDecode(t, mustAppend(t, v2c(eight()...)))
	if out, err := d.AppendResponse(nil, epoch, newTable(t, allKeys)); err == nil {
		t.Errorf("a trap was answered: %x", out)
	}
}

// Failing 9 of the twelve (twelve_test.go in package snmp): the response is not reportable and has a salt of
// its own.
func TestResponseV3(t *testing.T) {
	for _, u := range []usm.User{
		{Name: "remote"},
		{Name: "remote", Auth: usm.SHA1, AuthPass: syrup},
		{Name: "remote", Auth: usm.MD5, Priv: usm.DES, AuthPass: syrup, PrivPass: syrup},
		allKeys,
		{Name: "remote", Auth: usm.SHA512, Priv: usm.AES256, AuthPass: syrup, PrivPass: syrup},
	} {
		t.Run(u.Auth.String()+"_"+u.Priv.String(), func(t *testing.T) {
			table := newTable(t, u)
			request := mustAppend(t, secured(t, u, true, 77))
			salts := map[string]bool{}
			for round := range 3 {
				var d Decoder
				m, err := d.Parse(request)
				if err != nil {
					t.Fatal(err)
				}
				salts[string(m.Security.Salt)] = true
				n, res, err := d.Open(epoch, table)
				if err != nil || !n.Inform || !res.Local || res.Repeat != (round > 0 && u.Auth != usm.NoAuth) {
					t.Fatalf("%+v, %+v, %v", n, res, err)
				}
				list := bytes.Clone(d.list)
				out, err := d.AppendResponse(nil, epoch.Add(time.Second), table)
				if err != nil {
					t.Fatal(err)
				}
				h := hear(t, out, table.Keys(ownID, []byte("remote")))
				s := h.msg.Security
				if h.msg.Reportable || s.Level != u.Level() || h.msg.MsgID != 77 || string(s.User) != "remote" || !bytes.Equal(s.EngineID, ownID) {
					t.Errorf("%+v", h.msg)
				}
				if s.Boots != 7 || s.Time != 1001 {
					t.Errorf("boots %d, time %d", s.Boots, s.Time)
				}
				if h.tag != tagResponse || h.status != 0 || h.context != string(factsID)+"/rack" || string(h.id) != "\x02\x01\xfb" {
					t.Errorf("%+v", h)
				}
				if !bytes.HasPrefix(h.list, list) {
					t.Errorf("varbinds %x, want %x", h.list, list)
				}
				if u.Priv != usm.NoPriv && salts[string(s.Salt)] {
					t.Errorf("salt %x was used before", s.Salt)
				}
				salts[string(s.Salt)] = true
			}
		})
	}
}

// A response that the sender could not take says so instead (RFC 3416 section
// 4.2.7).
func TestResponseTooBig(t *testing.T) {
	table := newTable(t, allKeys)
	b := secured(t, allKeys, true, 1)
	b.Varbinds = append(b.Varbinds, Octets(anyName, make([]byte, 600)))
	datagram := mustAppend(t, b)
	var d Decoder
	m, err := d.Parse(datagram)
	if err != nil {
		t.Fatal(err)
	}
	if _, _, err := d.Open(epoch, table); err != nil {
		t.Fatal(err)
	}
	m.MaxSize = 500
	out, err := d.AppendResponse(nil, epoch, table)
	if err != nil || len(out) > 500 {
		t.Fatalf("%d octets, %v", len(out), err)
	}
	if h := hear(t, out, table.Keys(ownID, []byte("remote"))); h.status != tooBig || string(h.list[:2]) != "\x30\x00" {
		t.Errorf("%+v", h)
	}
}

// discovery is the request by which a sender asks for our engine ID (RFC 3414
// section 4).
func discovery(t *testing.T, engineID []byte, keys *usm.Keys, boots, seconds uint32) []byte {
	t.Helper()
	e := envelope{msgID: 4711, reportable: true, level: usm.NoAuthNoPriv, engineID: engineID, boots: boots, time: seconds}
	if keys != nil {
		e.level, e.keys, e.user = usm.AuthNoPriv, keys, []byte("remote")
	}
	out, err := e.seal(nil, scopedPDU(nil, nil, pdu{tag: 0xa0, requestID: unhex(t, "02020815"), list: []byte{tagSequence, 0}}))
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// report opens a datagram that is to be refused, and returns the report.
func reported(t *testing.T, table *usm.Table, datagram []byte, want usm.Verdict) (heard, bool) {
	t.Helper()
	var d Decoder
	if _, err := d.Parse(datagram); err != nil {
		t.Fatal(err)
	}
	_, _, err := d.Open(epoch, table)
	if err != want {
		t.Fatalf("%v, want %v", err, want)
	}
	out, ok := d.AppendReport(nil, epoch, table, want)
	if !ok {
		if len(out) != 0 {
			t.Errorf("no report, but %x", out)
		}
		return heard{}, false
	}
	return hear(t, out, table.Keys(ownID, []byte("remote"))), true
}

// counter returns what a report says.
func (h heard) counter(t *testing.T) (name string, value uint64) {
	t.Helper()
	r := reader{b: h.list}
	list, err := r.inside(tagSequence, BadPDU, "")
	if err != nil {
		t.Fatal(err)
	}
	var vb Varbind
	if _, err := vb.read(list.b, list.at); err != nil {
		t.Fatal(err)
	}
	if vb.Tag != TagCounter32 {
		t.Errorf("the counter is a %s", vb.TypeName())
	}
	value, _ = vb.Uint()
	return OID(vb.Name).String(), value
}

// RFC 3414 section 4: both steps by which a sender finds out our engine ID, boots
// and time. Failing 7 of the twelve (twelve_test.go in package snmp): the report states them and a Counter32.
func TestDiscovery(t *testing.T) {
	table := newTable(t, allKeys)
	for round := uint64(1); round <= 2; round++ {
		h, ok := reported(t, table, discovery(t, nil, nil, 0, 0), usm.UnknownEngineID)
		if !ok {
			t.Fatal("discovery was not answered")
		}
		if name, value := h.counter(t); name != "1.3.6.1.6.3.15.1.1.4.0" || value != round {
			t.Errorf("%s = %d", name, value)
		}
		s := h.msg.Security
		if h.tag != tagReport || h.msg.MsgID != 4711 || h.msg.Reportable || string(h.id) != "\x02\x02\x08\x15" || s.Level != usm.NoAuthNoPriv {
			t.Errorf("%+v", h)
		}
		if !bytes.Equal(s.EngineID, ownID) || s.Boots != 7 || s.Time != 1000 || h.context != string(ownID)+"/" {
			t.Errorf("engine %x, boots %d, time %d, context %q", s.EngineID, s.Boots, s.Time, h.context)
		}
	}
	h, ok := reported(t, table, discovery(t, ownID, keysOf(t, allKeys, ownID), 0, 0), usm.NotInTimeWindow)
	if !ok {
		t.Fatal("the time was not told")
	}
	if name, value := h.counter(t); name != "1.3.6.1.6.3.15.1.1.2.0" || value != 1 {
		t.Errorf("%s = %d", name, value)
	}
	// At authNoPriv, or the sender would not believe it (RFC 3414 section 3.2
	// step 7a); hear has verified the digest.
	if h.msg.Security.Level != usm.AuthNoPriv || h.msg.Security.Time != 1000 {
		t.Errorf("%+v", h.msg)
	}
}

// Each refusal of an inform is reported under its own counter.
func TestReports(t *testing.T) {
	strong := allKeys
	weak := usm.User{Name: "weak", Auth: usm.SHA256, AuthPass: syrup}
	wrong := strong
	wrong.AuthPass = "another syrup"
	unread := strong
	unread.PrivPass = "another syrup"
	nobody := strong
	nobody.Name = "nobody"
	above := strong
	above.Name = "weak"
	for _, tc := range []struct {
		name    string
		user    usm.User
		change  func(*Build)
		want    usm.Verdict
		counter string
	}{
		{"engine", strong, func(b *Build) { b.Secure.EngineID = []byte("\x80\x00\x7e\xd9\x04other") }, usm.UnknownEngineID, "1.3.6.1.6.3.15.1.1.4.0"},
		{"sender_authoritative", strong, func(b *Build) { b.Secure.EngineID, b.Secure.Keys = factsID, keysOf(t, strong, factsID) }, usm.NotAuthoritative, "1.3.6.1.6.3.15.1.1.4.0"},
		{"user", nobody, nil, usm.UnknownUserName, "1.3.6.1.6.3.15.1.1.3.0"},
		{"level", above, nil, usm.UnsupportedSecLevel, "1.3.6.1.6.3.15.1.1.1.0"},
		{"digest", wrong, nil, usm.WrongDigest, "1.3.6.1.6.3.15.1.1.5.0"},
		{"privacy", unread, nil, usm.DecryptionError, "1.3.6.1.6.3.15.1.1.6.0"},
		{"minimum", strong, func(b *Build) { b.Secure.Level = usm.AuthNoPriv }, usm.BelowMinLevel, ""},
	} {
		t.Run(tc.name, func(t *testing.T) {
			table := newTable(t, strong, weak)
			b := secured(t, tc.user, true, 3)
			if tc.change != nil {
				tc.change(&b)
			}
			datagram := mustAppend(t, b)
			h, ok := reported(t, table, datagram, tc.want)
			if ok != (tc.counter != "") {
				t.Fatalf("reported %v", ok)
			}
			if !ok {
				return
			}
			if name, value := h.counter(t); name != tc.counter || value != 1 {
				t.Errorf("%s = %d, want %s = 1", name, value, tc.counter)
			}
			if h.msg.Reportable || h.msg.Security.Level != usm.NoAuthNoPriv || h.msg.Security.Boots != 7 {
				t.Errorf("%+v", h.msg)
			}
		})
	}
}

// A request that we do not serve, of a user that may ask (RFC 3412 section 7.2
// step 13).
func TestReportOfUnknownPDU(t *testing.T) {
	u := usm.User{Name: "remote", Auth: usm.SHA256, AuthPass: syrup}
	table := newTable(t, u)
	h, ok := reported(t, table, discovery(t, ownID, keysOf(t, u, ownID), 7, 1000), usm.UnknownPDUHandler)
	if !ok {
		t.Fatal("not reported")
	}
	if name, value := h.counter(t); name != "1.3.6.1.6.3.11.2.1.3.0" || value != 1 {
		t.Errorf("%s = %d", name, value)
	}
	if h.msg.Security.Level != usm.AuthNoPriv {
		t.Errorf("level %v", h.msg.Security.Level)
	}
}

// A trap asks for no report, and gets none.
func TestNoReportToTraps(t *testing.T) {
	table := newTable(t, allKeys)
	b := secured(t, allKeys, false, 3)
	b.Secure.EngineID = []byte("\x80\x00\x7e\xd9\x04other")
	if _, ok := reported(t, table, mustAppend(t, b), usm.UnknownEngineID); ok {
		t.Error("a trap was reported")
	}
	// Not even one that claims to be reportable, outside the window of its own
	// engine (RFC 3414 section 3.2 step 7b).
	late := secured(t, allKeys, false, 4)
	late.Secure.Boots = 0
	if _, err := open(t, table, mustAppend(t, secured(t, allKeys, false, 5))); err != nil {
		t.Fatal(err)
	}
	datagram := mustAppend(t, late)
	if _, ok := reported(t, table, datagram, usm.NotInTimeWindow); ok {
		t.Error("a late trap was reported")
	}
}

func open(t testing.TB, table *usm.Table, datagram []byte) (*Notification, error) {
	t.Helper()
	var d Decoder
	if _, err := d.Parse(datagram); err != nil {
		t.Fatalf("%x: %v", datagram, err)
	}
	n, _, err := d.Open(epoch, table)
	return n, err
}

// Some senders ask for our engine ID before they send a trap, and then send it
// under that (libnet-snmp-perl). Such a trap is in our window, and taken once.
func TestTrapUnderOwnEngine(t *testing.T) {
	table := newTable(t, allKeys)
	b := secured(t, allKeys, true, 9)
	b.Inform = false
	datagram := mustAppend(t, b)
	if _, err := open(t, table, datagram); err != nil {
		t.Error(err)
	}
	if _, err := open(t, table, datagram); err != usm.Replayed {
		t.Error(err)
	}
}

// Octets that a cipher or a library leaves after the scoped PDU (pysnmp leaves
// nine) are nobody's.
func TestPaddingAfterScopedPDU(t *testing.T) {
	table := newTable(t, allKeys)
	b := secured(t, allKeys, false, 1)
	keys := b.Secure.Keys
	e := envelope{msgID: 1, level: usm.AuthPriv, engineID: factsID, boots: 1, time: 100, user: []byte("remote"), keys: keys, salt: 1}
	p := pdu{tag: tagTrapV2, requestID: unhex(t, "020101"), list: unhex(t, seq("30", vbUpTime+vbTrapOID))}
	datagram, err := e.seal(nil, append(scopedPDU(nil, nil, p), make([]byte, 9)...))
	if err != nil {
		t.Fatal(err)
	}
	n, err := open(t, table, append(datagram, "trailing"...))
	if err != nil || OID(n.TrapOID) != coldTrap {
		t.Errorf("%+v, %v", n, err)
	}
}

func TestReopenKept(t *testing.T) {
	table := newTable(t, allKeys)
	datagram := mustAppend(t, secured(t, allKeys, false, 1))
	if _, err := open(t, table, datagram); err != nil {
		t.Fatal(err)
	}
	var d Decoder
	if _, err := d.Parse(datagram); err != nil {
		t.Fatal(err)
	}
	if n, err := d.Reopen(table); err != nil || OID(n.TrapOID) != anyTrap || len(n.Varbinds) != 8 {
		t.Errorf("%+v, %v", n, err)
	}
}

func TestBuildRoundTrip(t *testing.T) {
	more := append(eight(), Unsigned(anyName, TagCounter64, math.MaxUint64), Double(anyName, -53.4), Varbind{Name: []byte(anyName), Tag: TagNull})
	b := v2c(more...)
	b.RequestID = math.MinInt32
	_, n := mustDecode(t, mustAppend(t, b))
	if n.RequestID != math.MinInt32 || OID(n.TrapOID) != anyTrap || n.Uptime != 12345 || len(n.Varbinds) != len(more) {
		t.Errorf("%+v", *n)
	}
	for i, v := range n.Varbinds {
		if v.Tag != more[i].Tag || !bytes.Equal(v.Name, more[i].Name) || !bytes.Equal(v.Value, more[i].Value) {
			t.Errorf("%d: %+v, want %+v", i, v, more[i])
		}
	}
	if f, ok := n.Varbinds[9].Float(); !ok || f != -53.4 {
		t.Error(f, ok)
	}
}

// RFC 3584 section 3.2 and back by section 3.1. An identifier without the zero
// does not survive the way, which is why names are looked up in both spellings.
func TestBuildV1(t *testing.T) {
	for trap, want := range map[string]string{
		"1.3.6.1.6.3.1.1.5.1":        "1.3.6.1.6.3.1.1.5.1",
		"1.3.6.1.6.3.1.1.5.6":        "1.3.6.1.6.3.1.1.5.6",
		"1.3.6.1.6.3.1.1.5.7":        "1.3.6.1.6.3.1.1.5.0.7",
		"1.3.6.1.4.1.32473.1.0.7":    "1.3.6.1.4.1.32473.1.0.7",
		"1.3.6.1.2.1.33.2.3":         "1.3.6.1.2.1.33.2.0.3",
		"1.3.6.1.4.1.32473.1.0.3000": "1.3.6.1.4.1.32473.1.0.3000",
	} {
		_, n := mustDecode(t, mustAppend(t, Build{Version: V1, Community: "c", TrapOID: MustOID(trap)}))
		if got := OID(n.TrapOID).String(); got != want {
			t.Errorf("%s became %s, want %s", trap, got, want)
		}
	}
	for name, b := range map[string]Build{
		"counter64": {Version: V1, TrapOID: coldTrap, Varbinds: []Varbind{Unsigned(anyName, TagCounter64, 1)}},
		"inform":    {Version: V1, TrapOID: coldTrap, Inform: true},
		"no_trap":   {Version: V2c},
		"version":   {Version: 2, TrapOID: coldTrap},
		"no_keys":   {Version: V3, TrapOID: coldTrap, Secure: Secure{Level: usm.AuthPriv}},
		"specific":  {Version: V1, TrapOID: MustOID("1.3.6.1.4.1.32473.1.0.4294967295")},
	} {
		if out, err := b.Append(nil); err == nil || len(out) != 0 {
			t.Errorf("%s: %x, %v", name, out, err)
		}
	}
}

func TestWriterShortest(t *testing.T) {
	for v, want := range map[int32]string{0: "020100", 127: "02017f", 128: "02020080", -1: "0201ff", -128: "020180", -129: "0202ff7f", math.MaxInt32: "02047fffffff", math.MinInt32: "020480000000"} {
		var w writer
		w.integer(v)
		if got := w.buf[w.at:]; !bytes.Equal(got, unhex(t, want)) {
			t.Errorf("%d: %x, want %s", v, got, want)
		}
	}
	for v, want := range map[uint64]string{0: "410100", 255: "410200ff", math.MaxUint32: "410500ffffffff", math.MaxUint64: "410900ffffffffffffffff"} {
		var w writer
		w.unsigned(TagCounter32, v)
		if got := w.buf[w.at:]; !bytes.Equal(got, unhex(t, want)) {
			t.Errorf("%d: %x, want %s", v, got, want)
		}
	}
	for _, n := range []int{0, 127, 128, 255, 256, 65535, 65536} {
		var w writer
		w.text(TagOctetString, strings.Repeat("x", n))
		tag, from, to := element(w.buf[w.at:], 0)
		if tag != TagOctetString || to-from != n {
			t.Errorf("%d octets came back as %d", n, to-from)
		}
	}
}
