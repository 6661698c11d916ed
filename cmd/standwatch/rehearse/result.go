package rehearse

import (
	"cmp"
	"maps"
	"slices"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/receiver/capture"
)

// Counts say what was gone through.
type Counts struct {
	From          time.Time `json:"from"` // of the first record that was compared
	To            time.Time `json:"to"`   // of the last
	Records       int       `json:"records"`
	Notifications int       `json:"notifications"`
	Sealed        int       `json:"sealed"`    // could not be opened, and taken as they were recorded
	Refused       int       `json:"refused"`   // would not have been heard
	RunAgain      int       `json:"run-again"` // run again then, and understood at once now
	// Capture is the books of the capture that was gone through, if it was one;
	// then nothing was decided before, and every Before is 0.
	Capture *capture.Counts `json:"capture,omitempty"`
	Again   int             `json:"sent-again,omitempty"` // of a capture: informs that were sent again
}

// Pair is a figure as it was and as it would have been.
type Pair struct {
	Before int `json:"before"`
	After  int `json:"after"`
}

// Alarm is one alarm that would have gone another way.
type Alarm struct {
	ID       correlate.AlarmID `json:"id"`
	Episodes Pair              `json:"episodes"`
	// Gone are the episodes that would not have been, New those that were not:
	// they share no moment with one of the other side. At most [MaxSpans] of each
	// are listed; the figures count all.
	GoneCount int    `json:"gone-count"`
	NewCount  int    `json:"new-count"`
	Gone      []Span `json:"gone,omitempty"`
	New       []Span `json:"new,omitempty"`

	before, after []Span
}

// MaxSpans bounds how many episodes are listed of each alarm.
const MaxSpans = 20

// Hour is one hour in which a person would have been told more or less.
type Hour struct {
	Begin time.Time `json:"begin"`
	Pair
}

// Person is what one person was told, in messages.
type Person struct {
	Person string `json:"person"`
	Pair
	Most  Pair   `json:"most-in-an-hour"`
	Hours []Hour `json:"hours"` // every hour with a message on either side
}

// Trap is a kind of notification that nothing would come of.
type Trap struct {
	Origin  string `json:"origin"`
	TrapOID string `json:"trap-oid"`
	Why     string `json:"why"`
	Count   int    `json:"count"`
}

// Result is what a rehearsal comes to.
type Result struct {
	Counts
	Episodes   Pair     `json:"episodes"` // that began
	Alarms     []Alarm  `json:"alarms"`   // that differ, most first
	Messages   Pair     `json:"messages"`
	People     []Person `json:"people"`
	Flapping   Pair     `json:"flapping"`    // times an alarm began to flap
	Turns      Pair     `json:"flap-turns"`  // rises and clears that nobody was told of because it flapped
	Unmatched  Pair     `json:"unmatched"`   // notifications that nothing came of
	Left       []Trap   `json:"left"`        // what they would be, most first
	NeverSpoke []string `json:"never-spoke"` // points as site/point
}

// Same reports whether nothing would have been different for anybody.
func (r *Result) Same() bool {
	return len(r.Alarms) == 0 && !slices.ContainsFunc(r.People, func(p Person) bool {
		return slices.ContainsFunc(p.Hours, func(h Hour) bool { return h.Before != h.After })
	})
}

func (r *Rehearsal) result() *Result {
	out := &Result{Counts: r.count,
		Episodes: Pair{r.was.raised, r.would.raised}, Messages: Pair{r.was.messages, r.would.messages},
		Flapping: Pair{r.was.flapping, r.would.flapping}, Turns: Pair{r.was.turns, r.would.turns},
		Unmatched: Pair{r.was.unmatched, r.would.unmatched}, NeverSpoke: r.silentPoints()}
	out.Alarms = r.alarms()
	out.People = r.people()
	for trap, n := range r.would.traps {
		out.Left = append(out.Left, Trap{trap.origin, trap.trap, trap.why, n})
	}
	slices.SortFunc(out.Left, func(a, b Trap) int {
		return cmp.Or(cmp.Compare(b.Count, a.Count), cmp.Compare(a.Origin, b.Origin), cmp.Compare(a.TrapOID, b.TrapOID), cmp.Compare(a.Why, b.Why))
	})
	return out
}

// alarms lists those that differ.
func (r *Rehearsal) alarms() []Alarm {
	keys := maps.Clone(r.was.spans)
	maps.Copy(keys, r.would.spans)
	var out []Alarm
	for k := range keys {
		a := Alarm{ID: k.ID(), before: r.was.spans[k], after: r.would.spans[k]}
		a.Episodes = Pair{len(a.before), len(a.after)}
		a.Gone, a.GoneCount = apart(a.before, a.after, r.count.To)
		a.New, a.NewCount = apart(a.after, a.before, r.count.To)
		if a.GoneCount+a.NewCount > 0 || a.Episodes.Before != a.Episodes.After {
			out = append(out, a)
		}
	}
	slices.SortFunc(out, func(a, b Alarm) int {
		return cmp.Or(cmp.Compare(b.weight(), a.weight()), cmp.Compare(a.ID, b.ID))
	})
	return out
}

// weight is by how much an alarm differs.
func (a *Alarm) weight() int {
	return max(a.GoneCount+a.NewCount, a.Episodes.Before-a.Episodes.After, a.Episodes.After-a.Episodes.Before)
}

// near is by how much two episodes may miss each other and still be one: what
// is due is really decided a little late. Judgement, no source.
const near = time.Second

// apart returns the first of those spans that share no moment with any of
// others, and how many they are. Both are in order of time.
func apart(spans, others []Span, end time.Time) (first []Span, n int) {
	i := 0
	for _, s := range spans {
		for i < len(others) && others[i].end(end).Before(s.From.Add(-near)) {
			i++
		}
		if i < len(others) && !others[i].From.After(s.end(end).Add(near)) {
			continue
		}
		if n++; n <= MaxSpans {
			first = append(first, s)
		}
	}
	return first, n
}

func (r *Rehearsal) people() []Person {
	hours := map[string]map[int64]Pair{}
	count := func(told map[hourOf]int, add func(*Pair, int)) {
		for at, n := range told {
			if hours[at.person] == nil {
				hours[at.person] = map[int64]Pair{}
			}
			p := hours[at.person][at.hour]
			add(&p, n)
			hours[at.person][at.hour] = p
		}
	}
	count(r.was.told, func(p *Pair, n int) { p.Before += n })
	count(r.would.told, func(p *Pair, n int) { p.After += n })
	var out []Person
	for _, id := range slices.Sorted(maps.Keys(hours)) {
		p := Person{Person: id}
		for _, at := range slices.Sorted(maps.Keys(hours[id])) {
			n := hours[id][at]
			p.Before, p.After = p.Before+n.Before, p.After+n.After
			p.Most = Pair{max(p.Most.Before, n.Before), max(p.Most.After, n.After)}
			p.Hours = append(p.Hours, Hour{time.Unix(at, 0).In(r.opts.Zone), n})
		}
		out = append(out, p)
	}
	return out
}
