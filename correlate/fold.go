package correlate

import (
	"cmp"
	"fmt"
	"slices"
	"time"
)

// keepSettled is how long a settled message and an ended call-out stay in
// state, for the outbox page and for deciding who must hear of a clear. The
// journal keeps them for ever.
const keepSettled = 48 * time.Hour

// Fold applies one journal record. Records must come in order of Seq.
func (s *State) Fold(r *Record) {
	s.Begin(r)
	for _, ev := range r.Events {
		s.FoldEvent(r, ev)
	}
}

// Begin applies what a record's input changes by having arrived at all: the
// position in the journal, and when an agent was last heard.
func (s *State) Begin(r *Record) {
	s.Seq, s.At = r.Seq, r.At
	switch in := r.Input.(type) {
	case *Start:
		s.Started, s.Hash = r.At, in.Hash
	case *Reconfigure:
		s.Hash = in.Hash
	case *Arrival:
		s.foldArrival(r, in)
	}
	if _, tick := r.Input.(*Tick); !tick {
		s.forget(r.At)
	}
}

func (s *State) foldArrival(r *Record, in *Arrival) {
	if len(in.EngineID) > 0 && in.Version == "v3" && in.RunAgain == 0 {
		s.foldClock(r.At, in)
	}
	if in.Agent == "" || in.RunAgain != 0 {
		return
	}
	agent := s.Agents[in.Agent]
	if agent == nil {
		agent = &AgentState{ID: in.Agent}
		s.Agents[in.Agent] = agent
	}
	agent.heard(s.pathOf(in.From), r.At)
	agent.From = in.From
	agent.Arrivals++
	if in.HasUptime {
		agent.Uptime = in.Uptime
	}
}

func (s *State) foldClock(at time.Time, in *Arrival) {
	c := s.Engines[string(in.EngineID)]
	if c == nil {
		c = &EngineClock{EngineID: slices.Clone(in.EngineID)}
		s.Engines[string(in.EngineID)] = c
	}
	if in.Boots > c.Boots || (in.Boots == c.Boots && in.EngineTime >= c.Time) {
		c.Boots, c.Time, c.At = in.Boots, in.EngineTime, at
	}
}

// alarm returns the alarm of a key, made if it is not there.
func (s *State) alarm(k Key, at time.Time) *Alarm {
	a := s.find(k)
	if a == nil {
		a = &Alarm{Key: k, Created: at, Changed: at}
		s.Alarms[k], s.last = a, a
	}
	return a
}

// FoldEvent applies one event of record r. The caller has called Begin for r.
func (s *State) FoldEvent(r *Record, ev Event) {
	switch e := ev.(type) {
	case *CallOutOpened, *RungReached, *MessageQueued, *CallOutEnded, *MessageTried, *MessageWithdrawn:
		s.foldCallOut(r, ev)
	case *Passed, *StandInSet, *StandInEnded, *Piled, *PileEmptied, *Proved:
		s.foldDuty(r, ev)
	case *Measured:
		s.foldMeasured(r, e)
	case *Computed:
		s.foldComputed(r, e)
	case *SilenceSet, *SilenceBegan, *SilenceEnded:
		s.foldSilence(ev)
	case *Occurred:
		if at := r.OwnTime(); at.Equal(r.At) || at.After(s.Events[e.Key]) {
			s.Events[e.Key] = at
		}
	case *FloodBegan:
		s.Flood.Since, s.Flood.Count, s.Flood.Told = r.At, e.Count, nil
	case *FloodEnded:
		s.Flood.Since, s.Flood.Count, s.Flood.Told = time.Time{}, 0, nil
	case *ShiftBegan, *HandedOver, *HandoverRead:
		s.foldShift(r, ev)
	case *Refused:
	case *Noted:
		if e.Key.Point != "" {
			s.foldAlarm(r, ev)
		}
	case *AccountChanged, *SessionChanged, *LoginRefused, *Configured:
		// The audit trail tells of them; the state does not depend on them.
	case *Audited:
		s.foldAudited(e)
	case *Ignored:
		if a := s.Alarms[e.Key]; a != nil && e.Why == IgnoredNotStanding {
			a.reported(r, e.What)
		}
	default:
		s.foldAlarm(r, ev)
	}
}

