package sms_test

import (
	"bytes"
	"encoding/hex"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"example.net/standwatch/notify/sms"
)

// TestPack: the packing values of the project's collection of facts (3GPP TS
// 23.038 section 6.1.2.1, computed independently).
func TestPack(t *testing.T) {
	for text, want := range map[string]string{
		"hello": "e8329bfd06", "hellohello": "e8329bfd4697d9ec37", "SITE 07": "d324b50882dd00", "SITE 007": "d324b50882c16e",
	} {
		septets, ok := sms.Septets(text)
		packed := sms.Pack(septets, 0)
		if got := hex.EncodeToString(packed); !ok || got != want {
			t.Errorf("%q: packed %s, want %s", text, got, want)
		}
		if got := sms.FromSeptets(sms.Unpack(packed, len(text), 0)); got != text {
			t.Errorf("%q came back as %q", text, got)
		}
	}
}

// TestAlphabet: single values of 3GPP TS 23.038 sections 6.2.1 and 6.2.1.1.
func TestAlphabet(t *testing.T) {
	for char, want := range map[string]string{
		"@": "00", "Ç": "09", "\n": "0a", "Δ": "10", "_": "11", "Ξ": "1a", "É": "1f", " ": "20", "¤": "24", "¡": "40", "Ä": "5b",
		"§": "5f", "¿": "60", "à": "7f", "A": "41", "z": "7a", "7": "37", "\f": "1b0a", "^": "1b14", "{": "1b28", "}": "1b29",
		"\\": "1b2f", "[": "1b3c", "~": "1b3d", "]": "1b3e", "|": "1b40", "€": "1b65",
	} {
		septets, ok := sms.Septets(char)
		if got := hex.EncodeToString(septets); !ok || got != want {
			t.Errorf("%q is %s, want %s", char, got, want)
		}
		if got := sms.FromSeptets(septets); got != char {
			t.Errorf("%q came back as %q", char, got)
		}
	}
	for _, char := range []string{"`", "\t", "°", "µ", "–", "”", "ç", "\x1b"} {
		if got, ok := sms.Septets(char); ok || string(got) != "?" {
			t.Errorf("%q is not in the alphabet, but was written as %x", char, got)
		}
	}
	if got := sms.FromSeptets([]byte{0x1b, 0x41, 0x1b}); got != "A " {
		t.Errorf("unknown extension and stray escape: %q", got)
	}
}

// TestLengths: the rooms of 3GPP TS 23.040: 160 septets or 70 units alone, 153
// or 67 in a part; an escaped character is not divided.
func TestLengths(t *testing.T) {
	for _, c := range []struct {
		name string
		text string
		want []int
	}{
		{"empty", "", []int{0}},
		{"one", strings.Repeat("a", 160), []int{160}},
		{"two", strings.Repeat("a", 161), []int{153, 8}},
		{"escaped across the seam", strings.Repeat("a", 152) + "€" + strings.Repeat("b", 9), []int{152, 11}},
		{"wide", strings.Repeat("я", 70), []int{140}},
		{"wide two", strings.Repeat("я", 71), []int{134, 8}},
		{"beyond 16 bits", strings.Repeat("я", 66) + "\U0001F4A7" + "яяя", []int{132, 10}},
	} {
		parts, err := sms.Split(c.text, 7, false)
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		for i, p := range parts {
			if i >= len(c.want) || len(p.Data) != c.want[i] {
				t.Errorf("%s: part %d has %d", c.name, i, len(p.Data))
			}
		}
		if len(parts) != len(c.want) {
			t.Errorf("%s: %d parts", c.name, len(parts))
		}
	}
	if _, err := sms.Split(strings.Repeat("a", 153*sms.MaxParts+1), 7, false); err != sms.ErrTooLong {
		t.Errorf("too long: %v", err)
	}
}

// TestSubmit: units put together by hand after 3GPP TS 23.040 section 9.2.2.2.
func TestSubmit(t *testing.T) {
	one, err := sms.Split("hello", 0, false)
	if err != nil {
		t.Fatal(err)
	}
	got, length, err := sms.Submit{To: "+12025550147", Part: one[0]}.Marshal()
	// no centre, SUBMIT, reference 0, 11 digits international, pid 0, dcs 0, 5 septets
	if want := "000100" + "0b91" + "2120550541f7" + "0000" + "05" + "e8329bfd06"; err != nil || hex.EncodeToString(got) != want || length != len(want)/2-1 {
		t.Errorf("got  %x %d %v\nwant %s", got, length, err, want)
	}
	got, _, err = sms.Submit{To: "5550147", Part: one[0], Receipt: true, Keep: time.Hour}.Marshal()
	if want := "003100" + "0781" + "550541f7" + "0000" + "0b" + "05" + "e8329bfd06"; err != nil || hex.EncodeToString(got) != want {
		t.Errorf("got  %x %v\nwant %s", got, err, want)
	}
	two, err := sms.Split(strings.Repeat("a", 161), 0x2a, false)
	if err != nil {
		t.Fatal(err)
	}
	got, _, err = sms.Submit{To: "5550147", Part: two[1]}.Marshal()
	// header of 6 octets: 7 septets, one bit of fill; 8 of "a"
	if want := "004100" + "0781" + "550541f7" + "0000" + "0f" + "0500032a0202" + "c2e170381c0e8701"; err != nil || hex.EncodeToString(got) != want {
		t.Errorf("got  %x %v\nwant %s", got, err, want)
	}
	if _, _, err := (sms.Submit{To: "north crew", Part: one[0]}).Marshal(); err == nil {
		t.Error("a name was taken for a number")
	}
}

