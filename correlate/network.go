package correlate

import (
	"fmt"
	"maps"
	"slices"
	"time"

	"example.net/standwatch/correlate/flap"
)

// Kind is what sort of thing a point watches.
type Kind uint8

// Point kinds (the design's section 2). Numbers are fixed.
const (
	Discrete Kind = 1 // a contact: alarm or normal
	Analog   Kind = 2 // a value with a unit and up to four limits
	Link     Kind = 3 // a circuit or interface
	Alive    Kind = 4 // a heartbeat that must keep coming
	Entry    Kind = 5 // momentary events such as door access
	Derived  Kind = 6 // computed from other points
)

var kindNames = [...]string{Discrete: "discrete", Analog: "analog", Link: "link", Alive: "alive", Entry: "entry", Derived: "derived"}

// Kinds lists the words of all point kinds.
func Kinds() []string { return kindNames[1:] }

// String returns the kind's word, or "unset".
func (k Kind) String() string {
	if k == 0 || int(k) >= len(kindNames) {
		return "unset"
	}
	return kindNames[k]
}

// ParseKind reads a kind's word; ok is false for any other text.
func ParseKind(text string) (k Kind, ok bool) {
	for i, name := range kindNames {
		if name != "" && name == text {
			return Kind(i), true
		}
	}
	return 0, false
}

// Wiring is how a contact is wired. Numbers are fixed.
type Wiring uint8

// Wirings of a contact. The zero Wiring is not known.
const (
	NormallyOpen   Wiring = 1 // it closes in alarm
	NormallyClosed Wiring = 2 // it opens in alarm
)

// String returns "open", "closed", or "not said".
func (w Wiring) String() string {
	switch w {
	case NormallyOpen:
		return "open"
	case NormallyClosed:
		return "closed"
	}
	return "not said"
}

// Means says what it means that the contact is open or closed: Raise or Clear,
// or 0 while its wiring is not known.
func (w Wiring) Means(closed bool) What {
	switch {
	case w == 0:
		return 0
	case (w == NormallyOpen) == closed:
		return Raise
	}
	return Clear
}

// Ref points at the possible cause of an alarm, or at an event that excuses
// one. An empty Instance matches any instance.
type Ref struct {
	Site     SiteID
	Point    PointID
	Instance string
}

func (r Ref) matches(k Key) bool {
	return r.Site == k.Site && r.Point == k.Point && (r.Instance == "" || r.Instance == k.Instance)
}

// Excuse says that an event on Event keeps an alarm of the point quiet for
// For after the event (a granted entry excuses the door).
type Excuse struct {
	Event Ref
	For   time.Duration
}

// Limit is one threshold of an analog point. Beyond At the limit is violated;
// it ends when the value is back inside by at least DeadBand (same unit).
type Limit struct {
	At       float64
	DeadBand float64
	Severity Severity
}

// Limits are the thresholds of an analog point; nil ones are not watched.
// When set they satisfy LowLow.At < Low.At < High.At < HighHigh.At.
type Limits struct {
	LowLow, Low, High, HighHigh *Limit
}

// RateLimit bounds how far an analog value may move within a time. Rise and Fall
// are in the point's unit; 0 is not watched. It ends when the value has moved
// less by DeadBand.
type RateLimit struct {
	Rise, Fall float64
	Within     time.Duration
	DeadBand   float64
	Severity   Severity
}

// StuckLimit raises a fault of the sensor when readings keep coming and all of
// them stay within By of each other for After. Real values are never quite
// still.
type StuckLimit struct {
	After    time.Duration
	By       float64
	Severity Severity
}

// Point is the configuration of one watched thing at one site. Points are
// immutable once handed to a [Network].
type Point struct {
	ID         PointID
	Kind       Kind
	Name       string // what it is, in a person's words: "Mains supply"
	AlarmWord  string // what is said while it stands: "Mains failed"
	NormalWord string // what is said when it clears: "Mains present"
	Class      string // free grouping for routes: power, climate, security, ...
	Cause      string // IANAItuProbableCause mnemonic (RFC 3877), or empty
	Severity   Severity
	RaiseAfter time.Duration // the condition must hold this long before it is an alarm
	ClearAfter time.Duration // and be gone this long before it is cleared
	Latch      bool          // stays on the board after clearing until acknowledged
	ReAlarm    time.Duration // still standing and untaken after this asks again; 0 never
	Flap       *flap.Settings
	FlapCount  bool // count flapping but do not act on it (RFC 7196 section 6)

	ExplainedBy []Ref
	Hold        time.Duration // how long a cause may take to show before the alarm is told; 0 means at once
	ExcusedBy   []Excuse

	Unit         string
	Scale        float64 // engineering value = raw * Scale + Offset; 0 counts as 1
	Offset       float64
	Decimals     int // how many decimals the value is shown with
	Limits       Limits
	Rate         *RateLimit
	Stuck        *StuckLimit
	Derive       *Derivation // of a derived point
	PlausibleMin *float64
	PlausibleMax *float64
	Instructions string
	Caution      string
	Regulated    bool   // legally reportable: flapping never hides it, its record is kept longer
	QuietClear   bool   // people told of the alarm are not told that it cleared
	Normally     Wiring // of a contact, for rules that report it open or closed
	Number       int    // number in the remote's point list, 0 if it has none
	ConfiguredAt string // file:line of its configuration
}