func (s *State) foldAlarm(r *Record, ev Event) {
	a := s.alarm(ev.Subject(), r.OwnTime())
	a.LastSeq = r.Seq
	cause, under := a.Cause, a.silencedBy()
	defer func() { s.moved(a, cause, under) }()
	switch e := ev.(type) {
	case *Raised:
		a.foldRaised(r, e)
	case *Repeated:
		a.Repeats++
		a.LastSeen = r.OwnTime()
		if e.Text != "" {
			a.Text = e.Text
		}
		a.reported(r, Raise)
	case *Changed:
		a.Severity, a.Text, a.Changed, a.Measure, a.Own = e.Severity, e.Text, r.At, e.Measure, e.Own
		if !e.Configured {
			a.LastSeen = r.OwnTime()
		}
		a.status(r.OwnTime(), r.Seq, e.Severity, e.Text)
		if e.Worse {
			a.Acknowledged = false
		}
		a.reported(r, Raise)
	case *AlarmCleared:
		a.foldCleared(r, e)
	case *Acked:
		a.foldAcked(r, e)
	case *Noted:
		a.operator(r, OperatorChange{State: "note", By: e.Actor, Via: e.Via, Text: e.Text})
	case *Shelved:
		a.Shelf = &Shelf{By: e.Actor, Reason: e.Reason, Since: r.At, Until: e.Until}
		a.operator(r, OperatorChange{State: "shelved", By: e.Actor, Via: e.Via, Text: e.Reason})
	case *Unshelved:
		a.Shelf = nil
		a.operator(r, OperatorChange{State: "un-shelved", By: e.Actor, Via: e.Via})
	case *FlapBegan, *FlapEnded, *FlapTurned:
		a.foldFlap(r, ev)
	case *Explained:
		a.Cause, a.HeldUntil, a.HeldWhy = e.By, time.Time{}, ""
	case *Unexplained:
		a.Cause, a.HeldUntil, a.HeldWhy = Key{}, e.Until, "cause"
	case *Held:
		a.HeldUntil, a.HeldWhy = e.Until, e.Why
	case *Pending:
		seq := r.Seq
		if a.Wait != nil && a.Wait.What == e.What {
			seq = a.Wait.Seq
		}
		a.Wait = &Wait{What: e.What, Since: e.Since, Due: e.Due, Severity: e.Severity, Text: e.Text, Audit: e.Audit, Seq: seq, Measure: e.Measure, Own: e.Own}
		a.reported(r, e.What)
	case *PendingEnded:
		if a.Wait != nil {
			a.reported(r, opposite(a.Wait.What))
		}
		a.Wait = nil
	case *Announced:
		if a.AnnouncedAt.IsZero() {
			s.Flood.told(r.At)
		}
		a.Flood = e.Flood
		a.Announced, a.AnnouncedAt, a.ReAlarmDue = true, r.At, e.Again
		a.HeldUntil, a.HeldWhy = time.Time{}, ""
	case *Suppressed:
		a.Suppressed = &Suppression{By: e.By, Kind: e.What, Since: r.At, Until: e.Until}
		a.Changed = r.At
	case *Unsuppressed:
		a.Suppressed, a.Changed = nil, r.At
	case *Withdrawn:
		a.Announced, a.ReAlarmDue = false, time.Time{}
	case *Closed:
		a.foldClosed(r, e)
	default:
		panic(fmt.Sprintf("correlate: fold of unlisted event kind %d", ev.Kind()))
	}
}

func (a *Alarm) foldRaised(r *Record, e *Raised) {
	a.Standing, a.Condition, a.Latched = true, true, false
	own := r.OwnTime()
	a.Severity, a.Text, a.Raised, a.Changed, a.LastSeen = e.Severity, e.Text, own, r.At, own
	a.Episodes++
	a.Repeats, a.RaisedBy = 0, cmp.Or(e.By, r.Seq)
	a.Acknowledged, a.AckBy, a.AckVia, a.AckAt = false, "", "", time.Time{}
	a.Announced, a.AnnouncedAt, a.ReAlarmDue, a.Cause = false, time.Time{}, time.Time{}, Key{}
	a.HeldUntil, a.HeldWhy, a.Wait, a.Suppressed, a.Measure = time.Time{}, "", nil, nil, e.Measure
	a.Own = e.Own
	if e.OverCut {
		a.OverCut++
	}
	a.Merit, a.MeritAt, a.Audit, a.Flood = e.Merit, own, e.Audit, false
	a.status(own, a.RaisedBy, e.Severity, e.Text)
	a.reported(r, Raise)
}

