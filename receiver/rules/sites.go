package rules

import (
	"cmp"
	"slices"
	"strings"

	"example.net/standwatch/correlate"
)

// siteLists finds points in the point lists of sites. Only what some rule looks
// up is indexed, since a large network has most of a million points.
type siteLists struct {
	numbers map[*correlate.Site][]numbered
	names   map[*correlate.Site][]named
}

type numbered struct {
	number int
	point  *correlate.Point
}

type named struct {
	name  string // lower case, single spaces
	point *correlate.Point
}

// index prepares the look-ups that rules need in all sites of a network.
func (l *siteLists) index(network *correlate.Network, byNumber, byName bool) {
	if network == nil {
		return
	}
	for _, id := range network.Sites() {
		site := network.Site(id)
		if byNumber {
			if l.numbers == nil {
				l.numbers = map[*correlate.Site][]numbered{}
			}
			l.numbers[site] = listNumbers(site)
		}
		if byName {
			if l.names == nil {
				l.names = map[*correlate.Site][]named{}
			}
			l.names[site] = listNames(site)
		}
	}
}

func listNumbers(site *correlate.Site) []numbered {
	list := make([]numbered, 0, len(site.Points))
	for _, p := range site.Points {
		if p.Number != 0 {
			list = append(list, numbered{p.Number, p})
		}
	}
	slices.SortFunc(list, func(a, b numbered) int {
		return cmp.Or(cmp.Compare(a.number, b.number), cmp.Compare(a.point.ID, b.point.ID))
	})
	return list
}

func listNames(site *correlate.Site) []named {
	list := make([]named, 0, len(site.Points))
	for _, p := range site.Points {
		list = append(list, named{plainName(string(p.ID)), p})
		if p.Name != "" {
			list = append(list, named{plainName(p.Name), p})
		}
	}
	slices.SortFunc(list, func(a, b named) int {
		return cmp.Or(cmp.Compare(a.name, b.name), cmp.Compare(a.point.ID, b.point.ID))
	})
	return list
}

// plainName is a name as names are compared: case and runs of blanks do not
// count.
func plainName(name string) string { return strings.ToLower(strings.Join(strings.Fields(name), " ")) }

// byNumber returns the site's point of a number, or nil; of several the one
// whose ID comes first.
func (l *siteLists) byNumber(site *correlate.Site, number int) *correlate.Point {
	list, ok := l.numbers[site]
	if !ok {
		list = listNumbers(site)
	}
	i, found := slices.BinarySearchFunc(list, number, func(e numbered, n int) int { return cmp.Compare(e.number, n) })
	if !found {
		return nil
	}
	return list[i].point
}

// byName returns the site's point with that ID or name, or nil.
func (l *siteLists) byName(site *correlate.Site, name string) *correlate.Point {
	list, ok := l.names[site]
	if !ok {
		list = listNames(site)
	}
	i, found := slices.BinarySearchFunc(list, plainName(name), func(e named, n string) int { return cmp.Compare(e.name, n) })
	if !found {
		return nil
	}
	return list[i].point
}