// Agent is an SNMP entity (RFC 3411) as the engine knows it.
type Agent struct {
	ID        AgentID
	Site      SiteID
	Point     PointID       // the alive point raised by its silence
	Instance  string        // the instance of that point, empty when the site has one agent
	Heartbeat time.Duration // how often it owes a sign of life; 0 owes none
	Grace     time.Duration // added to Heartbeat before silence is an alarm

	// Paths are the addresses it sends from when it has several. One that is not
	// heard for PathAllowed while another is raises PathPoint, with the address as
	// its instance; 0 watches none.
	Paths       []string
	PathPoint   PointID
	PathAllowed time.Duration
}

// WebLink is a web or ssh address that the alarm page offers.
type WebLink struct {
	Name string
	URL  string
}

// Site is an unattended place.
type Site struct {
	ID       SiteID
	Name     string
	Region   string
	Crew     string
	Tags     []string
	Zone     *time.Location
	Upstream SiteID // the site its transport hangs on, or empty
	Access   string // how to get in
	Caution  string
	Links    []WebLink
	Cameras  []WebLink // addresses (http or https) of still pictures, which the master fetches
	Points   map[PointID]*Point
	Agents   []AgentID
	// Latitude and Longitude are WGS 84 degrees, meaningful if Located.
	Located             bool
	Latitude, Longitude float64
}

// Network is all that the engine knows of what is watched. It is immutable
// once built and safe for concurrent use; a reload makes a new one.
type Network struct {
	sites   map[SiteID]*Site
	agents  map[AgentID]*Agent
	explain map[Ref][]Key // a cause without its instance, to the points that name it
	silence []AgentID     // in order
	order   []SiteID
	hash    string

	tagged      map[string][]SiteID // sites by their tags
	reporting   map[Key][]AgentID   // whose silence an alarm is about
	derived     []Key               // derived points, each after those it looks at
	rank        map[Key]int         // their places in derived
	lookedAt    map[pointKey][]PointID
	windows     map[SilenceID]*Window
	windowOrder []SilenceID
}

// Hash identifies the configuration the network was built from.
func (n *Network) Hash() string { return n.hash }

// Site returns a site, or nil if there is none of that ID.
func (n *Network) Site(id SiteID) *Site { return n.sites[id] }

// Sites lists the site IDs in configuration order.
func (n *Network) Sites() []SiteID { return n.order }

// Regions lists the regions of all sites in order.
func (n *Network) Regions() []string {
	var out []string
	for _, s := range n.sites {
		if at, there := slices.BinarySearch(out, s.Region); !there && s.Region != "" {
			out = slices.Insert(out, at, s.Region)
		}
	}
	return out
}

// Agent returns an agent, or nil if there is none of that ID.
func (n *Network) Agent(id AgentID) *Agent { return n.agents[id] }

// Agents returns the number of agents.
func (n *Network) Agents() int { return len(n.agents) }

// Point returns the point that a key names, or nil if it is not configured.
func (n *Network) Point(k Key) *Point {
	site := n.sites[k.Site]
	if site == nil {
		return nil
	}
	return site.Points[k.Point]
}

// NewNetwork builds a network from sites and agents, which it owns from then
// on. hash identifies the configuration they came from. It returns an error
// for a duplicate ID, an agent of an unknown site, a loop in the transport
// tree, and derived points that look at each other in a circle.
func NewNetwork(sites []*Site, agents []*Agent, hash string) (*Network, error) {
	n := &Network{sites: map[SiteID]*Site{}, agents: map[AgentID]*Agent{}, explain: map[Ref][]Key{}, hash: hash,
		tagged: map[string][]SiteID{}, reporting: map[Key][]AgentID{}, lookedAt: map[pointKey][]PointID{}, rank: map[Key]int{}}
	for _, s := range sites {
		if n.sites[s.ID] != nil {
			return nil, fmt.Errorf("site %q is there twice", s.ID)
		}
		n.sites[s.ID] = s
		n.order = append(n.order, s.ID)
		for _, tag := range s.Tags {
			n.tagged[tag] = append(n.tagged[tag], s.ID)
		}
	}
	for _, a := range agents {
		if n.agents[a.ID] != nil {
			return nil, fmt.Errorf("agent %q is there twice", a.ID)
		}
		if n.sites[a.Site] == nil {
			return nil, fmt.Errorf("agent %q reports for site %q, which is not there", a.ID, a.Site)
		}
		n.agents[a.ID] = a
		n.silence = append(n.silence, a.ID)
		n.reporting[a.AliveKey()] = append(n.reporting[a.AliveKey()], a.ID)
		for _, path := range a.Paths {
			n.reporting[a.PathKey(path)] = append(n.reporting[a.PathKey(path)], a.ID)
		}
	}
	if loop := n.transportLoop(); loop != "" {
		return nil, fmt.Errorf("site %q hangs on itself through its upstream sites", loop)
	}
	n.indexCauses()
	if err := n.indexDerived(); err != nil {
		return nil, err
	}
	return n, nil
}

