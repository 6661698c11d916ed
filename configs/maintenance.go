package configs

import (
	"fmt"
	"strings"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/notify/roster"
)

// worksFile is the shape of maintenance.yaml.
type worksFile struct {
	Here    place                `yaml:"-"`
	Windows entries[windowShape] `yaml:"windows" jsonschema_description:"Maintenance windows, by ID: alarms are recorded and nobody is told; what still stands at the end is told then."`
}

type windowShape struct {
	Here     place      `yaml:"-"`
	Reason   text       `yaml:"reason" jsonschema_description:"Why nobody is told; shown wherever the window is."`
	By       text       `yaml:"by" jsonschema_description:"Who answers for it."`
	Sites    list[text] `yaml:"sites" jsonschema_description:"Sites that it covers."`
	Agents   list[text] `yaml:"agents" jsonschema_description:"Agents that it covers: what they report, and their silence."`
	Tags     list[text] `yaml:"tags" jsonschema_description:"It covers all sites with one of these tags."`
	Points   list[text] `yaml:"points" jsonschema_description:"site/point covers one point, with :instance one of its instances; a point alone narrows sites and tags to it."`
	TimeZone text       `yaml:"time-zone" jsonschema_description:"IANA time zone; left out, that of the sites covered."`
	From     text       `yaml:"from" jsonschema_description:"Once: \"2026-12-01 09:00\" in the time zone, or RFC 3339."`
	To       text       `yaml:"to" jsonschema_description:"The same; at most seven days later."`
	Start    text       `yaml:"start" jsonschema_description:"Again and again: date of the first, such as 2026-01-06."`
	At       text       `yaml:"at" jsonschema_description:"Time of day, such as \"09:00\"."`
	Lasts    span       `yaml:"lasts" jsonschema_description:"How long, by the clock on the wall; at most seven days."`
	Rule     text       `yaml:"rule" jsonschema_description:"RFC 5545 recurrence rule, such as FREQ=MONTHLY;BYDAY=1TU."`
}

// windows gives the network its maintenance windows, or returns nil if one of
// them cannot be.
func (c *compiler) windows(net *correlate.Network, list entries[windowShape]) *correlate.Network {
	var out []*correlate.Window
	good := true
	for i := range list {
		e := &list[i]
		before := len(c.out.list)
		w := c.window(net, e)
		if good = good && len(c.out.list) == before; good {
			out = append(out, w)
		}
	}
	if !good {
		return nil
	}
	with, err := net.WithWindows(out)
	if err != nil {
		c.out.mistake(place{}, err.Error(), "")
		return nil
	}
	return with
}

func (c *compiler) window(net *correlate.Network, e *entry[windowShape]) *correlate.Window {
	s := &e.V
	w := &correlate.Window{ID: correlate.SilenceID(e.Key), Reason: strings.TrimSpace(s.Reason.V), By: strings.TrimSpace(s.By.V), ConfiguredAt: c.where(e.At)}
	if !c.id("a window", e.Key, e.At) {
		return w
	}
	if w.Reason == "" || w.By == "" {
		c.out.mistake(e.At, fmt.Sprintf("window %s needs a reason and somebody who answers for it", e.Key), "add reason: and by:")
	}
	w.Scopes = c.scopes(net, e)
	c.when(net, e, w)
	return w
}

// scopes lists what a window covers.
func (c *compiler) scopes(net *correlate.Network, e *entry[windowShape]) (out []correlate.Scope) {
	s := &e.V
	add := func(at place, scope correlate.Scope) {
		if why := net.CheckScope(scope); why != "" {
			c.out.mistake(at, fmt.Sprintf("window %s: %s", e.Key, why), "")
			return
		}
		out = append(out, scope)
	}
	var narrow []text // points without a site
	for _, p := range s.Points {
		site, point, found := strings.Cut(p.V, "/")
		if !found {
			narrow = append(narrow, p)
			continue
		}
		id, instance, _ := strings.Cut(point, ":")
		add(p.At, correlate.Scope{Site: correlate.SiteID(site), Point: correlate.PointID(id), Instance: instance})
	}
	wide := func(at place, scope correlate.Scope) {
		if len(narrow) == 0 {
			add(at, scope)
		}
		for _, p := range narrow {
			id, instance, _ := strings.Cut(p.V, ":")
			scope.Point, scope.Instance = correlate.PointID(id), instance
			add(p.At, scope)
		}
	}
	for _, t := range s.Sites {
		wide(t.At, correlate.Scope{Site: correlate.SiteID(t.V)})
	}
	for _, t := range s.Tags {
		wide(t.At, correlate.Scope{Tag: t.V})
	}
	for _, t := range s.Agents {
		add(t.At, correlate.Scope{Agent: correlate.AgentID(t.V)})
	}
	switch {
	case len(narrow) > 0 && len(s.Sites)+len(s.Tags) == 0:
		c.out.mistake(narrow[0].At, fmt.Sprintf("window %s: point %s is of no site", e.Key, narrow[0].V), "write site/"+narrow[0].V+", or add sites: or tags:")
	case len(s.Sites)+len(s.Tags)+len(s.Agents)+len(s.Points) == 0:
		c.out.mistake(e.At, fmt.Sprintf("window %s covers nothing", e.Key), "add sites:, tags:, agents: or points:")
	}
	return out
}

