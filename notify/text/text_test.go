package text

import (
	"strings"
	"testing"
	"time"
	_ "time/tzdata"
	"unicode/utf8"

	"example.net/standwatch/correlate"
	"example.net/standwatch/notify/sms"

	"pgregory.net/rapid"
)

// table is the alphabet as 3GPP TS 23.038 tabulates it, row by row, typed in
// from a list other than the one in gsm.go: its code is its place, 0x1B (the
// escape) is left out.
const table = "@£$¥èéùìòÇ\nØø\rÅå" + "Δ_ΦΓΛΩΠΨΣΘΞÆæßÉ" + " !\"#¤%&'()*+,-./" + "0123456789:;<=>?" +
	"¡ABCDEFGHIJKLMNO" + "PQRSTUVWXYZÄÖÑÜ§" + "¿abcdefghijklmno" + "pqrstuvwxyzäöñüà"

func TestSeptets(t *testing.T) {
	if n := utf8.RuneCountInString(table); n != 127 {
		t.Fatalf("the table has %d characters, want 127", n)
	}
	for _, r := range table {
		if n, ok := Septets(string(r)); n != 1 || !ok {
			t.Errorf("%q: got %d %v, want 1 true", r, n, ok)
		}
	}
	for _, r := range `^{}\[~]|€` {
		if n, ok := Septets(string(r)); n != 2 || !ok {
			t.Errorf("%q: got %d %v, want 2 true", r, n, ok)
		}
	}
	// Not in the alphabet at all; ç is a known disagreement of an old table.
	for _, r := range "`\t°µ–“ç\x1b" {
		if _, ok := Septets(string(r)); ok {
			t.Errorf("%q: taken for a character of the alphabet", r)
		}
	}
}

// TestSeptetsInOctets: "hello" packs into 5 octets, "hellohello" and "SITE 07"
// and "SITE 007" into 9, 7 and 7 (arithmetic of TS 23.038 section 6.1.2.1:
// ceil(7n/8)), and 160 septets into the 140 octets of a segment.
func TestSeptetsInOctets(t *testing.T) {
	for text, octets := range map[string]int{"hello": 5, "hellohello": 9, "SITE 07": 7, "SITE 007": 7, strings.Repeat("x", sms.SegmentSeptets): 140, strings.Repeat("€", 80): 140} {
		n, ok := Septets(text)
		if got := (7*n + 7) / 8; !ok || got != octets {
			t.Errorf("%q: %d septets are %d octets, want %d", text, n, got, octets)
		}
	}
}

func facts() Facts {
	denver, _ := time.LoadLocation("America/Denver")
	at := time.Date(2026, 1, 10, 9, 14, 5, 0, time.UTC).In(denver)
	return Facts{Purpose: Raised, Severity: correlate.Critical, Site: "Harrow Knoll", Region: "north", Point: "Mains supply",
		Word: "Mains failed", Now: "Mains present", Since: at, At: at, Code: "K7M3P", Centre: "Kestrel Basin Cooperative"}
}

func TestShort(t *testing.T) {
	with := func(change func(*Facts)) Facts { f := facts(); change(&f); return f }
	for _, c := range []struct {
		f    Facts
		want string
	}{
		{facts(), "CRITICAL Harrow Knoll: Mains failed 02:14. K7M3P"},
		{with(func(f *Facts) { f.Value, f.Explains, f.Instructions = "-3.5 °C", 3, "Start the generator" }),
			"CRITICAL Harrow Knoll: Mains failed 02:14. K7M3P. -3.5 C. and 3 more explained. Start the generator"},
		{with(func(f *Facts) { f.Purpose, f.Count, f.Instance = Flapping, 7, "door 2" }),
			"CRITICAL Harrow Knoll: Mains failed (door 2) 02:14. K7M3P. Comes and goes, told once. Rose 7 times"},
		{with(func(f *Facts) { f.Purpose = Cleared }), "CLEARED Harrow Knoll: Mains present 02:14. Was: Mains failed"},
		{with(func(f *Facts) { f.Purpose, f.Severity = Worse, correlate.Major }), "WORSE, MAJOR Harrow Knoll: Mains failed 02:14. K7M3P"},
		{with(func(f *Facts) { f.Purpose = Exhausted }), "NOBODY TOOK IT, CRITICAL Harrow Knoll: Mains failed 02:14"},
		{with(func(f *Facts) { f.Purpose, f.TakenBy = Taken, "North crew" }), "TAKEN by North crew Harrow Knoll: Mains failed 02:14"},
		{with(func(f *Facts) { f.Caution, f.Instructions = "Generator starts by itself", "Walk" }),
			"CRITICAL Harrow Knoll: Mains failed 02:14. K7M3P. CAUTION Generator starts by itself. Walk"},
		{with(func(f *Facts) {
			f.Instructions = "Check the fuel, then the transfer switch, then the main breaker, then call the power company and give them the meter number on the gate"
		}), "CRITICAL Harrow Knoll: Mains failed 02:14. K7M3P. Check the fuel, then the transfer switch, then the main breaker, then call the power company and give..."},
		{with(func(f *Facts) { f.Site = "Хребет" }), "CRITICAL Хребет: Mains failed 02:14. K7M3P"},
	} {
		if got := Short(c.f); got != c.want {
			t.Errorf("got  %q\nwant %q", got, c.want)
		}
	}
}