func (a *Alarm) foldCleared(r *Record, e *AlarmCleared) {
	a.Standing, a.Condition = false, false
	own := r.OwnTime()
	a.Cleared, a.Changed, a.Wait, a.Audit = own, r.At, nil, e.Audit
	a.Cause, a.HeldUntil, a.HeldWhy, a.Announced, a.ReAlarmDue = Key{}, time.Time{}, "", false, time.Time{}
	a.Latched, a.Merit, a.MeritAt, a.Suppressed = e.Latch, e.Merit, own, nil
	a.status(own, cmp.Or(e.By, r.Seq), Cleared, e.Text)
	a.reported(r, Clear)
}

func (a *Alarm) foldAcked(r *Record, e *Acked) {
	a.Acknowledged, a.AckBy, a.AckVia, a.AckAt, a.Latched = true, e.Actor, e.Via, r.At, false
	a.ReAlarmDue = time.Time{}
	a.operator(r, OperatorChange{State: "ack", By: e.Actor, Via: e.Via, Text: e.Text})
}

func (a *Alarm) foldFlap(r *Record, ev Event) {
	switch e := ev.(type) {
	case *FlapBegan:
		a.Flapping, a.FlapSince, a.FlapCount, a.Merit, a.MeritAt = true, r.At, 1, e.Merit, r.OwnTime()
		a.FlapDue = e.Due
	case *FlapTurned:
		a.Condition, a.Merit, a.MeritAt, a.FlapDue, a.Wait = e.Standing, e.Merit, r.OwnTime(), e.Due, nil
		what := Clear
		if e.Standing {
			what = Raise
			a.FlapCount++
			a.LastSeen = r.OwnTime()
		}
		a.reported(r, what)
	case *FlapEnded:
		a.Flapping, a.FlapDue = false, time.Time{}
	}
	a.Changed = r.At
}

func (a *Alarm) foldClosed(r *Record, e *Closed) {
	if a.Standing {
		a.status(r.At, r.Seq, Cleared, e.Why)
		a.Cleared = r.At
	}
	a.Standing, a.Condition, a.Latched, a.Flapping = false, false, false, false
	a.Wait, a.Shelf, a.Cause, a.HeldUntil, a.HeldWhy, a.Announced = nil, nil, Key{}, time.Time{}, "", false
	a.FlapDue, a.ReAlarmDue, a.Suppressed = time.Time{}, time.Time{}, nil
	a.Changed = r.At
}

func (a *Alarm) status(at time.Time, seq Seq, severity Severity, text string) {
	a.StatusChanges = prepend(a.StatusChanges, StatusChange{At: at, Severity: severity, Text: text, Seq: seq})
}

func (a *Alarm) operator(r *Record, c OperatorChange) {
	c.At, c.Seq = r.At, r.Seq
	a.Changed = r.At
	a.OperatorChanges = prepend(a.OperatorChanges, c)
}

func prepend[T any](list []T, first T) []T {
	if len(list) >= MaxStatusChanges {
		list = list[:MaxStatusChanges-1]
	}
	return slices.Insert(list, 0, first)
}

// moved keeps the indexes of a changed alarm's cause and silence.
func (s *State) moved(a *Alarm, cause Key, under SilenceID) {
	if a.Cause != cause {
		leave(s.explains, cause, a.Key)
		join(s.explains, a.Cause, a.Key)
	}
	if by := a.silencedBy(); by != under {
		leave(s.silenced, under, a.Key)
		join(s.silenced, by, a.Key)
	}
}

func (a *Alarm) silencedBy() SilenceID {
	if a.Suppressed == nil {
		return ""
	}
	return a.Suppressed.By
}

func join[K comparable](index map[K]map[Key]struct{}, at K, k Key) {
	if at == *new(K) {
		return
	}
	if index[at] == nil {
		index[at] = map[Key]struct{}{}
	}
	index[at][k] = struct{}{}
}

func leave[K comparable](index map[K]map[Key]struct{}, at K, k Key) {
	delete(index[at], k)
	if len(index[at]) == 0 {
		delete(index, at)
	}
}

