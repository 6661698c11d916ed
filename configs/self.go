package configs

import (
	_ "embed"

	"example.net/standwatch/correlate"
	"example.net/standwatch/notify"
)

// Points of the site self, on which the master reports its own faults.
// SelfGateway has the gateway's name as its instance, SelfRoster the roster's.
const (
	SelfIntake  correlate.PointID = "intake"            // traps lost inside the master
	SelfCommit  correlate.PointID = "commit"            // the journal cannot be written
	SelfDisk    correlate.PointID = "disk"              // the data folder's disk is filling
	SelfGateway                   = notify.GatewayPoint // a gateway takes no messages
	SelfWatcher correlate.PointID = "watcher"           // the watcher outside does not hear the heartbeat
	SelfRoster  correlate.PointID = "roster"            // nobody is on call
	SelfConfig  correlate.PointID = "config"            // a reload was refused
	SelfMemory  correlate.PointID = "memory"            // memory runs out
	SelfRefused correlate.PointID = "refused"           // much of what arrives cannot be read or believed
	SelfRules   correlate.PointID = "rules"             // rules fail
	SelfClock   correlate.PointID = "clock"             // the clock jumped
	SelfAudit   correlate.PointID = "audit"             // agents do not answer when asked
	SelfQueue   correlate.PointID = "queue"             // the queue before the journal is filling
	SelfForward correlate.PointID = "forward"           // another manager takes no alarms
	SelfHistory correlate.PointID = "history"           // the journal cannot be tidied, or a part of it is missing
	SelfBackup  correlate.PointID = "backup"            // what happened is in no backup
)

//go:embed self.yaml
var selfYAML []byte

// selfTemplate is the name of the template in self.yaml.
const selfTemplate = "self"

func selfSource() *source { return &source{name: "built-in/self.yaml", text: selfYAML} }

// declareSelf makes the master's own site, or gives the configured one its
// points.
func (c *compiler) declareSelf() {
	use := useShape{Use: text{V: selfTemplate, Set: true}}
	if e := c.byID[correlate.SiteSelf]; e != nil {
		e.shape.Templates = append(list[useShape]{use}, e.shape.Templates...)
		return
	}
	site := &correlate.Site{ID: correlate.SiteSelf, Name: "This master", Zone: c.centre, Tags: []string{selfTemplate}, Points: map[correlate.PointID]*correlate.Point{}}
	c.sites = append(c.sites, site)
	c.byID[correlate.SiteSelf] = &siteEntry{site: site, shape: &siteShape{Templates: list[useShape]{use}}}
}
