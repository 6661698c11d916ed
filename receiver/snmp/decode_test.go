package snmp

import (
	"bytes"
	"encoding/hex"
	"fmt"
	"net/netip"
	"strings"
	"testing"

	"example.net/standwatch/receiver/usm"
)

// The recorded v1 and v2c messages, made with Debian snmptrap 5.9.3 and read by
// tshark 4.0.17. The translation is RFC 3584 section 3.1.
func TestRecordedCommunityMessages(t *testing.T) {
	traces := recorded(t)
	remote := netip.MustParseAddr("192.0.2.10")
	for _, tc := range []struct {
		name       string
		version    Version
		trap       string
		uptime     uint32
		enterprise string
		agent      netip.Addr
		varbinds   []string
	}{
		{"v1_generic_coldStart", V1, "1.3.6.1.6.3.1.1.5.1", 12345, "1.3.6.1.4.1.32473.1", remote, nil},
		{"v1_linkDown", V1, "1.3.6.1.6.3.1.1.5.3", 12345, "1.3.6.1.4.1.32473.1", remote, []string{"1.3.6.1.2.1.2.2.1.1.7=7"}},
		{"v1_ups_enterprise_specific", V1, "1.3.6.1.2.1.33.2.0.3", 4294967295, "1.3.6.1.2.1.33.2", remote,
			[]string{"1.3.6.1.2.1.33.1.6.2.1.1.5=5", "1.3.6.1.2.1.33.1.6.2.1.2.5=1.3.6.1.2.1.33.1.6.3.3"}},
		{"v2c_ups_alarm_added", V2c, "1.3.6.1.2.1.33.2.3", 12345, "", netip.Addr{},
			[]string{"1.3.6.1.2.1.33.1.6.2.1.1.5=5", "1.3.6.1.2.1.33.1.6.2.1.2.5=1.3.6.1.2.1.33.1.6.3.3"}},
		{"v2c_linkDown", V2c, "1.3.6.1.6.3.1.1.5.3", 12345, "", netip.Addr{},
			[]string{"1.3.6.1.2.1.2.2.1.1.7=7", "1.3.6.1.2.1.2.2.1.7.7=1", "1.3.6.1.2.1.2.2.1.8.7=2"}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			_, n := mustDecode(t, traces[tc.name])
			if n.Version != tc.version || string(n.Community) != "public" || n.Inform {
				t.Errorf("%v, community %q, inform %v", n.Version, n.Community, n.Inform)
			}
			if got := OID(n.TrapOID).String(); got != tc.trap {
				t.Errorf("trap %s, want %s", got, tc.trap)
			}
			if n.Uptime != tc.uptime || !n.HasUptime {
				t.Errorf("uptime %d, want %d", n.Uptime, tc.uptime)
			}
			if got := OID(n.Enterprise).String(); got != tc.enterprise || n.AgentAddr != tc.agent {
				t.Errorf("enterprise %q, agent %v; want %q, %v", got, n.AgentAddr, tc.enterprise, tc.agent)
			}
			if got, want := strings.Join(shown(n), " "), strings.Join(tc.varbinds, " "); got != want {
				t.Errorf("varbinds %s, want %s", got, want)
			}
		})
	}
}

func shown(n *Notification) (out []string) {
	for _, v := range n.Varbinds {
		out = append(out, OID(v.Name).String()+"="+v.Text(""))
	}
	return out
}