// WithWindows returns the network with maintenance windows, in order. It returns
// an error for a duplicate ID and for a scope that covers nothing.
func (n *Network) WithWindows(windows []*Window) (*Network, error) {
	c := *n
	c.windows, c.windowOrder = map[SilenceID]*Window{}, nil
	for _, w := range windows {
		if c.windows[w.ID] != nil {
			return nil, fmt.Errorf("window %q is there twice", w.ID)
		}
		for _, s := range w.Scopes {
			if why := n.unknownScope(s); why != "" {
				return nil, fmt.Errorf("window %q: %s", w.ID, why)
			}
		}
		c.windows[w.ID] = w
		c.windowOrder = append(c.windowOrder, w.ID)
	}
	return &c, nil
}

// Windows lists the configured maintenance windows in order.
func (n *Network) Windows() []*Window {
	out := make([]*Window, len(n.windowOrder))
	for i, id := range n.windowOrder {
		out[i] = n.windows[id]
	}
	return out
}

// CheckScope says why a scope covers nothing, or "".
func (n *Network) CheckScope(s Scope) string { return n.unknownScope(s) }

// transportLoop returns a site whose upstream chain returns to it, or "".
func (n *Network) transportLoop() SiteID {
	for _, id := range n.order {
		at := n.sites[id].Upstream
		for steps := 0; at != "" && n.sites[at] != nil; steps++ {
			if at == id || steps > len(n.order) {
				return id
			}
			at = n.sites[at].Upstream
		}
	}
	return ""
}

// indexCauses lists, for every point named as a cause, the points it explains.
func (n *Network) indexCauses() {
	for _, id := range n.order {
		site := n.sites[id]
		for _, pid := range slices.Sorted(maps.Keys(site.Points)) {
			for _, ref := range site.Points[pid].ExplainedBy {
				at := Ref{Site: ref.Site, Point: ref.Point}
				n.explain[at] = append(n.explain[at], Key{Site: id, Point: pid})
			}
		}
	}
	slices.Sort(n.silence)
}

// AliveKey returns the key that the agent's silence raises.
func (a *Agent) AliveKey() Key { return Key{Site: a.Site, Point: a.Point, Instance: a.Instance} }

// PathKey returns the key that the silence of one of the agent's addresses
// raises.
func (a *Agent) PathKey(path string) Key {
	return Key{Site: a.Site, Point: a.PathPoint, Instance: path}
}

// Allowed is how long the agent may be silent before that is an alarm; zero
// when it owes no sign of life.
func (a *Agent) Allowed() time.Duration {
	if a.Heartbeat == 0 {
		return 0
	}
	return a.Heartbeat + a.Grace
}

// Only returns the part of a network with the sites that keep lets through, and
// their agents. It shares them with the whole; a site whose upstream is left
// out hangs on nothing.
func (n *Network) Only(keep func(*Site) bool) *Network {
	out := &Network{sites: map[SiteID]*Site{}, agents: map[AgentID]*Agent{}, explain: map[Ref][]Key{}, hash: n.hash,
		tagged: map[string][]SiteID{}, reporting: map[Key][]AgentID{}, windows: map[SilenceID]*Window{}}
	for _, id := range n.order {
		if keep(n.sites[id]) {
			out.sites[id] = n.sites[id]
			out.order = append(out.order, id)
			for _, tag := range n.sites[id].Tags {
				out.tagged[tag] = append(out.tagged[tag], id)
			}
		}
	}
	for id, s := range out.sites {
		if s.Upstream != "" && out.sites[s.Upstream] == nil {
			alone := *s
			alone.Upstream = ""
			out.sites[id] = &alone
		}
	}
	for _, id := range n.silence {
		if a := n.agents[id]; out.sites[a.Site] != nil {
			out.agents[id] = a
			out.silence = append(out.silence, id)
		}
	}
	pick(out.reporting, n.reporting, func(k Key) bool { return out.sites[k.Site] != nil })
	for _, id := range n.windowOrder {
		w := *n.windows[id]
		w.Scopes = slices.DeleteFunc(slices.Clone(w.Scopes), func(s Scope) bool { return len(out.sitesOf(s)) == 0 })
		if len(w.Scopes) > 0 {
			out.windows[id] = &w
			out.windowOrder = append(out.windowOrder, id)
		}
	}
	out.indexCauses()
	return out
}
