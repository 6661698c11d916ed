package api

import (
	"cmp"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/notify"
	"example.net/standwatch/store"
)

// Explanation is the answer to GET /alarms/{id}/explanation: everything that
// the journal has about the newest episode, oldest first.
type Explanation struct {
	Alarm correlate.AlarmID `json:"alarm"`
	Steps []Step            `json:"step"`
}

// Step is one thing that came in, was decided, or was said. What is one of
// "came", "rule", "decided", "told", "answer".
type Step struct {
	Time time.Time     `json:"time"`
	Seq  correlate.Seq `json:"seq,omitempty"`
	What string        `json:"what"`
	Text string        `json:"text"`
}

// explained bounds the records that are read for one explanation.
const explained = 1000

func (s *server) explanation(w http.ResponseWriter, r *http.Request) error {
	if p := params(r); p.err != nil {
		return p.err
	}
	key, err := s.alarmKey(r)
	if err != nil {
		return err
	}
	out, err := ExplainOn(s.Board, s.Journal, key, s.Zone)
	if err != nil {
		return err
	}
	return writeJSON(w, out)
}

// Explain explains an alarm from a journal and the state it folds to. It
// returns [ErrNoSuchAlarm] when the alarm never rose.
func Explain(history func(store.Query) (store.Page, error), st *correlate.State, key correlate.Key, zone *time.Location) (Explanation, error) {
	if a := st.Alarms[key]; a == nil || a.Episodes == 0 {
		return Explanation{}, ErrNoSuchAlarm
	}
	return explain(history, viewOf(st, key), key, zone)
}

// explainView is what of the state an explanation needs.
type explainView struct {
	since    time.Time            // when the newest episode began
	messages []*correlate.Message // digests that tell of it
}

func viewOf(st *correlate.State, key correlate.Key) (v explainView) {
	if a := st.Alarms[key]; a != nil {
		v.since = a.Raised
	}
	o := st.CallOuts[st.ByAlarm[key]]
	if o == nil {
		return v
	}
	for _, t := range o.Told {
		if m := st.Messages[t.Message]; m != nil && len(m.Covers) > 0 && m.Key != key {
			v.messages = append(v.messages, m.Clone())
		}
	}
	return v
}

// before is how long before the episode its beginnings may lie: a condition
// that had to hold, a cause that might still show.
const before = 15 * time.Minute

func explain(history func(store.Query) (store.Page, error), v explainView, key correlate.Key, zone *time.Location) (Explanation, error) {
	page, err := history(store.Query{Site: key.Site, Point: key.Point, Instance: key.Instance, From: v.since.Add(-before), Limit: explained})
	if err != nil {
		return Explanation{}, fmt.Errorf("read the journal of %s: %w", key, err)
	}
	out := Explanation{Alarm: key.ID(), Steps: []Step{}}
	for _, rec := range slices.Backward(page.Records) {
		out.Steps = append(out.Steps, stepsOf(rec, key, zone)...)
	}
	for _, m := range v.messages {
		add := func(at time.Time, text string) {
			out.Steps = append(out.Steps, Step{Time: in(zone, at), What: "told", Text: text})
		}
		add(m.Queued, fmt.Sprintf("digest of %d for %s over %s to %s: %s", len(m.Covers), m.Person, m.Channel, m.Address, oneLine(notify.Unlinked(m.Body))))
		for _, a := range m.Attempts {
			add(a.At, fmt.Sprintf("digest %s, %s: %s", m.ID, a.Outcome, a.Answer))
		}
	}
	slices.SortStableFunc(out.Steps, func(a, b Step) int { return a.Time.Compare(b.Time) })
	return out, nil
}

func oneLine(text string) string {
	text = PlainText(text)
	if runes := []rune(text); len(runes) > 300 {
		return string(runes[:300]) + "..."
	}
	return text
}