// The recorded v3 messages, with keys, MACs and the plain scoped PDU computed
// independently.
func TestRecordedV3Messages(t *testing.T) {
	traces := recorded(t)
	for _, tc := range []struct {
		name string
		user usm.User
		mac  string
	}{
		{"v3_noauth_coldStart", usm.User{Name: "plainuser"}, ""},
		{"v3_authNoPriv_MD5", usm.User{Auth: usm.MD5}, "35db3faa1e2a4287a810f674"},
		{"v3_authNoPriv_SHA1", usm.User{Auth: usm.SHA1}, "4150302b5ff6eee9a3f8ab2b"},
		{"v3_authNoPriv_SHA256", usm.User{Auth: usm.SHA256}, "28be062641c4d43ecfe0b5c3961b6a78396d1d00193c11b9"},
		{"v3_authPriv_SHA256_AES128", usm.User{Auth: usm.SHA256, Priv: usm.AES128}, "047540b9d7354c29cd6a7532c523ea614985c974c5ce1dc8"},
		{"v3_authPriv_SHA512_AES256", usm.User{Auth: usm.SHA512, Priv: usm.AES256}, "9a11737998aa66afd61b1ca2b4dff06c566b1306ed4a37f890bf773aa97f3cb57d98a53e911ae941b51e1d32840a955b"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			u := tc.user
			if u.Name == "" {
				u.Name, u.AuthPass, u.PrivPass = "factsuser", syrup, syrup
			}
			datagram := traces[tc.name]
			before := bytes.Clone(datagram)
			var d Decoder
			m, err := d.Parse(datagram)
			if err != nil {
				t.Fatal(err)
			}
			h := m.Security
			if hex.EncodeToString(h.MAC) != tc.mac || h.Boots != 1 || h.Time != 100 || m.Reportable || m.Model != ModelUSM || h.Level != u.Level() {
				t.Errorf("MAC %x, boots %d, time %d, reportable %v, model %d, level %v", h.MAC, h.Boots, h.Time, m.Reportable, m.Model, h.Level)
			}
			n, res, err := d.Open(epoch, newTable(t, u))
			if err != nil {
				t.Fatal(err)
			}
			if OID(n.TrapOID) != coldTrap || n.Uptime != 12345 || n.Inform || res.Local {
				t.Errorf("trap %s, uptime %d, inform %v, local %v", OID(n.TrapOID), n.Uptime, n.Inform, res.Local)
			}
			// contextEngineID is not msgAuthoritativeEngineID here.
			if got := hex.EncodeToString(n.ContextID); got != "80001f888082e61756829c066b00000000" || len(n.ContextName) != 0 {
				t.Errorf("context %s %q", got, n.ContextName)
			}
			if got := strings.Join(shown(n), " "); got != "" {
				t.Errorf("varbinds %s", got)
			}
			if !bytes.Equal(before, datagram) {
				t.Error("the datagram was changed")
			}
		})
	}
}

func TestRecordedPlainScopedPDU(t *testing.T) {
	var d Decoder
	m, err := d.Parse(recorded(t)["v3_authPriv_SHA256_AES128"])
	if err != nil {
		t.Fatal(err)
	}
	key := unhex(t, "525b9a2fbca5c7329322b38e8fd0a21ebba102a5355d3d9265fe8fc709522ef5")
	k := keysOf(t, usm.User{Name: "factsuser", Auth: usm.SHA256, Priv: usm.AES128, AuthKey: key, PrivKey: key[:16]}, factsID)
	plain, ok := k.Open(nil, m.Payload, &m.Security)
	want := "304d041180001f888082e61756829c066b000000000400a7360203102ad10201000201003029300e06082b06010201010300430230393017060a2b06010603010104010006092b0601060301010501"
	if got := hex.EncodeToString(plain); !ok || got != want {
		t.Errorf("got %s, want %s", got, want)
	}
}

// A hand-made v2c trap into which the tests put what they are about.
func handMade(requestID, varbinds string) string {
	return seq("30", "020101"+"04067075626c6963"+seq("a7", requestID+"020100020100"+seq("30", varbinds)))
}

const (
	vbUpTime  = "300e06082b0601020101030043023039"
	vbTrapOID = "3017060a2b06010603010104010006092b0601060301010501"
)

// seq returns an element of hex contents.
func seq(tag, content string) string {
	var w writer
	body, err := hex.DecodeString(content)
	if err != nil {
		panic(err)
	}
	t, err := hex.DecodeString(tag)
	if err != nil {
		panic(err)
	}
	w.value(t[0], body)
	return hex.EncodeToString(w.buf[w.at:])
}

