package console

import (
	"fmt"
	"math"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"example.net/standwatch/cmd/standwatch/api"
	"example.net/standwatch/cmd/standwatch/api/apitest"
	"example.net/standwatch/correlate"

	"github.com/google/go-cmp/cmp"
)

// noon is the time of the views below.
var noon = time.Date(2026, 11, 25, 12, 10, 0, 0, time.UTC)

// board builds a state by folding events, oldest first.
type board struct {
	st  *correlate.State
	net *correlate.Network
}

func newBoard(t *testing.T) *board {
	t.Helper()
	net, err := apitest.Network()
	if err != nil {
		t.Fatal(err)
	}
	return &board{correlate.NewState(), net}
}

// at folds events that happened so long before noon.
func (b *board) at(before time.Duration, events ...correlate.Event) {
	b.st.Fold(&correlate.Record{Seq: b.st.Seq + 1, At: noon.Add(-before), Input: &correlate.Tick{}, Events: events})
}

// heard folds an arrival of an agent.
func (b *board) heard(before time.Duration, agent correlate.AgentID) {
	b.st.Fold(&correlate.Record{Seq: b.st.Seq + 1, At: noon.Add(-before), Input: &correlate.Arrival{Agent: agent}})
}

func (b *board) source() source {
	return source{st: b.st, net: b.net, repeats: func(*correlate.Alarm) []time.Time { return nil }, onCall: onCall(noon), actor: "tester"}
}

func on(site, point string) correlate.On { return correlate.On{Key: apitest.Key(site, point)} }

func raised(site, point string, s correlate.Severity) *correlate.Raised {
	return &correlate.Raised{On: on(site, point), Severity: s}
}

func taken(site, point, by string) *correlate.Acked {
	return &correlate.Acked{On: on(site, point), Actor: by}
}

func cleared(site, point string) *correlate.AlarmCleared {
	return &correlate.AlarmCleared{On: on(site, point)}
}

