package console

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"example.net/standwatch/correlate"
)

// span is a stretch of time on a linear scale, drawn in one pane of a strip.
// Places are reckoned from Origin, which moves once an hour only, so that a
// row stays the same while nothing happens; the whole drawing is shifted by
// the rest.
type span struct {
	Origin time.Time
	Length time.Duration
	Lag    time.Duration // the right edge is so long ago
}

// reach is what strips show: the newest minutes in a wide pane at the right,
// all before them in the other, so that the order of what came at once and
// the age of what stands are both to be seen.
type reach struct {
	Far, Near span
}

// nearWidth is the share of a strip that the newest stretch has.
const nearWidth share = 45

// near is how much of each length is drawn wide, and the steps of both axes.
var near = map[time.Duration]struct{ Near, FarStep, NearStep time.Duration }{
	2 * time.Hour:  {10 * time.Minute, 30 * time.Minute, 5 * time.Minute},
	8 * time.Hour:  {30 * time.Minute, 2 * time.Hour, 10 * time.Minute},
	24 * time.Hour: {2 * time.Hour, 6 * time.Hour, time.Hour},
}

// reachAt returns the stretches of a length that end now.
func reachAt(now time.Time, length time.Duration) reach {
	origin, n := now.Truncate(time.Hour), near[length].Near
	return reach{Far: span{origin, length - n, n}, Near: span{origin, n, 0}}
}

// begins returns the left edge of the strip at a time.
func (r reach) begins(now time.Time) time.Time { return now.Add(-r.Far.Length - r.Far.Lag) }

// share is a place or width on a pane as a percentage of its width.
type share float64

// String returns an SVG length.
func (s share) String() string { return fmt.Sprintf("%.2f%%", float64(s)) }

// x returns the place of t, where Origin is at 100 %.
func (s span) x(t time.Time) share {
	return share(100 + 100*float64(t.Sub(s.Origin))/float64(s.Length))
}

// Shift moves the drawing so that the right edge is Lag before now.
func (s span) Shift(now time.Time) share {
	return share(-100 * float64(now.Add(-s.Lag).Sub(s.Origin)) / float64(s.Length))
}

// bar is an alarm, or the part of it of one severity, from raise to clear.
type bar struct {
	X, Width share
	Severity correlate.Severity
	Taken    bool // somebody had it
	Flapping bool
	Ended    bool
}

// heights says a severity a fourth time; indices are RFC 8632 severities.
var heights = [...]int{correlate.Indeterminate: 7, correlate.Warning: 4, correlate.Minor: 6, correlate.Major: 9, correlate.Critical: 13}

// laneHeight is the height of a strip in CSS pixels.
const laneHeight = 20

// Height and Y place the bar in its lane, in CSS pixels.
func (b bar) Height() int { return heights[b.Severity] }

// Y is the upper edge.
func (b bar) Y() string { return fmt.Sprintf("%.1f", float64(laneHeight-b.Height())/2) }

// tick is a mark on a strip. Kind is repeat, note, take or clear.
type tick struct {
	X     share
	Kind  string
	Title string
}

// strip is one lane's drawing. Says is the same in words.
type strip struct {
	Panes   []pane
	Earlier bool // the newest episode began before the left edge
	Says    string
}

// pane is the part of a strip on one scale.
type pane struct {
	Name     string // "far" or "near"
	X, Width share  // within the strip
	Shift    share
	Bars     []bar
	Ticks    []tick
}

// panes returns the two parts of a strip, empty.
func (r reach) panes(now time.Time) []pane {
	return []pane{{Name: "far", Width: 100 - nearWidth, Shift: r.Far.Shift(now)}, {Name: "near", X: 100 - nearWidth, Width: nearWidth, Shift: r.Near.Shift(now)}}
}

// open is a width that reaches beyond any right edge.
const open share = 4000

// stripOf draws an alarm. repeats are the times of repeats that are known.
func stripOf(r reach, a *correlate.Alarm, repeats []time.Time, c clock) strip {
	out := strip{Panes: r.panes(c.now), Earlier: a.Standing && a.Raised.Before(r.begins(c.now)), Says: says(a, len(repeats), c)}
	out.Panes[0].draw(r.Far, r.begins(c.now), a, repeats, c)
	out.Panes[1].draw(r.Near, c.now.Add(-r.Near.Length), a, repeats, c)
	return out
}

// draw puts in what ended or happened after the left edge.
func (p *pane) draw(sp span, left time.Time, a *correlate.Alarm, repeats []time.Time, c clock) {
	for _, e := range episodes(a) {
		if !e.Ended.IsZero() && e.Ended.Before(left) {
			continue
		}
		p.Bars = append(p.Bars, e.bars(sp, a)...)
		if !e.Ended.IsZero() {
			p.Ticks = append(p.Ticks, tick{sp.x(e.Ended), "clear", "cleared " + c.at(e.Ended).Clock()})
		}
	}
	for _, t := range repeats {
		if t.After(left) {
			p.Ticks = append(p.Ticks, tick{sp.x(t), "repeat", "raised again " + c.at(t).Clock()})
		}
	}
	for _, o := range a.OperatorChanges {
		kind, ok := map[string]string{"note": "note", "ack": "take"}[o.State]
		if ok && o.At.After(left) {
			p.Ticks = append(p.Ticks, tick{sp.x(o.At), kind, kind + " " + c.at(o.At).Clock() + " by " + plain(o.By, 40)})
		}
	}
	slices.SortStableFunc(p.Ticks, func(a, b tick) int { return cmp.Compare(a.X, b.X) })
}

