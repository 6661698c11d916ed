package store

import (
	"fmt"
	"math"
	"slices"
	"time"

	"go.etcd.io/bbolt"

	"example.net/standwatch/correlate"
)

// DefaultLimit is the number of records on a page of history when the query
// sets none, MaxLimit the largest.
const (
	DefaultLimit = 100
	MaxLimit     = 10_000
)

// Query asks for records of the journal. Zero fields ask for nothing in
// particular; those that are set must all hold. Site, Point, Instance, Severity
// and Kinds must hold for one and the same event or observation of the record.
type Query struct {
	From, To time.Time // received at or after From and before To
	Site     correlate.SiteID
	Point    correlate.PointID
	Instance string
	// Severity is that of the event or observation itself; a clear has the
	// severity Cleared.
	Severity  correlate.Severity
	Kinds     []correlate.EventKind // any of them
	Agent     correlate.AgentID
	Unmatched bool          // only what no rule matched
	RunAgain  bool          // only what was run again
	Before    correlate.Seq // only records with smaller numbers: Page.Next of the page before
	Limit     int           // at most this many; see DefaultLimit
}

// Page is one page of history, newest first.
type Page struct {
	Records []*correlate.Record
	Next    correlate.Seq // Before for the next page; 0 when there is none
}

// terms returns the terms that a record must have: one of each group.
func (q *Query) terms() [][]string {
	var groups [][]string
	one := func(t string) { groups = append(groups, []string{t}) }
	site, point := string(q.Site), string(q.Point)
	switch {
	case site != "" && point != "" && q.Instance != "":
		one(term(termKey, site, point, q.Instance))
	case site != "" && point != "":
		one(term(termSitePoint, site, point))
	case site != "":
		one(term(termSite, site))
	case point != "":
		one(term(termPoint, point))
	}
	if q.Severity != 0 {
		one(numberTerm(termSeverity, byte(q.Severity)))
	}
	if len(q.Kinds) > 0 {
		var any []string
		for _, k := range q.Kinds {
			any = append(any, numberTerm(termKind, byte(k)))
		}
		groups = append(groups, any)
	}
	if q.Agent != "" {
		one(term(termAgent, string(q.Agent)))
	}
	if q.Unmatched {
		one(term(termUnmatched))
	}
	if q.RunAgain {
		one(term(termRunAgain))
	}
	return groups
}

func (q *Query) span() (from, to int64) {
	from, to = math.MinInt64, math.MaxInt64
	if !q.From.IsZero() {
		from = q.From.UnixNano()
	}
	if !q.To.IsZero() {
		to = q.To.UnixNano()
	}
	return from, to
}

// Matches reports whether a record is asked for, its place and Before aside.
func (q *Query) Matches(r *correlate.Record) bool {
	if (!q.From.IsZero() && r.At.Before(q.From)) || (!q.To.IsZero() && !r.At.Before(q.To)) {
		return false
	}
	in, arrival := r.Input.(*correlate.Arrival)
	if (q.Agent != "" && (!arrival || in.Agent != q.Agent)) || (q.Unmatched && (!arrival || in.Unmatched == "")) || (q.RunAgain && (!arrival || in.RunAgain == 0)) {
		return false
	}
	if q.Site == "" && q.Point == "" && q.Instance == "" && q.Severity == 0 && len(q.Kinds) == 0 {
		return true
	}
	found := false
	facts(r, func(f fact) { found = found || q.matchesFact(f) })
	return found
}

func (q *Query) matchesFact(f fact) bool {
	return (q.Site == "" || f.key.Site == q.Site) &&
		(q.Point == "" || f.key.Point == q.Point) &&
		(q.Instance == "" || f.key.Instance == q.Instance) &&
		(q.Severity == 0 || f.severity == q.Severity) &&
		(len(q.Kinds) == 0 || slices.Contains(q.Kinds, f.kind))
}

// History returns a page of records, newest first.
func (s *Store) History(q Query) (Page, error) {
	if q.Limit <= 0 {
		q.Limit = DefaultLimit
	}
	q.Limit = min(q.Limit, MaxLimit)
	if q.Before == 0 {
		q.Before = math.MaxUint64
	}
	var page Page
	groups := q.terms()
	for _, w := range s.windows(&q) {
		offsets, err := s.candidates(&w, groups)
		if err == nil {
			err = s.gather(&w, &q, offsets, &page)
		}
		if err != nil {
			return Page{}, fmt.Errorf("search history: %w", err)
		}
		if page.Next != 0 {
			return page, nil
		}
	}
	if err := s.gatherKept(&q, &page); err != nil {
		return Page{}, fmt.Errorf("search kept records: %w", err)
	}
	return page, nil
}

