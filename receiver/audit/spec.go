package audit

import (
	"fmt"
	"slices"
	"strings"

	"example.net/standwatch/correlate"
	"example.net/standwatch/receiver/mib"
	"example.net/standwatch/receiver/rules"
	"example.net/standwatch/receiver/snmp"
)

// Spec is a question as written in a file of rules.
type Spec struct {
	Pos     rules.Pos       `yaml:"-"`
	Pack    string          `yaml:"-"`       // the pack it belongs to; empty for a person's own
	Name    string          `yaml:"name"`    // unique within its pack
	Read    string          `yaml:"read"`    // columns of one table, or scalars, by name or dotted OID, parted by spaces
	Sensors bool            `yaml:"sensors"` // scale entPhySensorValue by RFC 3433
	Observe []rules.Observe `yaml:"observe"` // what a row means; or
	Cases   []Case          `yaml:"cases"`   // the same under conditions, the first that holds
	// Absent names points, parted by spaces: an alarm of theirs that the agent
	// reported and no row tells of any more is over.
	Absent string `yaml:"absent"`
	// Proof is a scalar that an agent has if it has the table, Count one that
	// says how many rows there are. Absent needs one of them: an empty table
	// looks like one that the agent does not have.
	Proof string `yaml:"proof"`
	Count string `yaml:"count"`
}

// Case is what a row means under a condition.
type Case struct {
	Pos     rules.Pos       `yaml:"-"`
	At      rules.Places    `yaml:"-"`
	When    string          `yaml:"when"` // CEL over the row, as in rules; empty holds always
	Observe []rules.Observe `yaml:"observe"`
}

// Book holds compiled questions. It is immutable and safe for concurrent use.
type Book struct {
	names *mib.Names
	rows  *rules.Set
	list  []*Question
}

// Question is one compiled [Spec].
type Question struct {
	book    *Book
	name    string // "pack/name", or the name alone
	pack    string
	label   string   // "file:line name", as the evidence says it
	row     snmp.OID // what a row is called among the rules
	columns []snmp.OID
	sensors bool
	absent  []correlate.PointID
	proof   snmp.OID // with the instance; empty: none
	counts  bool     // proof says how many rows there are
}

// Name returns "pack/name", or the name of a person's own question.
func (q *Question) Name() string { return q.name }

// Pack returns the pack the question belongs to; empty for a person's own.
func (q *Question) Pack() string { return q.pack }

// maxColumns bounds the columns of one question.
const maxColumns = 16

// compiling gathers what it finds wrong.
type compiling struct {
	names    *mib.Names
	points   map[correlate.PointID]bool // all that some site has; nil: not known
	problems []rules.Problem
}

func (c *compiling) bad(pos rules.Pos, what, mend string) {
	c.problems = append(c.problems, rules.Problem{Pos: pos, What: what, Mend: mend})
}

// Compile makes questions ready to ask. It returns every mistake it finds; the
// book, never nil, holds what has none.
func Compile(specs []Spec, o rules.Options) (*Book, []rules.Problem) {
	if o.Names == nil {
		o.Names = mib.Standard()
	}
	c := &compiling{names: o.Names, points: pointsOf(o.Network)}
	book := &Book{names: o.Names}
	var rows []rules.Spec
	seen := map[string]rules.Pos{}
	for i := range specs {
		s := &specs[i]
		before := len(c.problems)
		q := c.question(s, i)
		q.book = book
		if first, twice := seen[q.name]; twice {
			c.bad(s.Pos, fmt.Sprintf("question %q is there twice", q.name), "the other is at "+first.String())
		}
		seen[q.name] = s.Pos
		rows = append(rows, c.rows(s, q)...)
		if len(c.problems) == before {
			book.list = append(book.list, q)
		}
	}
	var faults []rules.Problem
	book.rows, faults = rules.Compile(rows, o)
	for _, f := range faults {
		f.What = strings.Replace(f.What, "rule ", "question ", 1)
		c.problems = append(c.problems, f)
	}
	return book, c.problems
}

func pointsOf(network *correlate.Network) map[correlate.PointID]bool {
	if network == nil {
		return nil
	}
	points := map[correlate.PointID]bool{}
	for _, id := range network.Sites() {
		for point := range network.Site(id).Points {
			points[point] = true
		}
	}
	return points
}

