package text

import (
	"strings"
	"unicode/utf16"

	"example.net/standwatch/notify/sms"
)

// Septets returns the length of a text in septets of the GSM 7-bit alphabet;
// ok is false when a character is not in it, so that the text would have to be
// sent as UCS-2.
func Septets(s string) (n int, ok bool) {
	for _, r := range s {
		c := sms.Cost(r)
		if c == 0 {
			return 0, false
		}
		n += c
	}
	return n, true
}

// plain lists what is written in place of characters that the alphabet lacks
// and that would force UCS-2 by accident. The degree sign before a unit goes
// without a trace: "23 °C" is read as well as "23 C".
var plain = strings.NewReplacer(
	"°C", "C", "°F", "F", "°", " deg", "℃", "C", "℉", "F",
	"µ", "u", "μ", "u", "\u2126", "Ω", "²", "2", "³", "3", "×", "x", "·", ".", "±", "+/-", "≤", "<=", "≥", ">=", "≠", "!=", "→", "->", "←", "<-",
	"–", "-", "—", "-", "‐", "-", "‑", "-", "−", "-", "…", "...", "•", "-",
	"‘", "'", "’", "'", "‚", "'", "`", "'", "´", "'", "“", `"`, "”", `"`, "„", `"`, "«", `"`, "»", `"`,
	"\t", " ", "\u00a0", " ", "\u2009", " ", "\u202f", " ", "\u200b", "", "\ufeff", "",
	"½", "1/2", "¼", "1/4", "¾", "3/4", "™", "(TM)", "©", "(C)", "®", "(R)",
	"á", "a", "â", "a", "ã", "a", "ā", "a", "ă", "a", "ą", "a", "Á", "A", "Â", "A", "Ã", "A", "À", "A", "Ā", "A", "Ą", "A",
	"ç", "c", "ć", "c", "č", "c", "Ć", "C", "Č", "C", "ď", "d", "đ", "d", "ð", "d", "Ď", "D", "Đ", "D", "Ð", "D",
	"ê", "e", "ë", "e", "ē", "e", "ė", "e", "ę", "e", "ě", "e", "È", "E", "Ê", "E", "Ë", "E", "Ē", "E", "Ę", "E", "Ě", "E",
	"ğ", "g", "Ğ", "G", "í", "i", "î", "i", "ï", "i", "ī", "i", "į", "i", "ı", "i", "Í", "I", "Ì", "I", "Î", "I", "Ï", "I", "İ", "I",
	"ł", "l", "Ł", "L", "ľ", "l", "ń", "n", "ň", "n", "Ń", "N", "Ň", "N",
	"ó", "o", "ô", "o", "õ", "o", "ő", "o", "ō", "o", "Ó", "O", "Ò", "O", "Ô", "O", "Õ", "O", "Ő", "O", "œ", "oe", "Œ", "OE",
	"ř", "r", "Ř", "R", "ś", "s", "š", "s", "ş", "s", "ș", "s", "Ś", "S", "Š", "S", "Ş", "S", "Ș", "S",
	"ť", "t", "ţ", "t", "ț", "t", "Ť", "T", "Ţ", "T", "Ț", "T", "þ", "th", "Þ", "Th",
	"ú", "u", "û", "u", "ū", "u", "ů", "u", "ű", "u", "Ú", "U", "Ù", "U", "Û", "U", "Ū", "U", "Ů", "U", "Ű", "U",
	"ý", "y", "ÿ", "y", "Ý", "Y", "ź", "z", "ż", "z", "ž", "z", "Ź", "Z", "Ż", "Z", "Ž", "Z",
)

// Plain writes a text in the GSM 7-bit alphabet where it can: typographic
// signs and accents become what a typewriter would use, and white space runs
// become one space. What has no replacement stays.
func Plain(s string) string { return strings.Join(strings.Fields(plain.Replace(s)), " ") }

// measure returns the length of a text in the units of its segment.
func (u units) measure(s string) int {
	switch u {
	case octets:
		return len(s)
	case ucs2:
		return len(utf16.Encode([]rune(s)))
	}
	n := 0
	for _, r := range s {
		n += sms.Cost(r)
	}
	return n
}

func (u units) segment() int {
	if u == ucs2 {
		return sms.SegmentUnits
	}
	return sms.SegmentSeptets
}

// units says in what the length of a short text counts.
type units uint8

const (
	gsm7   units = 1
	ucs2   units = 2
	octets units = 3 // of ASCII
)

func unitsOf(parts ...string) units {
	for _, p := range parts {
		if _, ok := Septets(p); !ok {
			return ucs2
		}
	}
	return gsm7
}
