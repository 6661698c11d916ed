package snmp

import (
	"math"
	"net/netip"
	"testing"
)

func TestText(t *testing.T) {
	const hintMAC, hintDisplay = "1x:", "255a"
	text := func(s string) Varbind { return Octets(anyName, []byte(s)) }
	for _, tc := range []struct {
		name string
		vb   Varbind
		hint string
		want string
	}{
		{"integer", Integer(anyName, -5), "", "-5"},
		{"one_decimal", Integer(anyName, -534), "d-1", "-53.4"},
		{"decimals_beyond", Integer(anyName, 5), "d-3", "0.005"},
		{"negative_decimals", Integer(anyName, -5), "d-2", "-0.05"},
		{"no_such_decimals", Integer(anyName, 5), "d-99", "5"},
		{"hex_integer", Integer(anyName, 255), "x", "ff"},
		{"octal_integer", Integer(anyName, 8), "o", "10"},
		{"binary_integer", Integer(anyName, 5), "b", "101"},
		{"gauge", Unsigned(anyName, TagGauge32, math.MaxUint32), "", "4294967295"},
		{"counter64", Unsigned(anyName, TagCounter64, math.MaxUint64), "", "18446744073709551615"},
		{"ticks", Unsigned(anyName, TagTimeTicks, 8640000*3+360000+6000+101), "", "3d 01:01:01.01"},
		{"oid", Identifier(anyName, coldTrap), "", "1.3.6.1.6.3.1.1.5.1"},
		{"ipv4", Address(anyName, netip.MustParseAddr("192.0.2.10")), "", "192.0.2.10"},
		{"double", Double(anyName, 48.25), "", "48.25"},
		{"single", Varbind{Tag: TagOpaque, Value: []byte("\x9f\x78\x04\x42\x41\x00\x00")}, "", "48.25"},
		{"opaque", Varbind{Tag: TagOpaque, Value: []byte{1, 2}}, "", "0x0102"},
		{"null", Varbind{Tag: TagNull}, "", "null"},
		{"no_such_object", Varbind{Tag: tagNoSuchObject}, "", "noSuchObject"},
		{"end_of_view", Varbind{Tag: tagEndOfMIBView}, "", "endOfMibView"},
		{"unknown", Varbind{Tag: 0x4a, Value: []byte{255}}, "", "0xff"},

		{"empty", text(""), "", ""},
		{"ascii", text("rectifier 2 failed"), "", "rectifier 2 failed"},
		{"utf8", text("Groß-Ems 48 µF °C"), hintDisplay, "Groß-Ems 48 µF °C"},
		{"utf8_hint", text("Zürich"), "255t", "Zürich"},
		{"zero_ended", text("door\x00"), "", "door"},
		{"lines", text("a\tb\r\nc"), "", `a\tb\r\nc`},
		{"bell", text("door open\a"), "", `door open\a`},
		{"reversed", text("ab\u202ecd"), "", `ab\u202ecd`},
		{"binary_that_is_utf8", text("\x00\x00\x00\x01"), "", "0x00000001"},
		{"not_utf8", text("\xc0\x00\x02\x0a"), "", "0xc000020a"},
		{"latin1_with_hint", text("Z\xfcrich"), hintDisplay, "0x5afc72696368"},

		// RFC 2579 section 2.
		{"mac", text("\x00\x1b\x21\x0a\xff\x05"), hintMAC, "00:1b:21:0a:ff:05"},
		{"date_local", text("\x07\xc8\x05\x1a\x0d\x1e\x0f\x00"), hintDateAndTime, "1992-05-26T13:30:15.0"},
		{"date", text("\x07\xc8\x05\x1a\x0d\x1e\x0f\x00-\x04\x00"), hintDateAndTime, "1992-05-26T13:30:15.0-04:00"},
		{"date_leap_second", text("\x07\xe0\x0c\x1f\x17\x3b\x3c\x00+\x00\x00"), hintDateAndTime, "2016-12-31T23:59:60.0+00:00"},
		{"date_that_is_none", text("\x07\xc8\x00\x00\x00\x00\x00\x00"), hintDateAndTime, "1992-0-0,0:0:0.0"},
		{"date_without_hint", text("\x07\xc8\x05\x1a\x0d\x1e\x0f\x00"), "", "0x07c8051a0d1e0f00"},
		// RFC 4001.
		{"ipv6", text("\x20\x01\x0d\xb8\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x01"), hintIPv6, "2001:db8::1"},
		{"ipv6_zone", text("\xfe\x80\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x01\x00\x00\x00\x03"), hintIPv6Zone, "fe80::1%3"},
		{"ipv4_octets", text("\xc0\x00\x02\x0a"), "1d.1d.1d.1d", "192.0.2.10"},
		{"ipv4_port", text("\xc0\x00\x02\x0a\x00\xa2"), "1d.1d.1d.1d/2d", "192.0.2.10/162"},
		// The counted form of RFC 2579 section 3.1.
		{"counted", text("\x03\x0a\x14\x1e\x02\x01\x02"), "*1d./", "10.20.30/1.2"},
		{"counted_none", text("\x00\x00"), "*1d./", "/"},
		{"counted_nothing", text("\xff\x41"), "*0d.", "0xff41"},
		// RFC 3419, TransportAddressIPv6.
		{"ipv6_port", text("\x20\x01\x0d\xb8\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x01\x00\xa2"), "0a[2x:2x:2x:2x:2x:2x:2x:2x]0a:2d",
			"[2001:0db8:0000:0000:0000:0000:0000:0001]:162"},
		{"octal", text("\x08\x09"), "1o ", "10 11"},
		{"short", text("\x01"), "2d-1d", "1"},
		{"hint_without_format", text("ab"), "2", "ab"},
		{"hint_without_length", text("ab"), "d", "ab"},
		{"hint_that_never_ends", text("ab"), "0d", "ab"},
		{"hint_of_large_number", text("\x01\x02\x03\x04\x05\x06\x07\x08\x09"), "9d", "0x010203040506070809"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			if got := tc.vb.Text(tc.hint); got != tc.want {
				t.Errorf("got %q, want %q", got, tc.want)
			}
		})
	}
}