// when fills in the occurrences of a window.
func (c *compiler) when(net *correlate.Network, e *entry[windowShape], w *correlate.Window) {
	s := &e.V
	zone := c.windowZone(net, e, w)
	once := s.From.Set || s.To.Set
	again := s.Start.Set || s.At.Set || s.Lasts.Set || s.Rule.Set
	switch {
	case once == again:
		c.out.mistake(e.At, fmt.Sprintf("window %s is either once or again and again", e.Key), "write from: and to:, or start:, at:, lasts: and rule:")
	case once:
		c.once(e, w, zone)
	default:
		c.again(e, w, zone)
	}
}

func (c *compiler) once(e *entry[windowShape], w *correlate.Window, zone *time.Location) {
	s := &e.V
	from, wrong := roster.Instant(s.From.V, zone)
	if wrong != nil {
		c.out.mistake(placeOr(s.From.At, e.At), fmt.Sprintf("window %s: from: %s", e.Key, wrong), "")
		return
	}
	to, wrong := roster.Instant(s.To.V, zone)
	switch {
	case wrong != nil:
		c.out.mistake(placeOr(s.To.At, e.At), fmt.Sprintf("window %s: to: %s", e.Key, wrong), "")
	case !to.After(from):
		c.out.mistake(s.To.At, fmt.Sprintf("window %s ends before it begins", e.Key), "")
	case to.Sub(from) > correlate.MaxMaintenance:
		c.out.mistake(s.To.At, fmt.Sprintf("window %s is longer than seven days", e.Key), "what is not used for longer is out of service; that is set in the console, with a reason and an end")
	}
	w.When = func(at time.Time) (time.Time, time.Time, bool) { return from, to, to.After(at) }
}

func (c *compiler) again(e *entry[windowShape], w *correlate.Window, zone *time.Location) {
	s := &e.V
	r, err := roster.NewRecurrence(roster.Recurring{Start: s.Start.V, At: s.At.V, Rule: s.Rule.V, Lasts: s.Lasts.V}, zone)
	switch {
	case err != nil:
		at := map[string]place{"start": s.Start.At, "at": s.At.At, "lasts": s.Lasts.At, "rule": s.Rule.At}
		field, _, _ := strings.Cut(err.Error(), ":")
		c.out.mistake(placeOr(at[field], e.At), fmt.Sprintf("window %s: %s", e.Key, err), "")
	case s.Lasts.V > correlate.MaxMaintenance:
		c.out.mistake(s.Lasts.At, fmt.Sprintf("window %s is longer than seven days", e.Key), "")
	default:
		w.When = r.Next
	}
}

func placeOr(at, fallback place) place {
	if at.src == nil {
		return fallback
	}
	return at
}

// windowZone returns the time zone of a window: its own, or that of the sites it
// covers if they have the same.
func (c *compiler) windowZone(net *correlate.Network, e *entry[windowShape], w *correlate.Window) *time.Location {
	if e.V.TimeZone.Set {
		return c.zone(e.V.TimeZone)
	}
	var zone *time.Location
	for _, scope := range w.Scopes {
		for _, id := range net.Covered(scope) {
			z := net.Site(id).Zone
			if z == nil {
				z = c.centre
			}
			if zone != nil && zone.String() != z.String() {
				c.out.mistake(e.At, fmt.Sprintf("window %s covers sites in %s and in %s", e.Key, zone, z), "add time-zone: to say whose clock counts")
				return zone
			}
			zone = z
		}
	}
	if zone == nil {
		return c.centre
	}
	return zone
}

// paths fills in the addresses of an agent whose silence is an alarm each.
func (c *compiler) paths(e *siteEntry, a *entry[agentShape], agent *correlate.Agent) {
	s := &a.V
	if s.PathSilence == nil || s.PathSilence.or(0) == 0 {
		if s.Path.Set {
			c.out.mistake(s.Path.At, fmt.Sprintf("agent %s: path is for agents whose paths are watched", a.Key), "add path-silence: 1h")
		}
		return
	}
	at := s.PathSilence.At
	agent.PathPoint, agent.PathAllowed = correlate.PointID(s.Path.or("path")), s.PathSilence.V
	for _, addr := range s.Addresses {
		if addr.Set {
			agent.Paths = append(agent.Paths, addr.V.Unmap().String())
		}
	}
	p := e.site.Points[agent.PathPoint]
	switch {
	case len(s.Addresses) < 2:
		c.out.mistake(at, fmt.Sprintf("agent %s has one address, so there is no path beside it", a.Key), "add its other address, or remove path-silence")
	case agent.PathAllowed < minPathSilence || agent.PathAllowed < agent.Allowed():
		c.out.mistake(at, fmt.Sprintf("agent %s: a path may be silent for 15m at least, and for longer than its heartbeat and grace of %s", a.Key, agent.Allowed()), "a path is silent when several signs of life did not come by it")
	case p == nil || p.Kind != correlate.Alive:
		c.out.mistake(at, fmt.Sprintf("agent %s: site %s has no point %s of kind alive for its paths", a.Key, e.site.ID, agent.PathPoint), "add one, or name another with path:")
	}
}

// minPathSilence is the shortest time after which a single path counts as
// silent; the engine's reckoning of paths is no finer.
const minPathSilence = 15 * time.Minute
