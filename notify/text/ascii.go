package text

import "strings"

// letters lists what stands for the letters and signs of the GSM alphabet that
// ASCII lacks.
var letters = strings.NewReplacer(
	"è", "e", "é", "e", "ù", "u", "ì", "i", "ò", "o", "à", "a", "Ç", "C", "Ø", "O", "ø", "o", "Å", "A", "å", "a", "Æ", "AE", "æ", "ae", "ß", "ss", "É", "E",
	"Ä", "A", "Ö", "O", "Ñ", "N", "Ü", "U", "ä", "a", "ö", "o", "ñ", "n", "ü", "u", "¡", "!", "¿", "?", "€", "EUR", "£", "GBP", "¥", "JPY", "§", "S", "Δ", "delta", "Ω", "ohm",
)

// ASCII writes a text in printable ASCII on one line, for pagers: accents go,
// and what has no replacement becomes a question mark.
func ASCII(s string) string {
	return strings.Map(func(r rune) rune {
		if r < ' ' || r > '~' {
			return '?'
		}
		return r
	}, letters.Replace(Plain(s)))
}

// Fit shortens an ASCII text to at most room characters, by leaving off words
// at its end.
func Fit(s string, room int) string {
	if len(s) <= room {
		return s
	}
	return octets.cut(s, room)
}
