package correlate

import (
	"slices"
	"strings"
	"time"
)

// Audit is what an agent answered when it was asked for its true state, or
// that it did not answer. Whoever asks hands in all it read; the journal keeps
// of the findings only those that something was decided about, since most of
// the time an agent says what is known already.
type Audit struct {
	Agent  AgentID       `cbor:"1,keyasint"`
	Why    string        `cbor:"2,keyasint,omitempty"` // what led to it: "schedule", "agent restarted", ...
	Actor  string        `cbor:"3,keyasint,omitempty"` // who asked, when somebody did
	Asked  time.Time     `cbor:"4,keyasint"`           // when the first question was sent
	Took   time.Duration `cbor:"5,keyasint,omitempty"` // until the last answer
	From   string        `cbor:"6,keyasint,omitempty"` // address:port that answered
	Secure string        `cbor:"7,keyasint,omitempty"` // version, and in v3 user and level; never a community
	// Uptime is sysUpTime.0 in 1/100 s as read at Asked.
	Uptime    uint32 `cbor:"8,keyasint,omitempty"`
	HasUptime bool   `cbor:"9,keyasint,omitempty"`

	Failure  string    `cbor:"10,keyasint,omitempty"` // why nothing was answered; empty when something was
	Trouble  []string  `cbor:"11,keyasint,omitempty"` // what could not be read or understood of the rest
	Read     int       `cbor:"12,keyasint,omitempty"` // findings before the journal's choice
	Findings []Finding `cbor:"13,keyasint,omitempty"`
	Absent   []Absence `cbor:"14,keyasint,omitempty"`
	Only     Key       `cbor:"15,keyasint,omitzero"` // the one point that was read, when not all was
}

// Finding is one fact that was read, with what it was read from.
type Finding struct {
	Observation Observation `cbor:"1,keyasint"` // What is Raise, Clear or Value
	Asked       time.Time   `cbor:"2,keyasint"` // when its question was sent
	OID         string      `cbor:"3,keyasint"` // dotted, of the value that decided
	Value       string      `cbor:"4,keyasint"` // as a person reads it
}

// Absence says that a table of the agent's alarms was read to its end: an alarm
// of the point that the agent reported and no finding names is over.
type Absence struct {
	Point PointID   `cbor:"1,keyasint"`
	Asked time.Time `cbor:"2,keyasint"` // when the first question for the table was sent
	OID   string    `cbor:"3,keyasint"` // dotted, of the table's column
}

// Audited says how asking an agent went. It is about no alarm.
type Audited struct {
	Agent   AgentID   `cbor:"1,keyasint"`
	Why     string    `cbor:"2,keyasint,omitempty"`
	Actor   string    `cbor:"3,keyasint,omitempty"`
	Asked   time.Time `cbor:"4,keyasint"`
	From    string    `cbor:"5,keyasint,omitempty"`
	Failure string    `cbor:"6,keyasint,omitempty"`
	Trouble string    `cbor:"7,keyasint,omitempty"` // the first of what could not be read
	Read    int       `cbor:"8,keyasint,omitempty"`
	Raised  int       `cbor:"9,keyasint,omitempty"`  // alarms that began, at once or after their delay
	Cleared int       `cbor:"10,keyasint,omitempty"` // and ended
	Late    int       `cbor:"11,keyasint,omitempty"` // answers that a newer report of the agent overtook
	Only    Key       `cbor:"12,keyasint,omitzero"`
}

// Kind returns the event's fixed number.
func (*Audited) Kind() EventKind { return 32 }

// Subject returns the zero Key: an audit is about an agent.
func (*Audited) Subject() Key { return Key{} }

// AuditState is what is known of asking an agent.
type AuditState struct {
	Agent    AgentID   `cbor:"1,keyasint"`
	Asked    time.Time `cbor:"2,keyasint"`          // the last time, of all that it is asked
	Answered time.Time `cbor:"3,keyasint,omitzero"` // Asked of the last one that was answered
	From     string    `cbor:"4,keyasint,omitempty"`
	Failure  string    `cbor:"5,keyasint,omitempty"` // of the last one; empty when it was answered
	Trouble  string    `cbor:"6,keyasint,omitempty"` // of the last answer
	Failures int       `cbor:"7,keyasint,omitempty"` // in a row
	Read     int       `cbor:"8,keyasint,omitempty"` // findings of the last answer
	Raised   int       `cbor:"9,keyasint,omitempty"` // alarms it raised and cleared
	Cleared  int       `cbor:"10,keyasint,omitempty"`
	Why      string    `cbor:"11,keyasint,omitempty"`
	Actor    string    `cbor:"12,keyasint,omitempty"`
	Failed   time.Time `cbor:"13,keyasint,omitzero"` // Asked of the last one that failed
}