// stepsOf says what one record has to do with an alarm.
func stepsOf(rec *correlate.Record, key correlate.Key, zone *time.Location) (out []Step) {
	add := func(what, text string) {
		out = append(out, Step{Time: in(zone, rec.At), Seq: rec.Seq, What: what, Text: strings.TrimSpace(text)})
	}
	var decided []Step
	for _, ev := range rec.Events {
		if ev.Subject() != key {
			continue
		}
		what, text := decision(ev, zone)
		decided = append(decided, Step{Time: in(zone, rec.At), Seq: rec.Seq, What: what, Text: text})
	}
	if len(decided) == 0 {
		return nil
	}
	switch input := rec.Input.(type) {
	case *correlate.Arrival:
		kind := map[bool]string{true: "inform", false: "trap"}[input.Inform]
		add("came", fmt.Sprintf("%s %s %s from %s (agent %s, listener %s)", kind, input.Version, input.TrapOID, input.From, cmp.Or(string(input.Agent), "unknown"), input.Listener))
		for _, o := range input.Observations {
			if o.Key == key {
				words := []string{o.What.String()}
				if o.Severity != 0 {
					words = append(words, o.Severity.String())
				}
				if o.Text != "" {
					words = append(words, o.Text)
				}
				add("rule", fmt.Sprintf("rule %s says: %s", o.Rule, strings.Join(words, ", ")))
			}
		}
	case *correlate.Notice:
		add("came", "found by this program itself ("+input.Source+")")
	case *correlate.Act:
		add("answer", fmt.Sprintf("%s by %s: %s", input.Actor, input.Via, input.Text))
	case *correlate.Reply:
		add("answer", fmt.Sprintf("%s over %s said: %s", input.Person, input.Gateway, cmp.Or(oneLine(notify.Unlinked(input.Text)), "pressed a button")))
	case *correlate.Tick:
		add("came", "a time had come")
	case *correlate.Reconfigure:
		add("came", "another configuration came into force")
	}
	return append(out, decided...)
}

// decision says one event in words.
func decision(ev correlate.Event, zone *time.Location) (what, text string) {
	switch e := ev.(type) {
	case *correlate.MessageQueued:
		m := e.Message
		return "told", fmt.Sprintf("message %s (%s) for %s over %s to %s: %s", m.ID, m.Purpose, m.Person, m.Channel, m.Address, oneLine(cmp.Or(m.Subject, notify.Unlinked(m.Body))))
	case *correlate.MessageTried:
		a := e.Attempt
		if a.Outcome == correlate.Handing {
			return "told", fmt.Sprintf("message %s is being handed over", e.Message)
		}
		doubt := ""
		if a.InDoubt {
			doubt = " (it may have been taken all the same)"
		}
		return "told", fmt.Sprintf("message %s, %s%s: the gateway said %q", e.Message, a.Outcome, doubt, a.Answer)
	case *correlate.MessageWithdrawn:
		return "told", fmt.Sprintf("message %s is no longer needed: %s", e.Message, e.Why)
	case *correlate.CallOutOpened:
		return "decided", "call-out " + string(e.CallOut.ID) + " by ladder " + e.CallOut.Ladder + ", code " + e.CallOut.Code
	case *correlate.RungReached:
		text = fmt.Sprintf("step %d of the ladder, round %d", e.Rung+1, e.Round+1)
		if e.Nobody != "" {
			text += ": nobody told, " + e.Nobody
		}
		if !e.Due.IsZero() {
			text += "; the next is due " + e.Due.In(zone).Format("15:04:05")
		}
		return "decided", text
	case *correlate.Acked:
		return "answer", "taken by " + e.Actor + " by " + e.Via
	case *correlate.Passed:
		return "answer", e.Actor + " said it is not for them, by " + e.Via
	case *correlate.Piled:
		return "told", fmt.Sprintf("put aside for the digest of %s at %s (%s)", e.Person, e.Due.In(zone).Format("15:04:05"), e.Why)
	}
	w := eventOf(ev, zone)
	parts := []string{w.Kind}
	if w.Severity != 0 {
		parts = append(parts, w.Severity.String())
	}
	for _, s := range []string{w.Text, w.Why} {
		if s != "" {
			parts = append(parts, s)
		}
	}
	if w.Operator != "" {
		parts = append(parts, "by "+w.Operator)
	}
	if !w.Until.IsZero() {
		parts = append(parts, "until "+w.Until.Format("Mon 15:04:05"))
	}
	return "decided", strings.Join(parts, ", ")
}

// WouldTell is the answer to GET /would-tell: who would be told if an alarm rose
// at a time and nobody took it.
type WouldTell struct {
	At        time.Time       `json:"at"`
	Site      string          `json:"site"`
	Point     string          `json:"point"`
	Severity  string          `json:"perceived-severity"`
	Route     string          `json:"route,omitempty"` // none: no route says anything
	BoardOnly bool            `json:"board-only,omitempty"`
	Ladder    string          `json:"ladder,omitempty"`
	Steps     []WouldTellStep `json:"step"`
	Ends      time.Time       `json:"ends,omitzero"`
	Then      string          `json:"then,omitempty"` // what follows when nobody has taken it by then
}

// WouldTellStep is one step of the ladder.
type WouldTellStep struct {
	At     time.Time       `json:"at"`
	Step   int             `json:"step"`
	Round  int             `json:"round"`
	Told   []WouldTellWhom `json:"told"`
	Nobody string          `json:"nobody,omitempty"`
}

