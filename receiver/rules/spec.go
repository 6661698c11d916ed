package rules

import "fmt"

// Pos is where something is configured. Line and Column count from 1; 0 is
// unknown.
type Pos struct {
	File         string
	Line, Column int
}

// String returns file:line:column.
func (p Pos) String() string { return fmt.Sprintf("%s:%d:%d", p.File, p.Line, p.Column) }

// Problem is a mistake in a rule.
type Problem struct {
	Pos  Pos
	What string
	Mend string // may be empty
}

// Error returns the problem on one line.
func (p Problem) Error() string {
	if p.Mend == "" {
		return p.Pos.String() + ": " + p.What
	}
	return p.Pos.String() + ": " + p.What + " (" + p.Mend + ")"
}

// File is one file of rules.
type File struct {
	Pack   string `yaml:"pack"`   // name of a pack; empty in a person's own file
	Source string `yaml:"source"` // the document that a pack was written from
	Rules  []Spec `yaml:"rules"`
}

// Spec is a rule as written. Exactly one of On and Under is set.
type Spec struct {
	Pos     Pos       `yaml:"-"`
	Pack    string    `yaml:"-"`       // the pack it belongs to; empty for a person's own
	Name    string    `yaml:"name"`    // what it is called in traces; unique within its file
	On      string    `yaml:"on"`      // notifications by name or dotted OID, several parted by spaces
	Under   string    `yaml:"under"`   // roots of subtrees, written likewise
	When    string    `yaml:"when"`    // CEL condition, empty for none
	Ignore  string    `yaml:"ignore"`  // the reason why nothing is made of it
	Restart bool      `yaml:"restart"` // it says that the agent restarted
	Observe []Observe `yaml:"observe"`
}

// Observe describes one observation, or one for each varbind or bit.
type Observe struct {
	Pos        Pos     `yaml:"-"`
	Each       string  `yaml:"each"`        // an object: once for each of its varbinds
	Bits       *Bits   `yaml:"bits"`        // once for each bit; then point, point-by, what and what-by are not set
	Point      string  `yaml:"point"`       // a point ID, with ${...} if need be
	PointBy    *Choice `yaml:"point-by"`    // or chosen
	Instance   string  `yaml:"instance"`    // with ${...}; empty for the point's only one
	What       string  `yaml:"what"`        // a word of correlate.Whats
	WhatBy     *Choice `yaml:"what-by"`     // or chosen; "nothing" says nothing on purpose
	Severity   string  `yaml:"severity"`    // a word of X.733; empty for the point's own
	SeverityBy *Choice `yaml:"severity-by"` // or chosen
	Value      string  `yaml:"value"`       // the term of a reading; implies what: value
	Text       string  `yaml:"text"`        // with ${...}; empty for the point's own words
	Actor      string  `yaml:"actor"`       // who acknowledged, with ${...}
}

// Choice picks a word by the value of a term.
type Choice struct {
	Pos    Pos               `yaml:"-"`
	Of     string            `yaml:"of"`     // a term
	Map    map[string]string `yaml:"map"`    // from enumeration words, numbers, texts or OIDs
	Lookup string            `yaml:"lookup"` // points only: "number" or "name" in the site's point list
	Other  string            `yaml:"other"`  // for what the map lacks; empty: no observation
}

// Bits makes one observation of each bit of a varbind: of an OCTET STRING as
// SMIv2 BITS (RFC 2578 section 7.1.4), of an INTEGER with bit 0 worth 1.
type Bits struct {
	Pos    Pos               `yaml:"-"`
	Of     string            `yaml:"of"`     // a varbind's term
	Points map[string]string `yaml:"points"` // from a bit's name or number to a point ID
	Lookup string            `yaml:"lookup"` // or "number": bit n is the point numbered First + n
	First  int               `yaml:"first"`
	Set    string            `yaml:"set"`   // what a set bit says; empty: raise
	Unset  string            `yaml:"unset"` // empty: clear
}
