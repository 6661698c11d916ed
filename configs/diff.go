package configs

import (
	"fmt"
	"maps"
	"reflect"
	"slices"
	"strings"
	"time"
	"unicode"

	"example.net/standwatch/correlate"
	"example.net/standwatch/receiver"
	"example.net/standwatch/receiver/rules"
)

// Summary is what differs between two configurations.
type Summary struct {
	SitesAdded, SitesRemoved, SitesChanged    []correlate.SiteID // changed: other than in their points and agents
	PointsAdded, PointsRemoved                []correlate.Key
	PointsChanged                             []PointChange // other than in their severity
	Severities                                []SeverityChange
	AgentsAdded, AgentsRemoved, AgentsChanged []correlate.AgentID
	Rules, People, Security                   bool // something about them differs
	Restart                                   bool // listeners, store, console or forward differ, which takes a restart
}

// SeverityChange is a point whose own severity, or that of a limit, differs.
// From and To are the point's own.
type SeverityChange struct {
	Key      correlate.Key
	From, To correlate.Severity
}

// PointChange is a point of which something else differs. What says what, such
// as "alarm word "Open", was "Door open"".
type PointChange struct {
	Key  correlate.Key
	What []string
}

// String is "site:point: what, what".
func (c PointChange) String() string { return c.Key.String() + ": " + strings.Join(c.What, ", ") }

// Diff says what differs. A nil old is an empty configuration. Points of sites
// that are new or gone are not listed one by one.
func Diff(old, cur *Config) Summary {
	var s Summary
	if old == nil {
		s.SitesAdded = slices.Clone(cur.Network.Sites())
		s.Rules, s.People, s.Security, s.Restart = true, true, true, true
		return s
	}
	d := differ{sum: &s, same: map[[2]*correlate.Point]verdict{}}
	for _, id := range cur.Network.Sites() {
		was := old.Network.Site(id)
		if was == nil {
			s.SitesAdded = append(s.SitesAdded, id)
			continue
		}
		d.site(was, cur.Network.Site(id))
	}
	for _, id := range old.Network.Sites() {
		if cur.Network.Site(id) == nil {
			s.SitesRemoved = append(s.SitesRemoved, id)
		}
	}
	d.agents(old, cur)
	s.Rules = !alike(reflect.ValueOf(old.specs), reflect.ValueOf(cur.specs))
	s.People = !alike(reflect.ValueOf(old.book), reflect.ValueOf(cur.book)) || !slices.EqualFunc(old.Gateways, cur.Gateways, Gateway.Same) || !reflect.DeepEqual(old.Shifts, cur.Shifts)
	s.Security = !reflect.DeepEqual(old.Receiver.Users, cur.Receiver.Users) || !slices.EqualFunc(old.Receiver.Policies, cur.Receiver.Policies, samePolicy)
	s.Restart = !reflect.DeepEqual(old.Listeners, cur.Listeners) || old.Store.Folder != cur.Store.Folder || !reflect.DeepEqual(old.Console, cur.Console) ||
		!alike(reflect.ValueOf(old.Forward), reflect.ValueOf(cur.Forward))
	return s
}

// alike reports whether two values of plain structs, slices, maps and pointers
// are equal apart from where they stand in the files.
func alike(a, b reflect.Value) bool {
	switch a.Kind() {
	case reflect.Struct:
		for i := range a.NumField() {
			if f := a.Type().Field(i); f.Name == "Pos" || f.Name == "At" && (f.Type == reflect.TypeFor[Pos]() || f.Type == reflect.TypeFor[rules.Places]()) {
				continue
			}
			if !alike(a.Field(i), b.Field(i)) {
				return false
			}
		}
		return true
	case reflect.Slice:
		if a.Len() != b.Len() {
			return false
		}
		for i := range a.Len() {
			if !alike(a.Index(i), b.Index(i)) {
				return false
			}
		}
		return true
	case reflect.Pointer:
		if a.IsNil() || b.IsNil() {
			return a.IsNil() == b.IsNil()
		}
		return alike(a.Elem(), b.Elem())
	}
	return reflect.DeepEqual(a.Interface(), b.Interface())
}

// verdict says in what two points differ.
type verdict struct {
	severity bool
	other    []string
}

