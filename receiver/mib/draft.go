package mib

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"unicode"
)

// DraftOptions say what a draft may take for granted.
type DraftOptions struct {
	// Configured are the names that the configuration will know. What is not
	// among them is written with its dotted OID and the name in a comment. Nil
	// means the built-in table.
	Configured *Names
	// Template is what the drafted point sheet is called; empty: "drafted".
	Template string
	// Site, if not empty, is whose points are drafted instead of a template's.
	Site string
	// Taken are IDs that no drafted point may have.
	Taken []string
}

// Drafted is what is proposed for a library's notifications.
type Drafted struct {
	Rules  string // a rules file, YAML
	Points string // a sites file with one template, YAML
}

// Draft proposes rules and points for the notifications of a library.
// Notifications that look like the two sides of one thing become one point; so
// does one whose objects say in words which side it is. Why is said in a
// comment beside each. It is a draft: somebody who knows the device reads it.
func Draft(l *Library, o DraftOptions) Drafted {
	if o.Configured == nil {
		o.Configured = Standard()
	}
	if o.Template == "" {
		o.Template = "drafted"
	}
	d := &drafter{lib: l, known: o.Configured, used: map[string]bool{}}
	for _, id := range o.Taken {
		d.used[id] = true
	}
	for _, p := range d.proposals() {
		d.write(p)
	}
	head := "templates:\n  " + o.Template + ":\n    points:\n"
	if o.Site != "" {
		head = "points:\n  " + o.Site + ":\n"
	}
	return Drafted{
		Rules:  "# A draft. Read every line before it goes live.\nrules:\n" + cmpOr(d.rules.String(), "  []\n"),
		Points: "# A draft. Read every line before it goes live.\n" + head + cmpOr(d.points.String(), "      {}\n"),
	}
}

func cmpOr(text, empty string) string {
	if text == "" {
		return strings.Replace(empty, "  ", "", 1)
	}
	return text
}

type drafter struct {
	lib    *Library
	known  *Names
	used   map[string]bool // point IDs
	rules  strings.Builder
	points strings.Builder
}

// proposal is one point and what is told of it.
type proposal struct {
	reason  string
	stem    string
	raises  []*Object
	clears  []*Object
	state   *Object // the object whose words say which side it is, or nil
	instant bool    // it comes and does not go
}

// proposals groups the notifications.
func (d *drafter) proposals() (out []*proposal) {
	all := d.lib.Notifications()
	done := map[*Object]bool{}
	for _, n := range all {
		if done[n] {
			continue
		}
		done[n] = true
		if state := d.stateObject(n); state != nil {
			out = append(out, &proposal{stem: n.Name, raises: []*Object{n}, state: state,
				reason: fmt.Sprintf("%s says in words whether it came or went", state.Name)})
			continue
		}
		if p := pairOf(n, all, done); p != nil {
			done[p.raises[0]], done[p.clears[0]] = true, true
			out = append(out, p)
			continue
		}
		out = append(out, &proposal{stem: n.Name, raises: []*Object{n}, instant: true,
			reason: "nothing in the MIB looks like its end; if there is one, make it a raise and write the clear"})
	}
	return out
}

// pairOf finds the notification that a name with one word turned round has.
func pairOf(n *Object, all []*Object, done map[*Object]bool) *proposal {
	for _, pair := range opposites() {
		for side := range 2 {
			stem, ok := cutWord(n.Name, pair[side])
			if !ok {
				continue
			}
			for _, other := range all {
				otherStem, ok := cutWord(other.Name, pair[1-side])
				if !ok || done[other] || other.Module != n.Module || otherStem != stem {
					continue
				}
				p := &proposal{stem: stem, reason: fmt.Sprintf("%s and %s are told apart by %s and %s", n.Name, other.Name, pair[side], pair[1-side]),
					raises: []*Object{n}, clears: []*Object{other}}
				if side == 1 {
					p.raises, p.clears = p.clears, p.raises
				}
				return p
			}
		}
	}
	return nil
}

