package configs

import (
	"bytes"
	"errors"
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"

	"go.yaml.in/yaml/v4"
)

// maxFile is the largest file read, in octets: 5,000 sites with 176 points
// written out in full take about half of it.
const maxFile = 512 << 20

// source is one file being read.
type source struct {
	name string
	text []byte
}

// line returns line n, counted from 1, shortened if it is very long.
func (s *source) line(n int) string {
	if n <= 0 {
		return ""
	}
	rest := s.text
	for ; n > 1; n-- {
		at := bytes.IndexByte(rest, '\n')
		if at < 0 {
			return ""
		}
		rest = rest[at+1:]
	}
	if at := bytes.IndexByte(rest, '\n'); at >= 0 {
		rest = rest[:at]
	}
	if len(rest) > 300 {
		rest = rest[:300]
	}
	return strings.ToValidUTF8(strings.TrimRight(string(rest), "\r"), "?")
}

// within returns where in the file a character of a value stands: the one at
// line and column, both from 1, of the value's text. The value begins at a
// place, plain, quoted or as a block. Where the file says the text in another
// way, such as by escapes, it is the place where the value begins.
func (s *source) within(at Pos, text string, line, column int) Pos {
	ahead := 0 // characters of the text before the one that is looked for
	for rest := text; line > 1; line-- {
		end := strings.IndexByte(rest, '\n')
		if end < 0 {
			return at
		}
		ahead += utf8.RuneCountInString(rest[:end]) + 1
		rest = rest[end+1:]
	}
	w := walk{text: []rune(text), src: []rune(s.from(at.Line)), at: Pos{at.File, at.Line, 1}}
	for range at.Column - 1 {
		w.step()
	}
	switch w.now() {
	case '|', '>':
		for w.i < len(w.src) && w.now() != '\n' {
			w.step()
		}
	case '\'', '"':
		w.quote = w.now()
		w.step()
	}
	if !w.reach(ahead + column - 1) {
		return at
	}
	return w.at
}

// from is what the file says from a line on, counted from 1.
func (s *source) from(line int) string {
	rest := s.text
	for ; line > 1; line-- {
		end := bytes.IndexByte(rest, '\n')
		if end < 0 {
			return ""
		}
		rest = rest[end+1:]
	}
	return string(rest[:min(len(rest), maxWalk)])
}

// maxWalk bounds how much of a file is looked at to find a place in one value.
const maxWalk = 64 << 10

// walk goes along a value's text and its form in the file at once.
type walk struct {
	text, src []rune
	i         int // in src
	at        Pos // of src[i]
	quote     rune
}

func (w *walk) now() rune {
	if w.i >= len(w.src) {
		return 0
	}
	return w.src[w.i]
}

func (w *walk) step() {
	if w.now() == '\n' {
		w.at.Line, w.at.Column = w.at.Line+1, 0
	}
	w.i++
	w.at.Column++
}

// reach goes on until n characters of the text lie behind; false if the file
// says something else before that. Space of any length and line ends are alike.
func (w *walk) reach(n int) bool {
	if n > len(w.text) {
		return false
	}
	for i := 0; i <= n; {
		if i < n && unicode.IsSpace(w.text[i]) {
			i++
			continue
		}
		if i == n && (n == len(w.text) || unicode.IsSpace(w.text[n])) {
			return true // behind the last character
		}
		for unicode.IsSpace(w.now()) {
			w.step()
		}
		if i == n {
			return w.is(w.text[i])
		}
		if !w.is(w.text[i]) {
			return false
		}
		w.step()
		i++
	}
	return true
}

// is reports whether the file has a character next, escaped or not.
func (w *walk) is(r rune) bool {
	next := rune(0)
	if w.i+1 < len(w.src) {
		next = w.src[w.i+1]
	}
	if next == r && (w.quote == '\'' && w.now() == '\'' && r == '\'' || w.quote == '"' && w.now() == '\\' && (r == '"' || r == '\\')) {
		w.step()
		return true
	}
	return w.now() == r
}

// place is a position within a source, small enough to keep one per value.
type place struct {
	src       *source
	line, col int32
}

func (p place) pos() Pos {
	if p.src == nil {
		return Pos{}
	}
	return Pos{File: p.src.name, Line: int(p.line), Column: int(p.col)}
}

// at is file:line, for humans.
func (p place) at() string {
	if p.src == nil {
		return ""
	}
	return fmt.Sprintf("%s:%d", p.src.name, p.line)
}

