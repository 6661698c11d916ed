package configs

import (
	"strings"

	"go.yaml.in/yaml/v4"

	"example.net/standwatch/correlate"
)

// sitesFile is the shape of sites/*.yaml.
type sitesFile struct {
	Templates entries[templateShape] `yaml:"templates" jsonschema_description:"Point sheets that sites take, by name."`
	Sites     entries[siteShape]     `yaml:"sites" jsonschema_description:"Sites, by their ID: lower-case letters, digits and hyphens."`
	Points    entries[pointEntries]  `yaml:"points" jsonschema_description:"Point lists by site ID, laid over the templates and points of the site, field by field; what the import of a point list writes."`
}

// pointEntries are points by their ID.
type pointEntries = entries[*pointShape]

type templateShape struct {
	Here       place                `yaml:"-"`
	About      text                 `yaml:"about" jsonschema_description:"What the sheet is for."`
	Parameters entries[paramShape]  `yaml:"parameters" jsonschema_description:"Words that {name} in the sheet stands for, with their defaults; without a value the site must give one."`
	Points     entries[*pointShape] `yaml:"points" jsonschema_description:"Points, by their ID."`
	Ask        *askShape            `yaml:"ask" jsonschema_description:"How the agents of sites with this sheet are asked for their true state, and what."`
}

// paramShape is the default of a parameter, or nothing.
type paramShape struct{ text }

func (p *paramShape) decodeNode(d *decoder, n *yaml.Node) {
	if !isNull(n) {
		p.text.decodeNode(d, n)
	}
}

type siteShape struct {
	Here        place                `yaml:"-"`
	Name        text                 `yaml:"name" jsonschema_description:"What people call the site."`
	Region      text                 `yaml:"region" jsonschema_description:"Free grouping, for routes and filters."`
	Crew        text                 `yaml:"crew" jsonschema_description:"Who looks after it; free text for the alarm page."`
	Tags        list[text]           `yaml:"tags" jsonschema_description:"Free words, for routes and rules."`
	TimeZone    text                 `yaml:"time-zone" jsonschema_description:"IANA time zone; the centre's when left out."`
	Coordinates *coordinates         `yaml:"coordinates" jsonschema_description:"Where it is, in WGS 84 degrees."`
	Access      text                 `yaml:"access" jsonschema_description:"How to get in."`
	Caution     text                 `yaml:"caution" jsonschema_description:"What can hurt there; shown with every alarm of the site."`
	Links       []linkShape          `yaml:"links" jsonschema_description:"Addresses that the alarm page offers."`
	Cameras     []linkShape          `yaml:"cameras" jsonschema_description:"Still pictures (http or https) that the console fetches and shows when an operator asks; the operator's browser never talks to the camera."`
	Upstream    text                 `yaml:"upstream" jsonschema_description:"ID of the site its transport hangs on."`
	Templates   list[useShape]       `yaml:"templates" jsonschema_description:"Point sheets it takes; a later one overrides an earlier one, field by field."`
	With        entries[text]        `yaml:"with" jsonschema_description:"Values for the parameters of its templates."`
	Agents      entries[agentShape]  `yaml:"agents" jsonschema_description:"SNMP entities that report for it, by ID."`
	Points      entries[*pointShape] `yaml:"points" jsonschema_description:"Points of its own, and single fields that override those of its templates."`
}

type coordinates struct {
	Here      place  `yaml:"-"`
	Latitude  number `yaml:"latitude" jsonschema_description:"Degrees north, -90 to 90."`
	Longitude number `yaml:"longitude" jsonschema_description:"Degrees east, -180 to 180."`
}

type linkShape struct {
	Here place `yaml:"-"`
	Name text  `yaml:"name" jsonschema_description:"What the link is called."`
	URL  text  `yaml:"url" jsonschema_description:"http, https or ssh address."`
}

// useShape takes a template: its name alone, or with values.
type useShape struct {
	Use  text          `yaml:"use" jsonschema_description:"Name of the template."`
	With entries[text] `yaml:"with" jsonschema_description:"Values for its parameters; they go before those of the site."`
}

// useKeys is useShape without its own way of decoding.
type useKeys useShape

func (u *useShape) decodeNode(d *decoder, n *yaml.Node) {
	if n.Kind == yaml.MappingNode {
		d.into(n, (*useKeys)(u))
		return
	}
	u.Use.decodeNode(d, n)
}

