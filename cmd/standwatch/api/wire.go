package api

import (
	"cmp"
	"math"
	"slices"
	"strings"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/notify"
)

// TypeID is the alarm-type-id of every alarm (RFC 8632 section 4.1). What the
// alarm is about is configured, not compiled, so the point is the qualifier,
// as in the RFC's appendix B.
const TypeID = "standwatch:point-alarm"

// AlarmList is the answer to GET /alarms.
type AlarmList struct {
	Number      int       `json:"number-of-alarms"`
	LastChanged time.Time `json:"last-changed,omitzero"`
	Alarms      []Alarm   `json:"alarm"`
}

// Alarm is one alarm as the API shows it. The first block is RFC 8632's.
type Alarm struct {
	Resource        string             `json:"resource"` // site, or site/instance
	TypeID          string             `json:"alarm-type-id"`
	TypeQualifier   string             `json:"alarm-type-qualifier"`
	RootCause       []string           `json:"root-cause-resource,omitempty"`
	TimeCreated     time.Time          `json:"time-created"`
	IsCleared       bool               `json:"is-cleared"`
	LastRaised      time.Time          `json:"last-raised"`
	LastChanged     time.Time          `json:"last-changed"`
	Severity        correlate.Severity `json:"perceived-severity"`
	Text            string             `json:"alarm-text"`
	StatusChanges   []StatusChange     `json:"status-change,omitempty"`
	OperatorChanges []OperatorChange   `json:"operator-state-change,omitempty"`

	ID           correlate.AlarmID   `json:"id"`
	Site         correlate.SiteID    `json:"site"`
	SiteName     string              `json:"site-name,omitempty"`
	Point        correlate.PointID   `json:"point"`
	PointName    string              `json:"point-name,omitempty"`
	Instance     string              `json:"instance,omitempty"`
	Kind         string              `json:"point-kind,omitempty"`
	Cause        string              `json:"probable-cause,omitempty"`
	Acknowledged bool                `json:"acknowledged"`
	AckBy        string              `json:"acknowledged-by,omitempty"`
	AckVia       string              `json:"acknowledged-via,omitempty"`
	AckAt        time.Time           `json:"acknowledged-at,omitzero"`
	LastCleared  time.Time           `json:"last-cleared,omitzero"`
	LastSeen     time.Time           `json:"last-seen,omitzero"`
	Repeats      int                 `json:"repeats"`
	Episodes     int                 `json:"episodes"`
	Latched      bool                `json:"latched,omitempty"`
	Flapping     bool                `json:"flapping,omitempty"`
	FlapCount    int                 `json:"flap-count,omitempty"`
	Audit        bool                `json:"found-by-audit,omitempty"`
	Announced    bool                `json:"announced"`
	HeldUntil    time.Time           `json:"held-until,omitzero"`
	HeldWhy      string              `json:"held-why,omitempty"`
	Shelf        *Shelf              `json:"shelf,omitempty"`
	Suppressed   *Suppressed         `json:"suppressed,omitempty"`
	Measure      *Measure            `json:"measure,omitempty"`
	InFlood      bool                `json:"told-in-flood,omitempty"`
	OverCut      int                 `json:"flap-counted,omitempty"` // rises above the cut that were not acted on
	Agent        correlate.AgentID   `json:"reported-by,omitempty"`
	ExplainedBy  correlate.AlarmID   `json:"explained-by,omitempty"`
	Explains     []correlate.AlarmID `json:"explains,omitempty"`
	CallOut      *CallOut            `json:"call-out,omitempty"`
	Instructions string              `json:"instructions,omitempty"`
	Caution      string              `json:"caution,omitempty"`
	Seq          correlate.Seq       `json:"seq"` // of the newest record that changed it
}

// StatusChange is RFC 8632's status-change; cleared is a severity here.
type StatusChange struct {
	Time     time.Time          `json:"time"`
	Severity correlate.Severity `json:"perceived-severity"`
	Text     string             `json:"alarm-text"`
	Seq      correlate.Seq      `json:"seq"`
}

// OperatorChange is RFC 8632's operator-state-change. State is one of its
// words (ack, shelved, un-shelved), or our "note".
type OperatorChange struct {
	Time     time.Time     `json:"time"`
	Operator string        `json:"operator"`
	State    string        `json:"state"`
	Text     string        `json:"text,omitempty"`
	Via      string        `json:"via,omitempty"`
	Seq      correlate.Seq `json:"seq"`
}