type differ struct {
	sum  *Summary
	same map[[2]*correlate.Point]verdict // points are shared by many sites
}

func (d *differ) site(was, is *correlate.Site) {
	a, b := *was, *is
	a.Points, b.Points, a.Agents, b.Agents = nil, nil, nil, nil
	a.Zone, b.Zone = nil, nil
	if !reflect.DeepEqual(a, b) || was.Zone.String() != is.Zone.String() {
		d.sum.SitesChanged = append(d.sum.SitesChanged, is.ID)
	}
	for _, id := range slices.Sorted(maps.Keys(is.Points)) {
		k := correlate.Key{Site: is.ID, Point: id}
		if was.Points[id] == nil {
			d.sum.PointsAdded = append(d.sum.PointsAdded, k)
			continue
		}
		v := d.points(was.Points[id], is.Points[id])
		if v.severity {
			d.sum.Severities = append(d.sum.Severities, SeverityChange{k, was.Points[id].Severity, is.Points[id].Severity})
		}
		if len(v.other) > 0 {
			d.sum.PointsChanged = append(d.sum.PointsChanged, PointChange{k, v.other})
		}
	}
	for _, id := range slices.Sorted(maps.Keys(was.Points)) {
		if is.Points[id] == nil {
			d.sum.PointsRemoved = append(d.sum.PointsRemoved, correlate.Key{Site: is.ID, Point: id})
		}
	}
}

func (d *differ) points(was, is *correlate.Point) verdict {
	if alikePoints(was, is) {
		return verdict{}
	}
	pair := [2]*correlate.Point{was, is}
	v, known := d.same[pair]
	if known {
		return v
	}
	a, b := plain(was), plain(is)
	v.severity = severities(was) != severities(is)
	if !reflect.DeepEqual(a, b) {
		v.other = changes(reflect.ValueOf(a), reflect.ValueOf(b))
	}
	d.same[pair] = v
	return v
}

// changes words the fields in which two points differ.
func changes(was, is reflect.Value) (out []string) {
	for i := range was.NumField() {
		a, b := was.Field(i).Interface(), is.Field(i).Interface()
		if reflect.DeepEqual(a, b) {
			continue
		}
		name := fieldWords(was.Type().Field(i).Name)
		from, short := shown(a)
		to, shortTo := shown(b)
		if !short || !shortTo {
			out = append(out, name+" changed")
			continue
		}
		out = append(out, fmt.Sprintf("%s %s, was %s", name, to, from))
	}
	return out
}

// fieldWords writes a name in camel case as words: "alarm word".
func fieldWords(name string) string {
	var b strings.Builder
	for i, r := range name {
		if unicode.IsUpper(r) && i > 0 {
			b.WriteByte(' ')
		}
		b.WriteRune(unicode.ToLower(r))
	}
	return b.String()
}

// shown writes a value of a point; ok is false for what has no short form.
func shown(v any) (text string, ok bool) {
	switch v := v.(type) {
	case string:
		return quoted(strings.Join(strings.Fields(v), " ")), true
	case bool, int, float64, time.Duration, correlate.Kind, correlate.Wiring:
		return fmt.Sprint(v), true
	case *float64:
		if v == nil {
			return "none", true
		}
		return fmt.Sprint(*v), true
	}
	return "", false
}

// plain is a point without its severities and where it is configured.
func plain(p *correlate.Point) correlate.Point {
	cp := *p
	cp.Severity, cp.ConfiguredAt = 0, ""
	if cp.Derive != nil {
		cp.Derive = &correlate.Derivation{Of: cp.Derive.Of, Written: cp.Derive.Written}
	}
	for _, l := range []**correlate.Limit{&cp.Limits.LowLow, &cp.Limits.Low, &cp.Limits.High, &cp.Limits.HighHigh} {
		if *l != nil {
			limit := **l
			limit.Severity = 0
			*l = &limit
		}
	}
	return cp
}

func severities(p *correlate.Point) [5]correlate.Severity {
	out := [5]correlate.Severity{p.Severity}
	for i, l := range []*correlate.Limit{p.Limits.LowLow, p.Limits.Low, p.Limits.High, p.Limits.HighHigh} {
		if l != nil {
			out[i+1] = l.Severity
		}
	}
	return out
}