func (c *compiling) question(s *Spec, i int) *Question {
	q := &Question{name: s.Name, pack: s.Pack, label: fmt.Sprintf("%s:%d %s", s.Pos.File, s.Pos.Line, s.Name), sensors: s.Sensors}
	// 2.999 is the arc for examples (ITU-T X.660 section A.5): no agent sends it.
	q.row = snmp.MakeOID(2, 999, uint32(i))
	if s.Pack != "" {
		q.name = s.Pack + "/" + s.Name
	}
	if !correlate.ValidID(s.Name) {
		c.bad(s.Pos, fmt.Sprintf("a question needs a name of lower-case letters, digits and hyphens, not %q", s.Name), "agents name what they are asked")
	}
	for _, word := range strings.Fields(s.Read) {
		if oid, ok := c.object(s, "read", word); ok {
			q.columns = append(q.columns, oid)
		}
	}
	if n := len(strings.Fields(s.Read)); n == 0 || n > maxColumns {
		c.bad(s.Pos, fmt.Sprintf("question %q reads %d objects", s.Name, n), fmt.Sprintf("name 1 to %d columns of one table, or scalars, as read", maxColumns))
	}
	c.absent(s, q)
	return q
}

func (c *compiling) object(s *Spec, field, word string) (snmp.OID, bool) {
	oid, ok := c.names.Lookup(word)
	if !ok {
		mend := "give its dotted OID, or add the MIB that defines it"
		if near := c.names.Suggest(word); near != "" {
			mend = "did you mean " + near + "?"
		}
		c.bad(s.Pos, fmt.Sprintf("question %q: %s: there is no object named %q", s.Name, field, word), mend)
	}
	return oid, ok
}

func (c *compiling) absent(s *Spec, q *Question) {
	for _, word := range strings.Fields(s.Absent) {
		id := correlate.PointID(word)
		if !correlate.ValidID(word) || s.Pack == "" && c.points != nil && !c.points[id] {
			c.bad(s.Pos, fmt.Sprintf("question %q: absent: no site has a point %q", s.Name, word), "name points whose alarms the table lists")
		}
		q.absent = append(q.absent, id)
	}
	word := s.Proof + s.Count
	switch {
	case s.Proof != "" && s.Count != "":
		c.bad(s.Pos, fmt.Sprintf("question %q has both proof and count", s.Name), "a count is proof enough")
		return
	case word == "" && s.Absent != "":
		c.bad(s.Pos, fmt.Sprintf("question %q clears what is absent, but an empty table looks like one that the agent does not have", s.Name),
			"name a scalar that the agent has with the table, as proof or count")
		return
	case word == "":
		return
	}
	q.counts = s.Count != ""
	if oid, ok := c.object(s, "proof", word); ok {
		q.proof = oid
		if !strings.Contains(word, ".") {
			q.proof = oid.Append(0)
		}
	}
}

// rows returns the rules for the rows of a question.
func (c *compiling) rows(s *Spec, q *Question) []rules.Spec {
	cases := s.Cases
	switch {
	case len(s.Observe) > 0 && len(cases) > 0:
		c.bad(s.Pos, fmt.Sprintf("question %q has both observe and cases", s.Name), "leave out one of the two")
	case len(s.Observe) > 0:
		cases = []Case{{Pos: s.Pos, Observe: s.Observe}}
	case len(cases) == 0:
		c.bad(s.Pos, fmt.Sprintf("question %q does not say what a row means", s.Name), "add observe, as in rules")
	}
	var out []rules.Spec
	for i := range cases {
		row := rules.Spec{Pos: cases[i].Pos, At: cases[i].At, Pack: s.Pack, Name: s.Name, On: q.row.String(), When: cases[i].When, Observe: cases[i].Observe}
		if len(row.Observe) == 0 {
			row.Ignore = "nothing, on purpose"
		}
		for j := range row.Observe {
			c.stateOnly(s, &row.Observe[j])
		}
		out = append(out, row)
	}
	return out
}

// stateOnly refuses observations that are no state: what is read now says
// nothing of an event or of who acknowledged.
func (c *compiling) stateOnly(s *Spec, o *rules.Observe) {
	words := []string{o.What}
	if o.WhatBy != nil {
		words = append(words, o.WhatBy.Other)
		for _, word := range o.WhatBy.Map {
			words = append(words, word)
		}
	}
	if o.Bits != nil {
		words = append(words, o.Bits.Set, o.Bits.Unset)
	}
	for _, word := range words {
		if what, ok := correlate.ParseWhat(word); ok && what != correlate.Raise && what != correlate.Clear && what != correlate.Value {
			pos := o.Pos
			if pos.Line == 0 {
				pos = s.Pos
			}
			c.bad(pos, fmt.Sprintf("question %q: what is read is a state; it can be raise, clear, value or nothing, not %s", s.Name, word), "")
			return
		}
	}
}

// Lookup returns the questions of a name: one by "name" or "pack/name", or all
// of a pack by the pack's name. Nil: there are none.
func (b *Book) Lookup(name string) []*Question {
	var out []*Question
	for _, q := range b.list {
		if q.name == name || q.pack == name {
			out = append(out, q)
		}
	}
	return out
}

// Names lists what Lookup knows.
func (b *Book) Names() []string {
	var out []string
	for _, q := range b.list {
		out = append(out, q.name)
		if q.pack != "" && !slices.Contains(out, q.pack) {
			out = append(out, q.pack)
		}
	}
	return out
}
