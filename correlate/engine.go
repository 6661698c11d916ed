package correlate

import (
	"cmp"
	"maps"
	"slices"
	"time"
)

// DefaultHold is how long a consequence whose cause is gone may take to clear
// before it is told on its own, for points that set no hold.
const DefaultHold = 20 * time.Second

// MaxShelf is the longest an operator may shelve an alarm: one shift.
// (ANSI/ISA-18.2 asks for review of anything longer.) MaxLongShelf is the
// longest for whoever may decide about more; own choice.
const (
	MaxShelf     = 12 * time.Hour
	MaxLongShelf = 7 * 24 * time.Hour
)

// Engine decides. It owns its state while it works and changes it only by
// folding the events it decides.
type Engine struct {
	net *Network
	st  *State
	r   *Record // being decided

	due         dueQueue
	armed       map[Key]time.Time     // the queued time of each alarm that waits for one
	watched     map[AgentID]time.Time // the same for agents
	instances   map[pointKey][]Key    // the alarms there are of each point
	dueCallOuts []CallOutID
	floodArmed  bool
	spoken      map[Key]time.Time // when an agent last spoke of a point that has no alarm
	born        time.Time         // nothing is known of spoken before this

	watchedPaths map[pathWatch]time.Time
	occurred     map[pointKey][]Key // the entry points that have had an event
	open         map[Scope][]SilenceID
	nextOpen     map[SilenceID]time.Time // the queued beginning of each configured window that is not open
	dirty        []Key                   // derived points whose inputs have changed
	slabs        slabs
	places       map[Key]place    // of what was reported on
	lives        map[AgentID]life // of who reported
}

type pointKey struct {
	site  SiteID
	point PointID
}

// NewEngine returns an engine that goes on from st, which it owns from now on.
func NewEngine(net *Network, st *State) *Engine {
	e := &Engine{net: net, st: st, armed: map[Key]time.Time{}, watched: map[AgentID]time.Time{}, instances: map[pointKey][]Key{},
		watchedPaths: map[pathWatch]time.Time{}, occurred: map[pointKey][]Key{}, spoken: map[Key]time.Time{}, born: st.At, places: map[Key]place{}, lives: map[AgentID]life{}}
	for _, k := range slices.SortedFunc(maps.Keys(st.Alarms), Key.Compare) {
		index(e.instances, k)
		e.arm(st.Alarms[k])
	}
	for k := range st.Events {
		index(e.occurred, k)
	}
	for _, c := range st.CallOuts {
		e.armCallOut(c)
	}
	for _, p := range st.Piles {
		e.armPile(p)
	}
	e.watchAgents()
	e.armFlood()
	e.startSilences()
	return e
}

// State lends the working state; it may be ahead of what is durable.
func (e *Engine) State() *State { return e.st }

// Network returns the network in force.
func (e *Engine) Network() *Network { return e.net }

// Use puts another network in force, before its [Reconfigure] is applied.
func (e *Engine) Use(net *Network) {
	e.net, e.places, e.lives = net, map[Key]place{}, map[AgentID]life{}
}

// Apply decides about r.Input at r.At and appends the events to r, each
// already folded into the state. r.Seq, r.At and r.Input are the caller's. A
// Tick that yields no event and no due call-out need not be journaled.
func (e *Engine) Apply(r *Record) {
	e.r, e.dueCallOuts = r, nil
	e.st.Begin(r)
	switch in := r.Input.(type) {
	case *Arrival:
		e.arrival(in)
	case *Notice:
		for i := range in.Observations {
			e.observe(&in.Observations[i], nil)
		}
	case *Audit:
		e.audit(in)
	case *Act:
		e.act(in)
	case *Tick:
		e.tick()
	case *Start:
		e.conform()
	case *SetSilence:
		e.setSilence(in)
	case *EndSilence:
		e.endSilenceByHand(in)
	case *Reconfigure:
		e.emit(&Configured{Actor: in.Actor, Summary: in.Summary, Hash: in.Hash})
		e.conform()
	case *Access:
		e.emit(in.Event())
	case *Reply:
		e.reply(in)
	case *RosterAct:
		e.rosterAct(in)
	case *ShiftTurn:
		e.shift(in)
	case *Handover:
		e.handover(in)
	case *Delivery:
		// The climber decides about gateways' answers.
	}
	e.derive()
	e.r = nil
}

// Extend folds events decided elsewhere (by the climber) and appends them.
func (e *Engine) Extend(r *Record, events []Event) {
	e.r = r
	for _, ev := range events {
		e.emit(ev)
	}
	e.r = nil
}

// DueCallOuts lists the call-outs that came due in the last Apply, in the
// order they were due.
func (e *Engine) DueCallOuts() []CallOutID { return e.dueCallOuts }

// NextDue returns the earliest time at which a [Tick] may have something to
// decide; ok is false when nothing waits.
func (e *Engine) NextDue() (at time.Time, ok bool) {
	if len(e.due) == 0 {
		return time.Time{}, false
	}
	return e.due[0].At, true
}

