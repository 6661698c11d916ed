package demo

import (
	"time"

	"example.net/standwatch/correlate"
)

// deed is what a remote does.
type deed uint8

const (
	closes   deed = iota + 1 // a contact goes into alarm
	opens                    // a contact goes back to normal
	reads                    // an analog input reports a value
	admits                   // a door lets a card holder in
	drops                    // a link goes down
	restores                 // a link comes up
	hushes                   // the remote says nothing any more
	wakes                    // the remote speaks again
	loses                    // a contact goes into alarm, and the report of it is lost on the way
)

// act is one deed at one site. value is the reading in the point's unit, or
// the index of the interface of a link.
type act struct {
	do    deed
	site  correlate.SiteID
	point correlate.PointID
	value float64
}

// Beat is one moment of the story.
type Beat struct {
	At    time.Duration // since the story began
	Ahead time.Duration // how long before At it is said
	Say   string        // what is about to happen: "the mains fail at Harrow Knoll"
	Look  string        // what to look for, said when it happens
	acts  []act
}

// Script is the story, in order of time.
func Script() []Beat {
	var script []Beat
	for _, scene := range [][]Beat{mainsFailure(), door(), lostReport(), nobodyTakes(), hubLink(), silence(), normal()} {
		script = append(script, scene...)
	}
	return script
}

const (
	harrow = correlate.SiteID("harrow-knoll")
	sallow = correlate.SiteID("sallow-fen")
	tern   = correlate.SiteID("tern-point")
	quarry = correlate.SiteID("quarry-gate")
)

// mainsFailure takes the mains from a site, whose generator does not start, and
// lets its battery run down.
func mainsFailure() []Beat {
	beats := []Beat{
		{
			At: 20 * time.Second, Ahead: 20 * time.Second,
			Say:  "the mains fail at Harrow Knoll, and the rectifiers with them",
			Look: "one alarm is told; the rectifier failure stands under it as its consequence",
			acts: []act{{do: closes, site: harrow, point: "mains"}, {do: closes, site: harrow, point: "rectifier"}},
		},
		{
			At: 32 * time.Second, Ahead: 6 * time.Second,
			Say:  "the generator at Harrow Knoll ought to start, and does not",
			Look: "a critical alarm of its own, for no mains failure explains it",
			acts: []act{{do: closes, site: harrow, point: "generator-fail"}},
		},
	}
	// Low is 47.5 V and low-low 44.5 V.
	for i, volts := range []float64{52.1, 50.3, 48.6, 47.2, 46.1, 45.2, 44.3, 43.6} {
		b := Beat{
			At:   time.Duration(38+20*i) * time.Second,
			acts: []act{{do: reads, site: harrow, point: "battery-voltage", value: volts}},
		}
		if i == 1 {
			b.Ahead, b.Say = 8*time.Second, "the battery at Harrow Knoll begins to run down through its limits"
			b.Look = "the low limit first, later the low-low limit: the same alarm gets worse and asks again"
		}
		beats = append(beats, b)
	}
	return beats
}

// door lets a door contact chatter.
func door() []Beat {
	beats := []Beat{{
		At: 45 * time.Second, Ahead: 5 * time.Second,
		Say:  "a loose door contact at Sallow Fen begins to chatter",
		Look: "after a few turns the alarm is marked as flapping and stands once, however often it turns",
	}}
	for i := range 9 {
		at := time.Duration(45+4*i) * time.Second
		beats = append(beats,
			Beat{At: at, acts: []act{{do: closes, site: sallow, point: "door"}}},
			Beat{At: at + 2*time.Second, acts: []act{{do: opens, site: sallow, point: "door"}}})
	}
	return beats
}

// behind are the leaf sites whose transport hangs on the hub's north link.
func behind() []correlate.SiteID {
	return []correlate.SiteID{"stonecrop-ridge", "larch-bend", "otter-sluice"}
}

