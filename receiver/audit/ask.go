package audit

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync/atomic"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/receiver/mib"
	"example.net/standwatch/receiver/rules"
	"example.net/standwatch/receiver/snmp"
)

// longest is how long one audit of one agent may take.
const longest = 2 * time.Minute

// sysUpTime is sysUpTime.0 (RFC 3418).
const sysUpTime = "1.3.6.1.2.1.1.3.0"

// Asker asks. It is safe for concurrent use; that no agent is asked twice at
// once is its caller's business.
type Asker struct {
	now     func() time.Time
	dropped atomic.Uint64
}

// NewAsker returns an asker that takes the time of its questions from now.
func NewAsker(now func() time.Time) *Asker { return &Asker{now: now} }

// Dropped returns how many datagrams were dropped because they were no answers
// to the open question: late, forged or malformed.
func (a *Asker) Dropped() uint64 { return a.dropped.Load() }

// Source is where a state was read: a question and the index of its row, as
// BER.
type Source struct {
	question *Question
	index    string
}

// Result is what came of asking.
type Result struct {
	Audit   *correlate.Audit
	Sources map[correlate.Key]Source // where each state was read
	Again   bool                     // the agent restarted meanwhile; ask again
}

// Ask asks an agent all of its questions or, with only, for one point; from
// says where that was read before, if it was. where is the agent's place in the
// network. The result is never nil; what failed stands in it.
func (a *Asker) Ask(ctx context.Context, t *Target, where rules.Where, only correlate.Key, from Source) *Result {
	ctx, cancel := context.WithTimeout(ctx, longest)
	defer cancel()
	in := &correlate.Audit{Agent: t.Agent, Asked: a.now(), Secure: t.secured(), Only: only}
	c := &asking{asker: a, target: t, where: where, in: in, budget: budget{octets: maxOctets, requests: maxRequests},
		sources: map[correlate.Key]Source{}, troubled: map[string]bool{}}
	began := time.Now() // of a duration, so the monotonic clock
	again := c.all(ctx, from)
	in.Took = time.Since(began)
	return &Result{Audit: in, Sources: c.sources, Again: again}
}

// asking is one audit under way.
type asking struct {
	asker    *Asker
	target   *Target
	where    rules.Where
	in       *correlate.Audit
	budget   budget
	sources  map[correlate.Key]Source
	troubled map[string]bool
}

// maxTrouble bounds the complaints about one audit.
const maxTrouble = 8

func (c *asking) trouble(format string, args ...any) {
	text := fmt.Sprintf(format, args...)
	if !c.troubled[text] && len(c.troubled) < maxTrouble {
		c.troubled[text] = true
		c.in.Trouble = append(c.in.Trouble, text)
	}
}

// all finds an address that answers and asks it everything. again is true if
// the agent restarted while it was read: then nothing of it counts.
func (c *asking) all(ctx context.Context, from Source) (again bool) {
	s := c.reach(ctx)
	if s == nil {
		return false
	}
	defer s.close()
	c.in.Failure, c.in.From = "", s.at.String()
	for _, q := range c.target.Questions {
		if from.question != nil && from.question != q {
			continue
		}
		c.ask(ctx, s, q, from)
	}
	ticks, has, err := c.uptime(ctx, s)
	if err != nil {
		c.trouble("%v", err)
	}
	if has && c.in.HasUptime && ticks < c.in.Uptime && c.in.Uptime-ticks < 1<<31 {
		c.in.Findings, c.in.Absent = nil, nil
		c.trouble("the agent restarted while it was read; it will be asked again")
		return true
	}
	return false
}

// reach tries the agent's addresses in turn and returns the one that answers,
// or nil with the reasons in the audit.
func (c *asking) reach(ctx context.Context) *session {
	var faults []string
	for _, at := range c.target.Addresses {
		s, err := open(ctx, c.target, at, &c.asker.dropped)
		if err == nil {
			c.in.Asked = c.asker.now()
			c.in.Uptime, c.in.HasUptime, err = c.uptime(ctx, s)
			if err == nil {
				return s
			}
			s.close()
		}
		faults = append(faults, err.Error())
		if ctx.Err() != nil {
			break
		}
	}
	c.in.Failure = strings.Join(faults, "; ")
	return nil
}

func (c *asking) uptime(ctx context.Context, s *session) (ticks uint32, has bool, err error) {
	values, err := s.get(ctx, snmp.MustOID(sysUpTime))
	if err != nil || len(values) == 0 {
		return 0, false, err
	}
	n, ok := values[0].Uint()
	return uint32(n), ok && values[0].Tag == snmp.TagTimeTicks, nil
}