// parse returns the root node of a file, or nil and problems. A file without
// any content gives nil and no problem.
func (s *source) parse() (*yaml.Node, []Problem) {
	whole := Pos{File: s.name}
	switch {
	case len(s.text) > maxFile:
		return nil, []Problem{{Pos: whole, What: fmt.Sprintf("the file has %d octets; at most %d are read", len(s.text), maxFile), Mend: "split it into several files"}}
	case !utf8.Valid(s.text):
		line := 1 + bytes.Count(s.text[:firstInvalid(s.text)], []byte{'\n'})
		return nil, []Problem{{Pos: Pos{File: s.name, Line: line}, What: "the file is not UTF-8 text", Mend: "save it as UTF-8"}}
	case blank(s.text):
		return nil, nil
	}
	var docs []yaml.Node
	if err := yaml.Load(s.text, &docs, yaml.WithAllDocuments(), yaml.WithUniqueKeys(false)); err != nil {
		return nil, s.syntaxProblems(err)
	}
	if len(docs) > 1 {
		second := docs[1]
		return nil, []Problem{{Pos: Pos{File: s.name, Line: second.Line}, What: "a second YAML document begins here", Mend: "put it into a file of its own, or remove the line ---"}}
	}
	if len(docs) == 0 {
		return nil, nil
	}
	root := &docs[0]
	if root.Kind == yaml.DocumentNode {
		if len(root.Content) == 0 {
			return nil, nil
		}
		root = root.Content[0]
	}
	return root, nil
}

func firstInvalid(text []byte) int {
	for at := 0; at < len(text); {
		r, size := utf8.DecodeRune(text[at:])
		if r == utf8.RuneError && size == 1 {
			return at
		}
		at += size
	}
	return len(text)
}

// blank reports whether text has nothing but space, comments and document marks.
func blank(text []byte) bool {
	for line := range bytes.Lines(text) {
		line = bytes.TrimSpace(line)
		if len(line) > 0 && line[0] != '#' && string(line) != "---" {
			return false
		}
	}
	return true
}

func (s *source) syntaxProblems(err error) []Problem {
	var many *yaml.LoadErrors
	var one *yaml.LoadError
	errs := []*yaml.LoadError{}
	switch {
	case errors.As(err, &many):
		errs = many.Errors
	case errors.As(err, &one):
		errs = append(errs, one)
	default:
		return []Problem{{Pos: Pos{File: s.name}, What: "YAML: " + strings.TrimPrefix(err.Error(), "yaml: ")}}
	}
	var out []Problem
	last := 1 + lineEnds(s.text)
	for _, e := range errs {
		if e.Mark.Line > last {
			// The parser begins a line of its own behind a file that does not end with one.
			e.Mark.Line, e.Mark.Column = last, 0
		}
		p := Problem{Pos: Pos{File: s.name, Line: e.Mark.Line, Column: e.Mark.Column}, What: "YAML: " + e.Message, Mend: syntaxMend(e.Message)}
		if e.ContextMsg != "" {
			p.What += ", " + e.ContextMsg
			if e.ContextMark.Line > 0 && e.ContextMark.Line != e.Mark.Line {
				p.What += fmt.Sprintf(" that began on line %d", e.ContextMark.Line)
			}
		}
		out = append(out, p)
	}
	return out
}

// lineEnds counts the line ends of YAML 1.1 (section 5.4), by which the parser counts lines.
func lineEnds(text []byte) int {
	n := bytes.Count(text, []byte{'\n'})
	for i, c := range text {
		if c == '\r' && (i+1 == len(text) || text[i+1] != '\n') {
			n++
		}
	}
	for _, end := range []string{"\u0085", "\u2028", "\u2029"} {
		n += bytes.Count(text, []byte(end))
	}
	return n
}

// syntaxMend says what usually causes a syntax error of YAML.
func syntaxMend(message string) string {
	switch {
	case strings.Contains(message, "cannot start any token"):
		return "a tab or a special character begins the value; indent with spaces and put such text in quotes"
	case strings.Contains(message, "mapping values are not allowed"):
		return "a colon within a text needs quotes round the text; or the line above lacks its colon, or the indentation is off"
	case strings.Contains(message, "did not find expected"):
		return "look at the indentation here and in the line above, and for an unclosed quote or bracket"
	case strings.Contains(message, "could not find expected ':'"):
		return "a key needs a colon and a space after it"
	}
	return ""
}
