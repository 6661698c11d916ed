package pointlist

import (
	"bytes"
	"encoding/binary"
	"unicode/utf16"
	"unicode/utf8"
)

// asUTF8 turns what spreadsheets save into UTF-8: UTF-8 with and without a mark
// in front, UTF-16 with one (Unicode, section 23.8), and else the Windows code
// page 1252, which has Latin-1 within it. guessed names the encoding when it was
// only guessed. Line ends become line feeds.
func asUTF8(text []byte) (_ []byte, guessed string) {
	switch {
	case bytes.HasPrefix(text, []byte("\xef\xbb\xbf")):
		text = text[3:]
	case bytes.HasPrefix(text, []byte("\xff\xfe")):
		text = fromUTF16(text[2:], binary.LittleEndian)
	case bytes.HasPrefix(text, []byte("\xfe\xff")):
		text = fromUTF16(text[2:], binary.BigEndian)
	}
	if !utf8.Valid(text) {
		text, guessed = from1252(text), "Windows-1252"
	}
	text = bytes.ReplaceAll(text, []byte("\r\n"), []byte("\n"))
	if !bytes.ContainsRune(text, '\n') {
		text = bytes.ReplaceAll(text, []byte("\r"), []byte("\n"))
	}
	return text, guessed
}

func fromUTF16(text []byte, order binary.ByteOrder) []byte {
	units := make([]uint16, len(text)/2)
	for i := range units {
		units[i] = order.Uint16(text[2*i:])
	}
	return []byte(string(utf16.Decode(units)))
}

// high1252 are the characters 0x80 to 0x9f of code page 1252, in order; those
// that it does not define stay what they are in Latin-1.
const high1252 = "€\u0081‚ƒ„…†‡ˆ‰Š‹Œ\u008dŽ\u008f\u0090‘’“”•–—˜™š›œ\u009džŸ"

func from1252(text []byte) []byte {
	high := []rune(high1252)
	out := make([]rune, 0, len(text))
	for _, b := range text {
		r := rune(b)
		if b >= 0x80 && b < 0xa0 {
			r = high[b-0x80]
		}
		out = append(out, r)
	}
	return []byte(string(out))
}

// separatorLine finds the line that some spreadsheets put in front, "sep=;", and
// empties it so that the lines keep their numbers.
func separatorLine(text []byte) (rest []byte, sep rune) {
	first, _, _ := bytes.Cut(text, []byte{'\n'})
	told, found := bytes.CutPrefix(bytes.ToLower(bytes.Trim(first, "\"\r ")), []byte("sep="))
	if !found || len(told) != 1 || !bytes.ContainsAny(told, ",;\t|") {
		return text, 0
	}
	return text[len(first):], rune(told[0])
}
