package correlate

import (
	"slices"
	"time"
)

// The figures of a flood for one operator: it begins with more than ten new
// alarms in ten minutes and ends when fewer than five came in ten (ANSI/ISA-18.2
// and EEMUA 191, as quoted by public documents; neither was opened).
const (
	FloodSpan   = 10 * time.Minute
	floodBegins = 11 // told within FloodSpan: it begins
	floodGoesOn = 5  // told within FloodSpan: it goes on
)

// Flood is what is known of the rate at which new alarms are told. A new alarm
// is the first [Announced] of an episode: what is explained, shelved, suppressed
// or flapping tells nobody and makes no flood.
type Flood struct {
	Since  time.Time   `cbor:"1,keyasint,omitzero"`  // when the present flood began; zero while there is none
	Count  int         `cbor:"2,keyasint,omitempty"` // alarms told in it, those that began it included
	Recent []time.Time `cbor:"3,keyasint,omitempty"` // when the newest were told, oldest first, as many as decide
	Told   []FloodTold `cbor:"4,keyasint,omitempty"` // who was sent digests in it, in order of the names
}

// FloodTold is how far one person was told of the present flood.
type FloodTold struct {
	Person  string    `cbor:"1,keyasint"`
	Digests int       `cbor:"2,keyasint"`
	Last    time.Time `cbor:"3,keyasint"` // when the newest digest was made
}

// ToldOf returns how many digests a person was sent in the present flood, and
// when the newest was made; zero and the zero time when there was none.
func (f *Flood) ToldOf(person string) (digests int, last time.Time) {
	if i, there := f.toldAt(person); there {
		return f.Told[i].Digests, f.Told[i].Last
	}
	return 0, time.Time{}
}

func (f *Flood) toldAt(person string) (int, bool) {
	return slices.BinarySearchFunc(f.Told, person, func(t FloodTold, who string) int { return compareText(t.Person, who) })
}

// digested notes that a person's digest was made: the nth of this flood.
func (f *Flood) digested(person string, nth int, at time.Time) {
	i, there := f.toldAt(person)
	if !there {
		f.Told = slices.Insert(f.Told, i, FloodTold{Person: person})
	}
	f.Told[i].Digests, f.Told[i].Last = nth, at
}

// On reports whether there is a flood.
func (f *Flood) On() bool { return !f.Since.IsZero() }

// FloodBegan says that more new alarms are told than one operator can take in:
// from here on the board and the call-outs sum up instead of listing. It follows
// the [Announced] that began it, which is marked already.
type FloodBegan struct {
	Count int `cbor:"1,keyasint"` // told within FloodSpan so far
}

// FloodEnded says that the rate is bearable again.
type FloodEnded struct {
	Since time.Time `cbor:"1,keyasint"`
	Count int       `cbor:"2,keyasint"` // told in it, from beginning to end
}

// Subject returns the zero key: a flood is about no single alarm.
func (*FloodBegan) Subject() Key { return Key{} }

// Subject returns the zero key.
func (*FloodEnded) Subject() Key { return Key{} }

// Kind numbers; see [EventKinds].
func (*FloodBegan) Kind() EventKind { return 29 }
func (*FloodEnded) Kind() EventKind { return 30 }

// told notes that a new alarm was told.
func (f *Flood) told(at time.Time) {
	if len(f.Recent) >= floodBegins {
		f.Recent = append(f.Recent[:0], f.Recent[len(f.Recent)-floodBegins+1:]...)
	}
	f.Recent = append(f.Recent, at)
	if f.On() {
		f.Count++
	}
}

// withOneMore reports whether a new alarm told at now is part of a flood: one
// that is on, or one that it begins.
func (f *Flood) withOneMore(now time.Time) bool {
	return f.On() || f.begins(now, floodBegins-1)
}

// begins reports whether the newest n that were told lie within FloodSpan.
func (f *Flood) begins(now time.Time, n int) bool {
	return len(f.Recent) >= n && now.Sub(f.Recent[len(f.Recent)-n]) < FloodSpan
}

// over returns when the flood ends if nothing more is told.
func (f *Flood) over() time.Time {
	return f.Recent[len(f.Recent)-floodGoesOn].Add(FloodSpan)
}

// tell announces an alarm, and begins a flood if it is one too many.
func (e *Engine) tell(a *Alarm, why string) {
	fresh := a.AnnouncedAt.IsZero()
	flood := &e.st.Flood
	ev := &Announced{On: On{a.Key}, Why: why, Again: e.again(a), Flood: flood.On()}
	if fresh {
		ev.Flood = flood.withOneMore(e.r.At)
	}
	e.emit(ev)
	if fresh && ev.Flood && !flood.On() {
		e.emit(&FloodBegan{Count: floodBegins})
	}
	if fresh && flood.On() {
		e.armFlood()
	}
}

// armFlood keeps one entry for the end of the flood in the queue.
func (e *Engine) armFlood() {
	if e.st.Flood.On() && !e.floodArmed {
		e.floodArmed = true
		e.due.push(dueEntry{At: e.st.Flood.over(), Kind: dueFlood})
	}
}

// floodDue ends the flood if it is over.
func (e *Engine) floodDue() {
	e.floodArmed = false
	f := &e.st.Flood
	switch {
	case !f.On():
	case f.over().After(e.r.At):
		e.armFlood()
	default:
		e.emit(&FloodEnded{Since: f.Since, Count: f.Count})
	}
}