// opposites are words by which two notifications are told apart, the one that
// raises first. Common practice, no source.
func opposites() [][2]string {
	return [][2]string{{"Down", "Up"}, {"Added", "Removed"}, {"Active", "Clear"}, {"Active", "Cleared"}, {"Active", "Inactive"},
		{"Raised", "Cleared"}, {"Raise", "Clear"}, {"Set", "Clear"}, {"Set", "Cleared"}, {"Alarm", "Clear"}, {"Alarm", "Cleared"}, {"Alarm", "Normal"},
		{"Failed", "Restored"}, {"Failure", "Restored"}, {"Fail", "Restore"}, {"Fail", "OK"}, {"Fail", "Ok"}, {"Failed", "OK"}, {"Failed", "Recovered"},
		{"Failure", "Recovery"}, {"Lost", "Restored"}, {"Lost", "Established"}, {"Loss", "Restored"}, {"Loss", "Clear"}, {"Disconnected", "Connected"},
		{"Disabled", "Enabled"}, {"Open", "Closed"}, {"Opened", "Closed"}, {"Open", "Close"}, {"Begin", "End"}, {"Start", "End"}, {"Start", "Stop"},
		{"Started", "Ended"}, {"Started", "Stopped"}, {"Entered", "Left"}, {"Enter", "Exit"}, {"Rising", "Falling"}, {"High", "Normal"}, {"Low", "Normal"},
		{"Exceeded", "Normal"}, {"Exceeded", "Cleared"}, {"Bad", "Good"}, {"On", "Off"}, {"Missing", "Present"}, {"Offline", "Online"}, {"Abnormal", "Normal"}}
}

// cutWord takes a word out of a name written in camel case; ok is false if it
// does not have that word.
func cutWord(name, word string) (stem string, ok bool) {
	for at := 0; ; {
		i := strings.Index(name[at:], word)
		if i < 0 {
			return "", false
		}
		at += i
		after := name[at+len(word):]
		if after == "" || !unicode.IsLower(rune(after[0])) {
			return name[:at] + after, true
		}
		at += len(word)
	}
}

// stateObject returns an object of a notification whose words have both sides.
func (d *drafter) stateObject(n *Object) *Object {
	for _, name := range n.Objects {
		o := d.object(n, name)
		if o == nil || o.Bits {
			continue
		}
		raise, clear := false, false
		for _, w := range o.Words {
			switch sideOf(w.Word) {
			case "raise":
				raise = true
			case "clear":
				clear = true
			}
		}
		if raise && clear {
			return o
		}
	}
	return nil
}

func (d *drafter) object(n *Object, name string) *Object {
	if o := d.lib.Names.byName[n.Module+"::"+name]; o != nil {
		return o
	}
	return d.lib.Names.byName[name]
}

// sideOf says what a word of a state enumeration looks like: "raise", "clear",
// or "" when it could be either. Common practice, no source.
func sideOf(word string) string {
	lower := strings.ToLower(word)
	for _, w := range []string{"normal", "ok", "okay", "good", "up", "clear", "cleared", "inactive", "online", "present", "restored", "idle",
		"closed", "healthy", "available", "enabled", "connected", "established", "nofault", "noalarm", "notactive", "none", "off", "false", "operational"} {
		if lower == w {
			return "clear"
		}
	}
	for _, w := range []string{"alarm", "active", "fail", "failed", "failure", "fault", "faulty", "bad", "down", "critical", "major", "minor", "warning",
		"offline", "missing", "lost", "open", "high", "low", "abnormal", "unavailable", "disabled", "disconnected", "error", "set", "raised", "on",
		"true", "tripped", "depleted", "discharging", "absent", "notoperational"} {
		if lower == w {
			return "raise"
		}
	}
	return ""
}

func (d *drafter) write(p *proposal) {
	id := d.pointID(p.stem)
	ref := d.reference
	fmt.Fprintf(&d.rules, "  # %s\n  - name: %s\n", p.reason, quote(p.stem))
	all := append(slices.Clone(p.raises), p.clears...)
	var on, named []string
	for _, n := range all {
		text, plain := ref(n)
		on = append(on, text)
		if !plain {
			named = append(named, n.Name)
		}
	}
	fmt.Fprintf(&d.rules, "    on: %s%s\n    observe:\n      - point: %s\n", strings.Join(on, " "), comment(named), id)
	d.writeInstance(p)
	d.writeWhat(p)
	d.writeText(p)
	d.writePoint(p, id)
}

// reference writes an object as the configuration can read it.
func (d *drafter) reference(o *Object) (text string, plain bool) {
	if known := d.known.byName[o.Name]; known != nil && known.OID == o.OID {
		return o.Name, true
	}
	return o.OID.String(), false
}

func comment(names []string) string {
	if len(names) == 0 {
		return ""
	}
	return "   # " + strings.Join(names, " ")
}

func (d *drafter) writeInstance(p *proposal) {
	for _, name := range p.raises[0].Objects {
		o := d.object(p.raises[0], name)
		if o == nil || !o.Column {
			continue
		}
		text, plain := d.reference(o)
		note := "   # the row, so that each has its own alarm"
		if !plain {
			note += ": " + o.Name
		}
		fmt.Fprintf(&d.rules, "        instance: \"${%s.index}\"%s\n", text, note)
		return
	}
}

