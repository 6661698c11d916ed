package snmp

import (
	"bytes"
	"testing"

	"example.net/standwatch/receiver/usm"
)

// seed adds what fuzzing begins with: recorded messages, our own, and some that
// are wrong.
func seed(f *testing.F) {
	for _, datagram := range recorded(f) {
		f.Add(datagram)
	}
	f.Add(mustAppend(f, v2c(eight()...)))
	f.Add(mustAppend(f, Build{Version: V1, Community: "public", TrapOID: anyTrap, Varbinds: eight()}))
	f.Add(mustAppend(f, secured(f, allKeys, true, 1)))
	f.Add(mustAppend(f, Build{Version: V2c, Inform: true, TrapOID: anyTrap, Varbinds: []Varbind{Double(anyName, 1), {Name: []byte(anyName), Tag: 0x4a}}}))
	for _, h := range twelve() {
		f.Add(unhex(f, h))
	}
	f.Add(unhex(f, handMade("020101", "")))
	f.Add(unhex(f, handMade("0204fffffff0", vbTrapOID+vbUpTime)))
}

// FuzzParse: whatever comes, the decoder ends without a panic, changes nothing,
// keeps within its bounds, and can be used again; what it takes, it can answer.
func FuzzParse(f *testing.F) {
	seed(f)
	good := mustAppend(f, v2c(eight()...))
	f.Fuzz(func(t *testing.T, datagram []byte) {
		before := bytes.Clone(datagram)
		var d Decoder
		m, err := d.Parse(datagram)
		if err == nil && m.Version == V3 {
			_, err = d.Scoped(m.Payload)
		} else if err == nil {
			_, err = d.Notification()
		}
		if err == nil {
			inspect(t, &d, datagram)
		} else if e, ok := err.(*DecodeError); !ok || e.Reason == noReason || int(e.Reason) >= ReasonCount || e.Offset > len(datagram) {
			t.Errorf("%#v", err)
		}
		if !bytes.Equal(before, datagram) {
			t.Error("the datagram was changed")
		}
		if _, err := d.Parse(good); err != nil {
			t.Fatal(err)
		}
		if n, err := d.Notification(); err != nil || len(n.Varbinds) != 8 {
			t.Errorf("after it: %+v, %v", n, err)
		}
	})
}

// inspect uses all of a notification that was taken.
func inspect(t *testing.T, d *Decoder, datagram []byte) {
	n := &d.note
	if len(n.Varbinds) > MaxVarbinds || len(n.TrapOID) > 0 && !validOID(n.TrapOID) || len(d.oid) > len(datagram)+16 {
		t.Errorf("%+v", *n)
	}
	total := 0
	for _, v := range n.Varbinds {
		total += len(v.Name) + len(v.Value)
		v.Int()
		v.Float()
		if v.Text("") == "" && len(v.Value) > 0 && v.Tag != TagOctetString {
			t.Errorf("%+v is shown as nothing", v)
		}
	}
	if total > len(datagram) {
		t.Errorf("%d octets of varbinds in a datagram of %d", total, len(datagram))
	}
	if n.Inform && n.Version == V2c {
		out, err := d.AppendResponse(nil, epoch, nil)
		if err != nil || len(out) > len(datagram)+16 {
			t.Errorf("%x, %v", out, err)
		}
		again := bytes.Replace(out, []byte{tagResponse}, []byte{tagInform}, 1)
		if _, m, err := decode(again); err == nil && m.RequestID != n.RequestID {
			t.Errorf("request-id %d became %d", n.RequestID, m.RequestID)
		}
	}
}

// FuzzUSM: the whole v3 way, with a sender's real keys. Nothing that was not
// signed is taken for authentic.
func FuzzUSM(f *testing.F) {
	seed(f)
	signed := map[string]bool{}
	for salt := range uint64(3) {
		for _, inform := range []bool{false, true} {
			datagram := mustAppend(f, secured(f, allKeys, inform, salt))
			signed[string(datagram)] = true
			f.Add(datagram)
		}
	}
	table := newTable(f, allKeys, usm.User{Name: "plainuser"})
	if err := table.Admit(epoch, []byte("\x80\x00\x7e\xd9\x04more"), []byte("remote")); err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, datagram []byte) {
		var d Decoder
		m, err := d.Parse(datagram)
		if err != nil || m.Version != V3 {
			return
		}
		before := bytes.Clone(datagram)
		n, res, err := d.Open(epoch, table)
		if err == nil && res.Level > usm.NoAuthNoPriv && !signed[string(m.Datagram)] {
			t.Errorf("%x was taken as authentic: %+v", datagram, *n)
		}
		if v, ok := err.(usm.Verdict); ok {
			if out, ok := d.AppendReport(nil, epoch, table, v); ok {
				if _, err := new(Decoder).Parse(out); err != nil || len(out) > len(datagram)+200 {
					t.Errorf("report %x: %v", out, err)
				}
			}
		}
		if err == nil && n.Inform {
			if out, err := d.AppendResponse(nil, epoch, table); err != nil || len(out) > len(datagram)+200 {
				t.Errorf("response %x: %v", out, err)
			}
		}
		if !bytes.Equal(before, datagram) {
			t.Error("the datagram was changed")
		}
	})
}