type agentShape struct {
	Here        place         `yaml:"-"`
	Addresses   list[address] `yaml:"addresses" jsonschema_description:"IP addresses it sends from; two networks are normal."`
	EngineIDs   list[engine]  `yaml:"engine-id" jsonschema_description:"SNMPv3 engine ID in hexadecimal, or several."`
	Community   list[text]    `yaml:"community" jsonschema_description:"Name or names under security.communities, for v1 and v2c; without it and without user, the listener's."`
	User        list[text]    `yaml:"user" jsonschema_description:"Name or names under security.users, for v3; without a community too, v1 and v2c are refused."`
	Certificate list[text]    `yaml:"certificate" jsonschema_description:"SHA-256 fingerprint in hexadecimal of the certificate it shows over TLS, or several; without community and user, everything else is refused."`
	CertNames   list[text]    `yaml:"certificate-name" jsonschema_description:"Name in the certificate it shows over TLS, where the listener's authorities vouch for it."`
	Minimum     text          `yaml:"minimum" jsonschema_description:"Weakest SNMPv3 security taken: noAuthNoPriv, authNoPriv or authPriv; v1 and v2c are then refused."`
	Heartbeat   *span         `yaml:"heartbeat" jsonschema_description:"How often it owes a sign of life; 0s owes none."`
	Grace       *span         `yaml:"grace" jsonschema_description:"How long after that before silence is an alarm."`
	Alive       text          `yaml:"alive" jsonschema_description:"The point that its silence raises; default alive."`
	Instance    text          `yaml:"instance" jsonschema_description:"Instance of that point; default none for a site's only agent, else the agent's ID."`
	Rate        *number       `yaml:"rate" jsonschema_description:"Datagrams a second before its chatter is coalesced; left out, no bound."`
	Burst       *integer      `yaml:"burst" jsonschema_description:"How many at once are always taken."`
	PathSilence *span         `yaml:"path-silence" jsonschema_description:"How long one of its addresses may stay silent while another is heard, 15m or more; left out, paths are not watched."`
	Path        text          `yaml:"path" jsonschema_description:"The point that a silent path raises, with the address as its instance; default path."`
	Ask         *askShape     `yaml:"ask" jsonschema_description:"How it is asked for its true state, and what."`
}

// pointShape has pointers, so that what is not given costs nothing and is known
// not to be given.
type pointShape struct {
	Here         place              `yaml:"-"`
	Remove       *truth             `yaml:"remove" jsonschema_description:"The site does not have this point of its template."`
	Number       *integer           `yaml:"number" jsonschema_description:"Number in the remote's own point list; rules find the point by it."`
	Kind         *val[kind]         `yaml:"kind" jsonschema_description:"discrete (default), analog, link, alive, entry or derived."`
	Name         *text              `yaml:"name" jsonschema_description:"What is watched, in a person's words: Mains supply."`
	Alarm        *text              `yaml:"alarm" jsonschema_description:"What is said while it stands: Mains failed."`
	Normal       *text              `yaml:"normal" jsonschema_description:"What is said when it clears: Mains present."`
	Normally     *text              `yaml:"normally" jsonschema_description:"How a contact is wired: open or closed while all is well. Decides what it means when a rule reports the contact open or closed, and is told with the instructions."`
	Class        *text              `yaml:"class" jsonschema_description:"Free grouping for routes: power, climate, security."`
	Cause        *text              `yaml:"cause" jsonschema_description:"Probable cause: a name of IANAItuProbableCause (RFC 3877)."`
	Severity     *severity          `yaml:"severity" jsonschema_description:"Perceived severity of ITU-T X.733."`
	RaiseAfter   *span              `yaml:"raise-after" jsonschema_description:"The condition must hold this long before it is an alarm."`
	ClearAfter   *span              `yaml:"clear-after" jsonschema_description:"And be gone this long before it is cleared."`
	Latch        *truth             `yaml:"latch" jsonschema_description:"Stays on the board after clearing until acknowledged."`
	ReAlarm      *span              `yaml:"re-alarm" jsonschema_description:"Still standing and untaken after this long, it asks again."`
	Flap         *flapShape         `yaml:"flap" jsonschema_description:"Flap suppression: on, off, count-only, or its settings."`
	ExplainedBy  *list[text]        `yaml:"explained-by" jsonschema_description:"Points whose alarm explains this one: point, upstream/point or site/point, each with :instance if one is meant."`
	Hold         *span              `yaml:"hold" jsonschema_description:"How long a cause may take to show before the alarm is told."`
	ExcusedBy    *list[excuseShape] `yaml:"excused-by" jsonschema_description:"Events that keep the alarm quiet for a while."`
	Unit         *text              `yaml:"unit" jsonschema_description:"Unit of an analog point."`
	Scale        *number            `yaml:"scale" jsonschema_description:"Engineering value = raw * scale + offset."`
	Offset       *number            `yaml:"offset" jsonschema_description:"See scale."`
	Decimals     *integer           `yaml:"decimals" jsonschema_description:"How many decimals the value is shown with, 0 to 9."`
	Limits       *limitsShape       `yaml:"limits" jsonschema_description:"Limits of an analog point, in engineering units."`
	Plausible    *rangeShape        `yaml:"plausible" jsonschema_description:"Range outside which the sensor is not believed."`
	Rate         *rateShape         `yaml:"rate" jsonschema_description:"How far an analog value may move within a time."`
	Stuck        *stuckShape        `yaml:"stuck" jsonschema_description:"A value that does not move at all is a fault of its sensor."`
	When         *text              `yaml:"when" jsonschema_description:"Condition of a derived point, in CEL over points of its site: stands[\"mains\"] and value[\"temp-1\"]. Write {{ for {."`
	Instructions *text              `yaml:"instructions" jsonschema_description:"What whoever answers is to do."`
	Caution      *text              `yaml:"caution" jsonschema_description:"What can hurt, and what the law wants."`
	Regulated    *truth             `yaml:"regulated" jsonschema_description:"Legally reportable: flapping never hides it."`
	QuietClear   *truth             `yaml:"quiet-clear" jsonschema_description:"Those told of the alarm are not told that it cleared."`
}

