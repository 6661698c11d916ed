package api

import (
	"cmp"
	"context"
	"fmt"
	"net/http"
	"slices"
	"time"
	"unicode/utf8"

	"example.net/standwatch/cmd/standwatch/access"
	"example.net/standwatch/correlate"
)

// Silences is everything of which nobody is told, or which cannot be known,
// with the time that is left of it.
type Silences struct {
	Silences  []Silence  `json:"silence"`          // maintenance and out of service: in force, or set for later
	Coming    []Silence  `json:"coming,omitempty"` // the next occurrence of each configured window that is not in force
	Shelved   []Quiet    `json:"shelved,omitempty"`
	Flapping  []Quiet    `json:"flapping,omitempty"`
	Held      []Quiet    `json:"held,omitempty"` // excused, or waiting for a cause to show
	Explained []Quiet    `json:"explained,omitempty"`
	Doubtful  []Doubt    `json:"doubtful,omitempty"` // agents that are silent: what their points show may be out of date
	Faults    []Computed `json:"not-computed,omitempty"`
}

// Silence is a stretch of time in which nobody is told of what it covers.
type Silence struct {
	ID         correlate.SilenceID `json:"id"`
	Kind       string              `json:"kind"` // maintenance or out-of-service
	Scopes     []Scope             `json:"scope"`
	From       time.Time           `json:"from"`
	Until      time.Time           `json:"until"`
	Left       int64               `json:"seconds-left"`
	Reason     string              `json:"reason"`
	By         string              `json:"by"`
	Via        string              `json:"via,omitempty"`
	Open       bool                `json:"in-force"`
	Configured bool                `json:"configured,omitempty"` // it recurs by the configuration
	Alarms     []correlate.AlarmID `json:"alarm,omitempty"`      // that stand under it
}

// Scope is what a silence covers: a site, an agent or all sites with a tag, and
// of a site or tag perhaps one point only.
type Scope struct {
	Site     correlate.SiteID  `json:"site,omitempty"`
	Agent    correlate.AgentID `json:"agent,omitempty"`
	Tag      string            `json:"tag,omitempty"`
	Point    correlate.PointID `json:"point,omitempty"`
	Instance string            `json:"instance,omitempty"`
}

// Quiet is one alarm of which nobody is told for now. Until is when that ends by
// itself; without it, it ends with what Why names.
type Quiet struct {
	Alarm    correlate.AlarmID  `json:"alarm"`
	Severity correlate.Severity `json:"perceived-severity"`
	Text     string             `json:"alarm-text"`
	Since    time.Time          `json:"since"`
	Until    time.Time          `json:"until,omitzero"`
	Left     int64              `json:"seconds-left,omitempty"`
	By       string             `json:"by,omitempty"`
	Why      string             `json:"why,omitempty"`
	Count    int                `json:"count,omitempty"` // rises since it began to flap
}

// Doubt is an agent that is silent.
type Doubt struct {
	Agent correlate.AgentID `json:"agent"`
	Site  correlate.SiteID  `json:"site"`
	Alarm correlate.AlarmID `json:"alarm"`
	Since time.Time         `json:"since"`
	Heard time.Time         `json:"heard,omitzero"`
}

// Computed is a derived point that cannot be computed.
type Computed struct {
	Site     correlate.SiteID  `json:"site"`
	Point    correlate.PointID `json:"point"`
	Why      string            `json:"why"`
	Failures int               `json:"failures"`
	Since    time.Time         `json:"since"` // of the newest failure
}

