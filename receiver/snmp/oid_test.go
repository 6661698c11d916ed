package snmp

import (
	"testing"

	"pgregory.net/rapid"
)

func TestParseOID(t *testing.T) {
	for _, dotted := range []string{"0.0", "1.3", "2.999.3", "1.3.6.1.4.1.32473.4294967295", "2.4294967295", "1.39", "2.40.1"} {
		o, err := ParseOID(dotted)
		if err != nil || o.String() != dotted || !validOID([]byte(o)) {
			t.Errorf("%s: %v, %v, valid %v", dotted, o, err, validOID([]byte(o)))
		}
	}
	for _, dotted := range []string{"", "1", "3.1", "1.40", "1.3.4294967296", "1.3.-1", "1..3", "1.3.x", "1.3."} {
		if o, err := ParseOID(dotted); err == nil {
			t.Errorf("%q was taken as %v", dotted, o)
		}
	}
	if MustOID(".1.3.6.1.4.1.32473.1") != "\x2b\x06\x01\x04\x01\x81\xfd\x59\x01" { // X.690 section 8.19
		t.Errorf("%x", MustOID("1.3.6.1.4.1.32473.1"))
	}
}

// Every identifier that can be written is valid and comes back as it was.
func TestOIDRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		first := rapid.Uint32Range(0, 2).Draw(t, "first")
		second := rapid.Uint32Range(0, 39).Draw(t, "second")
		if first == 2 {
			second = rapid.Uint32().Draw(t, "second")
		}
		arcs := append([]uint32{first, second}, rapid.SliceOfN(rapid.Uint32(), 0, 126).Draw(t, "rest")...)
		o := MakeOID(arcs...)
		if !validOID([]byte(o)) {
			t.Fatalf("%v is not valid", arcs)
		}
		got := o.Arcs()
		if len(got) != len(arcs) {
			t.Fatalf("%v became %v", arcs, got)
		}
		for i := range arcs {
			if got[i] != arcs[i] {
				t.Fatalf("%v became %v", arcs, got)
			}
		}
	})
}

// What is valid is in the only form that its arcs have, so that equal
// identifiers are equal octets.
func TestValidOIDIsCanonical(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := rapid.SliceOfN(rapid.OneOf(rapid.Byte(), rapid.SampledFrom([]byte{0x80, 0x81, 0x8f, 0x90, 0xff, 0x00, 0x7f})), 0, 40).Draw(t, "octets")
		if !validOID(b) {
			return
		}
		if again := MakeOID(OID(b).Arcs()...); string(again) != string(b) {
			t.Fatalf("%x is valid, but its arcs %v are written %x", b, OID(b).Arcs(), again)
		}
	})
}

func TestOIDLength(t *testing.T) {
	arcs := make([]uint32, 129)
	arcs[0] = 1
	if validOID([]byte(MakeOID(arcs...))) {
		t.Error("129 sub-identifiers are more than 128 (RFC 2578 section 3.5)")
	}
	if !validOID([]byte(MakeOID(arcs[:128]...))) {
		t.Error("128 sub-identifiers are allowed")
	}
}

func TestRest(t *testing.T) {
	root := MustOID("1.3.6.1.4.1.32473.1.2")
	got := root.Append(5, 300).Rest(root)
	if len(got) != 2 || got[0] != 5 || got[1] != 300 {
		t.Error(got)
	}
	if root.Rest(root) != nil || MustOID("1.3.6.1").Rest(root) != nil {
		t.Error("nothing is below")
	}
}
