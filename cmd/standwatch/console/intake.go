package console

import (
	"cmp"
	"encoding/hex"
	"maps"
	"net/http"
	"slices"

	"example.net/standwatch/cmd/standwatch/api"
	"example.net/standwatch/correlate"
	"example.net/standwatch/receiver/snmp"
)

// intakePage shows that every datagram is accounted for.
type intakePage struct {
	Since     moment
	Total     booksView
	Listeners []booksView
	Agents    []booksView
	Sources   []booksView
	Unmatched []unmatchedView
	Kept      []keptView
}

// booksView is a set of counters with their sum drawn up.
type booksView struct {
	Name, Address string
	Site          *link
	Arrived       uint64
	Kernel        uint64
	InFlight      uint64
	Parts         []partView // what became of them, largest first
	Matched       uint64
	Unmatched     uint64
	Other         uint64 // accepted, neither matched nor unmatched
	Refused       uint64
	Sum           uint64
	Balanced      bool
	Newest        moment
}

// partView is one counter with its share of all.
type partView struct {
	Word    string
	Refusal bool
	Count   uint64
	X       share
	Width   share
}

// unmatchedView is a trap that no rule knows.
type unmatchedView struct {
	api.UnmatchedGroup
	Trap       string
	FirstAt    moment
	LastAt     moment
	HistoryURL string
}

// keptView is a refused datagram.
type keptView struct {
	At                          moment
	From, Listener, Reason, Why string
	Size                        int
	Octets                      string
	Cut                         bool // more octets came than are kept
}

func booksOf(c clock, b api.Books) booksView {
	v := booksView{Name: b.Name, Address: b.Address, Arrived: b.Arrived, Kernel: b.KernelDropped, InFlight: b.InFlight, Newest: c.at(b.Newest),
		Refused: b.RefusedSum(), Sum: b.Sum(), Balanced: b.Sum() == b.Arrived, Matched: b.Accepted["matched"], Unmatched: b.Accepted["unmatched"]}
	for _, group := range []struct {
		counts  map[string]uint64
		refusal bool
	}{{b.Accepted, false}, {b.Refused, true}} {
		for _, word := range slices.Sorted(maps.Keys(group.counts)) {
			n := group.counts[word]
			if !group.refusal {
				v.Other += n
			}
			if n > 0 {
				v.Parts = append(v.Parts, partView{Word: word, Refusal: group.refusal, Count: n})
			}
		}
	}
	v.Other -= v.Matched + v.Unmatched
	slices.SortStableFunc(v.Parts, func(a, b partView) int { return cmp.Compare(b.Count, a.Count) })
	at := share(0)
	for i := range v.Parts {
		p := &v.Parts[i]
		p.X, p.Width = at, share(100*float64(p.Count)/float64(max(1, v.Sum)))
		at += p.Width
	}
	return v
}

func (s *server) intakeView(c clock, src source, in api.Intake, unmatched []api.UnmatchedGroup) intakePage {
	page := intakePage{Since: c.at(in.Since), Total: booksOf(c, api.Total(in.Listeners))}
	for _, b := range in.Listeners {
		page.Listeners = append(page.Listeners, booksOf(c, b))
	}
	for _, b := range in.Agents {
		v := booksOf(c, b)
		if a := src.net.Agent(correlate.AgentID(b.Name)); a != nil {
			v.Site = &link{Text: siteName(src.net, a.Site), Href: "/sites/" + string(a.Site)}
		}
		page.Agents = append(page.Agents, v)
	}
	for _, b := range in.Sources {
		page.Sources = append(page.Sources, booksOf(c, b))
	}
	for _, g := range unmatched {
		v := unmatchedView{UnmatchedGroup: g, Trap: g.TrapOID, FirstAt: c.at(g.First), LastAt: c.at(g.Last), HistoryURL: "/history?unmatched=1"}
		if oid, err := snmp.ParseOID(g.TrapOID); err == nil {
			v.Trap = s.named(oid)
		}
		if g.Agent != "" {
			v.HistoryURL += "&agent=" + string(g.Agent)
		}
		page.Unmatched = append(page.Unmatched, v)
	}
	for _, k := range in.Kept {
		page.Kept = append(page.Kept, keptView{At: c.at(k.At), From: k.From, Listener: k.Listener, Reason: k.Reason, Why: plain(k.Why, 200),
			Size: k.Size, Octets: hex.Dump(masked(k.Head)), Cut: k.Size > len(k.Head)})
	}
	return page
}

func (s *server) intakePage(w http.ResponseWriter, r *http.Request) error {
	unmatched, err := api.Unmatched(s.Journal, s.Zone)
	if err != nil {
		return err
	}
	in := s.Intake()
	var page intakePage
	if err := s.read(r, func(c clock, src source) { page = s.intakeView(c, src, in, unmatched) }); err != nil {
		return err
	}
	return s.render(w, r, http.StatusOK, "intake", "Intake", page)
}