// WouldTellWhom is one message.
type WouldTellWhom struct {
	Person  string    `json:"person"`
	Name    string    `json:"name"`
	Gateway string    `json:"gateway"`
	Address string    `json:"address"`
	At      time.Time `json:"at"`
}

func (s *server) wouldTell(w http.ResponseWriter, r *http.Request) error {
	p := params(r, "site", "point", "instance", "severity", "at")
	severity := p.severity()
	if p.err != nil {
		return p.err
	}
	at, err := Moment(p.text("at"), s.Now(), s.Zone)
	if err != nil {
		return problem(http.StatusBadRequest, "at: "+err.Error())
	}
	key := correlate.Key{Site: correlate.SiteID(p.text("site")), Point: correlate.PointID(p.text("point")), Instance: p.text("instance")}
	var out WouldTell
	s.Board.Read(func(_ *correlate.State, net *correlate.Network) {
		out, err = WouldTellOf(s.Plan(), net, key, severity, at)
	})
	if err != nil {
		return problem(http.StatusNotFound, err.Error())
	}
	return writeJSON(w, out)
}

// WouldTellOf works out who would be told; without a severity it is the
// point's own. It returns an error when there is no such point.
func WouldTellOf(plan *notify.Plan, net *correlate.Network, key correlate.Key, severity correlate.Severity, at time.Time) (WouldTell, error) {
	site, point := net.Site(key.Site), net.Point(key)
	switch {
	case site == nil:
		return WouldTell{}, fmt.Errorf("there is no site %q", key.Site)
	case point == nil:
		return WouldTell{}, fmt.Errorf("the site %s has no point %q", key.Site, key.Point)
	case point.Kind == correlate.Entry:
		return WouldTell{}, errors.New("a point of kind entry has events and never calls anybody")
	}
	severity = cmp.Or(severity, point.Severity, worstLimit(point))
	zone := at.Location()
	p := plan.Preview(key, severity, at)
	out := WouldTell{At: at, Site: string(key.Site), Point: string(key.Point), Severity: severity.String(), Route: p.Route, BoardOnly: p.BoardOnly, Ladder: p.Ladder,
		Steps: []WouldTellStep{}, Ends: in(zone, p.Ends), Then: p.Then}
	for _, step := range p.Steps {
		v := WouldTellStep{At: in(zone, step.At), Step: step.Step, Round: step.Round, Nobody: step.Nobody, Told: []WouldTellWhom{}}
		for _, t := range step.Told {
			v.Told = append(v.Told, WouldTellWhom{t.Person, t.Name, t.Channel, t.Address, in(zone, t.At)})
		}
		out.Steps = append(out.Steps, v)
	}
	return out, nil
}

func worstLimit(p *correlate.Point) (worst correlate.Severity) {
	for _, l := range []*correlate.Limit{p.Limits.LowLow, p.Limits.Low, p.Limits.High, p.Limits.HighHigh} {
		if l != nil {
			worst = max(worst, l.Severity)
		}
	}
	return worst
}

// Moment reads a time that somebody names: nothing is now, "03:00" the next
// three o'clock, "Sat 03:00" that of the next Saturday, "2026-12-24 18:00" by
// the clocks of zone, and RFC 3339.
func Moment(text string, now time.Time, zone *time.Location) (time.Time, error) {
	text = strings.TrimSpace(text)
	now = now.In(zone)
	if text == "" {
		return now, nil
	}
	if at, err := time.Parse(time.RFC3339, text); err == nil {
		return at.In(zone), nil
	}
	if at, err := time.ParseInLocation("2006-01-02 15:04", text, zone); err == nil {
		return at, nil
	}
	day, clock, found := strings.Cut(text, " ")
	if !found {
		day, clock = "", text
	}
	hour, err := time.Parse("15:04", strings.TrimSpace(clock))
	if err != nil {
		return time.Time{}, fmt.Errorf(`%q is no time; write it as "Sat 03:00", "03:00", "2026-12-24 18:00" or RFC 3339`, text)
	}
	for ahead := range 8 {
		at := time.Date(now.Year(), now.Month(), now.Day()+ahead, hour.Hour(), hour.Minute(), 0, 0, zone)
		if at.After(now) && (day == "" || strings.HasPrefix(strings.ToLower(at.Weekday().String()), strings.ToLower(day)) && len(day) >= 2) {
			return at, nil
		}
	}
	return time.Time{}, fmt.Errorf("%q is no day of the week", day)
}

// ExplainOn explains an alarm of a running master, as GET
// /alarms/{id}/explanation does.
func ExplainOn(board Board, journal Journal, key correlate.Key, zone *time.Location) (Explanation, error) {
	var view explainView
	board.Read(func(st *correlate.State, _ *correlate.Network) { view = viewOf(st, key) })
	return explain(journal.History, view, key, zone)
}
