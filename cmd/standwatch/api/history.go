package api

import (
	"fmt"
	"math"
	"net/http"
	"time"

	"example.net/standwatch/correlate"
)

// HistoryPage is the answer to GET /history: records newest first. Next is the
// "before" of the page that follows and is absent on the last one.
type HistoryPage struct {
	Records []Record      `json:"record"`
	Next    correlate.Seq `json:"next,omitempty"`
}

// Record is one journal record.
type Record struct {
	Seq    correlate.Seq `json:"seq"`
	Time   time.Time     `json:"time"`
	Input  Input         `json:"input"`
	Events []Event       `json:"event"`
	// ClockBack is by how many seconds the clock was set back just before, as
	// far as the page shows it; see [ClockBack].
	ClockBack float64 `json:"clock-back,omitempty"`
	Alarms    []Alarm `json:"alarm,omitempty"` // in the stream: the alarms concerned, as they are when it is sent
}

// Input says what came in. Kind is arrival, notice, act, tick, start,
// reconfigure, access, delivery, reply, roster, set-silence or end-silence; the other fields are set as
// they apply.
type Input struct {
	Kind      string              `json:"kind"`
	From      string              `json:"from,omitempty"`
	Listener  string              `json:"listener,omitempty"`
	Version   string              `json:"version,omitempty"`
	Security  string              `json:"security,omitempty"`
	Inform    bool                `json:"inform,omitempty"`
	Agent     correlate.AgentID   `json:"agent,omitempty"`
	TrapOID   string              `json:"trap-oid,omitempty"`
	Unmatched string              `json:"unmatched,omitempty"`
	RunAgain  correlate.Seq       `json:"run-again,omitempty"`
	Came      time.Time           `json:"came,omitzero"` // when the record that is run again came
	Rules     []string            `json:"rule,omitempty"`
	Source    string              `json:"source,omitempty"`
	Operator  string              `json:"operator,omitempty"`
	Via       string              `json:"via,omitempty"`
	Text      string              `json:"text,omitempty"`
	Message   correlate.MessageID `json:"message,omitempty"`
	Outcome   string              `json:"outcome,omitempty"`
}

// Event is one decision. Fields are set as they apply.
type Event struct {
	Kind     string             `json:"kind"`
	Alarm    correlate.AlarmID  `json:"alarm,omitempty"`
	Site     correlate.SiteID   `json:"site,omitempty"`
	Point    correlate.PointID  `json:"point,omitempty"`
	Instance string             `json:"instance,omitempty"`
	Severity correlate.Severity `json:"perceived-severity,omitzero"`
	Text     string             `json:"alarm-text,omitempty"`
	Operator string             `json:"operator,omitempty"`
	Why      string             `json:"why,omitempty"`
	Value    *float64           `json:"value,omitempty"`
	Until    time.Time          `json:"until,omitzero"`
	Message  string             `json:"message,omitempty"`
	Account  string             `json:"account,omitempty"` // of the console
	Times    int                `json:"times,omitempty"`   // refused logins by now; alarms in a flood

	Silence correlate.SilenceID `json:"silence,omitempty"`
}

// MaxPage bounds the records of one page of history.
const MaxPage = 1000

func (s *server) history(w http.ResponseWriter, r *http.Request) error {
	p := params(r, append(historyParams(), "limit")...)
	q := s.historyQuery(p)
	q.Limit = int(p.number("limit", 1, MaxPage, 100))
	if p.err != nil {
		return p.err
	}
	page, err := s.Journal.History(q)
	if err != nil {
		return fmt.Errorf("read history: %w", err)
	}
	out := HistoryPage{Records: []Record{}, Next: page.Next}
	for i, rec := range page.Records {
		out.Records = append(out.Records, RecordOf(rec, s.Zone))
		out.Records[i].ClockBack = ClockBack(page.Records, i).Seconds()
	}
	return writeJSON(w, out)
}

// RecordOf returns the wire form of a record, with all times in zone.
func RecordOf(r *correlate.Record, zone *time.Location) Record {
	out := Record{Seq: r.Seq, Time: in(zone, r.At), Input: inputOf(r.Input), Events: []Event{}}
	for _, ev := range r.Events {
		out.Events = append(out.Events, eventOf(ev, zone))
	}
	return out
}

