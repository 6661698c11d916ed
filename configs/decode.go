package configs

import (
	"fmt"
	"reflect"
	"slices"
	"strings"

	"go.yaml.in/yaml/v4"

	"example.net/standwatch/receiver/rules"
)

// maxDepth bounds how deep values may be nested; no shape here needs ten.
const maxDepth = 64

// collector gathers problems from all files.
type collector struct {
	list    Problems
	sources map[string]*source
	hushed  map[Pos]bool // lines (column 0) in which a secret stands
}

func newCollector() *collector {
	return &collector{sources: map[string]*source{}, hushed: map[Pos]bool{}}
}

func (c *collector) add(p Problem) { c.list = append(c.list, p) }

// mistake notes that something at a place forbids using the configuration.
func (c *collector) mistake(at place, what, mend string) { c.note(Mistake, at, what, mend) }

// finding notes that somebody should look at something.
func (c *collector) finding(at place, what, mend string) { c.note(Finding, at, what, mend) }

func (c *collector) note(g Grade, at place, what, mend string) {
	c.add(Problem{Pos: at.pos(), Grade: g, What: what, Mend: mend})
}

// noteAt is note for a position that another package returned.
func (c *collector) noteAt(g Grade, pos Pos, what, mend string) {
	c.add(Problem{Pos: pos, Grade: g, What: what, Mend: mend})
}

// hush keeps a line from being shown, because a secret may stand in it.
func (c *collector) hush(at place) {
	c.hushed[Pos{File: at.pos().File, Line: int(at.line)}] = true
}

// finished returns the problems in order, without lines in which a secret may
// stand, and without findings if there are mistakes to mend first.
func (c *collector) finished() Problems {
	list := c.list
	if list.Mistakes() {
		list = slices.DeleteFunc(slices.Clone(list), func(p Problem) bool { return p.Grade == Finding })
	}
	list = list.sorted()
	for i, p := range list {
		src := c.sources[p.File]
		if src == nil || c.hushed[Pos{File: p.File, Line: p.Line}] {
			continue
		}
		if line := src.line(p.Line); !secretLooking.MatchString(line) {
			list[i].Source = line
		}
	}
	return list
}

// fault is what is wrong with a value, before it has a place.
type fault struct{ what, mend string }

func (f *fault) Error() string { return f.what }

// noder is a value that reads itself from a node.
type noder interface {
	decodeNode(d *decoder, n *yaml.Node)
}

// decoder turns nodes of one file into shapes: structs with yaml tags, pointers,
// slices, maps of words, and types that are a noder. A struct with a field Here
// of type place, or Pos of a type like Pos, gets the place of its mapping; one
// with a field At of type rules.Places gets those of its values.
type decoder struct {
	src     *source
	out     *collector
	outside *outside // nil: ${...} is left alone
	depth   int
}

func (d *decoder) at(n *yaml.Node) place {
	return place{src: d.src, line: int32(n.Line), col: int32(n.Column)}
}

func (d *decoder) mistake(n *yaml.Node, what, mend string) { d.out.mistake(d.at(n), what, mend) }

// into decodes n into the value that v points to.
func (d *decoder) into(n *yaml.Node, v any) { d.value(n, reflect.ValueOf(v).Elem()) }

func (d *decoder) value(n *yaml.Node, v reflect.Value) {
	if d.depth++; d.depth > maxDepth {
		d.mistake(n, "values are nested too deeply", "")
		d.depth--
		return
	}
	defer func() { d.depth-- }()
	if n.Kind == yaml.AliasNode || n.Anchor != "" {
		d.mistake(n, "anchors and aliases are not used in these files", "use a template for what is the same at several sites, or write it out")
		return
	}
	if own, ok := v.Addr().Interface().(noder); ok {
		own.decodeNode(d, n)
		return
	}
	switch v.Kind() {
	case reflect.Pointer:
		if isNull(n) && v.Type().Elem().Kind() != reflect.Struct {
			return
		}
		v.Set(reflect.New(v.Type().Elem()))
		d.value(n, v.Elem())
	case reflect.Struct:
		d.structure(n, v)
	case reflect.Slice:
		d.sequence(n, v)
	case reflect.Map:
		d.words(n, v)
	case reflect.String, reflect.Int, reflect.Bool:
		d.plain(n, v)
	default:
		panic("configs: a shape has a field of type " + v.Type().String())
	}
}

func isNull(n *yaml.Node) bool { return n.Kind == yaml.ScalarNode && n.ShortTag() == "!!null" }

// plain decodes a scalar whose place nobody needs.
func (d *decoder) plain(n *yaml.Node, v reflect.Value) {
	word, ok := d.scalar(n)
	if !ok {
		return
	}
	if wrong := parseInto(word, v.Addr().Interface()); wrong != nil {
		d.mistake(n, wrong.what, wrong.mend)
	}
}

// words decodes a mapping from words to words.
func (d *decoder) words(n *yaml.Node, v reflect.Value) {
	v.Set(reflect.MakeMap(v.Type()))
	d.eachKey(n, func(k, val *yaml.Node) {
		if word, ok := d.scalar(val); ok {
			v.SetMapIndex(reflect.ValueOf(k.Value), reflect.ValueOf(word))
		}
	})
}

// keysOf lists the keys of a shape in the order of its fields.
func keysOf(t reflect.Type) []string {
	var keys []string
	for f := range t.Fields() {
		if key := f.Tag.Get("yaml"); key != "" && key != "-" {
			keys = append(keys, key)
		}
	}
	return keys
}

