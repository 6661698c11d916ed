package roster

import (
	"slices"
	"strings"
	"testing"
	"time"
	_ "time/tzdata"

	"pgregory.net/rapid"
)

func zone(t testing.TB, name string) *time.Location {
	t.Helper()
	z, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	return z
}

// days expands "Sep 2,9 Oct 7" into "1997-09-02" and so on; a year on its own
// is the year of what follows.
func days(t testing.TB, text string) []string {
	t.Helper()
	var out []string
	year, month := "", ""
	for _, word := range strings.Fields(text) {
		if at, err := time.Parse("Jan", word); err == nil {
			month = at.Format("01")
			continue
		}
		if len(word) == 4 && !strings.Contains(word, ",") {
			year = word
			continue
		}
		for d := range strings.SplitSeq(word, ",") {
			if len(d) == 1 {
				d = "0" + d
			}
			out = append(out, year+"-"+month+"-"+d)
		}
	}
	return out
}

// TestRecurrenceExamples checks the worked examples of RFC 5545 section
// 3.8.5.3, DTSTART;TZID=America/New_York, 09:00 local. Those by the hour and
// minute are refused (see TestBuilderRefuses); a first day that the rule does
// not itself yield is not counted as a turn here.
func TestRecurrenceExamples(t *testing.T) {
	newYork := zone(t, "America/New_York")
	for _, c := range []struct{ start, rule, want string }{
		{"1997-09-02", "FREQ=DAILY;COUNT=10", "1997 Sep 2,3,4,5,6,7,8,9,10,11"},
		{"1997-09-02", "FREQ=DAILY;INTERVAL=10;COUNT=5", "1997 Sep 2,12,22 Oct 2,12"},
		{"1997-09-02", "FREQ=WEEKLY;COUNT=10", "1997 Sep 2,9,16,23,30 Oct 7,14,21,28 Nov 4"},
		{"1997-09-02", "FREQ=WEEKLY;INTERVAL=2;WKST=SU", "1997 Sep 2,16,30 Oct 14,28 Nov 11,25 Dec 9,23 1998 Jan 6,20 Feb 3,17"},
		{"1997-09-02", "FREQ=WEEKLY;UNTIL=19971007T000000Z;WKST=SU;BYDAY=TU,TH", "1997 Sep 2,4,9,11,16,18,23,25,30 Oct 2"},
		{"1997-09-02", "FREQ=WEEKLY;COUNT=10;WKST=SU;BYDAY=TU,TH", "1997 Sep 2,4,9,11,16,18,23,25,30 Oct 2"},
		{"1997-09-01", "FREQ=WEEKLY;INTERVAL=2;UNTIL=19971224T000000Z;WKST=SU;BYDAY=MO,WE,FR",
			"1997 Sep 1,3,5,15,17,19,29 Oct 1,3,13,15,17,27,29,31 Nov 10,12,14,24,26,28 Dec 8,10,12,22"},
		{"1997-09-05", "FREQ=MONTHLY;COUNT=10;BYDAY=1FR", "1997 Sep 5 Oct 3 Nov 7 Dec 5 1998 Jan 2 Feb 6 Mar 6 Apr 3 May 1 Jun 5"},
		{"1997-09-07", "FREQ=MONTHLY;INTERVAL=2;COUNT=10;BYDAY=1SU,-1SU", "1997 Sep 7,28 Nov 2,30 1998 Jan 4,25 Mar 1,29 May 3,31"},
		{"1997-09-22", "FREQ=MONTHLY;COUNT=6;BYDAY=-2MO", "1997 Sep 22 Oct 20 Nov 17 Dec 22 1998 Jan 19 Feb 16"},
		{"1997-09-28", "FREQ=MONTHLY;BYMONTHDAY=-3", "1997 Sep 28 Oct 29 Nov 28 Dec 29 1998 Jan 29 Feb 26"},
		{"1997-09-30", "FREQ=MONTHLY;COUNT=10;BYMONTHDAY=1,-1", "1997 Sep 30 Oct 1,31 Nov 1,30 Dec 1,31 1998 Jan 1,31 Feb 1"},
		{"1997-09-02", "FREQ=MONTHLY;BYDAY=FR;BYMONTHDAY=13", "1998 Feb 13 Mar 13 Nov 13 1999 Aug 13 2000 Oct 13"},
		{"1997-01-01", "FREQ=YEARLY;INTERVAL=3;COUNT=10;BYYEARDAY=1,100,200",
			"1997 Jan 1 Apr 10 Jul 19 2000 Jan 1 Apr 9 Jul 18 2003 Jan 1 Apr 10 Jul 19 2006 Jan 1"},
		{"1997-05-12", "FREQ=YEARLY;BYWEEKNO=20;BYDAY=MO", "1997 May 12 1998 May 11 1999 May 17"},
		{"1996-11-05", "FREQ=YEARLY;INTERVAL=4;BYMONTH=11;BYDAY=TU;BYMONTHDAY=2,3,4,5,6,7,8", "1996 Nov 5 2000 Nov 7 2004 Nov 2"},
		{"1997-09-04", "FREQ=MONTHLY;COUNT=3;BYDAY=TU,WE,TH;BYSETPOS=3", "1997 Sep 4 Oct 7 Nov 6"},
		{"1997-09-29", "FREQ=MONTHLY;BYDAY=MO,TU,WE,TH,FR;BYSETPOS=-2", "1997 Sep 29 Oct 30 Nov 27 Dec 30 1998 Jan 29 Feb 26 Mar 30"},
	} {
		t.Run(c.rule, func(t *testing.T) {
			rot, err := newRotation(Turn{People: []string{"a"}, Start: c.start, HandOver: "09:00", Rule: c.rule}, newYork)
			if err != nil {
				t.Fatal(err)
			}
			want := days(t, c.want)
			begun := rot.upTo(func(begin) bool { return len(rot.begun) >= len(want) })
			var got []string
			for _, b := range begun {
				local := b.at.In(newYork)
				if local.Format("15:04") != "09:00" {
					t.Errorf("turn begins at %s, want 09:00", local)
				}
				got = append(got, local.Format("2006-01-02"))
			}
			if !slices.Equal(got, want) {
				t.Errorf("got  %v\nwant %v", got, want)
			}
		})
	}
}