// SilencesOf lists everything of which nobody is told at now, with all times in
// zone, what ends first first.
func SilencesOf(st *correlate.State, net *correlate.Network, now time.Time, zone *time.Location) Silences {
	out := Silences{Silences: []Silence{}}
	for _, s := range st.Listed() {
		w := silenceOf(s, now, zone)
		for _, k := range st.Under(s.ID) {
			w.Alarms = append(w.Alarms, k.ID())
		}
		out.Silences = append(out.Silences, w)
	}
	out.Coming = comingOf(st, net, now, zone)
	for _, a := range st.Board() {
		out.quiet(a, now, zone)
	}
	soonest := func(a, b Quiet) int { return cmp.Or(a.Until.Compare(b.Until), cmp.Compare(a.Alarm, b.Alarm)) }
	for _, list := range [][]Quiet{out.Shelved, out.Flapping, out.Held, out.Explained} {
		slices.SortStableFunc(list, soonest)
	}
	out.doubt(st, net, zone)
	for _, d := range st.DerivedFaults() {
		out.Faults = append(out.Faults, Computed{d.Key.Site, d.Key.Point, d.Err, d.Failures, in(zone, d.At)})
	}
	return out
}

func silenceOf(s *correlate.Silence, now time.Time, zone *time.Location) Silence {
	out := Silence{ID: s.ID, Kind: s.Kind.String(), Scopes: []Scope{}, From: in(zone, s.From), Until: in(zone, s.Until), Left: left(s.Until, now),
		Reason: s.Reason, By: s.By, Via: s.Via, Open: s.Open, Configured: s.Configured}
	for _, scope := range s.Scopes {
		out.Scopes = append(out.Scopes, Scope(scope))
	}
	return out
}

func left(until, now time.Time) int64 { return int64(max(0, until.Sub(now)) / time.Second) }

// comingOf lists the next occurrence of each configured window.
func comingOf(st *correlate.State, net *correlate.Network, now time.Time, zone *time.Location) (out []Silence) {
	for _, w := range net.Windows() {
		after := now
		if s := st.Silences[w.ID]; s != nil {
			after = s.Until
		}
		if dealt := st.Dealt[w.ID]; dealt.After(after) {
			after = dealt
		}
		if from, until, ok := w.When(after); ok {
			out = append(out, silenceOf(&correlate.Silence{ID: w.ID, Kind: correlate.Maintenance, Scopes: w.Scopes, From: from, Until: until, Reason: w.Reason, By: w.By,
				Via: "configuration", Configured: true}, now, zone))
		}
	}
	slices.SortStableFunc(out, func(a, b Silence) int { return a.From.Compare(b.From) })
	return out
}

// quiet lists an alarm wherever it belongs.
func (s *Silences) quiet(a *correlate.Alarm, now time.Time, zone *time.Location) {
	q := Quiet{Alarm: a.Key.ID(), Severity: a.Severity, Text: a.Text}
	until := func(since, end time.Time) Quiet {
		c := q
		c.Since, c.Until, c.Left = in(zone, since), in(zone, end), left(end, now)
		return c
	}
	if a.Shelf != nil {
		c := until(a.Shelf.Since, a.Shelf.Until)
		c.By, c.Why = a.Shelf.By, a.Shelf.Reason
		s.Shelved = append(s.Shelved, c)
	}
	if a.Flapping {
		c := until(a.FlapSince, a.FlapDue)
		c.Count = a.FlapCount
		s.Flapping = append(s.Flapping, c)
	}
	if a.HeldUntil.After(now) {
		c := until(a.Raised, a.HeldUntil)
		c.Why = map[string]string{"excused": "an event excuses it", "cause": "its cause may still show"}[a.HeldWhy]
		s.Held = append(s.Held, c)
	}
	if !a.Cause.IsZero() {
		c := q
		c.Since, c.Why = in(zone, a.Raised), "explained by "+a.Cause.String()
		s.Explained = append(s.Explained, c)
	}
}

func (s *Silences) doubt(st *correlate.State, net *correlate.Network, zone *time.Location) {
	for _, id := range net.Sites() {
		for _, agent := range net.Site(id).Agents {
			a := net.Agent(agent)
			if a == nil || !Silent(st, a) {
				continue
			}
			d := Doubt{Agent: agent, Site: id, Alarm: a.AliveKey().ID(), Since: in(zone, st.Alarms[a.AliveKey()].Raised)}
			if known := st.Agents[agent]; known != nil {
				d.Heard = in(zone, known.Heard)
			}
			s.Doubtful = append(s.Doubtful, d)
		}
	}
}

