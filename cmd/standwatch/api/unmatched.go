package api

import (
	"cmp"
	"context"
	"fmt"
	"net/http"
	"slices"
	"sync"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/store"
)

// Unmatched is what was accepted and kept because nothing came of it: no agent
// is known at its address, or no rule knows it. It is safe for concurrent use.
type Unmatched struct {
	Journal Journal
	Zone    *time.Location
	// Try says what the configuration in force makes of a kept notification; nil
	// tries nothing.
	Try func(*correlate.Arrival) (Trial, error)
	// Submit makes a notification that is run again durable. It returns its
	// record and what was decided.
	Submit func(context.Context, correlate.Input) (correlate.Seq, []correlate.Event, error)
	// Newest returns the number of the newest durable record.
	Newest func() correlate.Seq

	mu sync.Mutex // one run at a time, so that nothing is run twice
}

// Trial is a kept notification as the configuration in force takes it.
type Trial struct {
	Arrival *correlate.Arrival // Unmatched is empty when something comes of it now
	Draft   Draft              // what could be written so that something does
}

// Draft is configuration to paste: each is a file of the folder it is named by.
type Draft struct {
	Rules string `json:"rules,omitempty"`
	Sites string `json:"sites,omitempty"`
}

// UnmatchedGroup are the newest arrivals of one trap from one origin that
// nothing was made of.
type UnmatchedGroup struct {
	Agent   correlate.AgentID `json:"agent,omitempty"` // empty: no agent is known there
	Origin  string            `json:"origin"`
	TrapOID string            `json:"trap-oid"`
	Why     string            `json:"why"`
	Count   int               `json:"count"` // among the newest that were looked at
	First   time.Time         `json:"first"`
	Last    time.Time         `json:"last"`
	LastSeq correlate.Seq     `json:"last-seq"`
	Ready   int               `json:"ready"` // how many of them something comes of by now
	Now     string            `json:"now,omitempty"`
	Draft   *Draft            `json:"draft,omitempty"` // for the newest of them

	newest *correlate.Arrival
}

const (
	// unmatchedLooked bounds how many unmatched records are grouped,
	unmatchedLooked = 500
	// MaxRunAgain how many are run again in one go.
	MaxRunAgain = 10_000
)

// RunAgainRequest says what is to be run again; empty fields stand for any.
type RunAgainRequest struct {
	Agent   *correlate.AgentID `json:"agent,omitempty"` // "" is what no agent was known for
	Origin  string             `json:"origin,omitempty"`
	TrapOID string             `json:"trap-oid,omitempty"`
}

func (q *RunAgainRequest) wants(a *correlate.Arrival) bool {
	return (q.Agent == nil || *q.Agent == a.Agent) && (q.Origin == "" || q.Origin == a.Origin) && (q.TrapOID == "" || q.TrapOID == a.TrapOID)
}

// RunAgainAnswer says what became of what was run again.
type RunAgainAnswer struct {
	Looked    int             `json:"looked"`    // kept notifications that were asked for
	Ran       int             `json:"ran"`       // of these, how many something came of
	Late      int             `json:"late"`      // observations older than what is known by now; they changed nothing
	Unmatched int             `json:"unmatched"` // of which nothing comes even now; they stay kept
	Why       string          `json:"why,omitempty"`
	Records   []correlate.Seq `json:"record"` // the journal's records of what ran, oldest first
}

// waiting returns the newest unmatched records that have not been run again,
// newest first, at most limit of those looked at.
func (u *Unmatched) waiting(limit int) ([]*correlate.Record, error) {
	page, err := u.Journal.History(store.Query{Unmatched: true, Limit: limit})
	if err != nil {
		return nil, fmt.Errorf("read unmatched notifications: %w", err)
	}
	if len(page.Records) == 0 {
		return nil, nil
	}
	ran, err := u.ran(page.Records[len(page.Records)-1].Seq)
	if err != nil {
		return nil, err
	}
	return slices.DeleteFunc(page.Records, func(r *correlate.Record) bool { return ran[r.Seq] }), nil
}