// TestUntilAcrossChange: EDT until Oct 25, EST from Oct 26, 113 instances, the
// last on Dec 23 (RFC 5545 section 3.8.5.3, second example).
func TestUntilAcrossChange(t *testing.T) {
	newYork := zone(t, "America/New_York")
	rot, err := newRotation(Turn{People: []string{"a"}, Start: "1997-09-02", HandOver: "09:00", Rule: "FREQ=DAILY;UNTIL=19971224T000000Z"}, newYork)
	if err != nil {
		t.Fatal(err)
	}
	begun := rot.upTo(func(begin) bool { return false })
	if len(begun) != 113 {
		t.Fatalf("got %d turns, want 113", len(begun))
	}
	for i, want := range map[int]string{0: "1997-09-02T13:00:00Z", 53: "1997-10-25T13:00:00Z", 54: "1997-10-26T14:00:00Z", 112: "1997-12-23T14:00:00Z"} {
		if got := begun[i].at.UTC().Format(time.RFC3339); got != want {
			t.Errorf("turn %d begins at %s, want %s", i, got, want)
		}
	}
}

// TestUntilIsAnInstant: an UNTIL in UTC counts as an instant, whatever the
// zone of the hand-overs (RFC 5545 section 3.3.10). 20:00 UTC is 16:00 in New
// York, before the hand-over of that day.
func TestUntilIsAnInstant(t *testing.T) {
	for until, want := range map[string]int{"19970904T200000Z": 2, "19970904T220000Z": 3, "19970904T200000": 3} {
		rot, err := newRotation(Turn{People: []string{"a"}, Start: "1997-09-02", HandOver: "18:00", Rule: "FREQ=DAILY;UNTIL=" + until}, zone(t, "America/New_York"))
		if err != nil {
			t.Fatal(err)
		}
		if got := len(rot.upTo(func(begin) bool { return false })); got != want {
			t.Errorf("until %s: got %d turns, want %d", until, got, want)
		}
	}
}

