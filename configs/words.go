package configs

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"unicode"
)

// words are the parameters that {name} stands for at one site.
type words struct {
	values map[string]string
	// missing holds parameters that the template has without a default and the
	// site gives no value for; they are reported once, at the site.
	missing map[string]bool
}

// fill replaces every {name} in text; {{ stands for a single {.
func (w *words) fill(out *collector, text string, at place) string {
	if !strings.Contains(text, "{") {
		return text
	}
	var b strings.Builder
	for {
		before, rest, found := strings.Cut(text, "{")
		b.WriteString(before)
		switch {
		case !found:
			return b.String()
		case strings.HasPrefix(rest, "{"):
			b.WriteByte('{')
			text = rest[1:]
			continue
		}
		name, after, closed := strings.Cut(rest, "}")
		if !closed {
			out.mistake(at, "a { is not closed", "write {{ for a { that is meant as such")
			return text
		}
		if value, ok := w.values[name]; ok {
			b.WriteString(value)
		} else if !w.missing[name] {
			out.mistake(at, fmt.Sprintf("unknown parameter {%s}", name), DidYouMean(name, slices.Collect(maps.Keys(w.values))))
		}
		text = after
	}
}

// wordsOf makes an ID readable: "mains-fail" becomes "Mains fail".
func wordsOf(id string) string {
	runes := []rune(strings.ReplaceAll(id, "-", " "))
	if len(runes) > 0 {
		runes[0] = unicode.ToUpper(runes[0])
	}
	return string(runes)
}
