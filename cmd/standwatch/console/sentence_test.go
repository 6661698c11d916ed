package console

import (
	"strings"
	"testing"
	"time"

	"example.net/standwatch/cmd/standwatch/api"
)

// With many rosters the sentence stays one: it counts who is on call, and still
// names each roster that has nobody.
func TestSentenceOfManyRosters(t *testing.T) {
	duty := func(name string, hours time.Duration, people ...string) api.Duty {
		d := api.Duty{Roster: name, Name: name, Until: noon.Add(hours * time.Hour)}
		for _, p := range people {
			d.People = append(d.People, api.Person{ID: p, Name: p})
		}
		return d
	}
	for _, tt := range []struct {
		duties []api.Duty
		want   string
	}{
		{[]api.Duty{duty("north", 1, "a"), duty("south", 1, "b"), duty("west", 2, "c")}, "On call until 13:10: a; b. On call until 14:10: c."},
		{[]api.Duty{duty("north", 3, "a", "b"), duty("south", 1, "c"), duty("west", 2, "a"), duty("fibre", 4)},
			"Three people are on call for three rosters; the next hand-over is at 13:10. Nobody is on call for fibre."},
		{[]api.Duty{duty("north", 30, "a"), duty("south", 30, "a"), duty("west", 30, "a"), duty("fibre", 30, "a")},
			"One person is on call for four rosters; the next hand-over is at Thu 18:10."},
	} {
		var s sentence
		s.duty(tt.duties, clock{noon, time.UTC})
		var got strings.Builder
		for _, c := range s.Clauses {
			got.WriteString(c.Text)
		}
		if strings.TrimSpace(got.String()) != tt.want {
			t.Errorf("it says %q, want %q", got.String(), tt.want)
		}
	}
}
