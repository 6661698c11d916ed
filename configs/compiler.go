package configs

import (
	"fmt"
	"strings"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/correlate/flap"
	"example.net/standwatch/receiver"
	"example.net/standwatch/receiver/rules"
	"example.net/standwatch/receiver/usm"
)

// compiler turns shapes into what the daemon needs. Its stages run in the order
// of compile and share what they found.
type compiler struct {
	out      *collector
	causes   []string
	defaults pointDefaults
	agentsBy agentDefaults
	centre   *time.Location
	zones    map[string]*time.Location
	places   map[place]string

	plainFlap   *flap.Settings
	derivations rules.Derivations
	templates   map[string]*template
	sites       []*correlate.Site
	byID        map[correlate.SiteID]*siteEntry
	later       []refCheck // references to other sites
	pending     []refCheck // references within the site being built
	badRefs     map[place]*badRef
	badOrder    []place

	communities map[string]Secret
	users       map[string]*usm.User
	userOrder   []*entry[userShape]
	pinned      map[string]bool // users that name their engines themselves
	agents      []*correlate.Agent
	receivers   []receiver.Agent
	asked       []askEntry
	reported    map[place]bool   // mistakes about asking that were said
	taken       map[string]place // addresses, engine IDs and agent IDs, to the agent that has them
}

type pointDefaults struct {
	raiseAfter, clearAfter, reAlarm, hold time.Duration
	flap                                  *flap.Settings
	flapCount                             bool
}

type agentDefaults struct{ heartbeat, grace time.Duration }

// siteEntry is a site with where it is configured.
type siteEntry struct {
	site  *correlate.Site
	shape *siteShape
	at    place
}

func newCompiler(out *collector) *compiler {
	return &compiler{out: out, causes: probableCauses(), centre: time.UTC, zones: map[string]*time.Location{}, places: map[place]string{},
		templates: map[string]*template{}, byID: map[correlate.SiteID]*siteEntry{}, communities: map[string]Secret{}, users: map[string]*usm.User{}, pinned: map[string]bool{}, reported: map[place]bool{},
		taken: map[string]place{}, badRefs: map[place]*badRef{}}
}

// where is file:line of a place; equal places share one string.
func (c *compiler) where(at place) string {
	text, ok := c.places[at]
	if !ok {
		text = at.at()
		c.places[at] = text
	}
	return text
}

// zone loads a time zone. Without a name it is the centre's; an unknown one is
// noted and replaced by the centre's.
func (c *compiler) zone(name text) *time.Location {
	if !name.Set {
		return c.centre
	}
	if z := c.zones[name.V]; z != nil {
		return z
	}
	z, err := time.LoadLocation(name.V)
	if err != nil || name.V == "" || name.V == "Local" {
		c.out.mistake(name.At, fmt.Sprintf("unknown time zone %s", quoted(name.V)), "write an IANA name, such as America/Denver, Europe/Zurich or UTC")
		z = c.centre
	}
	c.zones[name.V] = z
	return z
}

// id checks an ID that somebody gave.
func (c *compiler) id(what, id string, at place) bool {
	if correlate.ValidID(id) {
		return true
	}
	mend := "an ID has 1 to 64 lower-case letters, digits and hyphens, and does not begin with a hyphen"
	if better := plainID(id); correlate.ValidID(better) {
		mend += "; write " + better + ", and the rest as its name"
	}
	c.out.mistake(at, fmt.Sprintf("%s cannot be the ID of %s", quoted(id), what), mend)
	return false
}

// plainID makes of a text what could be an ID: "Gull Rock" becomes gull-rock.
func plainID(text string) string {
	var b strings.Builder
	for _, r := range strings.ToLower(text) {
		switch {
		case r >= 'a' && r <= 'z' || r >= '0' && r <= '9':
			b.WriteRune(r)
		case b.Len() > 0 && !strings.HasSuffix(b.String(), "-"):
			b.WriteByte('-')
		}
	}
	return strings.TrimSuffix(b.String(), "-")
}
