package correlate

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"time"
)

// The longest a silence may last. None can be endless: whoever wants more has
// to look again and say why again. Own choice; ANSI/ISA-18.2 asks that what is
// suppressed be listed and reviewed.
const (
	MaxMaintenance  = 7 * 24 * time.Hour  // one maintenance window
	MaxOutOfService = 92 * 24 * time.Hour // a quarter of a year, then it is reviewed
	MaxAhead        = 366 * 24 * time.Hour
)

// SilenceID names a silence: a configured window by its ID, one made by hand by
// "hand.", the record that made it.
type SilenceID string

// SilenceKind says why nobody is told. Numbers are fixed.
type SilenceKind uint8

// The kinds of silence that cover more than one alarm (ANSI/ISA-18.2: suppressed
// by design, and out of service).
const (
	Maintenance  SilenceKind = 1 // work is being done there
	OutOfService SilenceKind = 2 // it is broken or not in use until it is returned
)

var silenceNames = [...]string{Maintenance: "maintenance", OutOfService: "out-of-service"}

// String returns the kind's word, or "unset".
func (k SilenceKind) String() string {
	if k == 0 || int(k) >= len(silenceNames) {
		return "unset"
	}
	return silenceNames[k]
}

// ParseSilenceKind reads a kind's word; ok is false for any other text.
func ParseSilenceKind(text string) (k SilenceKind, ok bool) {
	i := slices.Index(silenceNames[:], text)
	return SilenceKind(max(i, 0)), i > 0
}

// Scope says what a silence covers: everything that all of its fields that are
// set say. Exactly one of Site, Agent and Tag is set; Point narrows a site or
// tag to one of its points, and Instance that to one instance.
type Scope struct {
	Site     SiteID  `cbor:"1,keyasint,omitempty"`
	Agent    AgentID `cbor:"2,keyasint,omitempty"`
	Tag      string  `cbor:"3,keyasint,omitempty"`
	Point    PointID `cbor:"4,keyasint,omitempty"`
	Instance string  `cbor:"5,keyasint,omitempty"`
}

// String writes the scope as people say it: "site/point", "agent x", "tag y".
func (s Scope) String() string {
	out := string(s.Site)
	switch {
	case s.Agent != "":
		out = "agent " + string(s.Agent)
	case s.Tag != "":
		out = "tag " + s.Tag
	}
	if s.Point != "" {
		out += "/" + string(s.Point)
	}
	if s.Instance != "" {
		out += ":" + s.Instance
	}
	return out
}

// Silence is a stretch of time in which nobody is told of some alarms. They are
// recorded as ever; what still stands at its end is told then.
type Silence struct {
	ID         SilenceID   `cbor:"1,keyasint"`
	Kind       SilenceKind `cbor:"2,keyasint"`
	Scopes     []Scope     `cbor:"3,keyasint"`
	From       time.Time   `cbor:"4,keyasint"`
	Until      time.Time   `cbor:"5,keyasint"`
	Reason     string      `cbor:"6,keyasint"`
	By         string      `cbor:"7,keyasint"`
	Via        string      `cbor:"8,keyasint,omitempty"` // "console", "api"; "configuration" for a configured window
	Made       time.Time   `cbor:"9,keyasint,omitzero"`  // when it was made by hand
	Open       bool        `cbor:"10,keyasint,omitempty"`
	Configured bool        `cbor:"11,keyasint,omitempty"`
}

// Clone returns a deep copy.
func (s *Silence) Clone() *Silence {
	c := *s
	c.Scopes = slices.Clone(s.Scopes)
	return &c
}

// Window is a configured maintenance window: what it covers and when it recurs.
type Window struct {
	ID     SilenceID
	Scopes []Scope
	Reason string
	By     string // who answers for it
	// When returns the first occurrence that ends after at; ok is false when
	// none follows. It is pure, and each occurrence ends before the next begins.
	When         func(at time.Time) (from, until time.Time, ok bool)
	ConfiguredAt string // file:line
}