// Shelf says who put an alarm aside.
type Shelf struct {
	By     string    `json:"by"`
	Reason string    `json:"reason"`
	Since  time.Time `json:"since"`
	Until  time.Time `json:"until"`
}

// Suppressed says which silence an alarm is under.
type Suppressed struct {
	By    correlate.SilenceID `json:"by"`
	Kind  string              `json:"kind"` // maintenance or out-of-service
	Since time.Time           `json:"since"`
	Until time.Time           `json:"until"`
}

// Measure is what was measured, beside the limit that it passed.
type Measure struct {
	Value *float64 `json:"value,omitempty"` // not there when it was no number
	Limit float64  `json:"limit"`
	Level string   `json:"level"`
	Unit  string   `json:"unit,omitempty"`
}

// CallOut is the newest effort to get a person to take the alarm.
type CallOut struct {
	ID       correlate.CallOutID `json:"id"`
	State    string              `json:"state"`
	Ladder   string              `json:"ladder"`
	Rung     int                 `json:"rung"` // from 0; -1 before the first
	Round    int                 `json:"round"`
	Opened   time.Time           `json:"opened"`
	NextDue  time.Time           `json:"next-due,omitzero"`
	TakenBy  string              `json:"taken-by,omitempty"`
	Messages []Message           `json:"message,omitempty"`
}

// Message is one text for one person over one gateway.
type Message struct {
	ID        correlate.MessageID `json:"id"`
	Alarm     correlate.AlarmID   `json:"alarm"`
	CallOut   correlate.CallOutID `json:"call-out,omitempty"`
	Purpose   string              `json:"purpose"`
	Person    string              `json:"person"`
	Gateway   string              `json:"gateway"`
	Address   string              `json:"address"`
	Subject   string              `json:"subject,omitempty"`
	Body      string              `json:"body"`
	State     string              `json:"state"`
	Queued    time.Time           `json:"queued"`
	NotBefore time.Time           `json:"not-before,omitzero"`
	GiveUp    time.Time           `json:"give-up,omitzero"`
	Attempts  []Attempt           `json:"attempt,omitempty"`
}

// Attempt is one try with the gateway's answer.
type Attempt struct {
	Time      time.Time `json:"time"`
	Outcome   string    `json:"outcome"`
	Answer    string    `json:"answer,omitempty"`
	GatewayID string    `json:"gateway-id,omitempty"`
}

// AlarmOf returns the wire form of an alarm, with all times in zone.
func AlarmOf(st *correlate.State, net *correlate.Network, a *correlate.Alarm, zone *time.Location) Alarm {
	out := briefOf(net, a, zone)
	for _, c := range a.StatusChanges {
		out.StatusChanges = append(out.StatusChanges, StatusChange{in(zone, c.At), c.Severity, c.Text, c.Seq})
	}
	for _, c := range a.OperatorChanges {
		out.OperatorChanges = append(out.OperatorChanges, OperatorChange{in(zone, c.At), c.By, c.State, c.Text, c.Via, c.Seq})
	}
	return out
}

// briefOf is AlarmOf without the lists of past changes, which are most of it.
func briefOf(net *correlate.Network, a *correlate.Alarm, zone *time.Location) Alarm {
	k := a.Key
	out := Alarm{
		Resource: resource(k), TypeID: TypeID, TypeQualifier: string(k.Point),
		TimeCreated: in(zone, a.Created), IsCleared: !a.Standing, LastRaised: in(zone, a.Raised), LastChanged: in(zone, a.Changed),
		Severity: a.Severity, Text: a.Text,
		ID: k.ID(), Site: k.Site, Point: k.Point, Instance: k.Instance,
		Acknowledged: a.Acknowledged, AckBy: a.AckBy, AckVia: a.AckVia, AckAt: in(zone, a.AckAt),
		LastCleared: in(zone, a.Cleared), LastSeen: in(zone, a.LastSeen), Repeats: a.Repeats, Episodes: a.Episodes,
		Latched: a.Latched, Flapping: a.Flapping, FlapCount: a.FlapCount, Audit: a.Audit,
		Announced: a.Announced, HeldUntil: in(zone, a.HeldUntil), HeldWhy: a.HeldWhy, Seq: a.LastSeq,
	}
	if s := a.Shelf; s != nil {
		out.Shelf = &Shelf{s.By, s.Reason, in(zone, s.Since), in(zone, s.Until)}
	}
	if s := a.Suppressed; s != nil {
		out.Suppressed = &Suppressed{s.By, s.Kind.String(), in(zone, s.Since), in(zone, s.Until)}
	}
	if m := a.Measure; m != nil {
		out.Measure = &Measure{Limit: m.Limit, Level: m.Level, Unit: m.Unit}
		if !math.IsNaN(m.Value) && !math.IsInf(m.Value, 0) {
			v := m.Value
			out.Measure.Value = &v
		}
	}
	out.InFlood, out.OverCut, out.Agent = a.Flood, a.OverCut, a.Agent
	if !a.Cause.IsZero() {
		out.ExplainedBy = a.Cause.ID()
		out.RootCause = []string{resource(a.Cause)}
	}
	out.describe(net, k)
	return out
}