// emit folds an event and appends it to the record being decided.
func (e *Engine) emit(ev Event) {
	k := ev.Subject()
	was := e.st.find(k)
	stood := was != nil && was.Standing
	e.st.FoldEvent(e.r, ev)
	e.slabs.add(e.r, ev)
	if a := e.st.find(k); a != nil {
		if was == nil {
			e.firstOf(k)
		}
		e.arm(a)
		if a.Standing != stood {
			e.touch(k)
		}
	}
	switch ev := ev.(type) {
	case *Measured:
		e.touch(k)
	case *Occurred:
		index(e.occurred, k)
	case *CallOutOpened:
		e.armCallOut(e.st.CallOuts[ev.CallOut.ID])
	case *RungReached:
		e.armCallOut(e.st.CallOuts[ev.CallOut])
	case *Piled:
		e.armPile(e.st.Piles[ev.Person])
	}
}

// index notes an instance of a point, in order.
func index(of map[pointKey][]Key, k Key) {
	at := pointKey{k.Site, k.Point}
	i, there := slices.BinarySearchFunc(of[at], k, Key.Compare)
	if !there {
		of[at] = slices.Insert(of[at], i, k)
	}
}

// nextDue returns the earliest time at which something of the alarm may be due.
func (a *Alarm) nextDue() time.Time {
	var next time.Time
	consider := func(at time.Time) {
		if !at.IsZero() && (next.IsZero() || at.Before(next)) {
			next = at
		}
	}
	if a.Wait != nil {
		consider(a.Wait.Due)
	}
	if a.Shelf != nil {
		consider(a.Shelf.Until)
	}
	consider(a.HeldUntil)
	consider(a.FlapDue)
	consider(a.ReAlarmDue)
	return next
}

// arm keeps one entry of the alarm in the queue, at or before the earliest
// time at which it needs a look.
func (e *Engine) arm(a *Alarm) {
	next := a.nextDue()
	if next.IsZero() {
		return
	}
	if queued, ok := e.armed[a.Key]; ok && !next.Before(queued) {
		return
	}
	e.armed[a.Key] = next
	e.due.push(dueEntry{At: next, Kind: dueAlarm, Key: a.Key})
}

func (e *Engine) armCallOut(c *CallOut) {
	if c != nil && c.State == CallOutOpen && !c.Due.IsZero() {
		e.due.push(dueEntry{At: c.Due, Kind: dueCallOut, Name: string(c.ID)})
	}
}

// tick decides whatever is due at or before the record's time.
func (e *Engine) tick() {
	for len(e.due) > 0 && !e.due[0].At.After(e.r.At) {
		entry := e.due.pop()
		switch entry.Kind {
		case dueAlarm:
			if e.armed[entry.Key].Equal(entry.At) {
				delete(e.armed, entry.Key)
			}
			if a := e.st.find(entry.Key); a != nil {
				e.alarmDue(a)
				e.arm(a)
			}
		case dueAgent:
			e.agentDue(AgentID(entry.Name), entry.At)
		case duePath:
			e.pathDue(AgentID(entry.Name), entry.Key.Instance, entry.At)
		case dueSilence:
			e.silenceDue(SilenceID(entry.Name), entry.At)
		case dueFlood:
			e.floodDue()
		case dueCallOut:
			c := e.st.CallOuts[CallOutID(entry.Name)]
			if c != nil && c.State == CallOutOpen && c.Due.Equal(entry.At) && !slices.Contains(e.dueCallOuts, c.ID) {
				e.dueCallOuts = append(e.dueCallOuts, c.ID)
			}
		case duePile:
			e.pileDue(entry)
		}
	}
}

func isDue(at, now time.Time) bool { return !at.IsZero() && !at.After(now) }

// alarmDue decides everything about one alarm that is due. The order is fixed:
// a change that has held, the end of a shelf, the end of flapping, the end of a
// hold, and asking again.
func (e *Engine) alarmDue(a *Alarm) {
	now := e.r.At
	if w := a.Wait; w != nil && isDue(w.Due, now) {
		if w.What == Raise {
			e.raise(a.Key, rise{Severity: w.Severity, Text: w.Text, Since: w.Since, Audit: w.Audit, By: w.Seq, Measure: w.Measure, Own: w.Own})
		} else {
			e.clear(a, *w)
		}
	}
	if a.Shelf != nil && isDue(a.Shelf.Until, now) {
		e.emit(&Unshelved{On: On{a.Key}, Actor: "time"})
		e.announce(a, "unshelved")
	}
	if isDue(a.FlapDue, now) {
		e.settle(a)
	}
	if isDue(a.HeldUntil, now) {
		e.announce(a, "held")
	}
	if isDue(a.ReAlarmDue, now) {
		e.announceAgain(a)
	}
}