// SilenceRequest is the body of POST /silences.
type SilenceRequest struct {
	Kind   string    `json:"kind"`
	Scopes []Scope   `json:"scope"`
	From   time.Time `json:"from,omitzero"` // at once when left out
	Until  time.Time `json:"until"`
	Reason string    `json:"reason"`
}

// NewSilence returns the input for a silence that somebody asks for. The error
// wraps ErrBadAction.
func NewSilence(q SilenceRequest, r *http.Request, actor, via string) (*correlate.SetSilence, error) {
	kind, ok := correlate.ParseSilenceKind(q.Kind)
	reason := PlainText(q.Reason)
	switch {
	case !ok:
		return nil, fmt.Errorf("%w: kind is maintenance or out-of-service", ErrBadAction)
	case reason == "":
		return nil, fmt.Errorf("%w: a silence needs a reason", ErrBadAction)
	case utf8.RuneCountInString(reason) > MaxText:
		return nil, fmt.Errorf("%w: the reason is longer than %d characters", ErrBadAction, MaxText)
	case q.Until.IsZero():
		return nil, fmt.Errorf("%w: a silence needs an end", ErrBadAction)
	case len(q.Scopes) == 0 || len(q.Scopes) > maxScopes:
		return nil, fmt.Errorf("%w: a silence covers 1 to %d things", ErrBadAction, maxScopes)
	}
	out := &correlate.SetSilence{Kind: kind, From: q.From, Until: q.Until, Reason: reason, Actor: actor, Via: via, MayLong: access.May(r, access.ActLong)}
	for _, s := range q.Scopes {
		out.Scopes = append(out.Scopes, correlate.Scope(s))
	}
	return out, nil
}

// maxScopes bounds what one silence made by hand covers; a tag covers more.
const maxScopes = 100

// DoSilence submits an input about a silence and returns a problem when the
// engine refused it.
func DoSilence(ctx context.Context, submit func(context.Context, correlate.Input) ([]correlate.Event, error), input correlate.Input) (correlate.SilenceID, error) {
	events, err := submit(ctx, input)
	if err != nil {
		return "", fmt.Errorf("submit a silence: %w", err)
	}
	for _, ev := range events {
		switch ev := ev.(type) {
		case *correlate.Refused:
			return "", problem(http.StatusConflict, ev.Why)
		case *correlate.SilenceSet:
			return ev.Silence.ID, nil
		}
	}
	return "", nil
}

func (s *server) silences(w http.ResponseWriter, r *http.Request) error {
	if p := params(r); p.err != nil {
		return p.err
	}
	return s.writeSilences(w)
}

func (s *server) writeSilences(w http.ResponseWriter) error {
	var out Silences
	s.Board.Read(func(st *correlate.State, net *correlate.Network) { out = SilencesOf(st, net, s.Now(), s.Zone) })
	return writeJSON(w, out)
}

func (s *server) setSilence(w http.ResponseWriter, r *http.Request) error {
	var q SilenceRequest
	if err := readBody(w, r, &q); err != nil {
		return err
	}
	input, err := NewSilence(q, r, s.Actor(r), "api")
	if err != nil {
		return err
	}
	if _, err := DoSilence(r.Context(), s.Submit, input); err != nil {
		return err
	}
	return s.writeSilences(w)
}

func (s *server) endSilence(w http.ResponseWriter, r *http.Request) error {
	var q ActionRequest
	if err := readBody(w, r, &q); err != nil {
		return err
	}
	input := &correlate.EndSilence{ID: correlate.SilenceID(r.PathValue("id")), Actor: s.Actor(r), Via: "api", Text: PlainText(q.Text)}
	if _, err := DoSilence(r.Context(), s.Submit, input); err != nil {
		return err
	}
	return s.writeSilences(w)
}
