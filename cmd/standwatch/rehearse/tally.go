package rehearse

import (
	"time"

	"example.net/standwatch/correlate"
)

// Span is one episode. A zero To says that it stands at the end.
type Span struct {
	From     time.Time          `json:"from"`
	To       time.Time          `json:"to,omitzero"`
	Severity correlate.Severity `json:"-"`
}

// end is when the episode ended, or the end of it all.
func (s Span) end(all time.Time) time.Time {
	if s.To.IsZero() {
		return all
	}
	return s.To
}

// hourOf is one person's hour.
type hourOf struct {
	person string
	hour   int64 // Unix time of its begin
}

// tally counts one side: what was, or what would have been.
type tally struct {
	zone      *time.Location
	spans     map[correlate.Key][]Span
	told      map[hourOf]int
	flapping  int // times that an alarm began to flap
	turns     int // rises and clears that nobody was told of since
	raised    int
	unmatched int
	traps     map[trapOf]int
	messages  int
}

// trapOf is a kind of notification that nothing came of.
type trapOf struct{ origin, trap, why string }

func newTally(zone *time.Location) *tally {
	return &tally{zone: zone, spans: map[correlate.Key][]Span{}, told: map[hourOf]int{}, traps: map[trapOf]int{}}
}

// stand notes what stands when the stretch begins.
func (t *tally) stand(st *correlate.State) {
	for k, a := range st.Alarms {
		if a.Standing {
			t.spans[k] = append(t.spans[k], Span{From: a.Raised, Severity: a.Severity})
		}
	}
}

// note counts what a record says.
func (t *tally) note(r *correlate.Record) {
	if in, ok := r.Input.(*correlate.Arrival); ok && in.Unmatched != "" && in.RunAgain == 0 {
		t.unmatched++
		t.traps[trapOf{in.Origin, in.TrapOID, in.Unmatched}]++
	}
	for _, ev := range r.Events {
		t.event(r.At, ev)
	}
}

func (t *tally) event(at time.Time, ev correlate.Event) {
	switch e := ev.(type) {
	case *correlate.Raised:
		t.raised++
		t.spans[e.Key] = append(t.spans[e.Key], Span{From: at, Severity: e.Severity})
	case *correlate.AlarmCleared:
		t.end(e.Key, at)
	case *correlate.Closed:
		t.end(e.Key, at)
	case *correlate.FlapBegan:
		t.flapping++
	case *correlate.FlapTurned:
		t.turns++
	case *correlate.MessageQueued:
		t.messages++
		local := at.In(t.zone)
		hour := time.Date(local.Year(), local.Month(), local.Day(), local.Hour(), 0, 0, 0, t.zone)
		t.told[hourOf{e.Message.Person, hour.Unix()}]++
	}
}

// end ends the newest episode of an alarm.
func (t *tally) end(k correlate.Key, at time.Time) {
	spans := t.spans[k]
	if n := len(spans); n > 0 && spans[n-1].To.IsZero() {
		spans[n-1].To = at
	}
}