// What real senders do and the standards forbid or leave open.
func TestTolerates(t *testing.T) {
	one := func(value string) string {
		return handMade("020101", vbUpTime+vbTrapOID+seq("30", "06062b0601020101"+value))
	}
	for _, tc := range []struct {
		name, hex string
		check     func(*Notification) bool
	}{
		{"trailing_octets", handMade("020101", vbUpTime+vbTrapOID) + strings.Repeat("ff", 300), func(n *Notification) bool { return OID(n.TrapOID) == coldTrap }},
		{"padded_integer", one("0206000000000007"), func(n *Notification) bool { i, ok := n.Varbinds[0].Int(); return ok && i == 7 }},
		{"padded_negative", one("0206ffffffffff85"), func(n *Notification) bool { i, ok := n.Varbinds[0].Int(); return ok && i == -123 }},
		{"counter_without_zero", one("4104ffffffff"), func(n *Notification) bool { u, ok := n.Varbinds[0].Uint(); return ok && u == 1<<32-1 }},
		{"counter64_max", one("460900ffffffffffffffff"), func(n *Notification) bool { u, ok := n.Varbinds[0].Uint(); return ok && u == 1<<64-1 }},
		{"negative_request_id", handMade("0204fffffff0", vbUpTime+vbTrapOID), func(n *Notification) bool { return n.RequestID == -16 }},
		{"padded_request_id", handMade("020600000000002a", vbUpTime+vbTrapOID), func(n *Notification) bool { return n.RequestID == 42 }},
		{"empty_list", handMade("020101", ""), func(n *Notification) bool { return len(n.TrapOID) == 0 && len(n.Varbinds) == 0 && !n.HasUptime }},
		{"other_order", handMade("020101", vbTrapOID+vbUpTime), func(n *Notification) bool {
			return OID(n.TrapOID) == coldTrap && n.Uptime == 12345 && len(n.Varbinds) == 0
		}},
		{"no_uptime", handMade("020101", vbTrapOID), func(n *Notification) bool { return OID(n.TrapOID) == coldTrap && !n.HasUptime }},
		{"trap_oid_twice", handMade("020101", vbUpTime+vbTrapOID+vbTrapOID), func(n *Notification) bool { return OID(n.TrapOID) == coldTrap && len(n.Varbinds) == 1 }},
		{"unknown_type", one("4a03010203"), func(n *Notification) bool { return n.Varbinds[0].Tag == 0x4a && n.Varbinds[0].Text("") == "0x010203" }},
		{"constructed_type", one("6a03020107"), func(n *Notification) bool { return n.Varbinds[0].Tag == 0x6a }},
		{"exception", one("8100"), func(n *Notification) bool { return n.Varbinds[0].Text("") == "noSuchInstance" }},
		{"ipv6_in_ip_address", one("401020010db8000000000000000000000001"), func(n *Notification) bool {
			addr, ok := n.Varbinds[0].IP()
			return ok && addr == netip.MustParseAddr("2001:db8::1")
		}},
		{"community_of_200", hex.EncodeToString(mustAppend(t, Build{Version: V2c, Community: strings.Repeat("c", 200), TrapOID: coldTrap})),
			func(n *Notification) bool { return string(n.Community) == strings.Repeat("c", 200) }},
	} {
		t.Run(tc.name, func(t *testing.T) {
			_, n := mustDecode(t, unhex(t, tc.hex))
			if !tc.check(n) {
				t.Errorf("%+v", *n)
			}
		})
	}
}

// Every length in a form that is longer than it needs (RFC 3417 section 8 asks
// for the definite form only).
func TestToleratesLongLengths(t *testing.T) {
	long := func(tag, content string) string {
		return fmt.Sprintf("%s86%012x%s", tag, len(content)/2, content)
	}
	list := long("30", long("06", vbUpTime[8:24])+long("43", "3039")) + long("30", long("06", vbTrapOID[8:28])+long("06", vbTrapOID[32:]))
	pdu := long("02", "01") + long("02", "00") + long("02", "00") + long("30", list)
	_, n := mustDecode(t, unhex(t, long("30", long("02", "01")+long("04", "7075626c6963")+long("a7", pdu))))
	if OID(n.TrapOID) != coldTrap || n.Uptime != 12345 || string(n.Community) != "public" {
		t.Errorf("%+v", *n)
	}
}