// ran returns which records from first on have been run again. A record is run
// again by a later one.
func (u *Unmatched) ran(first correlate.Seq) (map[correlate.Seq]bool, error) {
	out := map[correlate.Seq]bool{}
	for q := (store.Query{RunAgain: true, Limit: store.MaxLimit}); ; {
		page, err := u.Journal.History(q)
		if err != nil {
			return nil, fmt.Errorf("read what was run again: %w", err)
		}
		for _, rec := range page.Records {
			if rec.Seq < first {
				return out, nil
			}
			if in, ok := rec.Input.(*correlate.Arrival); ok {
				out[in.RunAgain] = true
			}
		}
		if q.Before = page.Next; q.Before == 0 {
			return out, nil
		}
	}
}

// Groups groups the newest unmatched arrivals by agent or origin, trap and
// reason, most first, with what would come of them now.
func (u *Unmatched) Groups() ([]UnmatchedGroup, error) {
	records, err := u.waiting(unmatchedLooked)
	if err != nil {
		return nil, err
	}
	type id struct {
		agent            correlate.AgentID
		origin, oid, why string
	}
	groups := map[id]*UnmatchedGroup{}
	for _, rec := range records {
		a, ok := rec.Input.(*correlate.Arrival)
		if !ok {
			continue
		}
		at := id{a.Agent, a.Origin, a.TrapOID, a.Unmatched}
		g := groups[at]
		if g == nil {
			g = &UnmatchedGroup{Agent: a.Agent, Origin: a.Origin, TrapOID: a.TrapOID, Why: a.Unmatched, Last: in(u.Zone, rec.At), LastSeq: rec.Seq, newest: a}
			groups[at] = g
		}
		g.Count++
		g.First = in(u.Zone, rec.At)
		u.foresee(g, a)
	}
	out := []UnmatchedGroup{}
	for _, g := range groups {
		out = append(out, *g)
	}
	slices.SortFunc(out, func(a, b UnmatchedGroup) int {
		return cmp.Or(cmp.Compare(b.Count, a.Count), cmp.Compare(b.LastSeq, a.LastSeq))
	})
	return out, nil
}

// Ready returns for how many of the newest kept notifications something would
// come of now, and how many there are.
func (u *Unmatched) Ready() (ready, kept int, err error) {
	groups, err := u.Groups()
	for _, g := range groups {
		ready += g.Ready
		kept += g.Count
	}
	return ready, kept, err
}

// foresee notes what would come of one of a group's notifications now.
func (u *Unmatched) foresee(g *UnmatchedGroup, a *correlate.Arrival) {
	if u.Try == nil {
		return
	}
	t, err := u.Try(a)
	switch {
	case err != nil:
		if g.newest == a {
			g.Now = err.Error()
		}
	case t.Arrival.Unmatched == "":
		g.Ready++
	case g.newest == a:
		if t.Draft != (Draft{}) {
			g.Draft = &t.Draft
		}
		if t.Arrival.Unmatched != g.Why {
			g.Now = t.Arrival.Unmatched
		}
	}
}

// RunAgain runs kept notifications through the configuration in force, in the
// order in which they came. What something comes of is journaled, marked with
// the record that it was kept in, and is not run again another time. A report
// that is older than what is known of its point by now changes nothing.
func (u *Unmatched) RunAgain(ctx context.Context, q RunAgainRequest) (RunAgainAnswer, error) {
	u.mu.Lock()
	defer u.mu.Unlock()
	out := RunAgainAnswer{Records: []correlate.Seq{}}
	if u.Try == nil {
		return out, nil
	}
	records, err := u.waiting(MaxRunAgain)
	if err != nil {
		return out, err
	}
	for _, rec := range slices.Backward(records) {
		kept, ok := rec.Input.(*correlate.Arrival)
		if !ok || !q.wants(kept) {
			continue
		}
		out.Looked++
		if err := u.runOne(ctx, rec, kept, &out); err != nil {
			return out, err
		}
	}
	return out, nil
}

