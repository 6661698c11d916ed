package console

import (
	"testing"

	"example.net/standwatch/correlate"
)

// Every word of the trail's groups names an event, and none is in two groups.
func TestTrailGroupsNameEvents(t *testing.T) {
	seen := map[correlate.EventKind]string{}
	for _, g := range trailGroups() {
		kinds, known := trailKinds(g.Name)
		if !known || len(kinds) != len(g.Kinds) {
			t.Errorf("%s has %d kinds of %d", g.Name, len(kinds), len(g.Kinds))
		}
		for i, kind := range kinds {
			if kind == 0 {
				t.Errorf("%s: %q names no event", g.Name, g.Kinds[i])
			}
			if seen[kind] != "" {
				t.Errorf("%q is in %s and in %s", g.Kinds[i], seen[kind], g.Name)
			}
			seen[kind] = g.Name
		}
	}
}