func TestRefuses(t *testing.T) {
	good := vbUpTime + vbTrapOID
	one := func(value string) string {
		return handMade("020101", good+seq("30", "06062b0601020101"+value))
	}
	for _, tc := range []struct {
		name, hex string
		want      Reason
	}{
		{"nothing", "", NotSNMP},
		{"text", "474554202f20485454502f312e31", NotSNMP},
		{"half_an_element", "30", Truncated},
		{"no_version", "3000", Truncated},
		{"version_is_text", "3003040100", NotSNMP},
		{"version_2", "300d020102" + "04067075626c6963" + "a700", BadVersion},
		{"version_4", "300d020104" + "04067075626c6963" + "a700", BadVersion},
		{"version_77", "300d02014d" + "04067075626c6963" + "a700", BadVersion},
		{"version_huge", "30060204010000010000", BadVersion},
		{"seven_octets", "30050201030400", BadHeader},
		{"declares_more", "307f020101", Truncated},
		{"indefinite", "3080020101" + "0000", BadLength},
		{"length_of_nine_octets", "3089000000000000000001" + "00", BadLength},
		{"length_near_2_63", "3022020101040670" + "75626c6963a7150201000201000201003088" + "7ffffffffffffff0" + "0000", Truncated},
		{"length_2_64", "3088ffffffffffffffff", Truncated},
		{"community_is_a_number", "3008020101" + "020101" + "a700", BadHeader},
		{"no_pdu", "300b020101" + "04067075626c6963", Truncated},
		{"get_request", seq("30", "020101"+"04067075626c6963"+seq("a0", "0201010201000201003000")), NotNotified},
		{"response", seq("30", "020101"+"04067075626c6963"+seq("a2", "0201010201000201003000")), NotNotified},
		{"report", seq("30", "020101"+"04067075626c6963"+seq("a8", "0201010201000201003000")), NotNotified},
		{"v2_trap_in_v1", seq("30", "020100"+"04067075626c6963"+seq("a7", "0201010201000201003000")), NotNotified},
		{"v1_trap_in_v2c", seq("30", "020101"+"04067075626c6963"+seq("a4", "06012b4004c0000201020100020100430100"+"3000")), NotNotified},
		{"request_id_too_wide", handMade("02050100000000", good), BadPDU},
		{"request_id_empty", handMade("0200", good), BadPDU},
		{"no_trap_oid", handMade("020101", vbUpTime), NoTrapOID},
		{"trap_oid_is_a_number", handMade("020101", vbUpTime+"300f060a2b060106030101040100020101"), NoTrapOID},
		{"varbind_not_a_sequence", handMade("020101", good+"020101"), BadVarbind},
		{"varbind_without_value", handMade("020101", good+"300806062b0601020101"), Truncated},
		{"varbind_of_three", handMade("020101", good+seq("30", "06062b0601020101"+"0500"+"0500")), BadVarbind},
		{"name_empty", handMade("020101", good+seq("30", "0600"+"0500")), BadVarbind},
		{"name_unfinished", handMade("020101", good+seq("30", "06022b86"+"0500")), BadVarbind},
		{"name_padded", handMade("020101", good+seq("30", "06032b8001"+"0500")), BadVarbind},
		{"name_arc_33_bits", handMade("020101", good+seq("30", "06062b9080808000"+"0500")), BadVarbind},
		{"value_beyond_its_varbind", one("0409" + "61"), Truncated},
		{"tag_of_two_octets", one("1f2001" + "00"), BadVarbind},
		{"integer_empty", one("0200"), BadValue},
		{"integer_33_bits", one("0205" + "0080000000"), BadValue},
		{"integer_negative_33_bits", one("0205" + "ff7fffffff"), BadValue},
		{"counter_empty", one("4100"), BadValue},
		{"counter_33_bits", one("4105" + "0100000000"), BadValue},
		{"counter64_65_bits", one("4609" + "010000000000000000"), BadValue},
		{"address_of_five", one("4005" + "c000020100"), BadValue},
		{"null_with_content", one("0501" + "00"), BadValue},
		{"oid_value_unfinished", one("0602" + "2b86"), BadValue},
		{"after_the_varbinds", seq("30", "020101"+"04067075626c6963"+seq("a7", "020101020100020100"+seq("30", good)+"0500")), BadPDU},
		{"after_the_pdu", seq("30", "020101"+"04067075626c6963"+seq("a7", "020101020100020100"+seq("30", good))+"0500"), BadHeader},
		{"v1_generic_7", seq("30", "020100"+"04067075626c6963"+seq("a4", "06012b4004c0000201020107020100430100"+"3000")), BadPDU},
		{"v1_specific_negative", seq("30", "020100"+"04067075626c6963"+seq("a4", "06012b4004c00002010201060201ff430100"+"3000")), BadPDU},
		{"v1_address_of_three", seq("30", "020100"+"04067075626c6963"+seq("a4", "06012b4003c00002020106020100430100"+"3000")), BadPDU},
		{"v1_enterprise_empty", seq("30", "020100"+"04067075626c6963"+seq("a4", "06004004c0000201020106020100430100"+"3000")), BadPDU},
		{"v1_time_too_wide", seq("30", "020100"+"04067075626c6963"+seq("a4", "06012b4004c000020102010602010043050100000000"+"3000")), BadPDU},
	} {
		t.Run(tc.name, func(t *testing.T) {
			_, n, err := decode(unhex(t, tc.hex))
			if got := reasonOf(err); got != tc.want {
				t.Errorf("got %v (%v, %+v), want %v", got, err, n, tc.want)
			}
		})
	}
}

