package console

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"example.net/standwatch/correlate"
)

// span is the stretch of time that strips show. Places on a strip are reckoned
// from Origin, which moves once an hour only, so that a row stays the same
// while nothing happens; the whole drawing is shifted by the rest.
type span struct {
	Origin time.Time
	Length time.Duration
}

// spanAt returns the stretch of a length that ends now.
func spanAt(now time.Time, length time.Duration) span {
	return span{Origin: now.Truncate(time.Hour), Length: length}
}

// share is a place or width on a strip as a percentage of its width.
type share float64

// String returns an SVG length.
func (s share) String() string { return fmt.Sprintf("%.2f%%", float64(s)) }

// x returns the place of t, where Origin is at 100 %.
func (s span) x(t time.Time) share {
	return share(100 + 100*float64(t.Sub(s.Origin))/float64(s.Length))
}

// Shift moves the drawing so that now is at the right edge.
func (s span) Shift(now time.Time) share {
	return share(-100 * float64(now.Sub(s.Origin)) / float64(s.Length))
}

// begins returns the left edge at a time.
func (s span) begins(now time.Time) time.Time { return now.Add(-s.Length) }

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
	Bars    []bar
	Ticks   []tick
	Earlier bool // the newest episode began before the left edge
	Says    string
}

// open is a width that reaches beyond any right edge.
const open share = 2000

// stripOf draws an alarm. repeats are the times of repeats that are known.
func stripOf(sp span, a *correlate.Alarm, repeats []time.Time, c clock) strip {
	var out strip
	left := sp.begins(c.now)
	for _, e := range episodes(a) {
		if !e.Ended.IsZero() && e.Ended.Before(left) {
			continue
		}
		out.Bars = append(out.Bars, e.bars(sp, a)...)
		if !e.Ended.IsZero() {
			out.Ticks = append(out.Ticks, tick{sp.x(e.Ended), "clear", "cleared " + c.at(e.Ended).Clock()})
		}
	}
	for _, t := range repeats {
		if t.After(left) {
			out.Ticks = append(out.Ticks, tick{sp.x(t), "repeat", "raised again " + c.at(t).Clock()})
		}
	}
	for _, o := range a.OperatorChanges {
		kind, ok := map[string]string{"note": "note", "ack": "take"}[o.State]
		if ok && o.At.After(left) {
			out.Ticks = append(out.Ticks, tick{sp.x(o.At), kind, kind + " " + c.at(o.At).Clock() + " by " + plain(o.By, 40)})
		}
	}
	slices.SortStableFunc(out.Ticks, func(a, b tick) int { return cmp.Compare(a.X, b.X) })
	out.Earlier = a.Standing && a.Raised.Before(left)
	out.Says = says(a, len(repeats), c)
	return out
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

// hour is one mark of the time axis.
type hour struct {
	X     share
	Label string
}

// axis returns marks at round times of the centre's day.
func axis(sp span, c clock) []hour {
	step := map[time.Duration]time.Duration{2 * time.Hour: 15 * time.Minute, 8 * time.Hour: time.Hour, 24 * time.Hour: 3 * time.Hour}[sp.Length]
	local := c.now.In(c.zone)
	midnight := time.Date(local.Year(), local.Month(), local.Day(), 0, 0, 0, 0, c.zone)
	var out []hour
	for t := midnight.Add(-24 * time.Hour); !t.After(c.now); t = t.Add(step) {
		if !t.Before(sp.begins(c.now)) {
			out = append(out, hour{sp.x(t), t.In(c.zone).Format("15:04")})
		}
	}
	return out
}
