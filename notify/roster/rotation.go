package roster

import (
	"errors"
	"fmt"
	"slices"
	"sort"
	"strings"
	"sync"
	"time"

	"github.com/teambition/rrule-go"
)

// maxTurns bounds how many turns of one rotation are worked out: a daily
// hand-over for 270 years.
const maxTurns = 100_000

// maxInterval bounds Turn.Interval: a turn of more than ten years is a mistake.
const maxInterval = 3650

// rotation is a compiled Turn. Turns are worked out in floating local time (a
// time.Time in UTC whose fields are the wall clock's) and mapped to instants
// one by one: the recurrence library's own handling of repeated hours differs
// from RFC 5545.
type rotation struct {
	people []string
	zone   *time.Location
	lasts  time.Duration

	mu    sync.Mutex // guards what follows
	next  func() (time.Time, bool)
	begun []begin // turns worked out so far, in order
	ended bool    // the rule has no more
}

// begin is the beginning of one turn.
type begin struct{ local, at time.Time }

func newRotation(t Turn, zone *time.Location) (*rotation, error) {
	start, errStart := time.Parse("2006-01-02", t.Start)
	if errStart != nil {
		errStart = fmt.Errorf("start: %q is not a date like 2026-01-05", t.Start)
	}
	clock, errClock := ParseClock(t.HandOver)
	if errClock != nil {
		errClock = fmt.Errorf("hand-over: %w", errClock)
	}
	option, errRule := recurrence(t, zone)
	err := errors.Join(errStart, errClock, errRule, checkTurn(t))
	if err != nil {
		return nil, err
	}
	option.Dtstart = start.Add(clock)
	rule, err := rrule.NewRRule(*option)
	if err != nil {
		return nil, fmt.Errorf("rule: %w", err)
	}
	rot := &rotation{people: slices.Clone(t.People), zone: zone, lasts: t.Lasts, next: onDays(t, rule.Iterator())}
	if rot.upTo(func(begin) bool { return true }); len(rot.begun) == 0 {
		return nil, errors.New("rule: it never comes to a turn")
	}
	return rot, nil
}

// noTurnFor bounds how many times in a row a rule may come to a day on which no
// turn may begin: ten years of days, after which there is none.
const noTurnFor = 3660

// onDays leaves out the beginnings on days that the turn's calendars exclude.
func onDays(t Turn, next func() (time.Time, bool)) func() (time.Time, bool) {
	if t.On == nil && t.Except == nil {
		return next
	}
	return func() (time.Time, bool) {
		for range noTurnFor {
			at, ok := next()
			if !ok {
				return at, false
			}
			if (t.On == nil || t.On.Has(at)) && (t.Except == nil || !t.Except.Has(at)) {
				return at, true
			}
		}
		return time.Time{}, false
	}
}

func checkTurn(t Turn) error {
	var errs []error
	if len(t.People) == 0 || slices.Contains(t.People, "") {
		errs = append(errs, errors.New("the turn needs people"))
	}
	if t.Interval < 0 || t.Interval > maxInterval {
		errs = append(errs, fmt.Errorf("interval: %d is not 1 to %d", t.Interval, maxInterval))
	}
	if t.Lasts < 0 || t.Lasts > 366*24*time.Hour || t.Lasts%time.Minute != 0 {
		errs = append(errs, fmt.Errorf("lasts: %s is not a number of minutes up to a year", t.Lasts))
	}
	return errors.Join(errs...)
}

// recurrence returns the rule of a turn, its Dtstart not yet set.
func recurrence(t Turn, zone *time.Location) (*rrule.ROption, error) {
	option := &rrule.ROption{Interval: max(1, t.Interval)}
	switch {
	case t.Rule != "" && t.Every != "":
		return nil, errors.New("a turn has either every or a rule, not both")
	case t.Rule != "":
		return ruleOption(t, zone)
	case t.Every == "day":
		option.Freq = rrule.DAILY
	case t.Every == "week":
		option.Freq = rrule.WEEKLY
	default:
		return nil, fmt.Errorf("every: %q is neither day nor week", t.Every)
	}
	return option, nil
}

func ruleOption(t Turn, zone *time.Location) (*rrule.ROption, error) {
	text := strings.TrimPrefix(t.Rule, "RRULE:")
	if strings.ContainsAny(text, "\r\n") || strings.Contains(text, "DTSTART") {
		return nil, errors.New("rule: one recurrence rule is wanted; the start is given by start and hand-over")
	}
	option, err := rrule.StrToROption(text)
	if err != nil {
		return nil, fmt.Errorf("rule: %w", err)
	}
	if option.Freq >= rrule.HOURLY {
		return nil, errors.New("rule: turns recur by day, week, month or year")
	}
	if t.Interval != 0 {
		return nil, errors.New("interval: it belongs into the rule")
	}
	// UNTIL in UTC is an instant; the rest of the rule is floating local time.
	if !option.Until.IsZero() && strings.HasSuffix(untilOf(text), "Z") {
		option.Until = floating(option.Until, zone)
	}
	return option, nil
}

