package notify

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/notify/ical"
	"example.net/standwatch/notify/ladder"
	"example.net/standwatch/notify/roster"
)

// Options are what a plan needs beside the book.
type Options struct {
	Network    *correlate.Network
	Zone       *time.Location // the centre's; nil means UTC
	Centre     string         // how mails are signed; empty leaves it out
	ConsoleURL string         // where the console is; empty leaves links out
}

// Plan is a checked [Book]. It is immutable and safe for concurrent use.
type Plan struct {
	book     Book
	net      *correlate.Network
	zone     *time.Location
	centre   string
	console  string
	people   map[string]*person
	rosters  map[string]*roster.Roster
	ladders  map[string]*ladder.Ladder
	told     map[string]bool // ladders whose people hear who took an alarm
	routes   []*route
	gateways map[string]Kind
	hears    map[string]bool          // gateways over which answers come in
	then     map[string]string        // ladders that follow others
	days     map[string]*ical.Days    // by calendar
	proofs   map[string]time.Duration // times of day of proofs, by roster
	causes   map[correlate.Ref]bool   // points that may explain others
	pace     FloodPace                // complete
	covers   []correlate.StandIn      // agreed while the plan was in force, oldest first; see As
	link     func(id correlate.CallOutID, person string, until time.Time) string
}

// person is a checked Person.
type person struct {
	*Person
	zone  *time.Location
	quiet []quiet
}

type quiet struct {
	window
	below correlate.Severity
}

// drafter builds a plan and gathers the problems on the way.
type drafter struct {
	*Plan
	problems []Problem
}

func (d *drafter) add(at Pos, mend, format string, args ...any) {
	d.problems = append(d.problems, Problem{Pos: at, What: fmt.Sprintf(format, args...), Mend: mend})
}

// NewPlan checks a book and returns the plan, or all its problems. It panics
// if there is no network.
func NewPlan(b Book, o Options) (*Plan, []Problem) {
	if o.Network == nil {
		panic("notify: a plan needs a network")
	}
	p := &Plan{book: b, net: o.Network, zone: o.Zone, centre: o.Centre, console: strings.TrimRight(o.ConsoleURL, "/"),
		people: map[string]*person{}, rosters: map[string]*roster.Roster{}, ladders: map[string]*ladder.Ladder{},
		told: map[string]bool{}, gateways: map[string]Kind{}, hears: map[string]bool{}, then: map[string]string{}, days: map[string]*ical.Days{}, proofs: map[string]time.Duration{}, causes: map[correlate.Ref]bool{}}
	if p.zone == nil {
		p.zone = time.UTC
	}
	d := &drafter{Plan: p}
	d.draftGateways()
	for _, c := range b.Calendars {
		if d.days[c.Name] != nil {
			d.add(c.Pos, "", "calendar %q is there twice", c.Name)
		}
		d.days[c.Name] = c.Days
	}
	d.draftFlood()
	d.draftPeople()
	d.draftRosters()
	d.draftLadders()
	d.draftRoutes()
	if len(d.problems) > 0 {
		return nil, d.problems
	}
	p.indexCauses()
	return p, nil
}

// indexCauses notes which points may explain others, so that the alarms a
// cause explains are only looked for where there can be any.
func (p *Plan) indexCauses() {
	for _, id := range p.net.Sites() {
		for _, point := range p.net.Site(id).Points {
			for _, ref := range point.ExplainedBy {
				p.causes[correlate.Ref{Site: ref.Site, Point: ref.Point}] = true
			}
		}
	}
}

func (d *drafter) draftGateways() {
	for _, g := range d.book.Gateways {
		switch {
		case !correlate.ValidID(g.Name):
			d.add(g.Pos, "", "gateway name %q is not lower-case letters, digits and hyphens", g.Name)
		case g.Name == Preferred:
			d.add(g.Pos, "", "a gateway cannot be called %q, which stands for a person's own order", Preferred)
		case d.gateways[g.Name] != "":
			d.add(g.Pos, "", "gateway %q is there twice", g.Name)
		case !slices.Contains(Kinds(), g.Kind):
			d.add(g.Pos, "", "gateway %q has the unknown kind %q (known: %s)", g.Name, g.Kind, kindWords())
		default:
			d.gateways[g.Name], d.hears[g.Name] = g.Kind, g.Hears
		}
	}
}

// The bounds of a flood's pace: what is shorter is no digest, and what is
// longer is silence. Judgement, no source.
const (
	minStep      = 5 * time.Second
	maxStep      = 2 * time.Hour
	maxCritical  = 10 * time.Minute
	maxPaceSteps = 12
)