func (s *State) foldMeasured(r *Record, e *Measured) {
	m := s.Readings[e.Key]
	if m == nil {
		m = &Reading{Key: e.Key}
		s.Readings[e.Key] = m
	}
	m.Value, m.At, m.Level, m.Seq, m.Order = e.Value, r.OwnTime(), e.Level, r.Seq, orderOf(r, Value)
	if e.Keep {
		if len(m.Past) == maxPast {
			m.Past = append(m.Past[:0], m.Past[1:]...)
		}
		m.Past = append(m.Past, Sample{r.At, e.Value})
	}
	if e.Moved {
		m.Still = Sample{r.At, e.Value}
	}
}

func (s *State) foldCallOut(r *Record, ev Event) {
	switch e := ev.(type) {
	case *CallOutOpened:
		c := e.CallOut.Clone()
		s.CallOuts[c.ID] = c
		s.ByAlarm[c.Key] = c.ID
	case *RungReached:
		if c := s.CallOuts[e.CallOut]; c != nil {
			c.Rung, c.Round, c.Due = e.Rung, e.Round, e.Due
			if e.Anew {
				c.Passed = nil
			}
		}
	case *MessageQueued:
		m := e.Message.Clone()
		s.Messages[m.ID] = m
		s.spends(m)
		for _, id := range append([]CallOutID{m.CallOut}, m.Covers...) {
			if c := s.CallOuts[id]; c != nil {
				c.Told = append(c.Told, Telling{Person: m.Person, Channel: m.Channel, Message: m.ID, Rung: m.Rung})
			}
		}
	case *CallOutEnded:
		if c := s.CallOuts[e.CallOut]; c != nil {
			c.State, c.TakenBy, c.Ended, c.Due = e.State, e.By, r.At, time.Time{}
		}
	case *MessageTried:
		if m := s.Messages[e.Message]; m != nil {
			m.State, m.NotBefore = e.State, e.NotBefore
			if n := len(m.Attempts); n > 0 && m.Attempts[n-1].Outcome == Handing {
				m.Attempts = m.Attempts[: n-1 : n-1] // what came of it takes its place
			}
			m.Attempts = append(m.Attempts, e.Attempt)
		}
	case *MessageWithdrawn:
		if m := s.Messages[e.Message]; m != nil {
			m.State = MessageDropped
			s.spares(m)
		}
	}
}

// forget drops settled messages and ended call-outs that are older than
// keepSettled. It runs at most once an hour of journal time, so that it costs
// nothing in proportion.
func (s *State) forget(now time.Time) {
	if now.Sub(s.forgot) < time.Hour {
		return
	}
	s.forgot = now
	for id, until := range s.Dealt {
		if !until.After(now) {
			delete(s.Dealt, id)
		}
	}
	s.forgetStandIns(now)
	for id, m := range s.Messages {
		if m.State != MessageWaiting && now.Sub(m.Queued) > keepSettled {
			delete(s.Messages, id)
		}
	}
	for id, c := range s.CallOuts {
		a := s.Alarms[c.Key]
		stands := a != nil && a.OnBoard()
		if c.State == CallOutOpen || stands || now.Sub(c.Ended) <= keepSettled {
			continue
		}
		delete(s.CallOuts, id)
		if s.ByAlarm[c.Key] == id {
			delete(s.ByAlarm, c.Key)
		}
	}
}

// reported notes the sender's time of a report. Inputs that carry none, such as
// a tick that ends a delay, leave what is known of the last report, and so do
// notifications that the alarm merely follows from.
func (a *Alarm) reported(r *Record, what What) {
	switch in := r.Input.(type) {
	case *Arrival:
		if in.observes(a.Key) {
			a.Order, a.Agent = orderOf(r, what), in.Agent
		}
	case *Audit:
		a.Agent = in.Agent
		if in.HasUptime {
			// A trap that was sent before the read must not undo what it found.
			a.Order = Order{Known: true, Uptime: in.Uptime, At: in.Asked, What: what, From: in.From}
		}
	}
}

func opposite(w What) What {
	if w == Raise {
		return Clear
	}
	return Raise
}

// orderOf returns what later reports of the same point are compared with. Only
// arrivals carry the sender's time; other inputs leave it unknown.
func orderOf(r *Record, what What) Order {
	in, ok := r.Input.(*Arrival)
	if !ok {
		return Order{At: r.At, What: what}
	}
	return Order{Known: in.HasUptime, Boots: in.Boots, Uptime: in.Uptime, At: r.OwnTime(), What: what, From: in.From, ID: in.RequestID}
}
