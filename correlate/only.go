package correlate

// Only returns the part of a state that is about the sites of net, which is a
// part of the network in force. It shares what it holds with s, so that it is
// to be read, and no longer than s is lent. What this function does not know of
// is left out.
func (s *State) Only(net *Network) *State {
	own := func(k Key) bool { return net.Site(k.Site) != nil }
	out := NewState()
	out.Seq, out.At, out.Started, out.Hash = s.Seq, s.At, s.Started, s.Hash
	out.StandIns, out.Proofs = s.StandIns, s.Proofs // of rosters, which are the whole centre's
	pick(out.Alarms, s.Alarms, own)
	out.Flood = s.Flood.only(out.Alarms)
	pick(out.Readings, s.Readings, own)
	pick(out.Events, s.Events, own)
	pick(out.ByAlarm, s.ByAlarm, own)
	pick(out.Derived, s.Derived, own)
	known := func(id AgentID) bool { return net.Agent(id) != nil }
	pick(out.Agents, s.Agents, known)
	pick(out.Audits, s.Audits, known)
	for id, c := range s.CallOuts {
		if own(c.Key) {
			out.CallOuts[id] = c
		}
	}
	for id, m := range s.Messages {
		if own(m.Key) {
			out.Messages[id] = m.Narrowed()
		}
	}
	s.silencesOnly(net, out)
	for cause, under := range s.explains {
		if own(cause) {
			out.explains[cause] = map[Key]struct{}{}
			pick(out.explains[cause], under, own)
		}
	}
	return out
}

// only returns what of a flood is about some alarms: how many of them were told
// in it. Fewer than those that keep a flood going are none for whoever sees no
// others.
func (f *Flood) only(alarms map[Key]*Alarm) Flood {
	told := 0
	for _, a := range alarms {
		if f.On() && !a.AnnouncedAt.Before(f.Since.Add(-FloodSpan)) {
			told++
		}
	}
	if told < floodGoesOn {
		return Flood{}
	}
	return Flood{Since: f.Since, Count: told}
}

// narrowed stands in place of what a digest says.
const narrowed = "a digest, which may tell of other sites too"

// Narrowed returns a message as somebody may read it who sees the site of its
// key and perhaps no other. A digest tells of the alarms of many sites, and its
// code takes all of them, so neither is left in it.
func (m *Message) Narrowed() *Message {
	if len(m.Covers) == 0 {
		return m
	}
	c := m.Clone()
	c.Body, c.Code = narrowed, ""
	if c.Subject != "" {
		c.Subject = narrowed
	}
	return c
}

// silencesOnly copies the silences that cover something of net, with those of
// their scopes that do.
func (s *State) silencesOnly(net *Network, out *State) {
	for id, silence := range s.Silences {
		c := *silence
		c.Scopes = nil
		for _, scope := range silence.Scopes {
			if len(net.Covered(scope)) > 0 {
				c.Scopes = append(c.Scopes, scope)
			}
		}
		if len(c.Scopes) == 0 {
			continue
		}
		out.Silences[id] = &c
		out.silenced[id] = map[Key]struct{}{}
		pick(out.silenced[id], s.silenced[id], func(k Key) bool { return net.Site(k.Site) != nil })
		if at, dealt := s.Dealt[id]; dealt {
			out.Dealt[id] = at
		}
	}
}

func pick[K comparable, V any](to, from map[K]V, keep func(K) bool) {
	for k, value := range from {
		if keep(k) {
			to[k] = value
		}
	}
}
