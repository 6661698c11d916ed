package shift

import (
	"encoding/csv"
	"fmt"
	"strings"
	"testing"
	"time"
	_ "time/tzdata"

	"github.com/rs/zerolog"

	"example.net/standwatch/configs"
	"example.net/standwatch/correlate"
	"example.net/standwatch/store"
)

var (
	denver = func() *time.Location {
		zone, err := time.LoadLocation("America/Denver")
		if err != nil {
			panic(err)
		}
		return zone
	}()
	three = []configs.Shift{{Name: "early", From: 7 * 60, To: 15 * 60}, {Name: "late", From: 15 * 60, To: 23 * 60}, {Name: "night", From: 23 * 60, To: 7 * 60}}
)

// At every minute of the year exactly one shift watches, each ends where the
// next begins, and the two days on which the clock is set are an hour shorter
// and longer (in 2026 in the United States: 8 March and 1 November).
func TestShiftsCoverTheYear(t *testing.T) {
	lengths := map[string]time.Duration{}
	last := Span{}
	for at := time.Date(2026, 1, 1, 0, 0, 0, 0, denver); at.Year() == 2026; at = at.Add(time.Minute) {
		span, ok := At(three, at, denver)
		if !ok {
			t.Fatalf("nobody watches at %s", at)
		}
		if last.Name != "" && span != last && !span.From.Equal(last.To) {
			t.Fatalf("%v follows %v", span, last)
		}
		if next, ok := Next(three, at, denver); !ok || !next.Equal(span.To) {
			t.Fatalf("at %s the next turn is %s, want %s", at, next, span.To)
		}
		last = span
		lengths[span.Name+span.Date()] = span.To.Sub(span.From)
	}
	for shift, want := range map[string]time.Duration{"night2026-03-07": 7 * time.Hour, "night2026-10-31": 9 * time.Hour, "night2026-06-01": 8 * time.Hour, "early2026-03-08": 8 * time.Hour} {
		if lengths[shift] != want {
			t.Errorf("%s lasts %s, want %s", shift, lengths[shift], want)
		}
	}
}

func TestNamedShifts(t *testing.T) {
	span, err := Named(three, "2026-11-25", "night", denver)
	if err != nil || span.From.Format(time.RFC3339) != "2026-11-25T23:00:00-07:00" || span.To.Sub(span.From) != 8*time.Hour {
		t.Errorf("%v, %v", span, err)
	}
	for _, c := range [][2]string{{"2026-11-31", "night"}, {"yesterday", "night"}, {"2026-11-25", "noon"}} {
		if _, err := Named(three, c[0], c[1], denver); err == nil {
			t.Errorf("%v was taken", c)
		}
	}
}

// tale is a journal that is told event by event.
type tale struct {
	t   *testing.T
	s   *store.Store
	now time.Time
}

func newTale(t *testing.T, from time.Time) *tale {
	t.Helper()
	s, err := store.Open(t.TempDir(), store.Options{Now: time.Now, Log: zerolog.Nop()})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	return &tale{t, s, from}
}

func (x *tale) after(d time.Duration, events ...correlate.Event) {
	x.t.Helper()
	x.now = x.now.Add(d)
	r := &correlate.Record{Seq: x.s.Last() + 1, At: x.now.UTC(), Input: &correlate.Tick{}, Events: events}
	if err := x.s.Append([]*correlate.Record{r}); err != nil {
		x.t.Fatal(err)
	}
}

func key(id string) correlate.On {
	k, err := correlate.ParseAlarmID(correlate.AlarmID(id))
	if err != nil {
		panic(err)
	}
	return correlate.On{Key: k}
}

func (x *tale) rise(id string, s correlate.Severity) []correlate.Event {
	return []correlate.Event{&correlate.Raised{On: key(id), Severity: s, Text: id + " failed", Since: x.now}, &correlate.Announced{On: key(id), Why: "raised"}}
}

