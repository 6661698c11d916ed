package ladder

import (
	"strings"
	"testing"
	"time"
)

func TestWalk(t *testing.T) {
	l, err := New("night", []Rung{
		{Whom: []Target{{Roster: "north"}}, Wait: 5 * time.Minute, Repeat: 1},
		{Whom: []Target{{Person: "chief"}}, Wait: 10 * time.Minute},
	}, 2)
	if err != nil {
		t.Fatal(err)
	}
	want := []struct {
		place Place
		rung  int
		again int
		top   bool
	}{
		{Place{0, 0}, 0, 0, false}, {Place{1, 0}, 0, 1, false}, {Place{2, 0}, 1, 0, true},
		{Place{0, 1}, 0, 0, false}, {Place{1, 1}, 0, 1, false}, {Place{2, 1}, 1, 0, true},
	}
	at := Bottom()
	for i, w := range want {
		s, ok := l.At(at)
		if at != w.place || !ok || s.Rung != w.rung || s.Again != w.again || l.Top(at) != w.top {
			t.Errorf("step %d: got %v %+v, want %+v", i, at, s, w)
		}
		next, ok := l.Next(at)
		if ok != (i < len(want)-1) {
			t.Errorf("step %d: next is %v", i, ok)
		}
		at = next
	}
}

func TestShorterLadder(t *testing.T) {
	l, err := New("short", []Rung{{Whom: []Target{{Person: "a"}}, Wait: time.Minute}}, 0)
	if err != nil {
		t.Fatal(err)
	}
	if _, ok := l.At(Place{Step: 3}); ok {
		t.Error("a step beyond the ladder was found")
	}
	if _, ok := l.Next(Place{Step: 3}); ok {
		t.Error("a place beyond the ladder has a next one")
	}
	if _, ok := l.At(Place{Step: -1}); ok {
		t.Error("a step below the ladder was found")
	}
}

func TestNewRefuses(t *testing.T) {
	whom := []Target{{Person: "a"}}
	for name, c := range map[string]struct {
		rungs  []Rung
		rounds int
		want   string
	}{
		"empty":         {nil, 1, "a ladder needs a rung"},
		"no wait":       {[]Rung{{Whom: whom}}, 1, "rung 1: wait: 0s is not between 1s and 168h0m0s"},
		"nobody":        {[]Rung{{Wait: time.Minute}}, 1, "rung 1: it tells nobody"},
		"both":          {[]Rung{{Wait: time.Minute, Whom: []Target{{"a", "b"}}}}, 1, "rung 1: each of whom is either a person or a roster"},
		"repeat":        {[]Rung{{Wait: time.Minute, Whom: whom, Repeat: -1}}, 1, "rung 1: repeat: -1 is not 0 to 1000"},
		"rounds":        {[]Rung{{Wait: time.Minute, Whom: whom}}, -1, "rounds: -1 is not 1 to 1000"},
		"without bound": {[]Rung{{Wait: time.Minute, Whom: whom, Repeat: 100}}, 100, "it has 10100 steps in all, more than 1000"},
	} {
		_, err := New(name, c.rungs, c.rounds)
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: got %v, want %s", name, err, c.want)
		}
	}
}