func (d *decoder) structure(n *yaml.Node, v reflect.Value) {
	t := v.Type()
	if here := v.FieldByName("Here"); here.IsValid() {
		here.Set(reflect.ValueOf(d.at(n)))
	}
	if pos := v.FieldByName("Pos"); pos.IsValid() {
		pos.Set(reflect.ValueOf(d.at(n).pos()).Convert(pos.Type()))
	}
	places := placesOf(v)
	d.eachKey(n, func(k, val *yaml.Node) {
		for i := range t.NumField() {
			if t.Field(i).Tag.Get("yaml") == k.Value {
				if places != nil {
					*places = append(*places, rules.Place{Key: k.Value, Line: val.Line, Column: val.Column})
				}
				d.value(val, v.Field(i))
				return
			}
		}
		if holdsSecrets(t) {
			d.out.hush(d.at(val)) // the key may be a misspelt one
			d.out.hush(d.at(k))
		}
		d.mistake(k, "unknown key "+quoted(k.Value), DidYouMean(k.Value, keysOf(t)))
	})
}

// placesOf returns where a shape keeps the places of its values, or nil.
func placesOf(v reflect.Value) *rules.Places {
	at := v.FieldByName("At")
	if !at.IsValid() {
		return nil
	}
	places, _ := at.Addr().Interface().(*rules.Places)
	return places
}

// holdsSecrets reports whether a shape has a secret among its values.
func holdsSecrets(t reflect.Type) bool {
	for f := range t.Fields() {
		if f.Type == reflect.TypeFor[secret]() || f.Type == reflect.TypeFor[entries[secret]]() {
			return true
		}
	}
	return false
}

// eachKey calls fn for each key of a mapping and its value. It refuses anything
// but a mapping, keys that are no words, and a key that is there twice. An empty
// value is an empty mapping.
func (d *decoder) eachKey(n *yaml.Node, fn func(k, v *yaml.Node)) {
	d.eachKeyOr(n, `write "key: value", one to a line`, fn)
}

// eachKeyOr is eachKey with what to write in place of anything but a mapping.
func (d *decoder) eachKeyOr(n *yaml.Node, mend string, fn func(k, v *yaml.Node)) {
	if isNull(n) {
		return
	}
	if n.Kind != yaml.MappingNode {
		d.mistake(n, "expected keys with values, found "+nodeWord(n), mend)
		return
	}
	seen := make(map[string]int, len(n.Content)/2)
	for i := 0; i+1 < len(n.Content); i += 2 {
		k, v := n.Content[i], n.Content[i+1]
		if k.Kind != yaml.ScalarNode || k.Anchor != "" || k.ShortTag() == "!!merge" {
			d.mistake(k, "a key must be a plain word", "anchors, aliases and merge keys are not used in these files; use a template")
			continue
		}
		if first, twice := seen[k.Value]; twice {
			d.mistake(k, fmt.Sprintf("key %q is there twice", k.Value), fmt.Sprintf("the first is on line %d; keep one", first))
			continue
		}
		seen[k.Value] = k.Line
		fn(k, v)
	}
}

func (d *decoder) sequence(n *yaml.Node, v reflect.Value) {
	if isNull(n) {
		return
	}
	if n.Kind != yaml.SequenceNode {
		d.mistake(n, "expected a list, found "+nodeWord(n), `write "- item", one to a line, or [item, item]`)
		return
	}
	v.Set(reflect.MakeSlice(v.Type(), len(n.Content), len(n.Content)))
	for i, item := range n.Content {
		d.value(item, v.Index(i))
	}
}

// nodeWord says what a node is.
func nodeWord(n *yaml.Node) string {
	switch n.Kind {
	case yaml.MappingNode:
		return "keys with values"
	case yaml.SequenceNode:
		return "a list"
	case yaml.AliasNode:
		return "an alias"
	}
	if isNull(n) {
		return "nothing"
	}
	return fmt.Sprintf("%q", shorten(n.Value))
}

func shorten(text string) string {
	runes := []rune(text)
	if len(runes) > 60 {
		return string(runes[:57]) + "..."
	}
	return text
}

// scalar returns a node's text with what comes from outside filled in.
func (d *decoder) scalar(n *yaml.Node) (text string, ok bool) {
	if n.Kind != yaml.ScalarNode || isNull(n) {
		d.mistake(n, "expected a single value, found "+nodeWord(n), "")
		return "", false
	}
	if d.outside == nil || !strings.Contains(n.Value, "${") {
		return n.Value, true
	}
	text, wrong := d.outside.fill(n.Value)
	if wrong != nil {
		d.mistake(n, wrong.what, wrong.mend)
		return "", false
	}
	return text, true
}

// entry is a key of a mapping with its value.
type entry[T any] struct {
	Key string
	At  place // of the key
	V   T
}

// entries is a mapping whose keys are names given by whoever configures, in the
// order of the file.
type entries[T any] []entry[T]

func (e *entries[T]) decodeNode(d *decoder, n *yaml.Node) {
	d.eachKeyOr(n, `write each under its own ID, "gull-rock:" and below it what belongs to it, not as a list`, func(k, v *yaml.Node) {
		*e = append(*e, entry[T]{Key: k.Value, At: d.at(k)})
		d.into(v, &(*e)[len(*e)-1].V)
	})
}

// get returns the value of a key, or nil.
func (e entries[T]) get(key string) *T {
	at := slices.IndexFunc(e, func(x entry[T]) bool { return x.Key == key })
	if at < 0 {
		return nil
	}
	return &e[at].V
}

// list is a list, or a single item where only one is wanted.
type list[T any] []T

func (l *list[T]) decodeNode(d *decoder, n *yaml.Node) {
	if isNull(n) {
		return
	}
	if n.Kind != yaml.SequenceNode {
		*l = make(list[T], 1)
		d.into(n, &(*l)[0])
		return
	}
	*l = make(list[T], len(n.Content))
	for i, item := range n.Content {
		d.into(item, &(*l)[i])
	}
}