// kind is correlate.Kind; the alias keeps the table above readable.
type kind = correlate.Kind

type limitsShape struct {
	Here     place       `yaml:"-"`
	LowLow   *limitShape `yaml:"low-low"`
	Low      *limitShape `yaml:"low"`
	High     *limitShape `yaml:"high"`
	HighHigh *limitShape `yaml:"high-high"`
}

type limitShape struct {
	Here     place    `yaml:"-"`
	At       number   `yaml:"at" jsonschema_description:"Beyond this the limit is violated."`
	DeadBand number   `yaml:"dead-band" jsonschema_description:"It ends when the value is back inside by this much."`
	Severity severity `yaml:"severity" jsonschema_description:"The point's own when left out."`
}

type rangeShape struct {
	Here place  `yaml:"-"`
	Min  number `yaml:"min"`
	Max  number `yaml:"max"`
}

type rateShape struct {
	Here     place    `yaml:"-"`
	Rise     number   `yaml:"rise" jsonschema_description:"It may rise by this much, in the point's unit; left out, rising is not watched."`
	Fall     number   `yaml:"fall" jsonschema_description:"And fall by this much."`
	Within   span     `yaml:"within" jsonschema_description:"Within this time."`
	DeadBand number   `yaml:"dead-band" jsonschema_description:"The alarm ends when it has moved less by this much."`
	Severity severity `yaml:"severity" jsonschema_description:"The point's own when left out."`
}

type stuckShape struct {
	Here     place    `yaml:"-"`
	After    span     `yaml:"after" jsonschema_description:"Readings keep coming and stay the same for this long."`
	By       number   `yaml:"by" jsonschema_description:"What counts as the same, in the point's unit; 0 when left out."`
	Severity severity `yaml:"severity" jsonschema_description:"The point's own when left out."`
}

type excuseShape struct {
	Here  place `yaml:"-"`
	Event text  `yaml:"event" jsonschema_description:"The entry point whose event excuses: point, upstream/point or site/point."`
	For   span  `yaml:"for" jsonschema_description:"How long after the event."`
}

// flapShape is flap suppression of a point: a word, or settings.
type flapShape struct {
	Mode string // "on", "off" or "count-only"
	At   place
	flapKeys
}

type flapKeys struct {
	Here          place  `yaml:"-"`
	CountOnly     truth  `yaml:"count-only" jsonschema_description:"Count flapping, but do not act on it."`
	Cut           number `yaml:"cut" jsonschema_description:"Flapping begins above this figure of merit; each rise adds 1."`
	Reuse         number `yaml:"reuse" jsonschema_description:"It ends below this, once clear."`
	HalfLifeClear span   `yaml:"half-life-clear" jsonschema_description:"Half-life while clear."`
	HalfLifeStand span   `yaml:"half-life-standing" jsonschema_description:"Half-life while standing."`
	MaxHold       span   `yaml:"max-hold" jsonschema_description:"Longest time flapping lasts after the last rise."`
}

func flapWords() []string { return []string{"on", "off", "count-only"} }

func (f *flapShape) decodeNode(d *decoder, n *yaml.Node) {
	f.At = d.at(n)
	if n.Kind == yaml.MappingNode {
		f.Mode = "on"
		d.into(n, &f.flapKeys)
		return
	}
	word, ok := d.scalar(n)
	if !ok {
		return
	}
	switch f.Mode = strings.ToLower(word); f.Mode {
	case "on", "off", "count-only":
	case "yes", "true":
		f.Mode = "on"
	case "no", "false":
		f.Mode = "off"
	default:
		d.mistake(n, "unknown flap suppression "+quoted(word), DidYouMean(word, flapWords()))
		f.Mode = ""
	}
}
