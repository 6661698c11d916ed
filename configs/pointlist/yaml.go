package pointlist

import (
	"bytes"
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// YAML writes the list as a file for the sites folder. lines says for each line
// of the file, from 1 (lines[0] is not used), which line of the list it came
// from; 0 is none.
func (l *List) YAML() (text []byte, lines []int) {
	w := &yamlWriter{lines: []int{0}}
	w.line(0, "# Imported from "+strings.ReplaceAll(l.Name, "\n", " ")+". An import of the same list writes this file anew.")
	w.line(0, "points:")
	rows := slices.Clone(l.Rows)
	slices.SortStableFunc(rows, func(a, b Row) int { return strings.Compare(a.Site, b.Site) })
	site := ""
	for i := range rows {
		r := &rows[i]
		if r.Site != site {
			site = r.Site
			w.line(r.Line, "  "+quote(site)+":")
		}
		w.row(r, l.order)
	}
	if len(rows) == 0 {
		w.line(0, "  {}")
	}
	return w.b.Bytes(), w.lines
}

type yamlWriter struct {
	b     bytes.Buffer
	lines []int
}

func (w *yamlWriter) line(from int, text string) {
	w.b.WriteString(text + "\n")
	w.lines = append(w.lines, from)
}

func (w *yamlWriter) row(r *Row, order []column) {
	if len(r.words) == 0 {
		w.line(r.Line, "    "+quote(r.Point)+": {}")
		return
	}
	w.line(r.Line, "    "+quote(r.Point)+":")
	var within []string // the keys that the line before stands within
	for _, c := range order {
		word, ok := r.words[c.key]
		if !ok {
			continue
		}
		path := strings.Split(c.key, ".")
		for depth := range len(path) - 1 {
			if depth >= len(within) || within[depth] != path[depth] {
				w.line(r.Line, indent(depth)+path[depth]+":")
				within = append(slices.Clone(within[:min(depth, len(within))]), path[depth])
			}
		}
		within = path[:len(path)-1]
		w.line(r.Line, indent(len(path)-1)+path[len(path)-1]+": "+value(&c, word))
	}
}

func indent(depth int) string { return strings.Repeat("  ", depth+3) }

// value writes what stands behind a key.
func value(c *column, word string) string {
	switch {
	case c.key == "explained-by":
		var refs []string
		for _, ref := range strings.Fields(word) {
			refs = append(refs, quote(braced(ref)))
		}
		return "[" + strings.Join(refs, ", ") + "]"
	case c.key == "excused-by":
		var excuses []string
		for _, one := range strings.FieldsFunc(word, isComma) {
			parts := strings.Fields(one)
			excuses = append(excuses, fmt.Sprintf("{event: %s, for: %s}", quote(braced(parts[0])), quote(parts[1])))
		}
		return "[" + strings.Join(excuses, ", ") + "]"
	case c.key == "flap" && strings.Contains(word, "="):
		return "{" + strings.ReplaceAll(strings.ReplaceAll(word, " ", ", "), "=", ": ") + "}"
	case c.text || c.key == "cause":
		return quote(braced(word))
	}
	return quote(word)
}

// braced doubles the braces that would begin a parameter.
func braced(text string) string { return strings.ReplaceAll(text, "{", "{{") }

// quote writes a text so that YAML reads it as it is, on one line.
func quote(text string) string {
	plain := text != "" && !strings.ContainsFunc(text, func(r rune) bool {
		return (r < 'a' || r > 'z') && (r < 'A' || r > 'Z') && (r < '0' || r > '9') && r != '-' && r != ' ' && r != '/' && r != '.'
	}) && text[0] != '-' && text[0] != ' ' && text[0] != '.' && text[len(text)-1] != ' ' && !strings.EqualFold(text, "null")
	if plain {
		return text
	}
	if _, err := strconv.ParseFloat(text, 64); err == nil {
		return text
	}
	var b strings.Builder
	b.WriteByte('"')
	for _, r := range text {
		switch r {
		case '"', '\\':
			b.WriteByte('\\')
			b.WriteRune(r)
		case '\n':
			b.WriteString(`\n`)
		case '\t':
			b.WriteString(`\t`)
		default:
			if r == '\u2028' || r == '\u2029' || r == '\ufeff' {
				fmt.Fprintf(&b, `\u%04x`, r)
				continue
			}
			b.WriteRune(r)
		}
	}
	b.WriteByte('"')
	return b.String()
}
