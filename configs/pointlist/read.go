package pointlist

import (
	"bytes"
	"cmp"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"
	"unicode/utf8"

	"example.net/standwatch/configs"
	"example.net/standwatch/correlate"
)

// maxRows bounds a list: 5,000 sites with 176 points.
const maxRows = 1_000_000

// Options say how a list is read.
type Options struct {
	Name string // of the file, for problems
	Site string // ID of the site whose list it is, when it has no column for it
}

// Header is a column's header with what it was taken for.
type Header struct {
	Text  string // as it stands in the list
	Means string // key of the configuration, or empty if the column is not used
}

// Row is one point of a list.
type Row struct {
	Line  int // in the list, counted from 1
	Site  string
	Point string

	words map[string]string // by key, read and checked
	named bool              // its ID was made of its description
}

// List is a point list that was read.
type List struct {
	Name    string
	Headers []Header
	Rows    []Row

	order []column
}

// Read reads a list. Beside problems it returns the rows that are good, so that
// they can be shown; only a list without mistakes should be imported.
func Read(text []byte, o Options) (*List, configs.Problems) {
	l := &List{Name: cmp.Or(o.Name, "the point list"), order: columns()}
	text, guessed := asUTF8(text)
	r := &reader{list: l, site: o.Site, lines: bytes.Split(text, []byte{'\n'}), seen: map[[2]string]int{}, numbers: map[[2]string]int{}}
	if guessed != "" {
		r.problems = append(r.problems, configs.Problem{Pos: configs.Pos{File: l.Name}, Grade: configs.Finding,
			What: "the list is not UTF-8 text and is read as " + guessed, Mend: "look at the letters that are not plain English, or save it as CSV in UTF-8"})
	}
	text, told := separatorLine(text)
	r.csv = csv.NewReader(bytes.NewReader(text))
	r.csv.Comma = cmp.Or(told, separator(text))
	r.csv.FieldsPerRecord = -1
	r.csv.TrimLeadingSpace = true
	if r.header() {
		r.rows()
	}
	return l, r.problems
}

// separator is whichever of comma, semicolon and tab is in the first line most.
func separator(text []byte) rune {
	first, _, _ := bytes.Cut(text, []byte{'\n'})
	best, most := ',', 0
	for _, sep := range ",;\t" {
		if n := bytes.Count(first, []byte(string(sep))); n > most {
			best, most = sep, n
		}
	}
	return best
}

type reader struct {
	list     *List
	csv      *csv.Reader
	site     string
	lines    [][]byte
	problems configs.Problems
	columns  []*column         // by position; nil is not used
	seen     map[[2]string]int // site and point, to the line
	numbers  map[[2]string]int // site and number, to the line
}

func (r *reader) fail(line, column int, what, mend string) {
	p := configs.Problem{Pos: configs.Pos{File: r.list.Name, Line: line, Column: column}, What: what, Mend: mend}
	if line > 0 && line <= len(r.lines) {
		p.Source = string(r.lines[line-1])
	}
	r.problems = append(r.problems, p)
}

// at is the place of a cell; the column counts characters.
func (r *reader) at(field int) (line, column int) {
	line, octet := r.csv.FieldPos(field)
	if line > len(r.lines) || octet < 1 {
		return line, 0
	}
	text := r.lines[line-1]
	return line, utf8.RuneCount(text[:min(octet-1, len(text))]) + 1
}

// header reads the first line with anything in it.
func (r *reader) header() bool {
	cells, err := r.next()
	var parse *csv.ParseError
	if errors.As(err, &parse) {
		r.fail(parse.StartLine, 0, "the headers cannot be read: "+parse.Err.Error(), "")
		return false
	}
	if err != nil {
		r.fail(1, 0, "the list is empty", "the first line has the headers, such as Site, Number, Description, Severity")
		return false
	}
	taken := map[string]string{}
	for i, cell := range cells {
		text := strings.TrimSpace(cell)
		c := columnFor(r.list.order, text)
		h := Header{Text: text}
		if c != nil && taken[c.key] != "" {
			line, column := r.at(i)
			r.fail(line, column, fmt.Sprintf("headers %q and %q both mean %s", taken[c.key], text, c.key), "rename or remove one of the columns")
			c = nil
		}
		if c != nil {
			taken[c.key], h.Means = text, c.key
		}
		r.columns = append(r.columns, c)
		r.list.Headers = append(r.list.Headers, h)
	}
	if taken[colSite] == "" && r.site == "" {
		r.fail(1, 0, "no column says which site a point is at", "add a column Site, or say whose list it is")
		return false
	}
	if taken[colPoint] == "" && taken["name"] == "" {
		r.fail(1, 0, "no column names the points", "add a column Point (an ID) or Description")
		return false
	}
	return true
}