func (d *differ) agents(old, cur *Config) {
	was := map[correlate.AgentID]any{}
	for _, a := range old.Receiver.Agents {
		was[a.ID] = [2]any{a, *old.Network.Agent(a.ID)}
	}
	for _, a := range cur.Receiver.Agents {
		before, known := was[a.ID]
		switch {
		case !known:
			d.sum.AgentsAdded = append(d.sum.AgentsAdded, a.ID)
		case !reflect.DeepEqual(before, any([2]any{a, *cur.Network.Agent(a.ID)})):
			d.sum.AgentsChanged = append(d.sum.AgentsChanged, a.ID)
		}
		delete(was, a.ID)
	}
	d.sum.AgentsRemoved = slices.Sorted(maps.Keys(was))
}

// String says in one line how many of what changed.
func (s Summary) String() string {
	var parts []string
	count := func(n int, one, many, what string) {
		switch {
		case n == 1:
			parts = append(parts, "1 "+one+" "+what)
		case n > 1:
			parts = append(parts, fmt.Sprintf("%d %s %s", n, many, what))
		}
	}
	count(len(s.SitesAdded), "site", "sites", "added")
	count(len(s.SitesRemoved), "site", "sites", "removed")
	count(len(s.SitesChanged), "site", "sites", "changed")
	count(len(s.PointsAdded), "point", "points", "added")
	count(len(s.PointsRemoved), "point", "points", "removed")
	count(len(s.PointsChanged), "point", "points", "changed")
	count(len(s.Severities), "severity", "severities", "changed")
	count(len(s.AgentsAdded), "agent", "agents", "added")
	count(len(s.AgentsRemoved), "agent", "agents", "removed")
	count(len(s.AgentsChanged), "agent", "agents", "changed")
	for _, part := range []struct {
		differs bool
		text    string
	}{{s.Rules, "rules changed"}, {s.People, "people, gateways, rosters, ladders, routes or shifts changed"}, {s.Security, "SNMP users or listener policies changed"},
		{s.Restart, "listeners, store, console or forward changed (needs a restart)"}} {
		if part.differs {
			parts = append(parts, part.text)
		}
	}
	if len(parts) == 0 {
		return "nothing changed"
	}
	return strings.Join(parts, ", ")
}

// Lines says what changed one by one, at most limit lines of each kind.
func (s Summary) Lines(limit int) []string {
	var out []string
	out = append(out, lines(limit, "site added: ", s.SitesAdded)...)
	out = append(out, lines(limit, "site removed: ", s.SitesRemoved)...)
	out = append(out, lines(limit, "site changed: ", s.SitesChanged)...)
	out = append(out, lines(limit, "point added: ", s.PointsAdded)...)
	out = append(out, lines(limit, "point removed: ", s.PointsRemoved)...)
	out = append(out, lines(limit, "point changed: ", s.PointsChanged)...)
	out = append(out, lines(limit, "severity changed: ", s.Severities)...)
	out = append(out, lines(limit, "agent added: ", s.AgentsAdded)...)
	out = append(out, lines(limit, "agent removed: ", s.AgentsRemoved)...)
	return append(out, lines(limit, "agent changed: ", s.AgentsChanged)...)
}

func lines[T any](limit int, lead string, items []T) []string {
	var out []string
	for i, item := range items {
		if i == limit {
			return append(out, fmt.Sprintf("%sand %d more", lead, len(items)-limit))
		}
		out = append(out, lead+fmt.Sprint(item))
	}
	return out
}

// String is "site:point from minor to major".
func (c SeverityChange) String() string {
	if c.From == c.To {
		return c.Key.String() + ": of a limit"
	}
	return fmt.Sprintf("%s from %s to %s", c.Key, c.From, c.To)
}

// samePolicy compares policies; a pool of certificates has to be asked.
func samePolicy(a, b receiver.Policy) bool {
	if (a.TLS == nil) != (b.TLS == nil) {
		return false
	}
	if a.TLS != nil {
		if !a.TLS.Clients.Equal(b.TLS.Clients) || a.TLS.Name != b.TLS.Name || !reflect.DeepEqual(a.TLS.Certificate.Certificate, b.TLS.Certificate.Certificate) {
			return false
		}
	}
	a.TLS, b.TLS = nil, nil
	return reflect.DeepEqual(a, b)
}