// TestShortFits: whatever the words, a short text is one segment, says code and
// time whole, and no word in it is cut unless it is one long word.
func TestShortFits(t *testing.T) { rapid.Check(t, shortFits) }

func FuzzShortFits(f *testing.F) { f.Fuzz(rapid.MakeFuzz(shortFits)) }

func shortFits(t *rapid.T) {
	word := rapid.StringMatching(`[A-Za-z0-9°µ€é\[\]{}–"]{1,14}`)
	words := func(label string, most int) string {
		return strings.Join(rapid.SliceOfN(word, 1, most).Draw(t, label), " ")
	}
	f := facts()
	f.Purpose = rapid.SampledFrom([]Purpose{Raised, Worse, Again, Flapping, Settled, Cleared, Exhausted}).Draw(t, "purpose")
	f.Site, f.Word, f.Now, f.Instructions = words("site", 8), words("word", 30), words("now", 30), words("instructions", 30)
	f.Value = words("value", 2)
	got := Short(f)
	n, ok := Septets(got)
	if !ok || n > sms.SegmentSeptets {
		t.Fatalf("%d septets (%v): %q", n, ok, got)
	}
	if f.Purpose.Asks() && !strings.Contains(got, " 02:14. K7M3P") {
		t.Fatalf("code or time is missing: %q", got)
	}
	whole := map[string]bool{}
	for _, s := range []string{f.lead(), f.Site, f.what(), f.Word, f.Instructions, f.Value} {
		for w := range strings.FieldsSeq(Plain(s)) {
			whole[w] = true
		}
	}
	for w := range strings.FieldsSeq(got) {
		bare := strings.TrimRight(w, ".:,;")
		cut := strings.HasSuffix(w, "...") || strings.HasSuffix(w, "...:")
		if cut && !whole[bare] && !whole[strings.TrimSuffix(w, "...")] && !prefixOfMark(whole, bare) {
			t.Fatalf("%q is cut within a word: %q", w, got)
		}
	}
}

// prefixOfMark allows for words that end in the marks a cut takes off.
func prefixOfMark(whole map[string]bool, bare string) bool {
	for w := range whole {
		if strings.TrimRight(w, ",;:-.") == strings.TrimRight(bare, "-") {
			return true
		}
	}
	return false
}

func TestLongWord(t *testing.T) {
	f := facts()
	f.Site, f.Word = strings.Repeat("x", 200), strings.Repeat("y", 200)
	got := Short(f)
	if n, ok := Septets(got); !ok || n > sms.SegmentSeptets || !strings.HasSuffix(got, "... 02:14. K7M3P") {
		t.Errorf("got %d %q", n, got)
	}
	f.Site = strings.Repeat("ж", 200)
	if got := Short(f); utf8.RuneCountInString(got) > sms.SegmentUnits || !strings.HasSuffix(got, " 02:14. K7M3P") {
		t.Errorf("got %d units: %q", utf8.RuneCountInString(got), got)
	}
}

func TestMail(t *testing.T) {
	f := facts()
	f.Value, f.Explains, f.Instructions, f.Caution, f.Access = "46.1 V", 2, "Check the rectifier.", "Battery room: hydrogen.", "Key at the depot."
	f.AlarmURL = "https://watch.example.net/alarms/harrow-knoll:mains"
	f.TakeURL, f.Hears = "https://watch.example.net/take/token", true
	if got, want := Subject(f), "CRITICAL Harrow Knoll: Mains failed [K7M3P]"; got != want {
		t.Errorf("got %q, want %q", got, want)
	}
	want := `CRITICAL at Harrow Knoll: Mains failed

Site       Harrow Knoll (north)
Point      Mains supply
Severity   critical
Since      Sat 2026-01-10 02:14:05 MST
Value      46.1 V
Explains   and 2 more explained
Code       K7M3P

CAUTION
Battery room: hydrogen.

What to do
Check the rectifier.

How to get in
Key at the depot.

To take it, answer this mail with TAKE, or with NO if it is not for you;
or press a button on this page, which is yours alone:
https://watch.example.net/take/token

Everything about it:
https://watch.example.net/alarms/harrow-knoll:mains

-- 
Kestrel Basin Cooperative
This message advises; it protects nobody by itself.
`
	if got := Body(f); got != want {
		t.Errorf("got:\n%s\nwant:\n%s", got, want)
	}
}