// Suppression says which silence an alarm is under.
type Suppression struct {
	By    SilenceID   `cbor:"1,keyasint"`
	Kind  SilenceKind `cbor:"2,keyasint"`
	Since time.Time   `cbor:"3,keyasint"`
	Until time.Time   `cbor:"4,keyasint"`
}

// SetSilence asks for a silence, from a person.
type SetSilence struct {
	Kind    SilenceKind `cbor:"1,keyasint"`
	Scopes  []Scope     `cbor:"2,keyasint"`
	From    time.Time   `cbor:"3,keyasint,omitzero"` // zero: at once
	Until   time.Time   `cbor:"4,keyasint"`
	Reason  string      `cbor:"5,keyasint"`
	Actor   string      `cbor:"6,keyasint"`
	Via     string      `cbor:"7,keyasint"`
	MayLong bool        `cbor:"8,keyasint,omitempty"` // whoever asks may silence for longer than a shift
}

// EndSilence ends a silence before its time, or returns to service what is out
// of it.
type EndSilence struct {
	ID    SilenceID `cbor:"1,keyasint"`
	Actor string    `cbor:"2,keyasint"`
	Via   string    `cbor:"3,keyasint"`
	Text  string    `cbor:"4,keyasint,omitempty"`
}

func (*SetSilence) input() {}
func (*EndSilence) input() {}

// The events of silences. The first three are about no single alarm.
type (
	// SilenceSet says that somebody made a silence; it begins at From.
	SilenceSet struct {
		Silence Silence `cbor:"1,keyasint"`
	}
	// SilenceBegan says that a silence holds from now.
	SilenceBegan struct {
		Silence Silence `cbor:"1,keyasint"`
	}
	// SilenceEnded says that a silence holds no longer, and why: "over", "ended by
	// hand" (Actor), "no longer configured". Dealt is the end of the occurrence of
	// a configured window that is thereby over and done.
	SilenceEnded struct {
		ID    SilenceID   `cbor:"1,keyasint"`
		What  SilenceKind `cbor:"2,keyasint"`
		Why   string      `cbor:"3,keyasint"`
		Actor string      `cbor:"4,keyasint,omitempty"`
		Via   string      `cbor:"5,keyasint,omitempty"`
		Text  string      `cbor:"6,keyasint,omitempty"`
		Dealt time.Time   `cbor:"7,keyasint,omitzero"`

		Scopes []Scope `cbor:"8,keyasint,omitempty"` // what it covered
	}
	// Suppressed says that nobody is told of the alarm while a silence holds.
	Suppressed struct {
		On
		By    SilenceID   `cbor:"2,keyasint"`
		What  SilenceKind `cbor:"3,keyasint"`
		Until time.Time   `cbor:"4,keyasint"`
	}
	// Unsuppressed says that the silence is over while the alarm stands.
	Unsuppressed struct {
		On
	}
)

// Subject returns the zero key.
func (*SilenceSet) Subject() Key { return Key{} }

// Subject returns the zero key.
func (*SilenceBegan) Subject() Key { return Key{} }

// Subject returns the zero key.
func (*SilenceEnded) Subject() Key { return Key{} }

// Kind numbers; see [EventKinds].
func (*SilenceSet) Kind() EventKind   { return 24 }
func (*SilenceBegan) Kind() EventKind { return 25 }
func (*SilenceEnded) Kind() EventKind { return 26 }
func (*Suppressed) Kind() EventKind   { return 27 }
func (*Unsuppressed) Kind() EventKind { return 28 }

func (s *State) foldSilence(ev Event) {
	switch e := ev.(type) {
	case *SilenceSet:
		s.Silences[e.Silence.ID] = e.Silence.Clone()
	case *SilenceBegan:
		c := e.Silence.Clone()
		c.Open = true
		s.Silences[c.ID] = c
	case *SilenceEnded:
		delete(s.Silences, e.ID)
		if !e.Dealt.IsZero() {
			s.Dealt[e.ID] = e.Dealt
		}
	}
}