// ignoredLate is the Why of an [Ignored] report that a newer one overtook.
const ignoredLate = "late"

// foldAudited notes how asking went. Reading a single point says nothing of
// the rest, so only its failure counts.
func (s *State) foldAudited(e *Audited) {
	a := s.Audits[e.Agent]
	if a == nil {
		a = &AuditState{Agent: e.Agent}
		s.Audits[e.Agent] = a
	}
	if !e.Only.IsZero() {
		return
	}
	a.Asked, a.Failure, a.Why, a.Actor = e.Asked, e.Failure, e.Why, e.Actor
	if e.Failure != "" {
		a.Failures++
		a.Failed = e.Asked
		return
	}
	a.Answered, a.From, a.Failures = e.Asked, e.From, 0
	a.Trouble, a.Read, a.Raised, a.Cleared = e.Trouble, e.Read, e.Raised, e.Cleared
}

// auditing is one audit in decision.
type auditing struct {
	*Engine
	in   *Audit
	out  Audited
	kept []Finding // that something was decided about
	gone []Absence
	said map[Key]bool // named by a finding
}

// audit compares what an agent says of itself with what is known of it.
func (e *Engine) audit(in *Audit) {
	agent := e.net.Agent(in.Agent)
	if agent == nil {
		return // taken out of the configuration while it was asked
	}
	kept := *in
	kept.Read, kept.Findings, kept.Absent = len(in.Findings), nil, nil
	kept.HasUptime = in.HasUptime && e.sameClock(in)
	e.r.Input = &kept
	a := &auditing{Engine: e, in: in, said: make(map[Key]bool, len(in.Findings))}
	a.out = Audited{Agent: in.Agent, Why: in.Why, Actor: in.Actor, Asked: in.Asked, From: in.From, Failure: in.Failure, Read: kept.Read, Only: in.Only}
	if len(in.Trouble) > 0 {
		a.out.Trouble = in.Trouble[0]
	}
	if in.Failure != "" {
		e.unanswered(agent, in)
	} else {
		e.answered(agent, in)
		for i := range in.Findings {
			a.finding(&in.Findings[i])
		}
		for i := range in.Absent {
			a.absent(agent, &in.Absent[i])
		}
	}
	kept.Findings, kept.Absent = a.kept, a.gone
	e.emit(&a.out)
}

// clockSlack (in 1/100 s) is how far the uptime that was read may be from what
// the agent's last trap makes of it, for both to be of one clock. A subagent or
// a proxy may send its own uptime in traps; comparing the two would take new
// traps for old ones.
const clockSlack = 500

// sameClock reports whether the uptime that was read continues that of the
// agent's traps.
func (e *Engine) sameClock(in *Audit) bool {
	known := e.st.Agents[in.Agent]
	if known == nil || known.Uptime == 0 {
		return false
	}
	elapsed := in.Asked.Sub(known.Heard).Milliseconds() / 10
	drift := int64(int32(in.Uptime - known.Uptime - uint32(elapsed)))
	return drift > -clockSlack && drift < clockSlack
}

// unanswered decides about an agent that did not answer. Nothing but its own
// alive point can change, and that only if it owes no sign of life: of one that
// does, its traps tell whether it lives.
func (e *Engine) unanswered(agent *Agent, in *Audit) {
	k := agent.AliveKey()
	p := e.net.Point(k)
	if p == nil || agent.Heartbeat > 0 || !in.Only.IsZero() {
		return
	}
	if a := e.st.Alarms[k]; a != nil && a.Condition || e.heardLately(in) {
		return
	}
	text := p.AlarmWord
	if text == "" {
		text = "Silent"
	}
	e.conditionCame(k, p, rise{Text: text + ": it does not answer when asked (" + in.Failure + ")", Since: e.r.At, Audit: true})
}

// heardLately reports whether an agent that did not answer has sent something
// since it was asked before, or since the master began to watch: it lives, and
// only its answers do not arrive.
func (e *Engine) heardLately(in *Audit) bool {
	since := e.st.Started
	if a := e.st.Audits[in.Agent]; a != nil && a.Asked.After(since) {
		since = a.Asked
	}
	known := e.st.Agents[in.Agent]
	return known != nil && known.Heard.After(since)
}

// answersThough is added to the text of a silence whose agent answers.
const answersThough = "; it answers when asked"

