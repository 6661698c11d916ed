package snmp

import (
	"bytes"
	"testing"

	"example.net/standwatch/receiver/usm"
)

// Twelve failings of gosnmp v1.47.0, found in an earlier trial, that must not be
// ours:
//  1. a length near 2^63 overflows; 2. a v3 message of seven octets is taken
//  apart beyond its end; 3. another security model skips authentication, and any
//  user name will do; 4. a forged engine ID costs a key derivation, kept for
//  ever; 5. no time window, no replay check; 6. no minimum level, and versions
//  that do not exist pass; 7. reports state no boots, no time and an Integer;
//  8. own boots are not kept, and informs for any engine ID are accepted; 9. a
//  response stays reportable and uses the request's salt again; 10. an inform's
//  echo is encoded anew; 11. any PDU type is handed on; 12. counters that cannot
//  be read become nil, lengths that are too long pass, long communities break.
// What concerns sockets and the disk (8, 11 in part) is tested in package
// receiver.

// twelve returns datagrams of those failings that a single datagram shows. They
// were made from the descriptions: gosnmp itself refuses 1_length_overflow,
// 2_seven_octets and 12_over_declared in this form, and takes the others.
func twelve() map[string]string {
	return map[string]string{
		// 34 octets; the length of a varbind is near 2^63.
		"1_length_overflow": "3020" + "020101" + "040474657374" + "a715" + "020100020100020100" + "300a" + "30887fffffffffffffff",
		"2_seven_octets":    "30050201030400",
		"6_version_2":       seq("30", "020102"+"04067075626c6963"+seq("a7", "020101020100020100"+seq("30", vbUpTime+vbTrapOID))),
		"6_version_4":       seq("30", "020104"+"04067075626c6963"+seq("a7", "020101020100020100"+seq("30", vbUpTime+vbTrapOID))),
		"6_version_77":      seq("30", "02014d"+"04067075626c6963"+seq("a7", "020101020100020100"+seq("30", vbUpTime+vbTrapOID))),
		"11_get_request":    seq("30", "020101"+"04067075626c6963"+seq("a0", "020101020100020100"+seq("30", vbUpTime+vbTrapOID))),
		"11_response":       seq("30", "020101"+"04067075626c6963"+seq("a2", "020101020100020100"+seq("30", vbUpTime+vbTrapOID))),
		"12_counter_wide":   handMade("020101", vbUpTime+vbTrapOID+seq("30", "06062b0601020101"+"4109010203040506070809")),
		"12_over_declared":  handMade("020101", vbUpTime+vbTrapOID+"300a06062b0601020101"+"0404"+"41424344"),
	}
}

// 1, 2, 6, 11 and 12: refused with a reason, without a panic.
func TestTwelveDatagramsAreRefused(t *testing.T) {
	want := map[string]Reason{
		"1_length_overflow": Truncated, "2_seven_octets": BadHeader, "6_version_2": BadVersion, "6_version_4": BadVersion, "6_version_77": BadVersion,
		"11_get_request": NotNotified, "11_response": NotNotified, "12_counter_wide": BadValue, "12_over_declared": Truncated,
	}
	for name, h := range twelve() {
		if _, n, err := decode(unhex(t, h)); reasonOf(err) != want[name] || want[name] == noReason {
			t.Errorf("%s: %v, %+v; want %v", name, err, n, want[name])
		}
	}
}

// 3: a plain trap under another security model, and a user that is not the one
// configured.
func TestTwelveSkippedAuthentication(t *testing.T) {
	table := newTable(t, allKeys)
	b := secured(t, allKeys, false, 1)
	b.Secure.Level = usm.NoAuthNoPriv
	plain := mustAppend(t, b)
	model := bytes.Clone(plain)
	at := bytes.Index(model, unhex(t, "040100020103")) + 5
	model[at] = 1
	if _, err := open(t, table, model); err != usm.UnknownSecurityModel {
		t.Error(err)
	}
	other := allKeys
	other.Name = "another"
	if _, err := open(t, table, mustAppend(t, secured(t, other, false, 2))); err != usm.UnknownUserName {
		t.Error(err)
	}
	// 6: flags 0 do not turn authentication off, nor does authNoPriv do for a
	// user of authPriv.
	if _, err := open(t, table, plain); err != usm.BelowMinLevel {
		t.Error(err)
	}
	b.Secure.Level = usm.AuthNoPriv
	if _, err := open(t, table, mustAppend(t, b)); err != usm.BelowMinLevel {
		t.Error(err)
	}
}

// 5: outside the window, and replayed. 8: an inform under an engine ID that is
// not ours.
func TestTwelveTimelinessAndAuthority(t *testing.T) {
	table := newTable(t, allKeys)
	b := secured(t, allKeys, false, 1)
	datagram := mustAppend(t, b)
	if _, err := open(t, table, datagram); err != nil {
		t.Fatal(err)
	}
	if _, err := open(t, table, datagram); err != usm.Replayed {
		t.Error(err)
	}
	b.Secure.Boots = 0
	if _, err := open(t, table, mustAppend(t, b)); err != usm.NotInTimeWindow {
		t.Error(err)
	}
	b.Secure.Boots, b.Secure.Salt, b.Inform = 1, 2, true
	if _, err := open(t, table, mustAppend(t, b)); err != usm.NotAuthoritative {
		t.Error(err)
	}
}

// 12: a community of 128 octets and more is encoded with a length of its own.
func TestTwelveLongCommunity(t *testing.T) {
	long := bytes.Repeat([]byte("c"), 130)
	b := v2c()
	b.Community, b.Inform = string(long), true
	d, n := mustDecode(t, mustAppend(t, b))
	out, err := d.AppendResponse(nil, epoch, nil)
	if err != nil {
		t.Fatal(err)
	}
	var again Decoder
	if m, err := again.Parse(out); err != nil || !bytes.Equal(m.Community, long) || !bytes.Equal(n.Community, long) {
		t.Error(m, err)
	}
}