func (x *tale) clear(id string) correlate.Event {
	return &correlate.AlarmCleared{On: key(id), Text: id + " well", Since: x.now}
}

func (x *tale) report(span Span, now time.Time) *Report {
	x.t.Helper()
	r, err := Collect(x.t.Context(), x.s, span, Options{Now: now, Zone: denver})
	if err != nil {
		x.t.Fatal(err)
	}
	return r
}

// A shift's story: what stood before it, what rose and cleared in it, the
// times, who did what, and what the shifts left each other.
func TestTheStoryOfAShift(t *testing.T) {
	early, late := On(three[0], time.Date(2026, 11, 25, 0, 0, 0, 0, denver)), On(three[1], time.Date(2026, 11, 25, 0, 0, 0, 0, denver))
	x := newTale(t, early.From)
	x.after(0, &correlate.ShiftBegan{Name: "early", From: early.From, To: early.To})
	x.after(time.Hour, x.rise("fen:mains", correlate.Major)...)
	x.after(time.Minute, x.rise("tern:door", correlate.Minor)...)
	x.after(time.Minute, x.clear("tern:door"))
	x.after(time.Minute, &correlate.HandedOver{Shift: "early", From: early.From, Text: "Crew is on its way to the fen.", Actor: "desk"})
	x.now = late.From
	x.after(2*time.Second, &correlate.ShiftBegan{Name: "late", From: late.From, To: late.To, Standing: []correlate.Stood{{Key: key("fen:mains").Key, Severity: correlate.Major, Raised: early.From.Add(time.Hour), Announced: early.From.Add(time.Hour)}}})
	x.after(time.Minute, &correlate.HandoverRead{Shift: "late", From: late.From, Actor: "late desk"})
	x.after(10*time.Minute, &correlate.Acked{On: key("fen:mains"), Actor: "late desk", Via: "console"})
	x.after(0, x.rise("ridge:light", correlate.Critical)...)
	x.after(0, &correlate.CallOutOpened{CallOut: correlate.CallOut{ID: "c1", Key: key("ridge:light").Key, Ladder: "north"}})
	x.after(0, &correlate.RungReached{On: key("ridge:light"), CallOut: "c1", Rung: 0})
	x.after(90*time.Second, &correlate.RungReached{On: key("ridge:light"), CallOut: "c1", Rung: 1})
	x.after(30*time.Second, &correlate.Acked{On: key("ridge:light"), Actor: "north crew", Via: "sms"}, &correlate.CallOutEnded{On: key("ridge:light"), CallOut: "c1", State: correlate.CallOutTaken, By: "north crew"})
	x.after(time.Hour, x.clear("fen:mains"))
	x.after(0, &correlate.Shelved{On: key("ridge:light"), Actor: "desk", Reason: "lamp ordered", Until: x.now.Add(time.Hour)})
	x.after(time.Minute, &correlate.HandedOver{Shift: "late", From: late.From, Text: "The lamp comes tomorrow.", Actor: "late desk"})
	x.now = late.To
	x.after(time.Second, x.rise("fen:mains", correlate.Major)...) // of the night

	r := x.report(late, late.To.Add(time.Hour))
	if !r.Complete || r.Began != 1 || r.Rose != 1 || r.Cleared != 1 || r.Ended != 1 || r.Untaken != 0 || len(r.Episodes) != 2 {
		t.Errorf("%d at the start, %d rose, %d cleared, %d at the end, %d untaken, %d episodes", r.Began, r.Rose, r.Cleared, r.Ended, r.Untaken, len(r.Episodes))
	}
	all := r.Times[len(r.Times)-1]
	// fen:mains was told at 8:00 and taken at 15:11:02; ridge:light within two minutes.
	if all.Take.Count != 2 || all.Take.Worst != (7*time.Hour+11*time.Minute+2*time.Second).Seconds() || all.Take.Of != "fen:mains" || all.Take.Median != 120 {
		t.Errorf("time to take %+v", all.Take)
	}
	if all.Clear.Count != 1 {
		t.Errorf("time to clear %+v", all.Clear)
	}
	if len(r.CallOuts) != 1 || r.CallOuts[0].Rung != 2 || r.CallOuts[0].State != "taken" || r.CallOuts[0].TakenBy != "north crew" {
		t.Errorf("call-outs %+v", r.CallOuts)
	}
	if len(r.Left) != 1 || r.Left[0].Text != "Crew is on its way to the fen." || r.ReadBy != "late desk" || len(r.Leaves) != 1 {
		t.Errorf("left %+v, read by %q, leaves %+v", r.Left, r.ReadBy, r.Leaves)
	}
	if len(r.Aside) != 1 || r.Aside[0].Reason != "lamp ordered" || len(r.Actions) != 3 {
		t.Errorf("aside %+v, actions %+v", r.Aside, r.Actions)
	}
	var page strings.Builder
	if err := WriteHTML(&page, r, "Centre"); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"Shift late, Wednesday 25 November 2026", "ridge:light failed", "lamp ordered", "The lamp comes tomorrow.", "rung"} {
		if !strings.Contains(strings.ToLower(page.String()), strings.ToLower(want)) {
			t.Errorf("the page lacks %q", want)
		}
	}
	var lines strings.Builder
	if err := WriteCSV(&lines, r); err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(strings.NewReader(lines.String())).ReadAll()
	if err != nil || len(rows) != 3 || len(rows[1]) != len(csvColumns) {
		t.Errorf("%d rows, %v", len(rows), err)
	}
}

