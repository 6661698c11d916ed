package shift

import (
	"cmp"
	"maps"
	"math"
	"slices"
	"time"

	"example.net/standwatch/correlate"
)

// timesOf measures, for each severity and for all, how long it took until
// somebody had an alarm, from its first telling, and until it was over.
func timesOf(all []*episode) []Times {
	var out []Times
	for _, s := range append(slices.Clone(correlate.Severities()), 0) {
		var take, clear []timed
		t := Times{Severity: s}
		for _, ep := range all {
			if s != 0 && ep.Severity != s {
				continue
			}
			if !ep.Before {
				t.Rose++
			}
			if !ep.Taken.IsZero() && !ep.measured {
				from := ep.Told
				if from.IsZero() {
					from = ep.Raised
				}
				take = append(take, timed{ep.Taken.Sub(from), ep.Alarm})
			}
			if !ep.Cleared.IsZero() {
				clear = append(clear, timed{ep.Cleared.Sub(ep.Raised), ep.Alarm})
			}
		}
		t.Take, t.Clear = spreadOf(take), spreadOf(clear)
		out = append(out, t)
	}
	return out
}

type timed struct {
	took  time.Duration
	alarm correlate.AlarmID
}

func spreadOf(all []timed) Spread {
	if len(all) == 0 {
		return Spread{}
	}
	slices.SortFunc(all, func(a, b timed) int { return cmp.Or(cmp.Compare(a.took, b.took), cmp.Compare(a.alarm, b.alarm)) })
	rank := func(p float64) float64 {
		return max(0, all[int(math.Ceil(p*float64(len(all))))-1].took.Seconds())
	}
	worst := all[len(all)-1]
	return Spread{Count: len(all), Median: rank(0.5), Ninety: rank(0.9), Worst: max(0, worst.took.Seconds()), Of: worst.alarm}
}

// Figures of ANSI/ISA-18.2 table 7, as quoted by public documents.
const (
	ten        = 10 * time.Minute
	busyTen    = 10 // more in ten minutes are too many
	busyHour   = 30 // more in an hour are too many
	topMany    = 10
	staleAfter = 24 * time.Hour
)

// aims are the shares of severities that are aimed at. The standard speaks of
// priorities, low to highest; that ours stand for them is our reading.
var aims = map[correlate.Severity]string{correlate.Critical: "about 1 % or less", correlate.Major: "about 5 %", correlate.Minor: "about 15 %", correlate.Warning: "about 80 %"}

func (c *collector) quality(all []*episode, end time.Time) Quality {
	q := Quality{Short: end.Sub(c.span.From) < Least, Told: len(c.told), Floods: c.floods}
	span := max(end.Sub(c.span.From), time.Minute)
	q.PerHour = float64(len(c.told)) / span.Hours()
	q.PerTen = q.PerHour / 6
	q.InFlood = c.flooded.Seconds() / span.Seconds()
	tens, hours := c.bins(ten, span), c.bins(time.Hour, span)
	q.MostInTen, q.BusyTens = slices.Max(tens), over(tens, busyTen)
	q.BusyHours = over(hours, busyHour)
	q.Hours, q.HoursBegin = hours, c.at(c.span.From)
	q.Top = often(countKeys(c.told), len(c.told))
	if len(q.Top) > topMany {
		q.Top = q.Top[:topMany]
	}
	for _, o := range q.Top {
		q.TopShare += o.Share
	}
	q.Chattering = often(c.chatter, len(c.told))
	for k := range c.chatter {
		delete(c.fleet, k)
	}
	q.Fleeting = often(c.fleet, len(c.told))
	for _, ep := range all {
		until := ep.Cleared
		if until.IsZero() {
			until = end
		}
		if until.Sub(ep.Raised) > staleAfter {
			q.Stale = append(q.Stale, ep.Episode)
		}
	}
	q.Severities = c.shares()
	return q
}

// bins counts what was told in each stretch of a width, from the span's begin.
func (c *collector) bins(width, span time.Duration) []int {
	out := make([]int, int((span+width-1)/width))
	for _, t := range c.told {
		if i := int(t.at.Sub(c.span.From) / width); i >= 0 && i < len(out) {
			out[i]++
		}
	}
	return out
}

func over(bins []int, most int) float64 {
	n := 0
	for _, b := range bins {
		if b > most {
			n++
		}
	}
	return float64(n) / float64(len(bins))
}

func countKeys(all []told) map[correlate.Key]int {
	out := map[correlate.Key]int{}
	for _, t := range all {
		out[t.key]++
	}
	return out
}

// often lists points with the most frequent first.
func often(counts map[correlate.Key]int, all int) []Often {
	out := []Often{}
	for _, k := range slices.SortedFunc(maps.Keys(counts), func(a, b correlate.Key) int { return cmp.Or(cmp.Compare(counts[b], counts[a]), a.Compare(b)) }) {
		o := Often{Alarm: k.ID(), Count: counts[k]}
		if all > 0 {
			o.Share = float64(counts[k]) / float64(all)
		}
		out = append(out, o)
	}
	return out
}

func (c *collector) shares() []Share {
	counts := map[correlate.Severity]int{}
	for _, t := range c.told {
		counts[t.severity]++
	}
	var out []Share
	for _, s := range correlate.Severities() {
		share := Share{Severity: s, Count: counts[s], Target: aims[s]}
		if len(c.told) > 0 {
			share.Share = float64(counts[s]) / float64(len(c.told))
		}
		out = append(out, share)
	}
	return out
}