func (d *drafter) draftFlood() {
	f := d.book.Flood
	d.pace = FloodPace{Digests: DefaultFlood.Digests, Critical: DefaultFlood.Critical}
	if len(f.Digests) > 0 {
		d.pace.Digests = f.Digests
	}
	if len(f.Critical) > 0 {
		d.pace.Critical = f.Critical
	}
	check := func(what string, steps []time.Duration, longest time.Duration) {
		mend := fmt.Sprintf("write up to %d times from %s to %s, none shorter than the one before", maxPaceSteps, minStep, longest)
		if len(steps) > maxPaceSteps {
			d.add(f.Pos, mend, "flood: %s has %d steps", what, len(steps))
		}
		for i, s := range steps {
			if s < minStep || s > longest || (i > 0 && s < steps[i-1]) {
				d.add(f.Pos, mend, "flood: %s cannot have the step %s", what, s)
			}
		}
	}
	check("digests", f.Digests, maxStep)
	check("critical", f.Critical, maxCritical)
}

func (d *drafter) draftPeople() {
	for i := range d.book.People {
		b := &d.book.People[i]
		if !correlate.ValidID(b.ID) {
			d.add(b.Pos, "", "person %q: the ID is not lower-case letters, digits and hyphens", b.ID)
			continue
		}
		if d.people[b.ID] != nil {
			d.add(b.Pos, "", "person %q is there twice", b.ID)
			continue
		}
		who := &person{Person: b, zone: d.zoneOf(b.Pos, b.Zone)}
		d.people[b.ID] = who
		if b.Budget < 0 || b.Budget > 1000 {
			d.add(b.Pos, "", "person %q: %d messages an hour is not 1 to 1000", b.ID, b.Budget)
		}
		if len(b.Channels) == 0 {
			d.add(b.Pos, "add a channel: a gateway and an address", "person %q cannot be told over anything", b.ID)
		}
		for j, a := range b.Channels {
			d.checkAddress(b, j, a)
		}
		for _, q := range b.Quiet {
			w := d.windowOf(q.Pos, Hours{Days: q.Days, From: q.From, To: q.To})
			w.zone = who.zone
			if q.Below <= correlate.Indeterminate {
				d.add(q.Pos, "name a severity from warning to critical", "quiet hours of %q are for no severity", b.ID)
			}
			who.quiet = append(who.quiet, quiet{window: w, below: q.Below})
		}
	}
}

// e164 is a telephone number as ITU-T E.164 section 6 limits it, with the
// leading sign of ITU-T E.123.
var e164 = regexp.MustCompile(`^\+[1-9][0-9]{6,14}$`)

func (d *drafter) checkAddress(b *Person, i int, a Address) {
	at := a.Pos
	kind, there := d.gateways[a.Gateway]
	for _, before := range b.Channels[:i] {
		if before.Gateway == a.Gateway {
			d.add(at, "one address for each gateway", "person %q has two addresses at gateway %q", b.ID, a.Gateway)
		}
	}
	switch {
	case !there:
		d.add(at, "", "person %q: there is no gateway %q%s", b.ID, a.Gateway, known(names(d.book.Gateways, func(g Gateway) string { return g.Name })))
	case kind.carries() == mailAddress && !plausibleMail(a.To):
		d.add(at, "", "person %q: %q is not a mail address", b.ID, a.To)
	case kind.carries() == telephone && !e164.MatchString(a.To):
		d.add(at, "write it like +12025550147", "person %q: %q is not a telephone number", b.ID, a.To)
	case kind.carries() == pagerID && !pager.MatchString(a.To):
		d.add(at, "letters, digits and -._ only, 32 at most", "person %q: %q is not the ID of a pager", b.ID, a.To)
	case kind.carries() == ownName && !plain(a.To):
		d.add(at, "", "person %q: the address %q has characters that cannot be sent", b.ID, a.To)
	}
}

// plausibleMail accepts what can be put into an SMTP command without quoting;
// whether it exists is for the mail server to say.
func plausibleMail(to string) bool {
	local, domain, ok := strings.Cut(to, "@")
	return ok && local != "" && domain != "" && len(to) <= 254 && !strings.ContainsAny(to, " \t\r\n<>()[]\\,;:\"") && !strings.Contains(domain, "@")
}

func (d *drafter) zoneOf(at Pos, name string) *time.Location {
	if name == "" {
		return d.zone
	}
	// LoadLocation would take "Local", which is whatever this machine has.
	zone, err := time.LoadLocation(name)
	if err != nil || name == "Local" {
		d.add(at, "write a name of the time zone database, like America/Denver", "there is no time zone %q", name)
		return d.zone
	}
	return zone
}

func (d *drafter) draftRosters() {
	for _, b := range d.book.Rosters {
		if !correlate.ValidID(b.ID) || d.rosters[b.ID] != nil {
			d.add(b.Pos, "", "roster %q: the ID is there twice, or not lower-case letters, digits and hyphens", b.ID)
			continue
		}
		build := roster.NewBuilder(d.zoneOf(b.Pos, b.Zone))
		if len(b.Turns) == 0 {
			d.add(b.Pos, "add a turn", "roster %q has no turns", b.ID)
		}
		for _, t := range b.Turns {
			d.needPeople(t.Pos, "roster "+b.ID, t.People...)
			d.check(t.Pos, "roster "+b.ID, build.Turn(roster.Turn{People: t.People, Start: t.Start, HandOver: t.HandOver,
				Every: t.Every, Interval: t.Interval, Rule: t.Rule, Lasts: t.Lasts, On: d.calendar(t.Pos, t.On), Except: d.calendar(t.Pos, t.Except)}))
		}
		for _, s := range b.StandIns {
			d.needPeople(s.Pos, "roster "+b.ID, s.Person)
			if s.For != "" {
				d.needPeople(s.Pos, "roster "+b.ID, s.For)
			}
			d.check(s.Pos, "roster "+b.ID, build.StandIn(roster.StandIn{Person: s.Person, For: s.For, From: s.From, To: s.To}))
		}
		d.rosters[b.ID] = build.Roster()
		if b.Proof != "" {
			clock, err := roster.ParseClock(b.Proof)
			d.check(b.Pos, "roster "+b.ID+": proof", err)
			d.proofs[b.ID] = clock
		}
	}
}