// next returns the next line with anything in it, or io.EOF.
func (r *reader) next() ([]string, error) {
	for {
		cells, err := r.csv.Read()
		if err != nil {
			return nil, err
		}
		if slices.ContainsFunc(cells, func(c string) bool { return strings.TrimSpace(c) != "" }) {
			return cells, nil
		}
	}
}

func (r *reader) rows() {
	for {
		cells, err := r.next()
		if errors.Is(err, io.EOF) {
			return
		}
		var parse *csv.ParseError
		if errors.As(err, &parse) {
			r.fail(parse.StartLine, 0, "the row cannot be read: "+parse.Err.Error(), "a cell with a quotation mark in it stands in quotation marks, and the one within is doubled")
			continue
		}
		if err != nil {
			r.fail(0, 0, "the list cannot be read: "+err.Error(), "")
			return
		}
		if len(r.list.Rows) == maxRows {
			r.fail(0, 0, fmt.Sprintf("the list has more than %d rows", maxRows), "split it")
			return
		}
		r.row(cells)
	}
}

// row reads one row; a row with a mistake is not added.
func (r *reader) row(cells []string) {
	line, _ := r.at(0)
	row := Row{Line: line, Site: r.site, words: map[string]string{}}
	before := len(r.problems)
	for i, cell := range cells {
		if i >= len(r.columns) || r.columns[i] == nil {
			continue
		}
		if cell = unguarded(strings.TrimSpace(cell)); cell != "" {
			r.cell(&row, i, r.columns[i], cell)
		}
	}
	if len(r.problems) == before {
		r.identify(&row)
	}
	if len(r.problems) == before {
		r.list.Rows = append(r.list.Rows, row)
	}
}

func (r *reader) cell(row *Row, i int, c *column, cell string) {
	word, err := c.read(cell)
	line, column := r.at(i)
	switch {
	case err != nil:
		r.fail(line, column, err.Error(), "")
	case strings.Contains(word, "${"):
		r.fail(line, column, "a cell cannot have ${ in it", "in a configuration that stands for something from outside")
	case strings.ContainsFunc(word, unprintable):
		r.fail(line, column, "the cell has a character that cannot be shown", "retype it")
	case c.key == colSite:
		row.Site = word
	case c.key == colPoint:
		row.Point = word
	default:
		row.words[c.key] = word
	}
}

// unprintable reports whether a character has no place in YAML.
func unprintable(r rune) bool {
	return r < ' ' && r != '\n' && r != '\t' || r == 0x7f || r >= 0x80 && r < 0xa0 || r == 0xfffe || r == 0xffff
}

// identify gives the row its point if it has none, and refuses what is there
// twice.
func (r *reader) identify(row *Row) {
	if row.words["kind"] == "" && slices.ContainsFunc(r.list.order, func(c column) bool { return c.analog() && row.words[c.key] != "" }) {
		row.words["kind"] = correlate.Analog.String() // nothing else has a unit or limits
	}
	if row.Point == "" && row.words["name"] != "" {
		row.named = true
		row.Point, _ = asID(row.words["name"]) // what gives no ID is refused below
	}
	switch {
	case row.Site == "":
		r.fail(row.Line, 0, "the row names no site", "fill in the column Site")
		return
	case row.Point == "":
		r.fail(row.Line, 0, "the row names no point", "fill in the description, or a column Point with an ID")
		return
	}
	key := [2]string{row.Site, row.Point}
	if other := r.seen[key]; other != 0 {
		r.fail(row.Line, 0, fmt.Sprintf("point %s of site %s is there twice, first on line %d", row.Point, row.Site, other), "give one of them another description, or an ID in a column Point")
		return
	}
	r.seen[key] = row.Line
	if n := row.words["number"]; n != "" && n != "0" {
		number := [2]string{row.Site, n}
		if other := r.numbers[number]; other != 0 {
			r.fail(row.Line, 0, fmt.Sprintf("number %s of site %s is there twice, first on line %d", n, row.Site, other), "every point of a remote has its own number")
			return
		}
		r.numbers[number] = row.Line
	} else {
		delete(row.words, "number")
	}
}

// Sites lists the sites of the list, in order.
func (l *List) Sites() []string {
	sites := map[string]bool{}
	for _, r := range l.Rows {
		sites[r.Site] = true
	}
	return slices.Sorted(maps.Keys(sites))
}

// guards are what a spreadsheet takes for the beginning of a formula (common
// practice; the tab and the line end too, but those are trimmed).
const guards = "=+-@"

// unguarded removes the apostrophe before what looks like a formula.
func unguarded(cell string) string {
	if rest, found := strings.CutPrefix(cell, "'"); found && rest != "" && strings.ContainsRune(guards+"'", rune(rest[0])) {
		return rest
	}
	return cell
}

// guarded puts an apostrophe before what looks like a formula, and before an
// apostrophe that would be taken for such a one.
func guarded(cell string) string {
	if cell != "" && strings.ContainsRune(guards+"'", rune(cell[0])) {
		return "'" + cell
	}
	return cell
}