func says(a *correlate.Alarm, repeats int, c clock) string {
	parts := []string{"raised " + c.at(a.Raised).Clock()}
	if repeats > 0 {
		parts = append(parts, "raised again "+count(repeats, "time", "times"))
	}
	if a.Acknowledged {
		parts = append(parts, "taken "+c.at(a.AckAt).Clock())
	}
	if a.Standing {
		parts = append(parts, "still standing")
	} else {
		parts = append(parts, "cleared "+c.at(a.Cleared).Clock())
	}
	return strings.Join(parts, ", ")
}

// episode is one raise-to-clear interval with its severities over time.
type episode struct {
	Changes []correlate.StatusChange // oldest first, none cleared
	Ended   time.Time                // zero: it stands
	Said    string                   // text of the clear
}

// Began returns when the episode began.
func (e episode) Began() time.Time { return e.Changes[0].At }

// Worst returns the most severe it was.
func (e episode) Worst() correlate.Severity {
	worst := correlate.Severity(0)
	for _, ch := range e.Changes {
		worst = max(worst, ch.Severity)
	}
	return worst
}

// episodes returns what an alarm's kept status changes tell, oldest first.
func episodes(a *correlate.Alarm) []episode {
	var out []episode
	var now *episode
	for _, ch := range slices.Backward(a.StatusChanges) {
		switch {
		case ch.Severity == correlate.Cleared && now != nil:
			now.Ended, now.Said = ch.At, ch.Text
			out = append(out, *now)
			now = nil
		case ch.Severity == correlate.Cleared:
			// Its raise is older than what is kept.
		case now == nil:
			now = &episode{Changes: []correlate.StatusChange{ch}}
		default:
			now.Changes = append(now.Changes, ch)
		}
	}
	if now != nil {
		out = append(out, *now)
	}
	return out
}

// bars cuts an episode where its severity changed and where it was taken.
func (e episode) bars(sp span, a *correlate.Alarm) []bar {
	var out []bar
	for i, ch := range e.Changes {
		end := e.Ended
		if i+1 < len(e.Changes) {
			end = e.Changes[i+1].At
		}
		out = append(out, cut(sp, a, ch, end)...)
	}
	return out
}

func cut(sp span, a *correlate.Alarm, ch correlate.StatusChange, end time.Time) []bar {
	b := bar{X: sp.x(ch.At), Severity: ch.Severity, Width: open, Ended: !end.IsZero()}
	if b.Ended {
		b.Width = sp.x(end) - b.X
	}
	// AckAt survives the clear, so a past episode keeps its cut, too; one taken
	// at an earlier time than it began was taken as a milder alarm.
	takenAt := a.AckAt
	b.Flapping = a.Flapping && !b.Ended
	if !a.Acknowledged || takenAt.IsZero() || (b.Ended && !takenAt.Before(end)) {
		return []bar{b}
	}
	if !takenAt.After(ch.At) {
		b.Taken = !takenAt.Before(a.Raised)
		return []bar{b}
	}
	rest := b
	rest.X, rest.Taken = sp.x(takenAt), true
	rest.Width = b.X + b.Width - rest.X
	b.Width, b.Ended = rest.X-b.X, true
	return []bar{b, rest}
}

// scale is the time axis of one pane.
type scale struct {
	pane
	Marks []mark
}

// mark is a round time of the centre's day.
type mark struct {
	X     share
	Label string
}

// axis returns the scales of a strip of some length.
func axis(length time.Duration, c clock) []scale {
	r, steps := reachAt(c.now, length), near[length]
	panes := r.panes(c.now)
	return []scale{{panes[0], marksOf(r.Far, steps.FarStep, c)}, {panes[1], marksOf(r.Near, steps.NearStep, c)}}
}

// marksOf leaves out the times so near to the right edge that their labels
// would run into what stands there.
func marksOf(sp span, step time.Duration, c clock) (out []mark) {
	local := c.now.In(c.zone)
	midnight := time.Date(local.Year(), local.Month(), local.Day(), 0, 0, 0, 0, c.zone)
	right := c.now.Add(-sp.Lag)
	for t := midnight.Add(-24 * time.Hour); t.Before(right.Add(-sp.Length / 12)); t = t.Add(step) {
		if !t.Before(right.Add(-sp.Length + sp.Length/16)) {
			out = append(out, mark{sp.x(t), t.In(c.zone).Format("15:04")})
		}
	}
	return out
}
