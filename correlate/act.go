package correlate

// act decides about an operator's action.
func (e *Engine) act(in *Act) {
	if in.Key.Point == "" {
		e.noteSite(in)
		return
	}
	a := e.st.Alarms[in.Key]
	if a == nil {
		e.emit(&Refused{On: On{in.Key}, Why: "there is no such alarm"})
		return
	}
	if why := e.unable(a, in); why != "" {
		e.emit(&Refused{On: On{in.Key}, Why: why})
		return
	}
	on := On{in.Key}
	switch in.Action {
	case ActAcknowledge:
		e.emit(&Acked{On: on, Actor: in.Actor, Via: in.Via, Text: in.Text})
	case ActNote:
		e.emit(&Noted{On: on, Actor: in.Actor, Via: in.Via, Text: in.Text})
	case ActShelve:
		e.emit(&Shelved{On: on, Actor: in.Actor, Via: in.Via, Reason: in.Text, Until: in.Until})
		e.withdraw(a, "shelved")
	case ActUnshelve:
		e.emit(&Unshelved{On: on, Actor: in.Actor, Via: in.Via})
		e.announce(a, "unshelved")
	case ActPass:
		e.emit(&Passed{On: on, Actor: in.Actor, Via: in.Via})
	}
}

// noteSite adds a note about a site, which is all that can be done to one: its
// key has no point.
func (e *Engine) noteSite(in *Act) {
	on := On{Key{Site: in.Key.Site}}
	switch {
	case e.net.Site(in.Key.Site) == nil:
		e.emit(&Refused{On: on, Why: "there is no such site"})
	case in.Action != ActNote:
		e.emit(&Refused{On: on, Why: "the action is for an alarm, and this is a site"})
	case in.Text == "":
		e.emit(&Refused{On: on, Why: "a note needs a text"})
	default:
		e.emit(&Noted{On: on, Actor: in.Actor, Via: in.Via, Text: in.Text})
	}
}

// unable says why an action cannot be done now, or "".
func (e *Engine) unable(a *Alarm, in *Act) string {
	switch in.Action {
	case ActAcknowledge, ActPass:
		if !a.OnBoard() {
			return "it has cleared and is off the board"
		}
		if a.Acknowledged {
			return "it was taken by " + a.AckBy
		}
	case ActNote:
		if in.Text == "" {
			return "a note needs a text"
		}
	case ActShelve:
		switch {
		case !a.OnBoard():
			return "it has cleared and is off the board"
		case in.Text == "":
			return "shelving needs a reason"
		case !in.Until.After(e.r.At):
			return "a shelf must end in the future"
		case in.Until.Sub(e.r.At) > MaxLongShelf:
			return "a shelf ends within " + MaxLongShelf.String()
		case in.Until.Sub(e.r.At) > MaxShelf && !in.MayLong:
			return "a shelf ends within " + MaxShelf.String() + ", one shift; longer is for a supervisor to decide"
		}
	case ActUnshelve:
		if a.Shelf == nil {
			return "it is not shelved"
		}
	default:
		return "the action is not known"
	}
	return ""
}

// acknowledgedThere takes an alarm for somebody who acknowledged at the site.
func (e *Engine) acknowledgedThere(o *Observation) {
	a := e.st.Alarms[o.Key]
	if a == nil || !a.OnBoard() || a.Acknowledged {
		e.emit(&Ignored{On: On{o.Key}, What: Acknowledge, Why: "nothing to take"})
		return
	}
	actor := o.Actor
	if actor == "" {
		actor = "somebody at the site"
	}
	e.emit(&Acked{On: On{o.Key}, Actor: actor, Via: "site", Text: o.Text})
}