// tellable reports whether people may be told of the alarm now.
func (e *Engine) tellable(a *Alarm) bool {
	return a.Standing && !a.Acknowledged && a.Shelf == nil && a.Suppressed == nil && a.Cause.IsZero() && !a.HeldUntil.After(e.r.At)
}

// announce says that people may be told, if they may and have not been.
func (e *Engine) announce(a *Alarm, why string) {
	if !a.Announced && e.tellable(a) {
		e.tell(a, why)
		return
	}
	if isDue(a.HeldUntil, e.r.At) {
		// Nobody is to be told after all; without this the hold stays due.
		e.emit(&Held{On: On{a.Key}})
	}
}

// announceAgain asks anew for an alarm that was announced before: it got
// worse, or nobody took it in time.
func (e *Engine) announceAgain(a *Alarm) {
	if !e.tellable(a) {
		return
	}
	e.tell(a, "again")
}

func (e *Engine) again(a *Alarm) time.Time {
	if p := e.net.Point(a.Key); p != nil && p.ReAlarm > 0 {
		return e.r.At.Add(p.ReAlarm)
	}
	return time.Time{}
}

// withdraw says that people are no longer to be told.
func (e *Engine) withdraw(a *Alarm, why string) {
	if a.Announced {
		e.emit(&Withdrawn{On: On{a.Key}, Why: why})
	}
}

// conform brings everything in line with the network in force: alarms whose
// points are gone leave the board, alarms whose cause no longer explains them
// are told after a hold, silences and clocks follow the configuration.
func (e *Engine) conform() {
	e.conformSilences()
	for _, k := range slices.SortedFunc(maps.Keys(e.st.Alarms), Key.Compare) {
		e.conformAlarm(e.st.find(k))
	}
	clear(e.watched)
	clear(e.watchedPaths)
	e.watchAgents()
	e.deriveAll()
}

func (e *Engine) conformAlarm(a *Alarm) {
	p := e.net.Point(a.Key)
	switch {
	case !a.OnBoard() && a.Wait == nil:
		return
	case p == nil:
		e.closeAlarm(a, "point removed")
		return
	case e.unwatched(a, p):
		e.closeAlarm(a, "no longer watched")
		return
	}
	if !a.Cause.IsZero() && !p.explainedBy(a.Cause) {
		e.released(a, p)
	}
	e.suppress(a)
	e.regrade(a, p)
}

// regrade gives an alarm the severity that its point has by now.
func (e *Engine) regrade(a *Alarm, p *Point) {
	if s, follows := p.Regraded(a); follows && s != a.Severity {
		worse := s > a.Severity
		e.emit(&Changed{On: On{a.Key}, Severity: s, Text: a.Text, Worse: worse, Measure: a.Measure, Own: true, Configured: true})
		if worse && e.tellable(a) {
			e.tell(a, "worse")
		}
	}
	w := a.Wait
	if w == nil || w.What != Raise || !w.Own {
		return
	}
	if s := p.graded(w.Measure); s != 0 && s != w.Severity {
		e.emit(&Pending{On: On{a.Key}, What: Raise, Since: w.Since, Due: w.Due, Severity: s, Text: w.Text, Audit: w.Audit, Measure: w.Measure, Own: true})
	}
}

// Regraded returns the severity that the point gives a standing alarm; follows is
// false if the alarm does not follow it, since a rule gave it its severity or the
// limit that it passed is gone.
func (p *Point) Regraded(a *Alarm) (s Severity, follows bool) {
	if !a.Standing || !a.Own {
		return 0, false
	}
	s = p.graded(a.Measure)
	return s, s != 0
}

// graded returns the severity that the point gives what was measured, or a
// condition if m is nil; 0 if it has no such limit.
func (p *Point) graded(m *Measure) Severity {
	s := p.Severity
	if m != nil {
		limit := p.Limits.at(m.Level)
		switch {
		case m.Level == rateInstance && p.Rate != nil:
			s = cmp.Or(p.Rate.Severity, s)
		case m.Level == stuckInstance && p.Stuck != nil:
			s = cmp.Or(p.Stuck.Severity, s)
		case limit != nil:
			s = cmp.Or(limit.Severity, s)
		default:
			return 0
		}
	}
	if s == Cleared {
		return Indeterminate
	}
	return cmp.Or(s, Indeterminate)
}

// unwatched reports whether nothing can clear the alarm any more: it stands for
// the silence of an agent or path that is not watched, or for a condition that
// is derived no longer, and no notification ever spoke of it.
func (e *Engine) unwatched(a *Alarm, p *Point) bool {
	switch {
	case !a.Order.At.IsZero():
		return false
	case p.Kind == Alive:
		return len(e.net.reporting[a.Key]) == 0 && a.Key.Site != SiteSelf
	}
	return e.st.Derived[a.Key] != nil && p.Derive == nil
}

// closeAlarm takes an alarm off the board and releases what it explained.
func (e *Engine) closeAlarm(a *Alarm, why string) {
	e.emit(&Closed{On: On{a.Key}, Why: why})
	e.releaseConsequences(a.Key)
}
