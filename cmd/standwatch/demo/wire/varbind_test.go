package wire

import (
	"fmt"
	"net/netip"
	"strings"
	"testing"
	"time"

	"github.com/gosnmp/gosnmp"

	"example.net/standwatch/cmd/standwatch/demo/wire/wiretest"
	"example.net/standwatch/receiver/snmp"
)

// TestVarbindsOnTheWire holds what arrives against the tags and content octets
// of RFC 2578 section 7.1 and X.690 section 8.
func TestVarbindsOnTheWire(t *testing.T) {
	for text, want := range map[string]string{
		"1.3.6.1.9.1=int:-54":                        "02 ca",
		"1.3.6.1.9.1=int:-2147483648":                "02 80 00 00 00",
		"1.3.6.1.9.1=text:Mains: failed=yes":         "04 4d 61 69 6e 73 3a 20 66 61 69 6c 65 64 3d 79 65 73",
		"1.3.6.1.9.1=hex:00:ff 10":                   "04 00 ff 10",
		"1.3.6.1.9.1=opaque:9f78":                    "44 9f 78",
		"1.3.6.1.9.1=oid:1.3.6.1.4.1.32473":          "06 2b 06 01 04 01 81 fd 59",
		"1.3.6.1.9.1=ip:192.0.2.1":                   "40 c0 00 02 01",
		"1.3.6.1.9.1=counter:4294967295":             "41 00 ff ff ff ff",
		"1.3.6.1.9.1=gauge:128":                      "42 00 80",
		"1.3.6.1.9.1=ticks:1":                        "43 01",
		"1.3.6.1.9.1=counter64:18446744073709551615": "46 00 ff ff ff ff ff ff ff ff",
	} {
		t.Run(text, func(t *testing.T) {
			vb, err := ParseVarbind(text)
			if err != nil {
				t.Fatal(err)
			}
			s := open(t, wiretest.Listen(t, 0), Options{From: netip.MustParseAddr("127.0.0.1"), Version: snmp.V2c, Community: "c"})
			datagram, err := s.Encode(time.Now(), Notification{TrapOID: ".1.3.6.1.6.3.1.1.5.1", Varbinds: []gosnmp.SnmpPDU{vb}})
			if err != nil {
				t.Fatal(err)
			}
			var d snmp.Decoder
			if _, err := d.Parse(datagram); err != nil {
				t.Fatal(err)
			}
			got, err := d.Notification()
			if err != nil {
				t.Fatal(err)
			}
			last := got.Varbinds[len(got.Varbinds)-1]
			if g := fmt.Sprintf("%02x % x", last.Tag, last.Value); g != want {
				t.Errorf("tag and content %s, want %s", g, want)
			}
		})
	}
}

func TestVarbindsRefused(t *testing.T) {
	for text, want := range map[string]string{
		"1.3.6.1":                "is not OID=type:value",
		"1.3.6.1=5":              "is not OID=type:value",
		"1.3.x=int:5":            `"x" is not a number`,
		"1.3.6.1=integer:5":      "the types are counter, counter64, gauge, hex, int, ip, oid, opaque, text, ticks",
		"1.3.6.1=int:2147483648": "is not a number from -2147483648 to 2147483647",
		"1.3.6.1=gauge:-1":       "is not a number from 0 to 4294967295",
		"1.3.6.1=counter64:1e3":  "is not a number from 0",
		"1.3.6.1=hex:0g":         "is not hexadecimal",
		"1.3.6.1=ip:2001:db8::1": "is not an IPv4 address",
		"1.3.6.1=oid:7.1":        "outside the tree",
	} {
		if _, err := ParseVarbind(text); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: got %v, want it to say %q", text, err, want)
		}
	}
}
