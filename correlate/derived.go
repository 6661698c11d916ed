package correlate

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"
)

// Derivation computes a derived point from other points of its site. It knows
// no site of its own, so that the sites of one template share it.
type Derivation struct {
	Of []Source // what it looks at; it is computed anew when one of them changes
	// Holds reports whether the condition is there. It is pure and quick; an
	// error says why it cannot be known.
	Holds   func(Facts) (bool, error)
	Written string // as the configuration has it
}

// Source is a point of the same site that a derived point looks at.
type Source struct {
	Point    PointID
	Instance string
}

// Facts are what a derived point can look at.
type Facts interface {
	// Stands reports whether the alarm of a point stands.
	Stands(Source) bool
	// Reading returns the last believed value of an analog point in engineering
	// units; ok is false before the first.
	Reading(Source) (value float64, ok bool)
}

// Computed says what became of a derived point: whether its condition holds, or
// why that cannot be known. It follows a change, and every failure.
type Computed struct {
	On
	Holds bool   `cbor:"2,keyasint,omitempty"`
	Err   string `cbor:"3,keyasint,omitempty"` // Holds is then as it was
}

// Kind numbers; see [EventKinds].
func (*Computed) Kind() EventKind { return 31 }

// DerivedState is what is known of a derived point.
type DerivedState struct {
	Key      Key       `cbor:"1,keyasint"`
	Holds    bool      `cbor:"2,keyasint,omitempty"`
	At       time.Time `cbor:"3,keyasint"`           // of the last change or failure
	Failures int       `cbor:"4,keyasint,omitempty"` // how often it could not be computed
	Err      string    `cbor:"5,keyasint,omitempty"` // why it cannot be now; empty when it can
}

func (s *State) foldComputed(r *Record, e *Computed) {
	d := s.Derived[e.Key]
	if d == nil {
		d = &DerivedState{Key: e.Key}
		s.Derived[e.Key] = d
	}
	d.At, d.Holds, d.Err = r.At, e.Holds, e.Err
	if e.Err != "" {
		d.Failures++
	}
}

// indexDerived lists, for every point, the derived points that look at it, and
// checks that none looks at itself through others.
func (n *Network) indexDerived() error {
	for _, id := range n.order {
		site := n.sites[id]
		order, loop := DerivedOrder(site)
		if loop != nil {
			return fmt.Errorf("site %q: derived points look at each other in a circle: %s", id, LoopText(loop))
		}
		for _, pid := range order {
			k := Key{Site: id, Point: pid}
			n.rank[k] = len(n.derived)
			n.derived = append(n.derived, k)
			for _, of := range site.Points[pid].Derive.Of {
				at := pointKey{id, of.Point}
				if !slices.Contains(n.lookedAt[at], pid) {
					n.lookedAt[at] = append(n.lookedAt[at], pid)
				}
			}
		}
	}
	return nil
}

// DerivedOrder lists the derived points of a site, each after those it looks at,
// so that each is computed once when something changes. loop is a circle of
// points that look at each other, nil when there is none.
func DerivedOrder(site *Site) (order, loop []PointID) {
	var path []PointID
	done := map[PointID]bool{}
	var visit func(PointID) bool
	visit = func(id PointID) bool {
		p := site.Points[id]
		if p == nil || p.Derive == nil || done[id] {
			return true
		}
		if i := slices.Index(path, id); i >= 0 {
			loop = slices.Clone(path[i:])
			return false
		}
		path = append(path, id)
		for _, of := range p.Derive.Of {
			if !visit(of.Point) {
				return false
			}
		}
		path = path[:len(path)-1]
		done[id] = true
		order = append(order, id)
		return true
	}
	for _, id := range sortedPoints(site) {
		if !visit(id) {
			return nil, loop
		}
	}
	return order, nil
}

// LoopText writes a circle of points: "a looks at b, which looks at a".
func LoopText(loop []PointID) string {
	var b strings.Builder
	b.WriteString(string(loop[0]))
	for i := range loop {
		verb := ", which looks at "
		if i == 0 {
			verb = " looks at "
		}
		b.WriteString(verb + string(loop[(i+1)%len(loop)]))
	}
	return b.String()
}

// siteFacts are the facts of one site as the engine knows them.
type siteFacts struct {
	st   *State
	site SiteID
}

// Stands is part of Facts.
func (f siteFacts) Stands(s Source) bool {
	a := f.st.Alarms[Key{f.site, s.Point, s.Instance}]
	return a != nil && a.Standing
}

// Reading is part of Facts.
func (f siteFacts) Reading(s Source) (float64, bool) {
	r := f.st.Readings[Key{f.site, s.Point, s.Instance}]
	if r == nil {
		return 0, false
	}
	return r.Value, true
}

// touch notes that what derived points look at has changed.
func (e *Engine) touch(k Key) {
	for _, id := range e.net.lookedAt[pointKey{k.Site, k.Point}] {
		d := Key{Site: k.Site, Point: id}
		if !slices.Contains(e.dirty, d) {
			e.dirty = append(e.dirty, d)
		}
	}
}

// derive computes the derived points whose inputs have changed, and those that
// look at them in turn. What is looked at comes first, so each is computed once.
func (e *Engine) derive() {
	for len(e.dirty) > 0 {
		next := 0
		for i, k := range e.dirty {
			if e.net.rank[k] < e.net.rank[e.dirty[next]] {
				next = i
			}
		}
		k := e.dirty[next]
		e.dirty = slices.Delete(e.dirty, next, next+1)
		e.compute(k)
	}
}

// deriveAll computes every derived point anew.
func (e *Engine) deriveAll() {
	for _, k := range e.net.derived {
		e.compute(k)
	}
	e.dirty = nil
}

// compute computes one derived point and decides about what it says.
func (e *Engine) compute(k Key) {
	p := e.net.Point(k)
	if p == nil || p.Derive == nil {
		return
	}
	holds, err := p.Derive.Holds(siteFacts{e.st, k.Site})
	was := e.st.Derived[k]
	if was == nil {
		was = &DerivedState{}
	}
	if err != nil {
		e.emit(&Computed{On: On{k}, Holds: was.Holds, Err: cmp.Or(err.Error(), "it failed")})
		return
	}
	if holds != was.Holds || was.Err != "" {
		e.emit(&Computed{On: On{k}, Holds: holds})
	}
	switch there := e.st.Alarms[k].reportedThere(); {
	case holds && !there:
		e.conditionCame(k, p, rise{Since: e.r.At})
	case !holds && there:
		e.conditionWent(k, p, "", false)
	}
}

// reportedThere reports whether the condition was there by what was last said
// of it, whatever delay it has yet to wait out.
func (a *Alarm) reportedThere() bool {
	switch {
	case a == nil:
		return false
	case a.Wait != nil:
		return a.Wait.What == Raise
	}
	return a.Condition
}

// DerivedFaults lists the derived points that cannot be computed now, in key
// order.
func (s *State) DerivedFaults() []*DerivedState {
	var out []*DerivedState
	for _, d := range s.Derived {
		if d.Err != "" {
			out = append(out, d)
		}
	}
	slices.SortFunc(out, func(a, b *DerivedState) int { return a.Key.Compare(b.Key) })
	return out
}

func sortedPoints(site *Site) []PointID { return slices.Sorted(maps.Keys(site.Points)) }