// setSilence decides about a silence that somebody asks for.
func (e *Engine) setSilence(in *SetSilence) {
	if why := e.unableToSilence(in); why != "" {
		e.emit(&Refused{Why: why})
		return
	}
	s := Silence{ID: SilenceID(fmt.Sprintf("hand.%d", e.r.Seq)), Kind: in.Kind, Scopes: in.Scopes, From: in.From, Until: in.Until,
		Reason: in.Reason, By: in.Actor, Via: in.Via, Made: e.r.At}
	if s.From.IsZero() || s.From.Before(e.r.At) {
		s.From = e.r.At
	}
	e.emit(&SilenceSet{Silence: s})
	if s.From.After(e.r.At) {
		e.armSilence(s.ID)
		return
	}
	e.beginSilence(&s)
}

// unableToSilence says why a silence cannot be made, or "".
func (e *Engine) unableToSilence(in *SetSilence) string {
	from := in.From
	if from.Before(e.r.At) {
		from = e.r.At
	}
	longest := map[SilenceKind]time.Duration{Maintenance: MaxMaintenance, OutOfService: MaxOutOfService}[in.Kind]
	switch {
	case longest == 0:
		return "it is neither maintenance nor out of service"
	case in.Reason == "":
		return "a silence needs a reason"
	case in.Actor == "":
		return "a silence needs somebody who answers for it"
	case !in.Until.After(from):
		return "a silence must end, and in the future"
	case from.Sub(e.r.At) > MaxAhead:
		return "it begins more than a year ahead"
	case in.Until.Sub(from) > longest:
		return fmt.Sprintf("it ends within %d days; look again then", longest/(24*time.Hour))
	case in.Until.Sub(from) > MaxShelf && !in.MayLong:
		return "longer than " + MaxShelf.String() + " is for a supervisor to decide"
	case len(in.Scopes) == 0:
		return "it covers nothing"
	}
	for _, s := range in.Scopes {
		if why := e.net.unknownScope(s); why != "" {
			return why
		}
		if s.Tag != "" && in.Kind == OutOfService {
			return "a site, an agent or a point is out of service, not a tag"
		}
	}
	return ""
}

// unknownScope says why a scope covers nothing, or "".
func (n *Network) unknownScope(s Scope) string {
	set := 0
	for _, there := range []bool{s.Site != "", s.Agent != "", s.Tag != ""} {
		if there {
			set++
		}
	}
	switch {
	case set != 1 || (s.Instance != "" && s.Point == "") || (s.Agent != "" && s.Point != ""):
		return "name a site, an agent or a tag, and a point only of a site or tag"
	case s.Agent != "" && n.Agent(s.Agent) == nil:
		return "there is no agent " + string(s.Agent)
	case s.Site != "" && n.Site(s.Site) == nil:
		return "there is no site " + string(s.Site)
	case s.Site == SiteSelf, s.Tag != "" && slices.Contains(n.tagged[s.Tag], SiteSelf):
		return "the master's own site is never silenced"
	case s.Tag != "" && len(n.tagged[s.Tag]) == 0:
		return "no site has the tag " + s.Tag
	}
	if s.Point == "" {
		return ""
	}
	for _, id := range n.sitesOf(s) {
		if n.sites[id].Points[s.Point] != nil {
			return ""
		}
	}
	return "there is no point " + string(s.Point) + " there"
}

// Covered lists the sites that a scope covers something at.
func (n *Network) Covered(s Scope) []SiteID { return n.sitesOf(s) }

// sitesOf lists the sites that a scope may cover something at.
func (n *Network) sitesOf(s Scope) []SiteID {
	switch {
	case s.Tag != "":
		return n.tagged[s.Tag]
	case s.Agent != "":
		if a := n.agents[s.Agent]; a != nil {
			return []SiteID{a.Site}
		}
		return nil
	case n.sites[s.Site] != nil:
		return []SiteID{s.Site}
	}
	return nil
}