func untilOf(rule string) string {
	for part := range strings.SplitSeq(strings.ToUpper(rule), ";") {
		if value, ok := strings.CutPrefix(part, "UNTIL="); ok {
			return value
		}
	}
	return ""
}

// floating returns the wall clock's reading at an instant, as a UTC time.
func floating(at time.Time, zone *time.Location) time.Time {
	at = at.In(zone)
	return time.Date(at.Year(), at.Month(), at.Day(), at.Hour(), at.Minute(), at.Second(), 0, time.UTC)
}

// Wall returns the instant at which the clocks of zone show what local shows
// in its fields. In the hour that is skipped the offset before the gap counts,
// and in the one that is repeated the first is meant (RFC 5545 section 3.3.5).
func Wall(local time.Time, zone *time.Location) time.Time {
	fields := time.Date(local.Year(), local.Month(), local.Day(), local.Hour(), local.Minute(), local.Second(), 0, time.UTC)
	// The offset in force a day earlier is the one before any change that
	// could make this wall time skipped or repeated.
	_, before := fields.AddDate(0, 0, -1).In(zone).Zone()
	early := fields.Add(-time.Duration(before) * time.Second)
	if floating(early, zone).Equal(fields) {
		return early
	}
	_, after := fields.AddDate(0, 0, 1).In(zone).Zone()
	late := fields.Add(-time.Duration(after) * time.Second)
	if floating(late, zone).Equal(fields) {
		return late
	}
	return early
}

// ParseClock reads "15:04" as the time since midnight.
func ParseClock(text string) (time.Duration, error) {
	at, err := time.Parse("15:04", text)
	if err != nil {
		return 0, fmt.Errorf("%q is not a time of day like 08:00", text)
	}
	return time.Duration(at.Hour())*time.Hour + time.Duration(at.Minute())*time.Minute, nil
}

// upTo works out turns until one satisfies enough, and returns all so far. The
// caller must not change them.
func (t *rotation) upTo(enough func(begin) bool) []begin {
	t.mu.Lock()
	defer t.mu.Unlock()
	for !t.ended && (len(t.begun) == 0 || !enough(t.begun[len(t.begun)-1])) {
		local, ok := t.next()
		if !ok || len(t.begun) >= maxTurns {
			t.ended = true
			break
		}
		at := Wall(local, t.zone)
		if n := len(t.begun); n > 0 && at.Before(t.begun[n-1].at) {
			at = t.begun[n-1].at // a turn in a skipped hour must not end before it begins
		}
		t.begun = append(t.begun, begin{local, at})
	}
	return t.begun
}

// after returns the turns up to and including the first that begins after at.
func (t *rotation) after(at time.Time) []begin {
	return t.upTo(func(b begin) bool { return b.at.After(at) })
}

// end returns when the k-th turn ends; the zero time is never, for the last
// turn of a rule that ends: better one person too long than nobody.
func (t *rotation) end(begun []begin, k int) time.Time {
	if t.lasts > 0 {
		return t.endOf(begun[k])
	}
	if k+1 < len(begun) {
		return begun[k+1].at
	}
	return time.Time{}
}

// endOf returns when a turn ends that lasts by the clock on the wall. One that
// begins in the hour that is skipped begins later by the wall, so that what is
// its end on other nights may come before it: it lasts as long as ever from where
// it begins, unless the next one begins by then.
func (t *rotation) endOf(b begin) time.Time {
	wall := Wall(b.local.Add(t.lasts), t.zone)
	if floating(b.at, t.zone).Equal(b.local) {
		return wall
	}
	whole := b.at.Add(t.lasts)
	following := t.after(b.at)
	i := sort.Search(len(following), func(i int) bool { return following[i].at.After(b.at) })
	if i < len(following) && !whole.Before(following[i].at) {
		return wall
	}
	return whole
}

// on appends whoever has a turn of the rotation at an instant.
func (t *rotation) on(people []string, at time.Time) []string {
	begun := t.after(at)
	first := sort.Search(len(begun), func(i int) bool { return begun[i].at.After(at) })
	for k := first - 1; k >= 0; k-- {
		end := t.end(begun, k)
		if !end.IsZero() && !end.After(at) {
			break
		}
		people = append(people, t.people[k%len(t.people)])
	}
	return people
}

// edges passes every beginning and end of a turn in a window to add.
func (t *rotation) edges(from, to time.Time, add func(time.Time)) {
	begun := t.after(to)
	for k, b := range begun {
		add(b.at)
		if end := t.end(begun, k); !end.IsZero() {
			add(end)
		}
	}
}
