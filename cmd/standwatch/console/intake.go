package console

import (
	"cmp"
	"encoding/hex"
	"maps"
	"net/http"
	"slices"
	"strconv"

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
	Ready     int    // kept notifications that something comes of by now
	Ran       string // what became of what was run again just now
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
	TLS           *api.Connections // of a listener that speaks TLS
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
	Who        string // for the form that runs it again: the agent, which may be empty
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
		Refused: b.RefusedSum(), Sum: b.Sum(), Balanced: b.Sum() == b.Arrived, Matched: b.Accepted["matched"], Unmatched: b.Accepted["unmatched"], TLS: b.TLS}
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
		v := unmatchedView{UnmatchedGroup: g, Trap: g.TrapOID, FirstAt: c.at(g.First), LastAt: c.at(g.Last), HistoryURL: "/history?unmatched=1", Who: string(g.Agent)}
		v.Why, v.Now = plain(g.Why, 300), plain(g.Now, 300)
		page.Ready += g.Ready
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
	return s.showIntake(w, r, "")
}

// runAgain answers POST /intake/run-again: what was kept is run through the
// rules in force; the form names an agent, origin and trap, or nothing for all.
func (s *server) runAgain(w http.ResponseWriter, r *http.Request) error {
	r.Body = http.MaxBytesReader(w, r.Body, api.MaxBody)
	if err := r.ParseForm(); err != nil {
		return badRequest("the form cannot be read")
	}
	q := api.RunAgainRequest{Origin: r.PostForm.Get("origin"), TrapOID: r.PostForm.Get("trap")}
	if agent, given := r.PostForm["agent"]; given {
		id := correlate.AgentID(agent[0])
		q.Agent = &id
	}
	got, err := s.Unmatched.RunAgain(r.Context(), q)
	if err != nil {
		return err
	}
	s.Log.Info().Str("by", s.Actor(r)).Int("ran", got.Ran).Int("late", got.Late).Int("unmatched", got.Unmatched).Msg("kept notifications run again")
	return s.showIntake(w, r, ranWords(got))
}

// ranWords says what became of what was run again.
func ranWords(got api.RunAgainAnswer) string {
	if got.Looked == 0 {
		return "Nothing was waiting that could be run again."
	}
	text := count(got.Ran, "notification was", "notifications were") + " run again, each at its own time."
	if got.Late > 0 {
		text += " " + count(got.Late, "report in them was", "reports in them were") + " older than what is known by now and changed nothing."
	}
	if got.Unmatched > 0 {
		text += " Of " + strconv.Itoa(got.Unmatched) + " nothing comes even now: " + plain(got.Why, 300) + "."
	}
	return text
}

func (s *server) showIntake(w http.ResponseWriter, r *http.Request, ran string) error {
	unmatched, err := s.Unmatched.Groups()
	if err != nil {
		return err
	}
	in := s.Intake()
	var page intakePage
	if err := s.read(r, func(c clock, src source) { page = s.intakeView(c, src, in, unmatched) }); err != nil {
		return err
	}
	page.Ran = ran
	return s.render(w, r, http.StatusOK, "intake", "Intake", page)
}