// answered decides about an agent that answered. That it does is a sign of life
// of one that owes none. Of one that owes traps it says that the way of its
// traps is cut, so its silence stands.
func (e *Engine) answered(agent *Agent, in *Audit) {
	k := agent.AliveKey()
	a, p := e.st.Alarms[k], e.net.Point(k)
	switch {
	case a == nil || p == nil || !a.Standing && a.Wait == nil:
	case agent.Heartbeat == 0 && (a.Condition || !a.Flapping):
		e.conditionWent(k, p, "", true)
	case agent.Heartbeat > 0 && a.Standing && !strings.HasSuffix(a.Text, answersThough) && a.Raised.Before(in.Asked):
		e.emit(&Repeated{On: On{k}, Text: a.Text + answersThough})
	}
}

// late reports whether the agent has spoken of the point since it was asked:
// what it said then is newer than this answer.
func (e *Engine) late(k Key, asked time.Time) bool {
	a := e.st.Alarms[k]
	if a == nil {
		at, spoken := e.spoken[k]
		return asked.Before(e.born) || (spoken && !at.Before(asked))
	}
	return !a.Order.At.Before(asked)
}

// finding decides about one fact.
func (a *auditing) finding(f *Finding) {
	o := f.Observation
	k := o.Key
	a.said[k] = true
	p := a.net.Point(k)
	if p == nil {
		return
	}
	before := len(a.r.Events)
	o.Audit = true
	switch o.What {
	case Raise, Clear:
		a.condition(p, &o, f.Asked)
	case Value:
		if r := a.st.Readings[k]; r == nil || r.At.Before(f.Asked) {
			a.measure(&o, p, nil)
		}
	}
	if len(a.r.Events) > before {
		a.kept = append(a.kept, *f)
		a.count(before)
	}
}

// condition compares what was read of a condition with what is known. What
// agrees is passed over: an audit that confirms is no repeat of the alarm.
func (a *auditing) condition(p *Point, o *Observation, asked time.Time) {
	k := o.Key
	known := a.st.Alarms[k]
	there := known != nil && (known.Standing && known.Condition && (known.Wait == nil || known.Wait.What != Clear) ||
		known.Wait != nil && known.Wait.What == Raise)
	worse := there && o.What == Raise && o.Severity != 0 && known.Standing && known.Severity != o.Severity
	switch {
	case there == (o.What == Raise) && !worse:
	case a.late(k, asked):
		a.out.Late++
		a.emit(&Ignored{On: On{k}, What: o.What, Why: ignoredLate})
	case o.What == Raise:
		a.conditionCame(k, p, rise{Severity: o.Severity, Text: o.Text, Since: a.r.At, Audit: true})
	default:
		a.conditionWent(k, p, o.Text, true)
	}
}

// absent clears the alarms of a point that the agent reported and its table of
// alarms no longer has.
func (a *auditing) absent(agent *Agent, gone *Absence) {
	before := len(a.r.Events)
	// conditionWent may index further alarms while the list is walked.
	for _, k := range slices.Clone(a.instances[pointKey{agent.Site, gone.Point}]) {
		known, p := a.st.Alarms[k], a.net.Point(k)
		if a.said[k] || p == nil || known.Agent != "" && known.Agent != agent.ID || isBeside(k.Instance) {
			continue
		}
		a.condition(p, &Observation{Key: k, What: Clear}, gone.Asked)
	}
	if len(a.r.Events) > before {
		a.gone = append(a.gone, *gone)
		a.count(before)
	}
}

// count adds up what the events since before did.
func (a *auditing) count(before int) {
	for _, ev := range a.r.Events[before:] {
		switch ev := ev.(type) {
		case *Raised:
			a.out.Raised++
		case *AlarmCleared:
			a.out.Cleared++
		case *Pending:
			if ev.What == Raise {
				a.out.Raised++
			} else {
				a.out.Cleared++
			}
		case *FlapTurned:
			if ev.Standing {
				a.out.Raised++
			} else {
				a.out.Cleared++
			}
		}
	}
}

// Bounds of what is remembered of clears for what never stood. An audit takes
// minutes at most.
const (
	spokenMost = 50_000
	spokenFor  = 10 * time.Minute
)

// remember notes that an agent spoke of a point that has no alarm, so that an
// older answer does not overturn it.
func (e *Engine) remember(k Key) {
	if e.st.find(k) != nil {
		return
	}
	if len(e.spoken) >= spokenMost {
		for old, at := range e.spoken {
			if e.r.At.Sub(at) > spokenFor {
				delete(e.spoken, old)
			}
		}
		if len(e.spoken) >= spokenMost {
			clear(e.spoken)
			e.born = e.r.At // answers to older questions count as late
		}
	}
	e.spoken[k] = e.r.At
}