// TestWall checks RFC 5545 section 3.3.5: its two examples, TZID=America/
// New_York 20070311T023000 (skipped, 03:30 EDT) and 20071104T013000 (repeated,
// the first, EDT).
func TestWall(t *testing.T) {
	for _, c := range []struct{ zone, local, want string }{
		{"America/New_York", "2007-03-11 02:30", "2007-03-11T07:30:00Z"},
		{"America/New_York", "2007-11-04 01:30", "2007-11-04T05:30:00Z"},
		{"Europe/London", "2026-03-29 01:30", "2026-03-29T01:30:00Z"},
		{"Europe/London", "2026-10-25 01:30", "2026-10-25T00:30:00Z"},
		{"Europe/London", "2026-10-25 02:00", "2026-10-25T02:00:00Z"},
		{"America/Denver", "2026-03-08 02:00", "2026-03-08T09:00:00Z"},
		{"America/Denver", "2026-11-01 01:00", "2026-11-01T07:00:00Z"},
		{"Pacific/Auckland", "2026-01-01 00:00", "2025-12-31T11:00:00Z"},
		{"Pacific/Apia", "2026-06-01 08:00", "2026-05-31T19:00:00Z"},
	} {
		local, err := time.Parse("2006-01-02 15:04", c.local)
		if err != nil {
			t.Fatal(err)
		}
		if got := Wall(local, zone(t, c.zone)).UTC().Format(time.RFC3339); got != c.want {
			t.Errorf("%s %s: got %s, want %s", c.zone, c.local, got, c.want)
		}
	}
}

func build(t testing.TB, z *time.Location, turns []Turn, standIns ...StandIn) *Roster {
	t.Helper()
	b := NewBuilder(z)
	for _, turn := range turns {
		if err := b.Turn(turn); err != nil {
			t.Fatal(err)
		}
	}
	for _, s := range standIns {
		if err := b.StandIn(s); err != nil {
			t.Fatal(err)
		}
	}
	return b.Roster()
}

// TestHandOver: a weekly hand-over on Monday 08:00 in Denver keeps its wall
// time over both changes of the clock of 2026.
func TestHandOver(t *testing.T) {
	r := build(t, zone(t, "America/Denver"), []Turn{{People: []string{"north", "south"}, Start: "2026-01-05", HandOver: "08:00", Every: "week"}},
		StandIn{Person: "west", From: "2026-03-10 18:00", To: "2026-03-11 06:00"},
		StandIn{Person: "east", For: "south", From: "2026-11-02T00:00:00-07:00", To: "2026-11-03T00:00:00-07:00"})
	for _, c := range []struct{ at, want string }{
		{"2026-01-05T14:59:59Z", ""},
		{"2026-01-05T15:00:00Z", "north"},
		{"2026-01-12T14:59:59Z", "north"},
		{"2026-01-12T15:00:00Z", "south"},
		{"2026-03-09T13:59:59Z", "north"}, // ninth week ends at 08:00 MDT
		{"2026-03-09T14:00:00Z", "south"},
		{"2026-03-11T00:00:00Z", "west"}, // stands in from 18:00 MDT
		{"2026-03-10T23:59:59Z", "south"},
		{"2026-03-11T11:59:59Z", "west"},
		{"2026-03-11T12:00:00Z", "south"},
		{"2026-11-02T07:00:00Z", "north"}, // east stands in for south alone
		{"2026-11-02T14:59:59Z", "north"},
		{"2026-11-02T15:00:00Z", "east"},
		{"2026-11-03T06:59:59Z", "east"},
		{"2026-11-03T07:00:00Z", "south"},
	} {
		at, _ := time.Parse(time.RFC3339, c.at)
		if got := strings.Join(r.On(at), ","); got != c.want {
			t.Errorf("%s: got %q, want %q", c.at, got, c.want)
		}
	}
}

