// Package apitest sets up a small centre for the tests of api and console: a
// real store and ledger in a temporary folder, a handful of invented sites,
// and a clock that the test steps. Nothing outside tests imports it.
package apitest

import (
	"context"
	"fmt"
	"sync"
	"testing"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/correlate/flap"
	"example.net/standwatch/receiver/snmp"
	"example.net/standwatch/store"
	"example.net/standwatch/store/ledger"

	"github.com/rs/zerolog"
)

// Centre is a running ledger on a store of its own.
type Centre struct {
	Store  *store.Store
	Ledger *ledger.Ledger
	Net    *correlate.Network

	ctx    context.Context
	mu     sync.Mutex // guards now, id
	now    time.Time
	id     int32
	uptime uint32
}

// Start is where the clock of every centre begins: a Wednesday, in UTC.
var start = time.Date(2026, 11, 25, 6, 0, 0, 0, time.UTC)

// Open starts a centre that ends with the test.
func Open(tb testing.TB) *Centre {
	tb.Helper()
	c := &Centre{now: start, ctx: tb.Context()}
	var err error
	if c.Net, err = Network(); err != nil {
		tb.Fatal(err)
	}
	if c.Store, err = store.Open(tb.TempDir(), store.Options{Now: c.Now}); err != nil {
		tb.Fatal(err)
	}
	if c.Ledger, err = ledger.New(ledger.Options{Store: c.Store, Network: c.Net, Now: c.Now, Log: zerolog.Nop()}); err != nil {
		tb.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.WithoutCancel(tb.Context()))
	ended := make(chan error, 1)
	go func() { ended <- c.Ledger.Run(ctx) }()
	tb.Cleanup(func() {
		cancel()
		if err := <-ended; err != nil {
			tb.Errorf("ledger: %v", err)
		}
		if err := c.Store.Close(); err != nil {
			tb.Errorf("close store: %v", err)
		}
	})
	c.Do(tb, &correlate.Start{Version: "test", Hash: c.Net.Hash()})
	return c
}

// Now is the centre's clock.
func (c *Centre) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.now
}

// Step moves the clock on.
func (c *Centre) Step(d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.now = c.now.Add(d)
	c.uptime += uint32(d / (10 * time.Millisecond))
}

// Submit is what the handlers need to make an input durable.
func (c *Centre) Submit(ctx context.Context, in correlate.Input) ([]correlate.Event, error) {
	r, err := c.Ledger.Submit(ctx, in)
	return r.Events, err
}

// Do submits an input that has to succeed.
func (c *Centre) Do(tb testing.TB, in correlate.Input) []correlate.Event {
	tb.Helper()
	events, err := c.Submit(c.ctx, in)
	if err != nil {
		tb.Fatalf("submit %T: %v", in, err)
	}
	return events
}

// Trap submits what a v2c trap of a site's agent would bring, with the bytes
// of a real datagram.
func (c *Centre) Trap(tb testing.TB, obs ...correlate.Observation) {
	tb.Helper()
	in, err := c.Arrival(obs...)
	if err != nil {
		tb.Fatal(err)
	}
	c.Do(tb, in)
}

// Arrival makes the input of a v2c trap with the observations.
func (c *Centre) Arrival(obs ...correlate.Observation) (*correlate.Arrival, error) {
	c.mu.Lock()
	c.id++
	id, uptime := c.id, c.uptime
	c.mu.Unlock()
	trap := snmp.MustOID("1.3.6.1.4.1.32473.10.0.1")
	b := snmp.Build{Version: snmp.V2c, RequestID: id, Community: "not-for-eyes", TrapOID: trap, Uptime: uptime}
	for i, o := range obs {
		b.Varbinds = append(b.Varbinds, snmp.Varbind{Name: []byte(snmp.MustOID(fmt.Sprintf("1.3.6.1.4.1.32473.10.1.%d.0", i+1))), Tag: snmp.TagOctetString, Value: []byte(o.Text)})
	}
	datagram, err := b.Append(nil)
	if err != nil {
		return nil, fmt.Errorf("make a datagram: %w", err)
	}
	in := &correlate.Arrival{Datagram: datagram, From: "192.0.2.10:161", Listener: "main", Version: "v2c", RequestID: id, Origin: "192.0.2.10",
		TrapOID: trap.String(), Uptime: uptime, HasUptime: true, Observations: obs}
	if len(obs) > 0 {
		in.Agent = correlate.AgentID(string(obs[0].Key.Site) + "-rtu")
	} else {
		in.Unmatched = "no rule for this trap"
	}
	for i := range in.Observations {
		if in.Observations[i].Rule == "" {
			in.Observations[i].Rule = "rules/remote.yaml:12 contact"
		}
	}
	return in, nil
}

// Raise is an observation that a point's condition is there.
func Raise(site, point, text string) correlate.Observation {
	return correlate.Observation{Key: Key(site, point), What: correlate.Raise, Text: text}
}

// Clear is an observation that it is gone.
func Clear(site, point string) correlate.Observation {
	return correlate.Observation{Key: Key(site, point), What: correlate.Clear}
}