func (u *Unmatched) runOne(ctx context.Context, rec *correlate.Record, kept *correlate.Arrival, out *RunAgainAnswer) error {
	t, err := u.Try(kept)
	switch {
	case err != nil:
		out.Unmatched++
		out.Why = err.Error()
		return nil
	case t.Arrival.Unmatched != "":
		out.Unmatched++
		out.Why = t.Arrival.Unmatched
		return nil
	}
	again := *t.Arrival
	again.RunAgain, again.Came = rec.Seq, rec.At
	seen := u.Newest()
	if err := u.markLate(&again, rec.Seq); err != nil {
		return err
	}
	seq, events, err := u.Submit(ctx, &again)
	if err != nil {
		return fmt.Errorf("run record %d again: %w", rec.Seq, err)
	}
	out.Ran++
	out.Records = append(out.Records, seq)
	for _, ev := range events {
		if i, ok := ev.(*correlate.Ignored); ok && i.Why == "late" {
			out.Late++
		}
	}
	return u.correct(ctx, &again, seen, seq)
}

// markLate marks the reports that the journal holds a newer one of. State alone
// does not tell: of a clear for what did not stand nothing is remembered.
func (u *Unmatched) markLate(again *correlate.Arrival, first correlate.Seq) error {
	for i := range again.Observations {
		o := &again.Observations[i]
		newer, err := u.newer(o, again.Came, first, 0)
		if err != nil {
			return err
		}
		o.Late = newer != nil
	}
	return nil
}

// newer returns the newest report that overtakes o, which came at came, among
// the records after first and before the one numbered before (0: all).
func (u *Unmatched) newer(o *correlate.Observation, came time.Time, first, before correlate.Seq) (*correlate.Observation, error) {
	if o.What != correlate.Raise && o.What != correlate.Clear && o.What != correlate.Value {
		return nil, nil
	}
	q := store.Query{Site: o.Key.Site, Point: o.Key.Point, Instance: o.Key.Instance, Before: before, Limit: 50}
	for {
		page, err := u.Journal.History(q)
		if err != nil {
			return nil, fmt.Errorf("look for newer reports of %s: %w", o.Key, err)
		}
		for _, rec := range page.Records {
			if rec.Seq <= first {
				return nil, nil
			}
			if found := sameReport(rec, o); found != nil && rec.OwnTime().After(came) {
				return found, nil
			}
		}
		if q.Before = page.Next; q.Before == 0 {
			return nil, nil
		}
	}
}

// sameReport returns what a record reports of the same condition as o.
func sameReport(rec *correlate.Record, o *correlate.Observation) *correlate.Observation {
	var all []correlate.Observation
	switch in := rec.Input.(type) {
	case *correlate.Arrival:
		all = in.Observations
	case *correlate.Notice:
		all = in.Observations
	}
	for i := range all {
		if got := &all[i]; got.Key == o.Key && !got.Late && (got.What == o.What || got.What == correlate.Raise || got.What == correlate.Clear) {
			return got
		}
	}
	return nil
}

// correct says once more what came between the look into the journal and the
// record of what was run again, if that would have made it late.
func (u *Unmatched) correct(ctx context.Context, again *correlate.Arrival, seen, seq correlate.Seq) error {
	if seq <= seen+1 {
		return nil
	}
	notice := &correlate.Notice{Source: "run again"}
	for i := range again.Observations {
		o := &again.Observations[i]
		if o.Late {
			continue
		}
		newer, err := u.newer(o, again.Came, seen, seq)
		if err != nil {
			return err
		}
		if newer != nil {
			notice.Observations = append(notice.Observations, *newer)
		}
	}
	if len(notice.Observations) == 0 {
		return nil
	}
	if _, _, err := u.Submit(ctx, notice); err != nil {
		return fmt.Errorf("say again what came while record %d was run again: %w", again.RunAgain, err)
	}
	return nil
}

func (s *server) runAgain(w http.ResponseWriter, r *http.Request) error {
	var q RunAgainRequest
	if err := readBody(w, r, &q); err != nil {
		return err
	}
	answer, err := s.Unmatched.RunAgain(r.Context(), q)
	if err != nil {
		return err
	}
	return writeJSON(w, answer)
}