// window is the part of the journal that one run covers, as it was when the
// search began.
type window struct {
	g       *segment
	u       *run
	written bool
	spans   runSpans // shares its slices with the run; only Records of them count
}

// windows lists the runs that may hold what is asked for, newest first.
func (s *Store) windows(q *Query) []window {
	from, to := q.span()
	s.mu.RLock()
	defer s.mu.RUnlock()
	var out []window
	for _, g := range slices.Backward(s.segments) {
		for _, u := range slices.Backward(g.look.runs) {
			if u.first >= q.Before {
				continue
			}
			w := window{g: g, u: u, written: u.terms == nil, spans: u.spans}
			if n := len(w.spans.Min); u.spans.Records < runRecords && n > 0 {
				// The newest span still grows.
				w.spans.Min, w.spans.Max = slices.Clone(w.spans.Min), slices.Clone(w.spans.Max)
			}
			for i := range w.spans.Min {
				if w.spans.overlaps(i, from, to) {
					out = append(out, w)
					break
				}
			}
		}
	}
	return out
}

// candidates returns the offsets, ascending, of the records that have a term of
// each group. With no group that is every record of the run.
func (s *Store) candidates(w *window, groups [][]string) ([]uint16, error) {
	if len(groups) == 0 {
		out := make([]uint16, w.spans.Records)
		for i := range out {
			out[i] = uint16(i)
		}
		return out, nil
	}
	var result []uint16
	for i, group := range groups {
		lists, err := s.postings(w, group)
		if err != nil {
			return nil, err
		}
		union := lists[0]
		if len(lists) > 1 {
			union = slices.Concat(lists...)
			slices.Sort(union)
			union = slices.Compact(union)
		}
		if i == 0 {
			result = union
		} else {
			result = intersect(result, union)
		}
		if len(result) == 0 {
			return nil, nil
		}
	}
	return result, nil
}

func intersect(a, b []uint16) []uint16 {
	out := make([]uint16, 0, min(len(a), len(b)))
	for i, j := 0, 0; i < len(a) && j < len(b); {
		switch {
		case a[i] < b[j]:
			i++
		case a[i] > b[j]:
			j++
		default:
			out = append(out, a[i])
			i++
			j++
		}
	}
	return out
}

// postings returns the offsets of each term, from memory or from the file.
func (s *Store) postings(w *window, terms []string) ([][]uint16, error) {
	if !w.written {
		if lists, ok := s.postingsInMemory(w, terms); ok {
			return lists, nil
		}
	}
	return w.g.look.offsets(w.u.first, terms)
}

// postingsInMemory copies the lists of a run that is not written; ok is false
// when it has been written since.
func (s *Store) postingsInMemory(w *window, terms []string) (lists [][]uint16, ok bool) {
	s.mu.RLock()
	defer s.mu.RUnlock()
	if w.u.terms == nil {
		return nil, false
	}
	lists = make([][]uint16, len(terms))
	for i, t := range terms {
		if list := w.u.terms[t]; list != nil {
			// Elements that are there never change, so the list may be shared.
			lists[i] = (*list)[:len(*list):len(*list)]
		}
	}
	return lists, true
}

// gatherRecords bounds the candidates looked at in one read transaction.
const gatherRecords = 256

// gather appends the candidates that match to the page, newest first.
func (s *Store) gather(w *window, q *Query, offsets []uint16, page *Page) error {
	from, to := q.span()
	var wanted []correlate.Seq
	for _, at := range slices.Backward(offsets) {
		seq := w.u.first + correlate.Seq(at)
		if seq < q.Before && int(at) < w.spans.Records && w.spans.overlaps(int(at)/spanRecords, from, to) {
			wanted = append(wanted, seq)
		}
	}
	for chunk := range slices.Chunk(wanted, gatherRecords) {
		if err := s.gatherChunk(w.g, q, chunk, page); err != nil || page.Next != 0 {
			return err
		}
	}
	return nil
}

func (s *Store) gatherChunk(g *segment, q *Query, seqs []correlate.Seq, page *Page) error {
	return g.view(func(tx *bbolt.Tx) error {
		b := s.blocks(g, tx)
		for _, seq := range seqs {
			data, err := b.record(seq)
			if err == nil && data == nil {
				err = &DamageError{Path: g.path, What: fmt.Sprintf("record %d is missing", seq)}
			}
			if err != nil {
				return err
			}
			r, err := s.codec.decode(data)
			if err != nil {
				return err
			}
			if !q.Matches(r) {
				continue
			}
			page.Records = append(page.Records, r)
			if len(page.Records) == q.Limit {
				page.Next = seq
				return nil
			}
		}
		return nil
	})
}
