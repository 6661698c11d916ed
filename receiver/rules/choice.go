package rules

import (
	"fmt"
	"maps"
	"slices"
	"strconv"

	"example.net/standwatch/correlate"
	"example.net/standwatch/receiver/mib"
	"example.net/standwatch/receiver/snmp"
)

// choice is a compiled [Choice]. T is what is chosen.
type choice[T any] struct {
	of      *term
	numbers map[int64]T
	texts   map[string]T
	oids    map[snmp.OID]T
	lookup  lookup
	other   T
	hasElse bool
}

// lookup says by what a point is found in its site's list.
type lookup uint8

const (
	lookupNone lookup = iota
	lookupNumber
	lookupName
)

func parseLookup(word string) (l lookup, ok bool) {
	switch word {
	case "":
		return lookupNone, true
	case "number":
		return lookupNumber, true
	case "name":
		return lookupName, true
	}
	return lookupNone, false
}

// all returns everything that may be chosen.
func (c *choice[T]) all() []T {
	out := slices.Collect(maps.Values(c.texts))
	if c.hasElse {
		out = append(out, c.other)
	}
	return out
}

// enter adds one entry of the map. A key is a word of the object's
// enumeration, a number, a name or OID (for OID values), or a text.
func (c *choice[T]) enter(key string, to T, names *mib.Names) (fault, mend string) {
	c.texts[key] = to
	if n, err := strconv.ParseInt(key, 10, 64); err == nil {
		c.numbers[n] = to
		return "", ""
	}
	if o := c.of.object; o != nil && len(o.Words) > 0 && c.of.part == partValue && c.of.word == "" {
		n, ok := o.Number(key)
		if !ok {
			return fmt.Sprintf("%s has no word %q", o.Name, key), wordMend(o, key)
		}
		c.numbers[n] = to
		return "", ""
	}
	if oid, ok := names.Lookup(key); ok {
		c.oids[oid] = to
	} else if c.of.word == "trap" {
		return fmt.Sprintf("there is no notification named %q", key), nameMend(names, key)
	}
	return "", ""
}

func wordMend(o *mib.Object, key string) string {
	mend := "it has"
	for _, w := range o.Words {
		mend += fmt.Sprintf(" %s(%d)", w.Word, w.Number)
	}
	return mend
}

// pick chooses. why says why nothing could be chosen.
func (c *choice[T]) pick(sc *scene) (to T, why string) {
	if found, ok := c.find(sc); ok {
		return found, ""
	}
	if c.hasElse {
		return c.other, ""
	}
	text, ok := sc.appendTerm(nil, c.of)
	if !ok {
		return to, c.of.written + " is missing in the notification"
	}
	return to, fmt.Sprintf("%s is %q, for which the rule has no entry", c.of.written, text)
}

func (c *choice[T]) find(sc *scene) (to T, ok bool) {
	if c.of.word == "bit" {
		if to, ok = c.numbers[int64(sc.bit)]; ok {
			return to, true
		}
		return c.findText(sc)
	}
	if c.of.word == "trap" {
		if sc.trap != "" {
			to, ok = c.oids[sc.trap]
			return to, ok
		}
		to, ok = c.oids[snmp.OID(sc.n.TrapOID)]
		return to, ok
	}
	if c.of.word != "" || c.of.part != partValue {
		return c.findText(sc)
	}
	v, ok := sc.varbind(c.of)
	if !ok {
		return to, false
	}
	if c.of.object != nil && c.of.object.Bits {
		return c.findBit(v)
	}
	if n, isNumber := v.Int(); isNumber {
		to, ok = c.numbers[n]
		return to, ok
	}
	if v.Tag == snmp.TagOID {
		return c.findOID(v.Value)
	}
	return c.findText(sc)
}

// findOID looks an identifier up, also one that is an instance (.0) of what is
// meant, which some agents send for an AutonomousType.
func (c *choice[T]) findOID(ber []byte) (to T, ok bool) {
	if to, ok = c.oids[snmp.OID(ber)]; ok {
		return to, true
	}
	if n := len(ber); n > 1 && ber[n-1] == 0 {
		to, ok = c.oids[snmp.OID(ber[:n-1])]
	}
	return to, ok
}

// findBit looks for the lowest bit that is set and has an entry.
func (c *choice[T]) findBit(v *snmp.Varbind) (to T, ok bool) {
	mib.EachBit(*v, func(bit int, on bool) bool {
		if on {
			to, ok = c.numbers[int64(bit)]
		}
		return !ok
	})
	return to, ok
}

func (c *choice[T]) findText(sc *scene) (to T, ok bool) {
	var space [128]byte
	text, ok := sc.appendTerm(space[:0], c.of)
	if !ok {
		return to, false
	}
	to, ok = c.texts[string(text)]
	return to, ok
}

// lookUp finds the point that the site's list has under a number or name.
func (c *choice[T]) lookUp(sc *scene) (*correlate.Point, string) {
	if c.lookup == lookupNumber {
		f, ok := sc.number(c.of)
		if !ok {
			return nil, c.of.written + " is missing in the notification or no number"
		}
		if p := sc.sites.byNumber(sc.w.Site, int(f)); p != nil {
			return p, ""
		}
		sc.lacks = &Lack{Number: int(f)}
		return nil, fmt.Sprintf("site %s has no point number %d", sc.w.Site.ID, int(f))
	}
	text, ok := sc.appendTerm(nil, c.of)
	if !ok {
		return nil, c.of.written + " is missing in the notification"
	}
	if p := sc.sites.byName(sc.w.Site, string(text)); p != nil {
		return p, ""
	}
	sc.lacks = &Lack{Name: string(text)}
	return nil, fmt.Sprintf("site %s has no point named %q", sc.w.Site.ID, text)
}