// TestFlaws: nights from 18:00 for 12 hours leave the days open, and a second
// crew on Sundays doubles.
func TestFlaws(t *testing.T) {
	london := zone(t, "Europe/London")
	r := build(t, london, []Turn{
		{People: []string{"night"}, Start: "2026-03-01", HandOver: "18:00", Every: "day", Lasts: 12 * time.Hour},
		{People: []string{"sunday"}, Start: "2026-03-01", HandOver: "20:00", Rule: "FREQ=WEEKLY;BYDAY=SU", Lasts: 2 * time.Hour},
	})
	from, to := time.Date(2026, 3, 28, 12, 0, 0, 0, time.UTC), time.Date(2026, 3, 30, 0, 0, 0, 0, time.UTC)
	var got []string
	for _, f := range r.Flaws(from, to) {
		got = append(got, f.From.UTC().Format("02T15:04")+"-"+f.To.UTC().Format("02T15:04")+" "+strings.Join(f.People, "+"))
	}
	// The clock goes forward on the 29th at 01:00 UTC, so that night's 12 hours
	// by the wall clock end at 05:00 UTC.
	want := []string{"28T12:00-28T18:00 ", "29T05:00-29T17:00 ", "29T19:00-29T21:00 night+sunday"}
	if !slices.Equal(got, want) {
		t.Errorf("got  %q\nwant %q", got, want)
	}
}

func TestBuilderRefuses(t *testing.T) {
	good := Turn{People: []string{"a"}, Start: "2026-01-05", HandOver: "08:00", Every: "week"}
	for name, c := range map[string]struct {
		change func(*Turn)
		want   string
	}{
		"nobody":        {func(t *Turn) { t.People = nil }, "the turn needs people"},
		"start":         {func(t *Turn) { t.Start = "5.1.2026" }, `start: "5.1.2026" is not a date like 2026-01-05`},
		"hand-over":     {func(t *Turn) { t.HandOver = "25:00" }, `hand-over: "25:00" is not a time of day like 08:00`},
		"every":         {func(t *Turn) { t.Every = "month" }, `every: "month" is neither day nor week`},
		"both":          {func(t *Turn) { t.Rule = "FREQ=DAILY" }, "a turn has either every or a rule, not both"},
		"hourly":        {func(t *Turn) { t.Every, t.Rule = "", "FREQ=HOURLY;INTERVAL=3" }, "rule: turns recur by day, week, month or year"},
		"never":         {func(t *Turn) { t.Every, t.Rule = "", "FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=30;UNTIL=20300101T000000" }, "rule: it never comes to a turn"},
		"with dtstart":  {func(t *Turn) { t.Every, t.Rule = "", "DTSTART:19970902T090000\nRRULE:FREQ=DAILY" }, "rule: one recurrence rule is wanted; the start is given by start and hand-over"},
		"half a minute": {func(t *Turn) { t.Lasts = 30 * time.Second }, "lasts: 30s is not a number of minutes up to a year"},
		"interval":      {func(t *Turn) { t.Interval = -1 }, "interval: -1 is not 1 to 3650"},
	} {
		t.Run(name, func(t *testing.T) {
			turn := good
			c.change(&turn)
			err := NewBuilder(time.UTC).Turn(turn)
			if err == nil || err.Error() != c.want {
				t.Errorf("got %v, want %s", err, c.want)
			}
		})
	}
	err := NewBuilder(time.UTC).StandIn(StandIn{Person: "a", From: "2026-01-02 08:00", To: "2026-01-01 08:00"})
	if err == nil || !strings.Contains(err.Error(), "before it begins") {
		t.Errorf("stand-in that ends before it begins: got %v", err)
	}
}