func TestTooManyVarbinds(t *testing.T) {
	var list bytes.Buffer
	list.WriteString(vbTrapOID)
	for range MaxVarbinds + 1 {
		list.WriteString("300506012b0500")
	}
	if _, _, err := decode(unhex(t, handMade("020101", list.String()))); reasonOf(err) != TooManyVarbinds {
		t.Error(err)
	}
}

// RFC 3414 section A.4 prints security parameters whose lengths do not add up
// (an engine ID of 9 octets tagged as 12, a SEQUENCE of 55 that holds 48): what
// is printed must be refused.
func TestPrintedSecurityParametersAreRefused(t *testing.T) {
	printed := unhex(t, "0439"+"3037"+"040c8000000201098403"+"01"+"020101"+"02020101"+"040462657274"+"040c0123456789abcdeffedcba98"+"04080123456789abcdef")
	var h usm.Header
	r := reader{b: printed}
	params, err := r.inside(TagOctetString, BadHeader, "")
	if err == nil {
		err = securityParameters(params, &h)
	}
	if err == nil {
		t.Errorf("taken as %+v", h)
	}
	// With the lengths mended it is what the RFC says it is.
	mended := unhex(t, "0432"+"3030"+"0409800000020109840301"+"020101"+"02020101"+"040462657274"+"040c0123456789abcdeffedcba98"+"04080123456789abcdef")
	r = reader{b: mended}
	if params, err = r.inside(TagOctetString, BadHeader, ""); err != nil {
		t.Fatal(err)
	}
	if err := securityParameters(params, &h); err != nil {
		t.Fatal(err)
	}
	if h.Boots != 1 || h.Time != 257 || string(h.User) != "bert" || len(h.MAC) != 12 || !bytes.Equal(mended[h.MACAt:h.MACAt+12], h.MAC) || len(h.Salt) != 8 {
		t.Errorf("%+v", h)
	}
}

// v3 headers that are wrong, made from a recorded message.
func TestRefusesV3(t *testing.T) {
	good := hex.EncodeToString(recorded(t)["v3_noauth_coldStart"])
	for _, tc := range []struct {
		name, from, to string
		want           Reason
	}{
		{"flags_of_two_octets", "020300ffe3040100020103", "020300ffe304020000" + "0200", BadHeader},
		{"encrypted_without_string", "e304010002", "e304010302", BadHeader},
		{"privacy_without_authentication", "e304010002", "e304010202", BadHeader},
		{"boots_negative", "020101020164", "0201ff020164", BadSecurity},
		{"time_negative", "020101020164", "0201010201ff", BadSecurity},
		{"user_is_a_number", "0409706c61696e75736572", "0209706c61696e75736572", BadSecurity},
	} {
		t.Run(tc.name, func(t *testing.T) {
			broken := strings.Replace(good, tc.from, tc.to, 1)
			if broken == good {
				t.Fatal("the message is not as the test takes it to be")
			}
			var d Decoder
			if _, err := d.Parse(unhex(t, broken)); reasonOf(err) != tc.want {
				t.Errorf("%v, want %v", err, tc.want)
			}
		})
	}
}

// Privacy without authentication is for the counter snmpInvalidMsgs, and another
// security model for snmpUnknownSecurityModels (RFC 3412 section 7.2).
func TestMessageProcessingRefusals(t *testing.T) {
	table := newTable(t, allKeys)
	datagram := mustAppend(t, secured(t, allKeys, false, 1))
	open := func(spoil func([]byte)) error {
		b := bytes.Clone(datagram)
		spoil(b)
		var d Decoder
		if _, err := d.Parse(b); err != nil {
			t.Fatal(err)
		}
		_, _, err := d.Open(epoch, table)
		return err
	}
	flagsAt := bytes.Index(datagram, unhex(t, "040103020103")) + 2
	if err := open(func(b []byte) { b[flagsAt] = flagPriv }); err != usm.InvalidMsg {
		t.Error(err)
	}
	if err := open(func(b []byte) { b[flagsAt+3] = 2 }); err != usm.UnknownSecurityModel {
		t.Error(err)
	}
	if err := open(func([]byte) {}); err != nil {
		t.Error(err)
	}
}

