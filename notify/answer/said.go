package answer

import (
	"slices"
	"strings"
)

// Said is what a reply says, as far as it can be told.
type Said struct {
	Code string // the only code in it; empty when there is none, or more than one
	Take bool   // its first line has a word that takes: "take", "yes", "ok", ...
	Pass bool   // its first line says "not me"
}

// Words that take an alarm and that pass it on, where the code alone is not
// enough or says the other thing. They are looked for in the first line that a
// person wrote, since what a mail quotes may hold any word.
var (
	takeWords = [...]string{"take", "taken", "yes", "ok", "mine"}
	passWords = [...]string{"no", "pass", "not me", "not mine"}
)

// Read reads a reply. Case does not matter, nor do quoted lines (">" at the
// start).
func Read(text, alphabet string) Said {
	code, _ := Parse(text, alphabet)
	said := Said{Code: code}
	first := firstLine(text)
	words := strings.FieldsFunc(strings.ToLower(first), func(r rune) bool { return !(r >= 'a' && r <= 'z') && !(r >= '0' && r <= '9') })
	plain := " " + strings.Join(words, " ") + " "
	has := func(word string) bool { return strings.Contains(plain, " "+word+" ") }
	said.Pass = slices.ContainsFunc(passWords[:], has)
	said.Take = !said.Pass && (slices.ContainsFunc(takeWords[:], has) || lineHas(first, code, alphabet))
	return said
}

func lineHas(line, code, alphabet string) bool {
	there, ok := Parse(line, alphabet)
	return ok && there == code
}

// firstLine returns the first line that is neither empty nor quoted.
func firstLine(text string) string {
	for line := range strings.Lines(text) {
		line = strings.TrimSpace(line)
		if line != "" && !strings.HasPrefix(line, ">") {
			return line
		}
	}
	return ""
}