// hubLink cuts a hub's link and with it the leaf sites behind it.
func hubLink() []Beat {
	acts := []act{{do: drops, site: "north-hub", point: "link", value: 3}}
	for _, leaf := range behind() {
		acts = append(acts, act{do: hushes, site: leaf})
	}
	return []Beat{{
		At: 110 * time.Second, Ahead: 15 * time.Second,
		Say:  "the north hub loses a link, and the leaf sites behind it can no longer be heard",
		Look: "the link is told at once; when the leaf sites miss their heartbeats, their silence stands under it and wakes nobody",
		acts: acts,
	}}
}

// silence lets one remote die.
func silence() []Beat {
	return []Beat{{
		At: 130 * time.Second, Ahead: 10 * time.Second,
		Say:  "the remote at Tern Point goes silent, for no reason that anybody knows of",
		Look: "nothing at first, for silence says nothing; then its missed heartbeat becomes an alarm of its own",
		acts: []act{{do: hushes, site: tern}},
	}}
}

// lostReport loses a trap, and lets the remote's own count and the question
// that follows from it find out.
func lostReport() []Beat {
	return []Beat{
		{
			At: 60 * time.Second, Ahead: 5 * time.Second,
			Say:  "the rectifier at Quarry Gate fails, and the trap that reports it is lost on the way",
			Look: "nothing at first; the remote's next report has a number too many, so the master asks it, and the alarm is found by audit",
			acts: []act{{do: loses, site: quarry, point: "rectifier"}},
		},
		{At: 215 * time.Second, acts: []act{{do: opens, site: quarry, point: "rectifier"}}},
	}
}

// nobodyTakes raises an alarm that is left alone until its ladder has ended.
func nobodyTakes() []Beat {
	return []Beat{{
		At: 85 * time.Second, Ahead: 10 * time.Second,
		Say:  "the obstruction light at Quarry Gate fails, and we ask you to leave it alone",
		Look: "the call-out climbs its ladder on the outbox page: after 40 s the stand-in, after 80 s the supervisor and the desk",
		acts: []act{{do: closes, site: quarry, point: "tower-light"}},
	}}
}

// normal puts everything right again.
func normal() []Beat {
	links := []act{{do: restores, site: "north-hub", point: "link", value: 3}}
	for _, leaf := range behind() {
		links = append(links, act{do: wakes, site: leaf})
	}
	return []Beat{
		{At: 225 * time.Second, Ahead: 10 * time.Second, Say: "the north hub's link comes back, and the leaf sites with it",
			Look: "link and leaves clear together", acts: links},
		{At: 240 * time.Second, Ahead: 5 * time.Second, Say: "the mains return to Harrow Knoll",
			Look: "the consequence clears with its cause, and the battery climbs back; the generator's alarm is latched, so it stays until somebody acknowledges it",
			acts: []act{{do: opens, site: harrow, point: "mains"}, {do: opens, site: harrow, point: "rectifier"},
				{do: opens, site: harrow, point: "generator-fail"}}},
		{At: 246 * time.Second, acts: []act{{do: reads, site: harrow, point: "battery-voltage", value: 50.4}}},
		{At: 252 * time.Second, acts: []act{{do: reads, site: harrow, point: "battery-voltage", value: 53.8}}},
		{At: 262 * time.Second, Ahead: 5 * time.Second, Say: "somebody restarts the remote at Tern Point",
			Look: "its first word ends its silence", acts: []act{{do: wakes, site: tern}}},
		{At: 290 * time.Second, Ahead: 10 * time.Second, Say: "the obstruction light at Quarry Gate is lit again",
			Look: "the alarm clears, its call-out ends, and whoever was told hears that it is over",
			acts: []act{{do: opens, site: quarry, point: "tower-light"}}},
		{At: 300 * time.Second, Say: "nothing is wrong in the basin any more",
			Look: "the door at Sallow Fen, which counts as flapping until it has been quiet for some minutes, and the generator at Harrow Knoll, which waits for an acknowledgement"},
	}
}