// A trap of v2 that a proxy translated says where it came from (RFC 3584 section
// 3.1).
func TestProxiedTrap(t *testing.T) {
	b := v2c(Address(nameAddress, netip.MustParseAddr("198.51.100.7")), Identifier(nameEnterprise, MustOID("1.3.6.1.4.1.32473.1")))
	_, n := mustDecode(t, mustAppend(t, b))
	if n.AgentAddr != netip.MustParseAddr("198.51.100.7") || OID(n.Enterprise) != MustOID("1.3.6.1.4.1.32473.1") || len(n.Varbinds) != 2 {
		t.Errorf("%+v", *n)
	}
}

func TestUnspecifiedAgentAddress(t *testing.T) {
	_, n := mustDecode(t, mustAppend(t, Build{Version: V1, TrapOID: anyTrap}))
	if n.AgentAddr.IsValid() {
		t.Errorf("0.0.0.0 is nobody's address: %v", n.AgentAddr)
	}
}

// What a decoder returns has nothing of what it decoded before.
func TestDecoderForgets(t *testing.T) {
	var d Decoder
	for _, name := range []string{"v3_noauth_coldStart", "v1_linkDown", "v2c_linkDown"} {
		if _, err := d.Parse(recorded(t)[name]); err != nil {
			t.Fatal(err)
		}
		if d.msg.Version != V3 {
			if _, err := d.Notification(); err != nil {
				t.Fatal(err)
			}
		}
	}
	if d.note.AgentAddr.IsValid() || d.note.Enterprise != nil || len(d.note.Varbinds) != 3 || d.msg.Security.User != nil {
		t.Errorf("%+v\n%+v", d.note, d.msg)
	}
	if _, err := d.Parse([]byte("\x30\x03\x02\x01\x01")); err == nil {
		t.Fatal("taken")
	}
	if _, err := d.Notification(); err == nil {
		t.Error("a notification of a message that was refused")
	}
	if _, err := d.AppendResponseV2(nil); err == nil {
		t.Error("an answer to a message that was refused")
	}
}

func TestReasonWords(t *testing.T) {
	seen := map[string]bool{}
	for r := range ReasonCount {
		if seen[Reason(r).String()] {
			t.Errorf("%d is %s again", r, Reason(r))
		}
		seen[Reason(r).String()] = true
	}
	if seen["unknown"] {
		t.Error("a reason has no word")
	}
	if got := refuse(BadLength, 7, "why").Error(); got != "bad-length at octet 7: why" {
		t.Error(got)
	}
}

func TestDecodeAllocatesNothing(t *testing.T) {
	community := map[string][]byte{"v2c": mustAppend(t, v2c(eight()...)), "v1": mustAppend(t, Build{Version: V1, Community: "public", TrapOID: anyTrap, Varbinds: eight()})}
	for name, datagram := range community {
		var d Decoder
		run := func() {
			if _, err := d.Parse(datagram); err != nil {
				t.Fatal(err)
			}
			if n, err := d.Notification(); err != nil || len(n.Varbinds) != 8 {
				t.Fatal(n, err)
			}
		}
		if n := testing.AllocsPerRun(1000, run); n != 0 {
			t.Errorf("%s: %v allocations", name, n)
		}
	}
}

// v3 allocates nothing either, but for the memory of messages, which grows by
// doubling: the dozen times that it does are lost in the average.
func TestOpenAllocatesNothing(t *testing.T) {
	for _, u := range []usm.User{allKeys, {Name: "remote", Auth: usm.SHA512, Priv: usm.AES256, AuthPass: syrup, PrivPass: syrup}} {
		const rounds = 2000
		datagrams := make([][]byte, rounds+2)
		b := secured(t, u, false, 0)
		for i := range datagrams {
			b.Secure.Salt = uint64(i)
			datagrams[i] = mustAppend(t, b)
		}
		table := newTable(t, u)
		var d Decoder
		next := 0
		if n := testing.AllocsPerRun(rounds, func() {
			if _, err := d.Parse(datagrams[next]); err != nil {
				t.Fatal(err)
			}
			if _, _, err := d.Open(epoch, table); err != nil {
				t.Fatal(err)
			}
			next++
		}); n != 0 {
			t.Errorf("%s: %v allocations", u.Auth, n)
		}
	}
}