// calendar returns the days of a calendar; nil when none is named.
func (d *drafter) calendar(at Pos, name string) roster.Days {
	if name == "" {
		return nil
	}
	days := d.days[name]
	if days == nil {
		d.add(at, "", "there is no calendar %q%s", name, known(names(d.book.Calendars, func(c Calendar) string { return c.Name })))
		return nil
	}
	return days
}

// check adds every mistake that err joins.
func (d *drafter) check(at Pos, of string, err error) {
	if err == nil {
		return
	}
	if joined, ok := err.(interface{ Unwrap() []error }); ok {
		for _, e := range joined.Unwrap() {
			d.check(at, of, e)
		}
		return
	}
	d.add(at, "", "%s: %s", of, err)
}

func (d *drafter) needPeople(at Pos, of string, ids ...string) {
	for _, id := range ids {
		if id != "" && d.people[id] == nil {
			d.add(at, "", "%s: there is no person %q%s", of, id, known(names(d.book.People, func(p Person) string { return p.ID })))
		}
	}
}

func names[T any](list []T, name func(T) string) []string {
	out := make([]string, 0, len(list))
	for _, x := range list {
		out = append(out, name(x))
	}
	return out
}

// known lists what there is, if it is few enough to be read.
func known(there []string) string {
	if len(there) == 0 || len(there) > 12 {
		return ""
	}
	return " (there are: " + strings.Join(there, ", ") + ")"
}

func (d *drafter) draftLadders() {
	for _, b := range d.book.Ladders {
		if b.Name == "" || d.ladders[b.Name] != nil {
			d.add(b.Pos, "", "ladder %q: the name is there twice, or missing", b.Name)
			continue
		}
		var rungs []ladder.Rung
		for _, r := range b.Rungs {
			rungs = append(rungs, d.rung(b.Name, r))
		}
		l, err := ladder.New(b.Name, rungs, b.Rounds)
		d.check(b.Pos, "ladder "+b.Name, err)
		d.ladders[b.Name], d.told[b.Name] = l, b.TellTaken
	}
	for _, b := range d.book.Ladders {
		d.checkThen(b)
	}
}

// checkThen sees that the ladders that follow each other end.
func (d *drafter) checkThen(b Ladder) {
	if b.Then == "" {
		return
	}
	if d.ladders[b.Then] == nil {
		d.add(b.Pos, "", "ladder %s: there is no ladder %q to follow it%s", b.Name, b.Then, known(names(d.book.Ladders, func(l Ladder) string { return l.Name })))
		return
	}
	d.then[b.Name] = b.Then
	seen := map[string]bool{b.Name: true}
	for at := b.Then; at != ""; at = thenOf(d.book.Ladders, at) {
		if seen[at] {
			d.add(b.Pos, "let one of them follow no other", "ladder %s: the ladders that follow it lead in a circle", b.Name)
			return
		}
		seen[at] = true
	}
}

func thenOf(ladders []Ladder, name string) string {
	for _, l := range ladders {
		if l.Name == name {
			return l.Then
		}
	}
	return ""
}

func (d *drafter) rung(name string, r Rung) ladder.Rung {
	out := ladder.Rung{Wait: r.Wait, Repeat: r.Repeat, AtLeast: int(r.AtLeast)}
	for _, t := range r.Whom {
		out.Whom = append(out.Whom, ladder.Target{Person: t.Person, Roster: t.Roster})
		if t.Person != "" {
			d.needPeople(t.Pos, "ladder "+name, t.Person)
		}
		if t.Roster != "" && d.rosters[t.Roster] == nil {
			d.add(t.Pos, "", "ladder %s: there is no roster %q%s", name, t.Roster, known(names(d.book.Rosters, func(r Roster) string { return r.ID })))
		}
	}
	if len(r.Channels) == 1 && r.Channels[0] == Preferred {
		return out
	}
	for _, c := range r.Channels {
		if d.gateways[c] == "" {
			d.add(r.Pos, "", "ladder %s: there is no gateway %q%s", name, c, known(names(d.book.Gateways, func(g Gateway) string { return g.Name })))
		}
		if slices.Contains(out.Channels, c) {
			d.add(r.Pos, "", "ladder %s: the channel %q is there twice", name, c)
		}
		out.Channels = append(out.Channels, c)
	}
	return out
}
