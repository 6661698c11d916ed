package console

import (
	"math"
	"strings"
	"testing"
	"time"

	"example.net/standwatch/cmd/standwatch/api/apitest"
	"example.net/standwatch/correlate"
)

func TestTrend(t *testing.T) {
	st := newStage(t)
	_, body := st.page(t, "/sites/harrow-knoll/trend?point=battery")
	if !strings.Contains(body, "The journal has no reading") {
		t.Errorf("nothing was read yet: %s", body)
	}
	values := []float64{53.5, 51.25, 46.5, 47, 54}
	for _, v := range values {
		st.Trap(t, correlate.Observation{Key: apitest.Key("harrow-knoll", "battery"), What: correlate.Value, Value: v})
		st.Step(30 * time.Minute)
	}
	tree, body := st.page(t, "/sites/harrow-knoll/trend?point=battery")
	path := attr(classed(tree, "value")[0], "d")
	if strings.Count(path, "V") != len(values)-1 || !strings.HasPrefix(path, "M") || !strings.HasSuffix(path, "H1000") {
		t.Errorf("the steps are %q", path)
	}
	for _, want := range []string{"5 readings since", "lowest <b>46.5 V</b>", "highest <b>54.0 V</b>", `href="/sites/harrow-knoll/trend?point=battery&amp;span=week"`, `href="/alarms/harrow-knoll:battery"`} {
		if !strings.Contains(body, want) {
			t.Errorf("the page lacks %q:\n%s", want, body)
		}
	}
	if lines := len(classed(tree, "limit")); lines == 0 || lines%2 != 0 {
		t.Errorf("%d limits with words", lines)
	}
	// A week later a day shows that the last value holds.
	st.Step(7 * 24 * time.Hour)
	tree, body = st.page(t, "/sites/harrow-knoll/trend?point=battery&span=day")
	if !strings.Contains(body, "No reading since") || attr(classed(tree, "value")[0], "d")[:3] != "M0." {
		t.Errorf("the last value does not hold: %s", body)
	}
	for path, want := range map[string]int{"/sites/harrow-knoll/trend?point=door": 404, "/sites/nowhere/trend?point=battery": 404, "/sites/harrow-knoll/trend?point=battery&span=year": 400, "/sites/harrow-knoll/trend": 404} {
		if got := st.get(path).StatusCode; got != want {
			t.Errorf("%s: %d, want %d", path, got, want)
		}
	}
	if _, body := st.page(t, "/sites/harrow-knoll"); !strings.Contains(body, `<a href="/sites/harrow-knoll/trend?point=battery">trend</a>`) {
		t.Error("the site does not lead there")
	}
}

// Of many readings the lowest and the highest of each piece of time are drawn.
func TestTrendIsThinned(t *testing.T) {
	begin := time.Date(2026, 11, 25, 0, 0, 0, 0, time.UTC)
	var all []measuredAt
	for i := range 20_000 {
		all = append(all, measuredAt{at: begin.Add(time.Duration(i) * 4 * time.Second), value: math.Sin(float64(i) / 300)})
	}
	all[7777].value, all[12_345].value = 99, -99
	got := thinned(all, begin, 24*time.Hour)
	has := func(v float64) bool {
		for _, m := range got {
			if m.value == v {
				return true
			}
		}
		return false
	}
	if len(got) > 4*trendBuckets+4 || !has(99) || !has(-99) || got[0] != all[0] || got[len(got)-1] != all[len(all)-1] {
		t.Errorf("%d readings are left", len(got))
	}
	for i := 1; i < len(got); i++ {
		if !got[i].at.After(got[i-1].at) {
			t.Fatalf("out of order at %d", i)
		}
	}
}

func TestNiceSteps(t *testing.T) {
	for _, tt := range []struct{ low, high, first, step float64 }{{40, 60, 40, 5}, {-1, 1, -1, .5}, {0, 0.004, 0, .001}, {1000, 130_000, 50_000, 50_000}} {
		got := niceSteps(tt.low, tt.high)
		if len(got) < 2 || math.Abs(got[1]-got[0]-tt.step) > 1e-9*tt.step || math.Abs(got[0]-tt.first) > 1e-9 {
			t.Errorf("%v to %v: %v", tt.low, tt.high, got)
		}
		for _, v := range got {
			if v < tt.low-1e-9 || v > tt.high+1e-9 {
				t.Errorf("%v is not between %v and %v", v, tt.low, tt.high)
			}
		}
	}
	if got := niceSteps(1, 1); got != nil {
		t.Errorf("nothing between: %v", got)
	}
}

// The axis goes by the clock on the wall, on nights of a change too.
func TestTrendAxis(t *testing.T) {
	denver, err := time.LoadLocation("America/Denver")
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	begin := time.Date(2026, 10, 31, 10, 0, 0, 0, denver)
	for at := axisBegin(begin, 24*time.Hour); at.Before(begin.Add(72 * time.Hour)); at = axisNext(at, 24*time.Hour) {
		got = append(got, at.Format("02 15:04 MST"))
	}
	if want := "31 00:00 MDT, 01 00:00 MDT, 02 00:00 MST, 03 00:00 MST"; strings.Join(got, ", ") != want {
		t.Errorf("got %v, want %s", got, want)
	}
}

// The time axis goes on through the nights in which clocks are changed.
func TestTrendAxisThroughTheYear(t *testing.T) {
	for _, name := range []string{"Europe/Berlin", "America/St_Johns", "Australia/Lord_Howe", "America/Sao_Paulo", "UTC"} {
		zone, err := time.LoadLocation(name)
		if err != nil {
			t.Fatal(err)
		}
		for _, s := range trendStretches() {
			end := time.Date(2027, 1, 1, 0, 0, 0, 0, zone)
			for at := axisBegin(time.Date(2018, 1, 1, 3, 17, 0, 0, zone), s.step); at.Before(end); {
				next := axisNext(at, s.step)
				if d := next.Sub(at); d <= 0 || d > s.step+90*time.Minute {
					t.Fatalf("%s, %s: from %s to %s", name, s.word, at, next)
				}
				at = next
			}
		}
	}
}