// However odd a hint, it ends, and what it makes is bounded by the value.
func FuzzText(f *testing.F) {
	for _, hint := range []string{"", "255a", "1x:", hintDateAndTime, hintIPv6, "*1d./", "0d", "*0x.", "0a0d", "2d-1d-1d,1d:1d:1d.1d,1a1d:1d", "9999999999d", "d-3", "*"} {
		f.Add(byte(TagOctetString), []byte("\x03abc\x00\xff"), hint)
		f.Add(byte(TagInteger), []byte{0x80}, hint)
	}
	f.Fuzz(func(t *testing.T, tag byte, value []byte, hint string) {
		if !validValue(tag, value) {
			return
		}
		v := Varbind{Tag: tag, Value: value}
		if got := v.Text(hint); len(got) > 64+24*len(value) {
			t.Errorf("%d octets became %d", len(value), len(got))
		}
	})
}

func TestAccessors(t *testing.T) {
	if _, ok := Octets(anyName, []byte("7")).Int(); ok {
		t.Error("a text is no integer")
	}
	if f, ok := Octets(anyName, []byte(" -48.2 ")).Float(); !ok || f != -48.2 {
		t.Error(f, ok)
	}
	if _, ok := Octets(anyName, []byte("NaN")).Float(); ok {
		t.Error("NaN is no number")
	}
	if _, ok := Unsigned(anyName, TagCounter64, math.MaxUint64).Int(); ok {
		t.Error("2^64-1 does not fit an int64")
	}
	if _, ok := Integer(anyName, -1).Uint(); ok {
		t.Error("-1 is not unsigned")
	}
	if o, ok := Identifier(anyName, coldTrap).OID(); !ok || o != coldTrap {
		t.Error(o, ok)
	}
	if _, ok := Integer(anyName, 1).OID(); ok {
		t.Error("an integer is no identifier")
	}
	if b, ok := Octets(anyName, []byte{1}).Bytes(); !ok || len(b) != 1 {
		t.Error(b, ok)
	}
	if _, ok := Integer(anyName, 1).IP(); ok {
		t.Error("an integer is no address")
	}
	if u, ok := (Varbind{Tag: tagUInteger32, Value: []byte{0xff, 0xff, 0xff, 0xff}}).Uint(); !ok || u != math.MaxUint32 {
		t.Error(u, ok)
	}
}