// TestParse: units put together by hand after sections 9.2.2.1 and 9.2.2.3.
func TestParse(t *testing.T) {
	unit := func(s string) []byte {
		o, err := hex.DecodeString(s)
		if err != nil {
			t.Fatal(err)
		}
		return o
	}
	stamp := "62114190500500" // 2026-11-14 09:05:50, UTC
	at := time.Date(2026, 11, 14, 9, 5, 50, 0, time.UTC)
	for name, c := range map[string]struct {
		unit string
		want sms.Received
	}{
		"text":   {"0791" + "2120550500f0" + "04" + "0b91" + "2120550541f7" + "0000" + stamp + "05" + "e8329bfd06", sms.Received{From: "+12025550147", At: at, Text: "hello"}},
		"wide":   {"00" + "04" + "0781" + "550541f7" + "0008" + stamp + "04" + "044f0021", sms.Received{From: "5550147", At: at, Text: "я!"}},
		"word":   {"00" + "04" + "0ad0" + "e8329bfd06" + "0000" + stamp + "00", sms.Received{From: "hello", At: at}},
		"octets": {"00" + "04" + "0781" + "550541f7" + "0004" + stamp + "02" + "4fe9", sms.Received{From: "5550147", At: at, Text: "Oé"}},
		"part": {"00" + "44" + "0781" + "550541f7" + "0000" + stamp + "0f" + "0500032a0202" + "c2e170381c0e8701",
			sms.Received{From: "5550147", At: at, Text: "aaaaaaaa", Number: sms.Fragment{Ref: 0x2a, Total: 2, Seq: 2}}},
		"report":  {"00" + "06" + "11" + "0781" + "550541f7" + stamp + stamp + "00", sms.Received{Report: true, Ref: 0x11, From: "5550147", At: at}},
		"failure": {"00" + "06" + "11" + "0781" + "550541f7" + stamp + stamp + "46", sms.Received{Report: true, Ref: 0x11, From: "5550147", At: at, Status: 0x46}},
	} {
		got, err := sms.Parse(unit(c.unit))
		if err != nil || got != c.want {
			t.Errorf("%s: got  %+v %v\nwant %+v", name, got, err, c.want)
		}
		for n := range len(c.unit) / 2 {
			if _, err := sms.Parse(unit(c.unit)[:n]); err == nil {
				t.Errorf("%s: cut to %d octets it was taken", name, n)
			}
		}
	}
}

// TestTextSurvives: whatever is split and put together again is the same text.
func TestTextSurvives(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		alphabet := []rune("abc €[|é@\nяж\U0001F4A7")
		text := rapid.StringOfN(rapid.SampledFrom(alphabet), 0, 400, -1).Draw(t, "text")
		parts, err := sms.Split(text, 9, rapid.Bool().Draw(t, "wide"))
		if err != nil {
			t.Fatal(err)
		}
		var a sms.Assembly
		for i, p := range parts {
			out, _, err := sms.Submit{To: "1", Part: p}.Marshal()
			if err != nil {
				t.Fatal(err)
			}
			got, err := sms.Parse(delivered(out))
			if err != nil {
				t.Fatal(err)
			}
			whole, done := a.Add(got.From, got.Text, got.Number)
			if done != (i == len(parts)-1) || (done && whole != text) {
				t.Fatalf("part %d: %q %v, want %q", i, whole, done, text)
			}
		}
	})
}

// delivered turns an SMS-SUBMIT with a one-digit number and no validity into
// the SMS-DELIVER that its reader gets.
func delivered(submit []byte) []byte {
	out := []byte{0, submit[1] &^ 3}
	out = append(out, submit[3:8]...) // address, pid, dcs
	out = append(out, 0x62, 0x11, 0x41, 0x90, 0x50, 0x05, 0)
	return append(out, submit[8:]...)
}

func TestAssemblyIsBounded(t *testing.T) {
	var a sms.Assembly
	for i := range 100 {
		if _, done := a.Add("+12025550147", "x", sms.Fragment{Ref: uint16(i), Total: 2, Seq: 1}); done {
			t.Fatal("half a text is done")
		}
	}
	if _, done := a.Add("+12025550147", "y", sms.Fragment{Ref: 0, Total: 2, Seq: 2}); done {
		t.Error("the oldest was not given up")
	}
	if got, done := a.Add("+12025550147", "y", sms.Fragment{Ref: 99, Total: 2, Seq: 2}); !done || got != "xy" {
		t.Errorf("got %q %v", got, done)
	}
}

// FuzzParse: whatever a modem hands over is read or refused.
func FuzzParse(f *testing.F) {
	for _, s := range []string{"0004078155054 1f7", "00440781550541f700006211419050050 00f0500032a0202c2e170381c0e8701", "0006110781550541f7621141905005006211419050050000"} {
		o, err := hex.DecodeString(strings.ReplaceAll(s, " ", ""))
		if err != nil {
			f.Fatal(err)
		}
		f.Add(o)
	}
	f.Fuzz(func(t *testing.T, unit []byte) {
		before := bytes.Clone(unit)
		r, err := sms.Parse(unit)
		if err != nil && r != (sms.Received{}) {
			t.Error("half a message beside an error")
		}
		if !bytes.Equal(unit, before) {
			t.Error("the unit was changed")
		}
	})
}