// Key names a point's alarm.
func Key(site, point string) correlate.Key {
	return correlate.Key{Site: correlate.SiteID(site), Point: correlate.PointID(point)}
}

// Network returns the invented sites: a hub, and leaf sites that hang on it.
func Network() (*correlate.Network, error) {
	settings := flap.Default()
	low, lowLow := &correlate.Limit{At: 47, DeadBand: 0.5, Severity: correlate.Minor}, &correlate.Limit{At: 44.5, DeadBand: 0.5, Severity: correlate.Critical}
	names := map[correlate.SiteID]string{"self": "This master", "tern-point": "Tern Point", "harrow-knoll": "Harrow Knoll", "sallow-fen": "Sallow Fen", "quarry-gate": "Quarry Gate", "stonecrop-ridge": "Stonecrop Ridge"}
	var sites []*correlate.Site
	var agents []*correlate.Agent
	for _, id := range []correlate.SiteID{"self", "tern-point", "harrow-knoll", "sallow-fen", "quarry-gate", "stonecrop-ridge"} {
		s := &correlate.Site{ID: id, Name: names[id], Region: "north", Crew: "north crew", Zone: time.UTC, Points: map[correlate.PointID]*correlate.Point{}}
		if id == "self" {
			s.Region = ""
			s.Points["intake"] = &correlate.Point{ID: "intake", Kind: correlate.Discrete, Name: "Intake", AlarmWord: "No trap comes in", NormalWord: "Traps come in", Severity: correlate.Major}
			sites = append(sites, s)
			continue
		}
		if id == "quarry-gate" || id == "stonecrop-ridge" {
			s.Region = "south"
		}
		s.Access = "Key box at the gate, code with the crew."
		s.Links = []correlate.WebLink{{Name: "remote's page", URL: "https://rtu." + string(id) + ".example.net/"}, {Name: "bad", URL: "javascript:alert(1)"}}
		if id != "tern-point" {
			s.Upstream = "tern-point"
		}
		for _, p := range points(id, &settings, low, lowLow) {
			s.Points[p.ID] = p
		}
		agent := &correlate.Agent{ID: correlate.AgentID(string(id) + "-rtu"), Site: id, Point: "heard", Heartbeat: 10 * time.Minute, Grace: time.Minute}
		s.Agents = []correlate.AgentID{agent.ID}
		sites, agents = append(sites, s), append(agents, agent)
	}
	return correlate.NewNetwork(sites, agents, "test-hash")
}

func points(site correlate.SiteID, settings *flap.Settings, low, lowLow *correlate.Limit) []*correlate.Point {
	self := func(p correlate.PointID) correlate.Ref { return correlate.Ref{Site: site, Point: p} }
	out := []*correlate.Point{
		{ID: "mains", Kind: correlate.Discrete, Number: 1, Name: "Mains supply", AlarmWord: "Mains failed", NormalWord: "Mains present", Class: "power", Severity: correlate.Major,
			Instructions: "Look whether the generator has started.\nWithout one the battery lasts about four hours.", ConfiguredAt: "sites/templates.yaml:14"},
		{ID: "rectifier", Kind: correlate.Discrete, Number: 2, Name: "Rectifier", AlarmWord: "Rectifier failed", NormalWord: "Rectifier works", Class: "power", Severity: correlate.Minor, ExplainedBy: []correlate.Ref{self("mains")}},
		{ID: "battery", Kind: correlate.Analog, Number: 3, Name: "Battery voltage", AlarmWord: "Battery low", NormalWord: "Battery well", Class: "power", Severity: correlate.Minor, Unit: "V", Decimals: 1,
			Limits: correlate.Limits{Low: low, LowLow: lowLow}, Caution: "Battery rooms can hold hydrogen. Air them before any work."},
		{ID: "door", Kind: correlate.Discrete, Number: 4, Name: "Shelter door", AlarmWord: "Door open", NormalWord: "Door closed", Class: "security", Severity: correlate.Warning, Flap: settings},
		{ID: "tower-light", Kind: correlate.Discrete, Number: 5, Name: "Obstruction light", AlarmWord: "Obstruction light failed", NormalWord: "Obstruction light works", Class: "tower", Severity: correlate.Critical, Regulated: true,
			Caution: "A failed light can be reportable within 30 minutes (47 CFR 17.48). Local rules decide."},
		{ID: "heard", Kind: correlate.Alive, Name: "Remote heard", AlarmWord: "Remote silent", NormalWord: "Remote heard again", Class: "alive", Severity: correlate.Major},
	}
	if site == "tern-point" {
		out = append(out, &correlate.Point{ID: "trunk", Kind: correlate.Link, Number: 6, Name: "Trunk to the leaf sites", AlarmWord: "Trunk down", NormalWord: "Trunk up", Class: "link", Severity: correlate.Critical})
	} else {
		out[5].ExplainedBy = []correlate.Ref{{Site: "tern-point", Point: "trunk"}}
	}
	return out
}