// ask reads what one question wants and makes findings of it.
func (c *asking) ask(ctx context.Context, s *session, q *Question, from Source) {
	asked := c.asker.now()
	var rows []*row
	var err error
	single := from.question != nil
	if single {
		rows, err = s.only(ctx, q, from.index)
	} else {
		rows, err = s.table(ctx, q, &c.budget)
	}
	if err != nil {
		c.trouble("%s: %s", q.name, reason(err))
		return
	}
	missed := false
	for _, r := range rows {
		missed = !c.row(q, r, asked) || missed
	}
	if len(q.absent) > 0 && !single && !missed {
		c.absence(ctx, s, q, len(rows), asked)
	}
}

// reason is why something could not be read, without the advice that belongs to
// an agent that does not answer at all.
func reason(err error) string {
	var f *faultError
	if errors.As(err, &f) {
		return f.what
	}
	return err.Error()
}

// row makes findings of one row; it is false when a rule could not make
// something of it that it should have.
func (c *asking) row(q *Question, r *row, asked time.Time) bool {
	shown := r.cells
	if q.sensors {
		if why := scaleSensor(r); why != "" {
			c.trouble("%s: row %s: %s", q.name, dottedIndex(r.index), why)
			return false
		}
	}
	res := q.book.rows.Match(&snmp.Notification{TrapOID: []byte(q.row), Version: c.target.Version, Varbinds: r.cells}, c.where)
	// What the site has no point for is nothing to it: a remote has more
	// contacts than are wired.
	foreign := strings.Contains(res.Unmatched, " has no point ") || strings.HasPrefix(res.Unmatched, "no rule")
	if res.Unmatched != "" && !foreign {
		c.trouble("%s: row %s: %s", q.name, dottedIndex(r.index), strings.ReplaceAll(res.Unmatched, "in the notification", "in the row"))
	}
	for _, o := range res.Observations {
		if only, bound := c.target.Only[o.Key.Point]; bound && !slices.Contains(only, o.Key.Instance) {
			continue
		}
		c.sources[o.Key] = Source{q, r.index}
		// All instances of the one point stay, so that none counts as absent.
		if !c.in.Only.IsZero() && o.Key.Point != c.in.Only.Point {
			continue
		}
		o.Audit = true
		c.in.Findings = append(c.in.Findings, correlate.Finding{Observation: o, Asked: asked,
			OID: snmp.OID(r.cells[0].Name).String(), Value: evidence(q.book.names, shown)})
	}
	return res.Faults == 0 || foreign
}

// longestEvidence bounds what is kept of a row, in octets.
const longestEvidence = 400

// evidence says what a row said: its values, with names where there are
// several.
func evidence(names *mib.Names, cells []snmp.Varbind) string {
	if len(cells) == 1 {
		return shorten(names.Value(cells[0]))
	}
	parts := make([]string, len(cells))
	for i, v := range cells {
		name, _, _ := strings.Cut(names.Name(snmp.OID(v.Name)), ".")
		parts[i] = name + " " + names.Value(v)
	}
	return shorten(strings.Join(parts, ", "))
}

func shorten(text string) string {
	text = strings.ToValidUTF8(text, "?")
	if len(text) <= longestEvidence {
		return text
	}
	return strings.ToValidUTF8(text[:longestEvidence], "") + "..."
}

func dottedIndex(index string) string {
	var parts []string
	for _, arc := range (snmp.OID("\x2b") + snmp.OID(index)).Arcs()[2:] {
		parts = append(parts, fmt.Sprint(arc))
	}
	return strings.Join(parts, ".")
}

// absence says that the table was read whole, if the agent proves that it has
// it.
func (c *asking) absence(ctx context.Context, s *session, q *Question, rows int, asked time.Time) {
	values, err := s.get(ctx, q.proof)
	switch {
	case err != nil:
		c.trouble("%s: %s", q.name, reason(err))
		return
	case len(values) == 0:
		c.trouble("%s: the agent does not have %s, so what its table lacks proves nothing", q.name, q.book.names.Name(q.proof))
		return
	}
	if n, ok := values[0].Int(); q.counts && (!ok || n != int64(rows)) {
		c.trouble("%s: the agent counts %d entries and its table has %d; what the table lacks proves nothing", q.name, n, rows)
		return
	}
	for _, point := range q.absent {
		if !c.in.Only.IsZero() && c.in.Only.Point != point {
			continue
		}
		if c.where.Site.Points[point] == nil {
			continue
		}
		c.in.Absent = append(c.in.Absent, correlate.Absence{Point: point, Asked: asked, OID: q.columns[0].String()})
	}
}