func (d *drafter) writeWhat(p *proposal) {
	switch {
	case p.instant:
		d.rules.WriteString("        what: event\n")
	case p.state != nil:
		text, plain := d.reference(p.state)
		fmt.Fprintf(&d.rules, "        what-by:\n          of: %s%s\n          map:\n", text, comment(unless(plain, p.state.Name)))
		for _, w := range p.state.Words {
			key, note := w.Word, ""
			if !plain {
				key, note = strconv.FormatInt(w.Number, 10), w.Word
			}
			side := sideOf(w.Word)
			if side == "" {
				side, note = "nothing", strings.TrimSpace(note+" undecided: raise or clear?")
			}
			fmt.Fprintf(&d.rules, "            %s: %s%s\n", quote(key), side, comment(unless(note == "", note)))
		}
	default:
		d.rules.WriteString("        what-by:\n          of: trap\n          map:\n")
		for i, n := range append(slices.Clone(p.raises), p.clears...) {
			text, plain := d.reference(n)
			what := "raise"
			if i >= len(p.raises) {
				what = "clear"
			}
			fmt.Fprintf(&d.rules, "            %s: %s%s\n", quote(text), what, comment(unless(plain, n.Name)))
		}
	}
}

func unless(not bool, word string) []string {
	if not {
		return nil
	}
	return []string{word}
}

// writeText says the values that come along, unless both sides of a pair
// carry different ones.
func (d *drafter) writeText(p *proposal) {
	for _, n := range p.clears {
		if !slices.Equal(n.Objects, p.raises[0].Objects) {
			return
		}
	}
	var parts []string
	for _, name := range p.raises[0].Objects {
		o := d.object(p.raises[0], name)
		if o == nil {
			continue
		}
		text, _ := d.reference(o)
		part := o.Name + " ${" + text + "}"
		if o.Units != "" {
			part += " " + o.Units
		}
		parts = append(parts, part)
	}
	if len(parts) > 0 {
		fmt.Fprintf(&d.rules, "        text: %s\n", quote("${point.name}: "+strings.Join(parts, ", ")))
	}
}

func (d *drafter) writePoint(p *proposal, id string) {
	fmt.Fprintf(&d.points, "      %s:\n", id)
	if p.instant {
		d.points.WriteString("        kind: entry\n")
	}
	fmt.Fprintf(&d.points, "        name: %s\n        severity: minor   # say how bad it is\n", quote(spoken(p.stem)))
	if text := firstSentence(p.raises[0].Description); text != "" {
		fmt.Fprintf(&d.points, "        instructions: %s\n", quote(text))
	}
}

// pointID makes an ID of a name in camel case: lower case, hyphens, at most 64
// characters, and unlike all before it.
func (d *drafter) pointID(name string) string {
	base := strings.Trim(strings.ReplaceAll(spoken(name), " ", "-"), "-")
	if base == "" {
		base = "point"
	}
	base = strings.Trim(base[:min(len(base), 56)], "-")
	id := base
	for n := 2; d.used[id]; n++ {
		id = fmt.Sprintf("%s-%d", base, n)
	}
	d.used[id] = true
	return id
}

// spoken writes a name in camel case as lower-case words of ASCII letters and
// digits.
func spoken(name string) string {
	var b strings.Builder
	for i := range len(name) {
		c := name[i]
		upper := c >= 'A' && c <= 'Z'
		if upper && i > 0 {
			before := name[i-1]
			ends := before >= 'A' && before <= 'Z' && i+1 < len(name) && name[i+1] >= 'a' && name[i+1] <= 'z'
			if before >= 'a' && before <= 'z' || isDigit(before) || ends {
				b.WriteByte(' ')
			}
		}
		switch {
		case upper:
			b.WriteByte(c + 'a' - 'A')
		case c >= 'a' && c <= 'z' || isDigit(c):
			b.WriteByte(c)
		default:
			b.WriteByte(' ')
		}
	}
	return oneLine(b.String())
}

func firstSentence(text string) string {
	if end := strings.Index(text, ". "); end >= 0 {
		text = text[:end+1]
	}
	if len(text) > 200 {
		text = strings.ToValidUTF8(text[:200], "") + "..."
	}
	return text
}

// quote writes a YAML double-quoted scalar; JSON's escapes are YAML's.
func quote(text string) string {
	var b strings.Builder
	b.WriteByte('"')
	for _, r := range strings.ToValidUTF8(text, "?") {
		switch {
		case r == '"' || r == '\\':
			b.WriteByte('\\')
			b.WriteRune(r)
		case unicode.IsPrint(r):
			b.WriteRune(r)
		default:
			b.WriteByte(' ')
		}
	}
	b.WriteByte('"')
	return b.String()
}