// HSE Chemicals Sheet 6 ("Better alarm handling"): at Milford Haven 275 alarms
// came in the last 11 minutes (249 of them in one stretch of ten). As one hour's story it is told as what it was.
func TestQualityOfAFlood(t *testing.T) {
	from := time.Date(2026, 11, 25, 12, 0, 0, 0, denver)
	x := newTale(t, from)
	x.after(0, &correlate.ShiftBegan{Name: "early", From: from, To: from.Add(8 * time.Hour)})
	x.now = from.Add(10 * time.Minute)
	x.after(0, &correlate.FloodBegan{Count: 11})
	for i := range 275 {
		x.after(2400*time.Millisecond, x.rise(fmt.Sprintf("plant:p%d", i%55), correlate.Severity(2+i%4))...)
		x.after(0, x.clear(fmt.Sprintf("plant:p%d", i%55)))
	}
	x.after(time.Minute, &correlate.FloodEnded{Count: 275})
	q := x.report(Span{From: from, To: from.Add(time.Hour)}, from.Add(time.Hour)).Quality
	if q.Told != 275 || q.PerHour != 275 || q.MostInTen != 249 || q.Floods != 1 || !q.Short {
		t.Errorf("told %d, %v an hour, %d in ten minutes, %d floods, short %v", q.Told, q.PerHour, q.MostInTen, q.Floods, q.Short)
	}
	if q.BusyTens < 2./6-1e-9 || q.BusyTens > 2./6+1e-9 || q.BusyHours != 1 || q.InFlood != 0.2 {
		t.Errorf("ten-minute stretches %v, hours %v, in flood %v", q.BusyTens, q.BusyHours, q.InFlood)
	}
	if len(q.Top) != 10 || q.Top[0].Count != 5 || len(q.Fleeting) != 55 || len(q.Chattering) != 0 {
		t.Errorf("top %v, %d fleeting, %d chattering", q.Top, len(q.Fleeting), len(q.Chattering))
	}
}