// endSilenceByHand decides about the early end of a silence.
func (e *Engine) endSilenceByHand(in *EndSilence) {
	s := e.st.Silences[in.ID]
	if s == nil {
		e.emit(&Refused{Why: "there is no such silence; it may have ended by itself"})
		return
	}
	e.endSilence(s, &SilenceEnded{Why: "ended by hand", Actor: in.Actor, Via: in.Via, Text: in.Text})
}

// beginSilence puts a silence in force.
func (e *Engine) beginSilence(s *Silence) {
	e.emit(&SilenceBegan{Silence: *s})
	e.openSilences()
	e.armSilence(s.ID)
	for _, scope := range s.Scopes {
		for _, id := range e.net.sitesOf(scope) {
			e.eachAlarm(e.net.sites[id], e.suppress)
		}
	}
}

// eachAlarm calls fn for the alarms of a site in key order.
func (e *Engine) eachAlarm(site *Site, fn func(*Alarm)) {
	for _, id := range sortedPoints(site) {
		for _, k := range e.instances[pointKey{site.ID, id}] {
			fn(e.st.Alarms[k])
		}
	}
}

// endSilence ends a silence with the event given; what still stands is told
// unless another silence covers it.
func (e *Engine) endSilence(s *Silence, ev *SilenceEnded) {
	ev.ID, ev.What, ev.Scopes = s.ID, s.Kind, s.Scopes
	if s.Configured && ev.Why != "no longer configured" {
		ev.Dealt = s.Until
	}
	under := e.st.under(s.ID)
	e.emit(ev)
	e.openSilences()
	for _, k := range under {
		e.suppress(e.st.Alarms[k])
	}
	if w := e.net.windows[s.ID]; w != nil {
		e.armWindow(w)
	}
}

// suppress brings an alarm in line with the silences that hold.
func (e *Engine) suppress(a *Alarm) {
	if !a.Standing {
		return
	}
	s := e.silenceOver(a)
	switch {
	case s != nil && (a.Suppressed == nil || a.Suppressed.By != s.ID || !a.Suppressed.Until.Equal(s.Until)):
		e.emit(&Suppressed{On: On{a.Key}, By: s.ID, What: s.Kind, Until: s.Until})
		e.withdraw(a, "suppressed")
	case s == nil && a.Suppressed != nil:
		e.emit(&Unsuppressed{On: On{a.Key}})
		e.announce(a, "unsuppressed")
	}
}

// silenceOver returns the silence that covers an alarm, nil if none does. Of
// several it is the one that ends last, so that nobody is told in between.
func (e *Engine) silenceOver(a *Alarm) *Silence {
	if len(e.open) == 0 || a.Key.Site == SiteSelf {
		return nil
	}
	var found *Silence
	try := func(s Scope) {
		for _, id := range e.open[s] {
			o := e.st.Silences[id]
			if found == nil || o.Until.After(found.Until) || (o.Until.Equal(found.Until) && o.ID < found.ID) {
				found = o
			}
		}
	}
	within := func(s Scope) {
		try(s)
		s.Point = a.Key.Point
		try(s)
		if s.Instance = a.Key.Instance; s.Instance != "" {
			try(s)
		}
	}
	within(Scope{Site: a.Key.Site})
	if site := e.net.Site(a.Key.Site); site != nil {
		for _, tag := range site.Tags {
			within(Scope{Tag: tag})
		}
	}
	if a.Agent != "" {
		try(Scope{Agent: a.Agent})
	}
	for _, id := range e.net.reporting[a.Key] {
		try(Scope{Agent: id})
	}
	return found
}

// openSilences lists anew what is covered by which silence that holds.
func (e *Engine) openSilences() {
	e.open = map[Scope][]SilenceID{}
	for _, id := range slices.Sorted(maps.Keys(e.st.Silences)) {
		s := e.st.Silences[id]
		if !s.Open {
			continue
		}
		for _, scope := range s.Scopes {
			e.open[scope] = append(e.open[scope], id)
		}
	}
}

