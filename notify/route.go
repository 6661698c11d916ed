package notify

import (
	"slices"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/notify/roster"
)

// route is a checked Route.
type route struct {
	*Route
	hours []window
}

// window is a recurring stretch of the week.
type window struct {
	days     [7]bool // by time.Weekday
	from, to time.Duration
	zone     *time.Location // nil means the site's
	on       roster.Days    // nil means every day
	except   roster.Days    // nil means none
}

func (d *drafter) draftRoutes() {
	for i := range d.book.Routes {
		b := &d.book.Routes[i]
		r := &route{Route: b}
		for _, h := range b.Hours {
			r.hours = append(r.hours, d.windowOf(h.Pos, h))
		}
		switch {
		case b.BoardOnly && b.Ladder != "":
			d.add(b.Pos, "leave out one of the two", "route %q has a ladder and is for the board only", b.Name)
		case !b.BoardOnly && b.Ladder == "":
			d.add(b.Pos, "name a ladder, or say that it is for the board only", "route %q leads nowhere", b.Name)
		case !b.BoardOnly && d.ladders[b.Ladder] == nil:
			d.add(b.Pos, "", "route %q: there is no ladder %q%s", b.Name, b.Ladder, known(names(d.book.Ladders, func(l Ladder) string { return l.Name })))
		}
		for _, id := range b.Sites {
			if d.net.Site(id) == nil {
				d.add(b.Pos, "", "route %q: there is no site %q", b.Name, id)
			}
		}
		d.routes = append(d.routes, r)
	}
}

var dayNames = [7]string{time.Sunday: "sun", time.Monday: "mon", time.Tuesday: "tue", time.Wednesday: "wed",
	time.Thursday: "thu", time.Friday: "fri", time.Saturday: "sat"}

func (d *drafter) windowOf(at Pos, h Hours) window {
	w := window{zone: d.zone, on: d.calendar(at, h.On), except: d.calendar(at, h.Except)}
	var err error
	if w.from, err = roster.ParseClock(h.From); err != nil {
		d.add(at, "", "from: %s", err)
	}
	if w.to, err = roster.ParseClock(h.To); err != nil {
		d.add(at, "", "to: %s", err)
	}
	for _, name := range h.Days {
		i := slices.Index(dayNames[:], name)
		if i < 0 {
			d.add(at, "write mon, tue, wed, thu, fri, sat or sun", "there is no day %q", name)
			continue
		}
		w.days[i] = true
	}
	if len(h.Days) == 0 {
		w.days = [7]bool{true, true, true, true, true, true, true}
	}
	switch h.Zone {
	case "", "centre":
	case "site":
		w.zone = nil
	default:
		w.zone = d.zoneOf(at, h.Zone)
	}
	return w
}

// ends returns when the window that at lies in ends; ok is false when it lies
// in none. site is the zone that stands for "site".
func (w window) ends(at time.Time, site *time.Location) (end time.Time, ok bool) {
	zone := w.zone
	if zone == nil {
		zone = site
	}
	local := at.In(zone)
	midnight := time.Date(local.Year(), local.Month(), local.Day(), 0, 0, 0, 0, time.UTC)
	// A window that runs past midnight may have begun the day before.
	for _, day := range []time.Time{midnight, midnight.AddDate(0, 0, -1)} {
		to := day.Add(w.to)
		if w.to <= w.from {
			to = to.AddDate(0, 0, 1)
		}
		begin, end := roster.Wall(day.Add(w.from), zone), roster.Wall(to, zone)
		if w.days[day.Weekday()] && w.counts(day) && !at.Before(begin) && at.Before(end) {
			return end, true
		}
	}
	return time.Time{}, false
}

// counts reports whether the window opens on a day, by its calendars.
func (w window) counts(day time.Time) bool {
	return (w.on == nil || w.on.Has(day)) && (w.except == nil || !w.except.Has(day))
}

// subject is what routes are matched with.
type subject struct {
	key      correlate.Key
	severity correlate.Severity
	site     *correlate.Site
	point    *correlate.Point
	passed   []string        // people who said that it is not for them
	broken   map[string]bool // gateways known to be out of order
}

func (p *Plan) subject(k correlate.Key, s correlate.Severity) (subject, bool) {
	on := subject{key: k, severity: s, site: p.net.Site(k.Site), point: p.net.Point(k)}
	return on, on.site != nil && on.point != nil
}

func (s subject) zone(centre *time.Location) *time.Location {
	if s.site.Zone != nil {
		return s.site.Zone
	}
	return centre
}

// route returns the first route that matches at an instant, or nil.
func (p *Plan) route(s subject, at time.Time) *route {
	for _, r := range p.routes {
		if r.concerns(s) && r.inHours(at, s.zone(p.zone)) {
			return r
		}
	}
	return nil
}

// concerns reports whether the route is for the subject at some hour.
func (r *route) concerns(s subject) bool {
	return s.severity >= r.AtLeast && among(r.Sites, s.key.Site) && among(r.Points, s.key.Point) &&
		among(r.Regions, s.site.Region) && among(r.Classes, s.point.Class) && among(r.Causes, s.point.Cause) &&
		(len(r.Tags) == 0 || slices.ContainsFunc(s.site.Tags, func(t string) bool { return slices.Contains(r.Tags, t) }))
}

func among[T comparable](list []T, x T) bool { return len(list) == 0 || slices.Contains(list, x) }

func (r *route) inHours(at time.Time, site *time.Location) bool {
	if len(r.hours) == 0 {
		return true
	}
	return slices.ContainsFunc(r.hours, func(w window) bool { _, in := w.ends(at, site); return in })
}

// Untold lists, in configuration order, the points with a severity for which
// no route says anything at any hour, the board included.
func (p *Plan) Untold() []Untold {
	var out []Untold
	for _, id := range p.net.Sites() {
		for _, point := range pointsInOrder(p.net.Site(id)) {
			k := correlate.Key{Site: id, Point: point.ID}
			for _, severity := range severitiesOf(point) {
				s, _ := p.subject(k, severity)
				if !slices.ContainsFunc(p.routes, func(r *route) bool { return r.concerns(s) }) {
					out = append(out, Untold{k, severity})
				}
			}
		}
	}
	return out
}

func pointsInOrder(s *correlate.Site) []*correlate.Point {
	var out []*correlate.Point
	for _, p := range s.Points {
		out = append(out, p)
	}
	slices.SortFunc(out, func(a, b *correlate.Point) int {
		if a.Number != b.Number {
			return a.Number - b.Number
		}
		if a.ID < b.ID {
			return -1
		}
		return 1
	})
	return out
}

// severitiesOf lists what the configuration lets a point be raised with. Points
// of kind entry are events and never call anybody.
func severitiesOf(p *correlate.Point) []correlate.Severity {
	var out []correlate.Severity
	add := func(s correlate.Severity) {
		if s > correlate.Cleared && !slices.Contains(out, s) {
			out = append(out, s)
		}
	}
	if p.Kind == correlate.Entry {
		return nil
	}
	add(p.Severity)
	for _, l := range []*correlate.Limit{p.Limits.LowLow, p.Limits.Low, p.Limits.High, p.Limits.HighHigh} {
		if l != nil {
			add(l.Severity)
		}
	}
	slices.Sort(out)
	return out
}