func TestChatteringAndStale(t *testing.T) {
	from := time.Date(2026, 11, 1, 0, 0, 0, 0, denver)
	x := newTale(t, from)
	x.after(0, &correlate.ShiftBegan{Name: "night", From: from, To: from.Add(8 * time.Hour)})
	x.after(time.Hour, x.rise("fen:mains", correlate.Major)...)
	for range 3 {
		x.after(10*time.Second, x.rise("tern:door", correlate.Minor)...)
		x.after(5*time.Second, x.clear("tern:door"))
	}
	r := x.report(Span{From: from, To: from.AddDate(0, 0, 30)}, from.AddDate(0, 0, 31))
	q := r.Quality
	if q.Short || len(q.Chattering) != 1 || q.Chattering[0].Alarm != "tern:door" || len(q.Fleeting) != 0 || len(q.Stale) != 1 || q.Stale[0].Alarm != "fen:mains" {
		t.Errorf("short %v, chattering %v, fleeting %v, stale %v", q.Short, q.Chattering, q.Fleeting, q.Stale)
	}
	if body, err := Body(r, true); err != nil || !strings.Contains(string(body), `<a href="/alarms/fen:mains">`) {
		t.Errorf("the body has no link, or: %v", err)
	}
}

// What a remote wrote may neither run in a spreadsheet nor in a browser.
func TestTextsOfRemotesAreHarmless(t *testing.T) {
	from := time.Date(2026, 11, 1, 0, 0, 0, 0, denver)
	x := newTale(t, from)
	x.after(time.Second, &correlate.Raised{On: key("fen:mains"), Severity: correlate.Major, Text: `=cmd|' /C calc'!A0<script>alert(1)</script>`, Since: x.now})
	r := x.report(Span{From: from, To: from.Add(time.Hour)}, from.Add(time.Hour))
	var lines, page strings.Builder
	if err := WriteCSV(&lines, r); err != nil {
		t.Fatal(err)
	}
	if err := WriteHTML(&page, r, "Centre"); err != nil {
		t.Fatal(err)
	}
	if strings.Contains(lines.String(), ",=cmd") || !strings.Contains(lines.String(), "'=cmd") {
		t.Errorf("a formula stands in\n%s", lines.String())
	}
	if strings.Contains(page.String(), "<script>alert") {
		t.Error("a script stands in the page")
	}
}

// BenchmarkCollect reads a shift of 100,000 records.
func BenchmarkCollect(b *testing.B) {
	s, err := store.Open(b.TempDir(), store.Options{Now: time.Now, Log: zerolog.Nop()})
	if err != nil {
		b.Fatal(err)
	}
	defer s.Close()
	from := time.Date(2026, 11, 25, 7, 0, 0, 0, time.UTC)
	batch := []*correlate.Record{{Seq: 1, At: from, Input: &correlate.Tick{}, Events: []correlate.Event{&correlate.ShiftBegan{Name: "early", From: from, To: from.Add(8 * time.Hour)}}}}
	for i := range 100_000 {
		on := key(fmt.Sprintf("site%d:p%d", i%500, i%32))
		at := from.Add(time.Duration(i) * 200 * time.Millisecond)
		events := []correlate.Event{&correlate.Raised{On: on, Severity: correlate.Major, Text: "failed", Since: at}, &correlate.Announced{On: on, Why: "raised"}}
		if i%2 == 1 {
			events = []correlate.Event{&correlate.AlarmCleared{On: on, Text: "well", Since: at}}
		}
		batch = append(batch, &correlate.Record{Seq: correlate.Seq(i + 2), At: at, Input: &correlate.Arrival{Datagram: make([]byte, 180), Agent: "a", TrapOID: "1.3.6.1.4.1.32473.1.0.1"}, Events: events})
		if len(batch) >= 1000 {
			if err := s.Append(batch); err != nil {
				b.Fatal(err)
			}
			batch = batch[:0]
		}
	}
	span := Span{Name: "early", From: from, To: from.Add(8 * time.Hour)}
	for b.Loop() {
		r, err := Collect(b.Context(), s, span, Options{Now: span.To, Zone: time.UTC})
		if err != nil || r.Records < 99_000 {
			b.Fatal(r, err)
		}
	}
}