func (a *Alarm) describe(net *correlate.Network, k correlate.Key) {
	site := net.Site(k.Site)
	if site == nil {
		return
	}
	a.SiteName, a.Caution = site.Name, site.Caution
	if p := net.Point(k); p != nil {
		a.PointName, a.Kind, a.Cause, a.Instructions = p.Name, p.Kind.String(), p.Cause, p.Instructions
		a.Caution = strings.TrimSpace(p.Caution + " " + site.Caution)
	}
}

// detail adds what only the answer for one alarm carries.
func (a *Alarm) detail(st *correlate.State, k correlate.Key, zone *time.Location) {
	for _, c := range st.Consequences(k) {
		a.Explains = append(a.Explains, c.Key.ID())
	}
	c := st.CallOuts[st.ByAlarm[k]]
	if c == nil {
		return
	}
	a.CallOut = &CallOut{ID: c.ID, State: c.State.String(), Ladder: c.Ladder, Rung: c.Rung, Round: c.Round,
		Opened: in(zone, c.Opened), NextDue: in(zone, c.Due), TakenBy: c.TakenBy}
	for _, t := range c.Told {
		if m := st.Messages[t.Message]; m != nil {
			a.CallOut.Messages = append(a.CallOut.Messages, messageOf(m, zone))
		}
	}
}

func messageOf(m *correlate.Message, zone *time.Location) Message {
	out := Message{ID: m.ID, Alarm: m.Key.ID(), CallOut: m.CallOut, Purpose: m.Purpose, Person: m.Person, Gateway: m.Channel,
		Address: m.Address, Subject: m.Subject, Body: notify.Unlinked(m.Body), State: m.State.String(),
		Queued: in(zone, m.Queued), NotBefore: in(zone, m.NotBefore), GiveUp: in(zone, m.GiveUp)}
	for _, t := range m.Attempts {
		out.Attempts = append(out.Attempts, Attempt{in(zone, t.At), t.Outcome.String(), t.Answer, t.GatewayID})
	}
	return out
}

// resource names what is faulty (RFC 8632 allows a string): the site, with the
// instance after a slash, which no site ID contains.
func resource(k correlate.Key) string {
	if k.Instance == "" {
		return string(k.Site)
	}
	return string(k.Site) + "/" + k.Instance
}

func in(zone *time.Location, t time.Time) time.Time {
	if t.IsZero() {
		return t
	}
	return t.In(zone)
}

// WorstFirst orders alarms by severity, untaken before taken, then oldest first.
func WorstFirst(a, b *correlate.Alarm) int {
	taken := func(a *correlate.Alarm) int {
		if a.Acknowledged {
			return 1
		}
		return 0
	}
	return cmp.Or(cmp.Compare(b.Severity, a.Severity), cmp.Compare(taken(a), taken(b)), a.Raised.Compare(b.Raised), a.Key.Compare(b.Key))
}

func sortedAlarms(st *correlate.State, keep func(*correlate.Alarm) bool) []*correlate.Alarm {
	var out []*correlate.Alarm
	for _, a := range st.Alarms {
		if a.Episodes > 0 && keep(a) {
			out = append(out, a)
		}
	}
	slices.SortFunc(out, WorstFirst)
	return out
}