func inputOf(input correlate.Input) Input {
	switch in := input.(type) {
	case *correlate.Arrival:
		out := Input{Kind: "arrival", From: in.From, Listener: in.Listener, Version: in.Version, Security: in.Security, Inform: in.Inform,
			Agent: in.Agent, TrapOID: in.TrapOID, Unmatched: in.Unmatched, RunAgain: in.RunAgain, Came: in.Came}
		for _, o := range in.Observations {
			out.Rules = append(out.Rules, o.Rule)
		}
		return out
	case *correlate.Notice:
		return Input{Kind: "notice", Source: in.Source}
	case *correlate.Audit:
		return Input{Kind: "audit", From: in.From, Security: in.Secure, Agent: in.Agent, Operator: in.Actor, Source: in.Why, Text: in.Failure}
	case *correlate.Act:
		return Input{Kind: "act", Operator: in.Actor, Via: in.Via, Text: in.Text}
	case *correlate.Tick:
		return Input{Kind: "tick"}
	case *correlate.Start:
		return Input{Kind: "start", Text: in.Version, Source: in.Host}
	case *correlate.Reconfigure:
		return Input{Kind: "reconfigure", Operator: in.Actor, Text: in.Summary}
	case *correlate.Access:
		return Input{Kind: "access", Operator: in.Actor, Via: in.Via, From: in.From, Text: in.Text}
	case *correlate.Delivery:
		return Input{Kind: "delivery", Message: in.Message, Outcome: in.Outcome.String(), Text: in.Answer}
	}
	return silenceInput(input)
}

func eventOf(ev correlate.Event, zone *time.Location) Event {
	k := ev.Subject()
	out := Event{Kind: correlate.EventKinds[ev.Kind()].Word, Site: k.Site, Point: k.Point, Instance: k.Instance}
	if k.Point != "" {
		out.Alarm = k.ID()
	}
	switch e := ev.(type) {
	case *correlate.Raised:
		out.Severity, out.Text = e.Severity, e.Text
	case *correlate.Repeated:
		out.Text = e.Text
	case *correlate.Changed:
		out.Severity, out.Text = e.Severity, e.Text
		if e.Configured {
			out.Why = "configuration"
		}
	case *correlate.AlarmCleared:
		out.Severity, out.Text = correlate.Cleared, e.Text
	case *correlate.Acked:
		out.Operator, out.Text = e.Actor, e.Text
	case *correlate.Noted:
		out.Operator, out.Text = e.Actor, e.Text
	case *correlate.Shelved:
		out.Operator, out.Why, out.Until = e.Actor, e.Reason, in(zone, e.Until)
	case *correlate.Unshelved:
		out.Operator = e.Actor
	case *correlate.Explained:
		out.Why = e.By.String()
	case *correlate.Unexplained:
		out.Until = in(zone, e.Until)
	case *correlate.Held:
		out.Why, out.Until = e.Why, in(zone, e.Until)
	case *correlate.Pending:
		out.Why, out.Until, out.Severity, out.Text = e.What.String(), in(zone, e.Due), e.Severity, e.Text
	case *correlate.Announced:
		out.Why = e.Why
	case *correlate.Withdrawn:
		out.Why = e.Why
	case *correlate.Measured:
		out.Why = e.Level
		if !math.IsNaN(e.Value) && !math.IsInf(e.Value, 0) {
			out.Value = &e.Value
		}
	case *correlate.Occurred:
		out.Severity, out.Text = e.Severity, e.Text
	case *correlate.Ignored:
		out.Why = e.Why
	case *correlate.Refused:
		out.Why = e.Why
	case *correlate.Closed:
		out.Why = e.Why
	case *correlate.Audited:
		out.Operator, out.Why, out.Text = e.Actor, e.Why, AuditedText(e)
	default:
		callOutEvent(&out, ev, zone)
	}
	return out
}

func callOutEvent(out *Event, ev correlate.Event, zone *time.Location) {
	switch e := ev.(type) {
	case *correlate.Passed, *correlate.StandInSet, *correlate.StandInEnded, *correlate.Piled, *correlate.PileEmptied, *correlate.Proved:
		dutyEvent(out, ev, zone)
	case *correlate.RungReached:
		out.Why, out.Until = e.Nobody, in(zone, e.Due)
	case *correlate.MessageQueued:
		out.Message, out.Operator, out.Text = string(e.Message.ID), e.Message.Person, e.Message.Purpose
	case *correlate.CallOutEnded:
		out.Why, out.Operator = e.State.String(), e.By
	case *correlate.MessageTried:
		out.Message, out.Why, out.Text = string(e.Message), e.State.String(), e.Attempt.Answer
	case *correlate.MessageWithdrawn:
		out.Message, out.Why = string(e.Message), e.Why
	default:
		accessEvent(out, ev)
		silenceEvent(out, ev, zone)
	}
}