// armSilence queues the beginning or the end of a silence.
func (e *Engine) armSilence(id SilenceID) {
	s := e.st.Silences[id]
	at := s.From
	if s.Open {
		at = s.Until
	}
	e.due.push(dueEntry{At: at, Kind: dueSilence, Name: string(id)})
}

// armWindow queues the next occurrence of a configured window.
func (e *Engine) armWindow(w *Window) {
	from, _, ok := w.When(later(e.st.At, e.st.Dealt[w.ID]))
	if !ok {
		delete(e.nextOpen, w.ID)
		return
	}
	if queued, there := e.nextOpen[w.ID]; there && queued.Equal(from) {
		return
	}
	e.nextOpen[w.ID] = from
	e.due.push(dueEntry{At: from, Kind: dueSilence, Name: string(w.ID)})
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

// silenceDue begins or ends a silence whose time has come.
func (e *Engine) silenceDue(id SilenceID, queued time.Time) {
	now := e.r.At
	s := e.st.Silences[id]
	switch {
	case s != nil && isDue(s.Until, now):
		e.endSilence(s, &SilenceEnded{Why: "over"})
	case s != nil && !s.Open && isDue(s.From, now):
		e.beginSilence(s)
	case s == nil && e.net.windows[id] != nil && e.nextOpen[id].Equal(queued):
		delete(e.nextOpen, id)
		w := e.net.windows[id]
		if !e.openWindow(w) {
			e.armWindow(w)
		}
	}
}

// openWindow puts the present occurrence of a configured window in force, if
// there is one.
func (e *Engine) openWindow(w *Window) bool {
	from, until, ok := w.When(later(e.r.At, e.st.Dealt[w.ID]))
	if !ok || from.After(e.r.At) {
		return false
	}
	e.beginSilence(&Silence{ID: w.ID, Kind: Maintenance, Scopes: w.Scopes, From: from, Until: until, Reason: w.Reason, By: w.By,
		Via: "configuration", Configured: true})
	return true
}

// startSilences queues what silences have due when the engine begins.
func (e *Engine) startSilences() {
	e.openSilences()
	for _, id := range slices.Sorted(maps.Keys(e.st.Silences)) {
		e.armSilence(id)
	}
	e.armWindows()
}

func (e *Engine) armWindows() {
	e.nextOpen = map[SilenceID]time.Time{}
	for _, id := range e.net.windowOrder {
		if e.st.Silences[id] == nil {
			e.armWindow(e.net.windows[id])
		}
	}
}

// conformSilences ends the windows that the network no longer has, and
// brings those that hold in line with what it says of them.
func (e *Engine) conformSilences() {
	for _, id := range slices.Sorted(maps.Keys(e.st.Silences)) {
		s := e.st.Silences[id]
		if !s.Configured {
			continue
		}
		w := e.net.windows[id]
		if w == nil {
			e.endSilence(s, &SilenceEnded{Why: "no longer configured"})
			continue
		}
		from, until, ok := w.When(e.r.At)
		switch {
		case !ok || from.After(e.r.At):
			e.endSilence(s, &SilenceEnded{Why: "no longer configured"})
		case !until.Equal(s.Until) || w.Reason != s.Reason || w.By != s.By || !slices.Equal(w.Scopes, s.Scopes):
			e.openWindow(w)
		}
	}
	e.armWindows()
	for _, id := range e.net.windowOrder {
		if e.st.Silences[id] == nil {
			e.openWindow(e.net.windows[id])
		}
	}
	e.openSilences()
}

// Listed returns the silences, those that hold and those to come, in the order
// of their ends.
func (s *State) Listed() []*Silence {
	return slices.SortedFunc(maps.Values(s.Silences), func(a, b *Silence) int {
		return cmp.Or(a.Until.Compare(b.Until), cmp.Compare(a.ID, b.ID))
	})
}