// anyRoster draws rosters whose hand-overs often fall on changes of the clock.
func anyRoster(t *rapid.T) *Roster {
	z, err := time.LoadLocation(rapid.SampledFrom([]string{"Europe/London", "America/Denver", "Australia/Lord_Howe", "UTC"}).Draw(t, "zone"))
	if err != nil {
		t.Fatal(err)
	}
	b := NewBuilder(z)
	people := []string{"a", "b", "c", "d"}
	for range rapid.IntRange(1, 3).Draw(t, "turns") {
		turn := Turn{
			People:   people[:rapid.IntRange(1, 4).Draw(t, "people")],
			Start:    rapid.SampledFrom([]string{"2025-12-28", "2026-01-01", "2026-03-08", "2026-03-29"}).Draw(t, "start"),
			HandOver: rapid.SampledFrom([]string{"00:00", "01:00", "01:30", "02:00", "02:30", "08:00", "18:00"}).Draw(t, "hand-over"),
			Lasts:    rapid.SampledFrom([]time.Duration{0, time.Hour, 8 * time.Hour, 12 * time.Hour, 24 * time.Hour, 30 * time.Hour}).Draw(t, "lasts"),
		}
		if rapid.Bool().Draw(t, "by rule") {
			turn.Rule = rapid.SampledFrom([]string{"FREQ=WEEKLY;BYDAY=SU,MO", "FREQ=DAILY;BYHOUR=1,2,3;BYMINUTE=0", "FREQ=MONTHLY;BYDAY=1SU,-1SU", "FREQ=DAILY;COUNT=40"}).Draw(t, "rule")
		} else {
			turn.Every = rapid.SampledFrom([]string{"day", "week"}).Draw(t, "every")
			turn.Interval = rapid.IntRange(0, 3).Draw(t, "interval")
		}
		if err := b.Turn(turn); err != nil {
			t.Fatal(err)
		}
	}
	for range rapid.IntRange(0, 2).Draw(t, "stand-ins") {
		from := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC).Add(time.Duration(rapid.IntRange(0, 365*24).Draw(t, "from")) * time.Hour)
		s := StandIn{Person: "s", From: from.Format(time.RFC3339), To: from.Add(time.Duration(rapid.IntRange(1, 200).Draw(t, "for")) * time.Hour).Format(time.RFC3339)}
		if rapid.Bool().Draw(t, "for one") {
			s.For = "a"
		}
		if err := b.StandIn(s); err != nil {
			t.Fatal(err)
		}
	}
	return b.Roster()
}

// TestOneOnCall: at every instant of a year exactly one person is on call,
// unless a hole or double was reported there; and what was reported is true.
func TestOneOnCall(t *testing.T) { rapid.Check(t, oneOnCall) }

func FuzzOneOnCall(f *testing.F) { f.Fuzz(rapid.MakeFuzz(oneOnCall)) }

func oneOnCall(t *rapid.T) {
	r := anyRoster(t)
	from := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
	to := from.AddDate(1, 0, 0)
	flaws := r.Flaws(from, to)
	stretches := r.Stretches(from, to)
	if !stretches[0].From.Equal(from) || !stretches[len(stretches)-1].To.Equal(to) {
		t.Fatalf("stretches do not reach from end to end")
	}
	for i := range stretches[1:] {
		if !stretches[i].To.Equal(stretches[i+1].From) {
			t.Fatalf("gap after stretch %d", i)
		}
	}
	check := func(at time.Time) {
		i := slices.IndexFunc(flaws, func(f Stretch) bool { return !at.Before(f.From) && at.Before(f.To) })
		on := r.On(at)
		switch {
		case i < 0 && len(on) != 1:
			t.Fatalf("%s: %v on call and nothing reported", at, on)
		case i >= 0 && !slices.Equal(on, flaws[i].People):
			t.Fatalf("%s: %v on call, reported %v", at, on, flaws[i].People)
		}
	}
	for _, day := range []string{"2026-03-08", "2026-03-29", "2026-04-05", "2026-10-04", "2026-10-25", "2026-11-01"} {
		at, _ := time.Parse("2006-01-02", day)
		for range 26 * 2 {
			check(at)
			at = at.Add(30 * time.Minute)
		}
	}
	for range 50 {
		check(from.Add(time.Duration(rapid.Int64Range(0, int64(to.Sub(from))-1).Draw(t, "instant"))))
	}
}

func BenchmarkOn(b *testing.B) {
	r := build(b, zone(b, "America/Denver"), []Turn{{People: []string{"a", "b", "c"}, Start: "2016-01-04", HandOver: "08:00", Every: "day"}})
	at := time.Date(2026, 6, 1, 0, 0, 0, 0, time.UTC)
	b.ReportAllocs()
	for b.Loop() {
		if len(r.On(at)) != 1 {
			b.Fatal("nobody")
		}
	}
}
