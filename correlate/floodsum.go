package correlate

import (
	"cmp"
	"slices"
)

// Count is how many of something there are.
type Count struct {
	What string
	N    int
}

// FloodSum sums up a flood by site and by cause, most first: the alarms that
// were told in it and still are on the board. A site is named by its name, a
// cause by the point's probable cause, else its class, else its name. Both are
// empty when there is no flood.
func (s *State) FloodSum(net *Network) (sites, causes []Count) {
	if !s.Flood.On() {
		return nil, nil
	}
	from := s.Flood.Since.Add(-FloodSpan)
	bySite, byCause := map[string]int{}, map[string]int{}
	for k, a := range s.Alarms {
		if !a.OnBoard() || a.AnnouncedAt.Before(from) {
			continue
		}
		site, cause := string(k.Site), string(k.Point)
		if at := net.Site(k.Site); at != nil && at.Name != "" {
			site = at.Name
		}
		if p := net.Point(k); p != nil {
			cause = cmp.Or(p.Cause, p.Class, p.Name)
		}
		bySite[site]++
		byCause[cause]++
	}
	return mostFirst(bySite), mostFirst(byCause)
}

func mostFirst(of map[string]int) []Count {
	var out []Count
	for what, n := range of {
		out = append(out, Count{what, n})
	}
	slices.SortFunc(out, func(a, b Count) int { return cmp.Or(cmp.Compare(b.N, a.N), cmp.Compare(a.What, b.What)) })
	return out
}