func mustFilter(t *testing.T, query string) filter {
	t.Helper()
	q, err := url.ParseQuery(query)
	if err != nil {
		t.Fatal(err)
	}
	f, err := filterOf(q)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// outline is the watch in a few letters: sites with their lanes.
func outline(rows []row) (out []string) {
	for _, r := range rows {
		line := string(r.ID) + ":"
		for _, l := range r.Lanes {
			line += " " + strings.TrimPrefix(string(l.ID), string(r.ID)+":")
			if l.Cleared {
				line += "(cleared)"
			}
			for _, u := range l.Under {
				line += " <" + string(u.ID) + ">"
			}
		}
		out = append(out, line)
	}
	return out
}

func TestWatchOrdersAndNests(t *testing.T) {
	b := newBoard(t)
	b.at(10*time.Hour, raised("quarry-gate", "mains", correlate.Major))
	b.at(9*time.Hour, cleared("quarry-gate", "mains")) // outside 8 hours, inside 24
	b.at(3*time.Hour, raised("harrow-knoll", "mains", correlate.Major), raised("harrow-knoll", "rectifier", correlate.Minor), &correlate.Explained{On: on("harrow-knoll", "rectifier"), By: apitest.Key("harrow-knoll", "mains")})
	b.at(2*time.Hour, raised("sallow-fen", "mains", correlate.Major), raised("sallow-fen", "door", correlate.Warning), taken("sallow-fen", "mains", "tester"))
	b.at(2*time.Hour, raised("stonecrop-ridge", "door", correlate.Warning))
	b.at(time.Hour, cleared("stonecrop-ridge", "door"))
	b.at(time.Hour, raised("tern-point", "trunk", correlate.Critical), raised("sallow-fen", "heard", correlate.Major), &correlate.Explained{On: on("sallow-fen", "heard"), By: apitest.Key("tern-point", "trunk")})
	b.at(time.Hour, raised("tern-point", "tower-light", correlate.Critical), &correlate.Shelved{On: on("tern-point", "tower-light"), Actor: "x", Reason: "works", Until: noon.Add(time.Hour)})
	for _, tt := range []struct {
		query         string
		rows, right   []string
		hidden, aside int
	}{
		{"", []string{"tern-point: trunk <sallow-fen:heard>", "harrow-knoll: mains <harrow-knoll:rectifier>", "sallow-fen: mains door"}, []string{"stonecrop-ridge: door(cleared)"}, 0, 1},
		{"span=24h", []string{"tern-point: trunk <sallow-fen:heard>", "harrow-knoll: mains <harrow-knoll:rectifier>", "sallow-fen: mains door"}, []string{"stonecrop-ridge: door(cleared)", "quarry-gate: mains(cleared)"}, 0, 1},
		{"severity=major", []string{"tern-point: trunk <sallow-fen:heard>", "harrow-knoll: mains <harrow-knoll:rectifier>", "sallow-fen: mains"}, nil, 1, 1},
		{"untaken=1", []string{"tern-point: trunk <sallow-fen:heard>", "harrow-knoll: mains <harrow-knoll:rectifier>", "sallow-fen: door"}, nil, 1, 1},
		{"mine=1", []string{"sallow-fen: mains"}, nil, 3, 1},
		{"region=south", nil, []string{"stonecrop-ridge: door(cleared)"}, 4, 1},
		{"find=sallow+silent", []string{"tern-point: trunk <sallow-fen:heard>"}, nil, 3, 1},
		{"find=MAINS+knoll", []string{"harrow-knoll: mains <harrow-knoll:rectifier>"}, nil, 3, 1},
	} {
		page := watchView(clock{noon, time.UTC}, b.source(), mustFilter(t, tt.query))
		if diff := cmp.Diff(tt.rows, outline(page.Rows)); diff != "" {
			t.Errorf("%q rows (-want +got):\n%s", tt.query, diff)
		}
		if diff := cmp.Diff(tt.right, outline(page.Right)); diff != "" {
			t.Errorf("%q came right (-want +got):\n%s", tt.query, diff)
		}
		if page.Hidden != tt.hidden || len(page.Aside) != tt.aside {
			t.Errorf("%q: %d hidden, %d aside", tt.query, page.Hidden, len(page.Aside))
		}
	}
}

func TestSentence(t *testing.T) {
	const duty = "On call until 13:10: North crew on call. Nobody is on call for the south crew. "
	for _, tt := range []struct {
		name string
		fill func(*board)
		want string
	}{
		{"nothing ever", func(*board) {}, "Nothing stands. " + duty + "No trap has come yet."},
		{"all well", func(b *board) { b.heard(4*time.Second, "harrow-knoll-rtu") }, "Nothing stands. " + duty + "The newest trap came 4 seconds ago."},
		{"one", func(b *board) { b.at(12*time.Minute, raised("harrow-knoll", "mains", correlate.Major)) },
			"One alarm stands at one site, major. Nobody has taken it, for 12 minutes now. " + duty + "No trap has come yet."},
		{"one taken", func(b *board) {
			b.at(12*time.Minute, raised("harrow-knoll", "mains", correlate.Major), taken("harrow-knoll", "mains", "x"))
		}, "One alarm stands at one site, major. Somebody has it. " + duty + "No trap has come yet."},
		{"several", func(b *board) {
			b.at(5*time.Hour, raised("harrow-knoll", "mains", correlate.Major), raised("harrow-knoll", "tower-light", correlate.Critical))
			b.at(3*time.Hour, raised("sallow-fen", "mains", correlate.Major), taken("sallow-fen", "mains", "x"))
			b.at(2*time.Hour, raised("sallow-fen", "rectifier", correlate.Minor), &correlate.Explained{On: on("sallow-fen", "rectifier"), By: apitest.Key("sallow-fen", "mains")})
			b.at(2*time.Hour, raised("tern-point", "door", correlate.Warning), &correlate.Shelved{On: on("tern-point", "door"), Until: noon.Add(time.Hour)})
		}, "Three alarms stand at two sites: one critical and two major. Nobody has taken two of them; the oldest has waited 5 hours. One more is explained by another. One is put aside. " + duty + "No trap has come yet."},
		{"all of one kind", func(b *board) {
			b.at(time.Minute, raised("harrow-knoll", "mains", correlate.Major), raised("sallow-fen", "mains", correlate.Major))
		}, "Two alarms stand at two sites, all major. Nobody has taken any of them; the oldest has waited 60 seconds. " + duty + "No trap has come yet."},
	} {
		b := newBoard(t)
		tt.fill(b)
		var got strings.Builder
		for _, c := range sentenceOf(clock{noon, time.UTC}, b.source()).Clauses {
			got.WriteString(c.Text)
		}
		if diff := cmp.Diff(tt.want, got.String()); diff != "" {
			t.Errorf("%s (-want +got):\n%s", tt.name, diff)
		}
	}
}

// Of 8 hours the newest 30 minutes are drawn wide, so that an hour of the
// rest is 100/7.5 %. Both are reckoned from the full hour, 12:00, which lies
// at 100 %.
func TestStripGeometry(t *testing.T) {
	b := newBoard(t)
	k := apitest.Key("harrow-knoll", "mains")
	b.at(10*time.Hour, raised("harrow-knoll", "mains", correlate.Major)) // 02:10, before the left edge
	b.at(9*time.Hour, cleared("harrow-knoll", "mains"))
	b.at(190*time.Minute, raised("harrow-knoll", "mains", correlate.Minor))                                            // 09:00: 60 %
	b.at(115*time.Minute, &correlate.Changed{On: on("harrow-knoll", "mains"), Severity: correlate.Major, Worse: true}) // 10:15
	b.at(25*time.Minute, taken("harrow-knoll", "mains", "x"))                                                          // 11:45
	c := clock{noon, time.UTC}
	r := reachAt(noon, 8*time.Hour)
	got := stripOf(r, b.st.Alarms[k], []time.Time{noon.Add(-100 * time.Minute)}, c) // 10:30: 80 %
	far, near := got.Panes[0], got.Panes[1]
	about := cmp.Comparer(func(a, b share) bool { return math.Abs(float64(a-b)) < 1e-9 })
	wantFar := []bar{
		{X: 60, Width: 100 / 6.0, Severity: correlate.Minor, Ended: true},
		{X: 60 + 100/6.0, Width: 20, Severity: correlate.Major, Ended: true},
		{X: 80 + 100/6.0, Width: open - 20, Severity: correlate.Major, Taken: true},
	}
	if diff := cmp.Diff(wantFar, far.Bars, about); diff != "" {
		t.Errorf("far bars (-want +got):\n%s", diff)
	}
	wantTicks := []tick{{80, "repeat", "raised again 10:30:00"}, {80 + 100/6.0, "take", "take 11:45:00 by x"}}
	if diff := cmp.Diff(wantTicks, far.Ticks, about); diff != "" {
		t.Errorf("far ticks (-want +got):\n%s", diff)
	}
	if last := near.Bars[2]; last.X != 50 || !last.Taken || len(near.Ticks) != 1 || near.Ticks[0].X != 50 { // a quarter hour of a half before 12:00
		t.Errorf("near: %+v %+v", near.Bars, near.Ticks)
	}
	if far.Width+near.Width != 100 || near.X != far.Width || far.Shift.String() != "4.44%" || near.Shift.String() != "-33.33%" { // 12:00 is 20 minutes after 11:40 and 10 before 12:10
		t.Errorf("panes %+v", got.Panes)
	}
	if got.Says != "raised 09:00:00, raised again 1 time, taken 11:45:00, still standing" || got.Earlier {
		t.Errorf("says %q, earlier %t", got.Says, got.Earlier)
	}
}

func TestBarEndsWithTheClear(t *testing.T) {
	b := newBoard(t)
	b.at(time.Hour, raised("harrow-knoll", "mains", correlate.Major), taken("harrow-knoll", "mains", "x"))
	b.at(3*time.Minute, cleared("harrow-knoll", "mains"))
	r := reachAt(noon, 8*time.Hour)
	near := stripOf(r, b.st.Alarms[apitest.Key("harrow-knoll", "mains")], nil, clock{noon, time.UTC}).Panes[1]
	end := r.Near.x(noon.Add(-3 * time.Minute))
	if last := near.Bars[len(near.Bars)-1]; !last.Ended || !last.Taken || math.Abs(float64(last.X+last.Width-end)) > 1e-9 {
		t.Errorf("bar %+v, want its end at %v", last, end)
	}
	if last := near.Ticks[len(near.Ticks)-1]; last.Kind != "clear" || last.X != end {
		t.Errorf("tick %+v", last)
	}
}

func TestOldAlarmsBeginBeforeTheStrip(t *testing.T) {
	b := newBoard(t)
	b.at(5*time.Hour, raised("harrow-knoll", "mains", correlate.Major))
	a := b.st.Alarms[apitest.Key("harrow-knoll", "mains")]
	if s := stripOf(reachAt(noon, 2*time.Hour), a, nil, clock{noon, time.UTC}); !s.Earlier || len(s.Panes[0].Bars) != 1 {
		t.Errorf("in two hours: %+v", s)
	}
	if stripOf(reachAt(noon, 8*time.Hour), a, nil, clock{noon, time.UTC}).Earlier {
		t.Error("in eight hours it is said to be older")
	}
}

func TestAxisMarksTheCentresHours(t *testing.T) {
	var got []string
	for _, s := range axis(8*time.Hour, clock{noon, time.FixedZone("half", 5*3600+1800)}) {
		for _, m := range s.Marks {
			got = append(got, m.Label)
		}
	}
	if want := []string{"12:00", "14:00", "16:00", "17:20", "17:30"}; !slices.Equal(got, want) {
		t.Errorf("got %v", got)
	}
}

func TestWordsForTime(t *testing.T) {
	for _, tt := range []struct {
		d             time.Duration
		short, spoken string
	}{
		{0, "0 s", "a moment"}, {time.Second, "1 s", "1 second"}, {59 * time.Second, "59 s", "59 seconds"}, {61 * time.Second, "1 min", "61 seconds"},
		{2 * time.Minute, "2 min", "2 minutes"}, {65 * time.Minute, "1 h 05", "65 minutes"}, {125 * time.Minute, "2 h 05", "2 hours"}, {52 * time.Hour, "2 d 4 h", "2 days"},
	} {
		if short(tt.d) != tt.short || spoken(tt.d) != tt.spoken {
			t.Errorf("%v: %q, %q", tt.d, short(tt.d), spoken(tt.d))
		}
	}
}

func TestRowsAreSentAgainOnlyWhenTheyDiffer(t *testing.T) {
	b := newBoard(t)
	b.at(time.Hour, raised("harrow-knoll", "mains", correlate.Major))
	version := func(now time.Time) uint64 {
		return watchView(clock{now, time.UTC}, b.source(), mustFilter(t, "")).Rows[0].version()
	}
	first := version(noon)
	if version(noon.Add(20*time.Minute)) != first {
		t.Error("the clock alone made another row")
	}
	b.at(0, taken("harrow-knoll", "mains", "x"))
	if version(noon) == first {
		t.Error("taking made no other row")
	}
}

func TestGauge(t *testing.T) {
	low := &correlate.Limit{At: 47, Severity: correlate.Minor}
	g := gaugeOf(&correlate.Point{Limits: correlate.Limits{Low: low}}, 57)
	want := &gauge{At: share(100 * 12.5 / 15.0), Zones: []zone{{0, share(100 * 2.5 / 15.0), correlate.Minor}}}
	if diff := cmp.Diff(want, g); diff != "" {
		t.Errorf("gauge (-want +got):\n%s", diff)
	}
	if gaugeOf(&correlate.Point{}, 1) != nil {
		t.Error("a gauge without limits")
	}
}

func TestBooksShareOut(t *testing.T) {
	v := booksOf(clock{noon, time.UTC}, api.Books{Arrived: 10, Accepted: map[string]uint64{"matched": 5, "unmatched": 1, "repeated": 1}, Refused: map[string]uint64{"late": 2}, InFlight: 1})
	if !v.Balanced || v.Matched != 5 || v.Unmatched != 1 || v.Other != 1 || v.Refused != 2 {
		t.Errorf("books %+v", v)
	}
	sum := share(10) // in flight
	for _, p := range v.Parts {
		sum += p.Width
	}
	if math.Abs(float64(sum)-100) > 1e-9 {
		t.Errorf("shares add up to %v", sum)
	}
	if booksOf(clock{}, api.Books{Arrived: 3, Accepted: map[string]uint64{"matched": 2}}).Balanced {
		t.Error("books that lack one balance")
	}
}

func TestOnlySafeLinksAreOffered(t *testing.T) {
	got := outside([]correlate.WebLink{{Name: "web", URL: "https://rtu.example.net/"}, {Name: "shell", URL: "ssh://crew@rtu.example.net"}, {Name: "script", URL: "JavaScript:alert(1)"}, {Name: "data", URL: "data:text/html,x"}, {Name: "relative", URL: "//x"}})
	var names []string
	for _, l := range got {
		names = append(names, l.Name)
	}
	if !slices.Equal(names, []string{"web", "shell"}) {
		t.Errorf("offered %v", names)
	}
}

// Text contrast of 4.5 : 1 (WCAG 2.2, 1.4.3) and 3 : 1 for what outlines the
// signs and shows focus (1.4.11), for both themes, by the formula of its
// definition of relative luminance.
func TestContrast(t *testing.T) {
	css, err := assetFiles.ReadFile("assets/console.css")
	if err != nil {
		t.Fatal(err)
	}
	light, dark := themes(string(css))
	for _, theme := range []struct {
		name string
		vars map[string]string
	}{{"light", light}, {"dark", dark}} {
		for _, tt := range []struct {
			front, back string
			least       float64
		}{
			{"ink", "ground", 7}, {"ink", "sheet", 7}, {"ink", "held", 7}, {"dim", "ground", 4.5}, {"dim", "sheet", 4.5}, {"dim", "held", 4.5},
			{"link", "ground", 4.5}, {"link", "sheet", 4.5}, {"loud", "loud-ground", 4.5}, {"loud", "ground", 4.5}, {"focus", "ground", 3}, {"ground", "ink", 7},
			{"cleared", "ground", 3}, {"cleared", "held", 2.7},
		} {
			if got := contrast(theme.vars[tt.front], theme.vars[tt.back]); got < tt.least {
				t.Errorf("%s: %s on %s has %.2f : 1, want %.1f", theme.name, tt.front, tt.back, got, tt.least)
			}
		}
	}
	want := map[string]string{"critical": "#d55e00", "major": "#e69f00", "minor": "#f0e442", "warning": "#56b4e9", "indeterminate": "#cc79a7", "cleared": "#009e73"} // Okabe and Ito (2008)
	for name, hue := range want {
		if light[name] != hue || dark[name] != hue {
			t.Errorf("%s is %s in light, %s in dark", name, light[name], dark[name])
		}
	}
}

func themes(css string) (light, dark map[string]string) {
	find := regexp.MustCompile(`--([a-z-]+): (#[0-9a-f]{6});`)
	before, after, _ := strings.Cut(css, "@media (prefers-color-scheme: dark)")
	after, _, _ = strings.Cut(after, "\n}")
	light, dark = map[string]string{}, map[string]string{}
	root, _, _ := strings.Cut(before, "\n}")
	for _, m := range find.FindAllStringSubmatch(root, -1) {
		light[m[1]], dark[m[1]] = m[2], m[2]
	}
	for _, m := range find.FindAllStringSubmatch(after, -1) {
		dark[m[1]] = m[2]
	}
	return light, dark
}

func contrast(a, b string) float64 {
	la, lb := luminance(a), luminance(b)
	return (math.Max(la, lb) + 0.05) / (math.Min(la, lb) + 0.05)
}

func luminance(hex string) float64 {
	if len(hex) != 7 {
		panic(fmt.Sprintf("no colour: %q", hex))
	}
	sum := 0.0
	for i, weight := range []float64{0.2126, 0.7152, 0.0722} {
		n, err := strconv.ParseUint(hex[1+2*i:3+2*i], 16, 8)
		if err != nil {
			panic(err)
		}
		c := float64(n) / 255
		if c <= 0.04045 {
			c /= 12.92
		} else {
			c = math.Pow((c+0.055)/1.055, 2.4)
		}
		sum += weight * c
	}
	return sum
}
