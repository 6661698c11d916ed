package main

import (
	"context"
	"fmt"
	"sync"
	"time"

	"example.net/standwatch/cmd/standwatch/console"
	"example.net/standwatch/configs"
	"example.net/standwatch/notify/forward"
	"example.net/standwatch/notify/northbound"
	"example.net/standwatch/notify/syslog"
)

// forwarders hand alarms on to the other managers that are configured when the
// daemon starts.
type forwarders struct {
	list   []*forward.Forwarder
	cancel []func()
}

func (d *daemon) newForwarders() (*forwarders, error) {
	out := &forwarders{}
	for _, f := range d.config.Forward {
		sender, err := d.forwardSender(f)
		if err != nil {
			return nil, fmt.Errorf("hand alarms on to %s: %w", f.Name, err)
		}
		wake, cancel := d.ledger.Follow()
		fw, err := forward.New(forward.Options{Name: f.Name, Journal: d.store, Board: d.ledger, Wake: wake, Sender: sender, AtLeast: f.AtLeast, Now: d.opts.Now, Log: d.log})
		if err != nil {
			return nil, err
		}
		out.list, out.cancel = append(out.list, fw), append(out.cancel, cancel)
	}
	return out, nil
}

func (d *daemon) forwardSender(f configs.Forward) (forward.Sender, error) {
	if f.SNMP != nil {
		id := d.store.Identity()
		return northbound.New(*f.SNMP, northbound.Identity{EngineID: id.EngineID, Boots: id.Boots, Started: d.opts.Now(), Now: d.opts.Now, Cause: configs.CauseNumber})
	}
	o := *f.Syslog
	o.EventType = configs.CauseEvent
	return syslog.New(o)
}

// run hands on until ctx ends.
func (f *forwarders) run(ctx context.Context) error {
	var all sync.WaitGroup
	for i, fw := range f.list {
		all.Go(func() {
			defer f.cancel[i]()
			_ = fw.Run(ctx) // it returns nil: what goes wrong is tried again, and told
		})
	}
	all.Wait()
	return nil
}

// health returns how each does.
func (f *forwarders) health() []forward.Health {
	var out []forward.Health
	for _, fw := range f.list {
		out = append(out, fw.Health())
	}
	return out
}

// forwards tells the pages how each does.
func (d *daemon) forwards() (out []console.Forward) {
	how := map[string]string{}
	for _, f := range d.config.Forward {
		how[f.Name] = "syslog"
		if f.SNMP != nil {
			how[f.Name] = "traps and informs"
		}
	}
	for _, h := range d.forwarders.health() {
		out = append(out, console.Forward{Name: h.Name, How: how[h.Name], Sent: h.Sent, Position: h.Position, Backlog: h.Backlog, Failures: h.Failures, Err: h.Err, Since: h.Since})
	}
	return out
}

// forwardStands is how long another manager may be away before that is a fault.
const forwardStands = time.Minute

// forwards notes that another manager takes no alarms.
func (w *selfWatch) forwards(ctx context.Context) {
	for _, h := range w.d.forwarders.health() {
		away := !h.Since.IsZero() && w.d.opts.Now().Sub(h.Since) >= forwardStands
		w.say(ctx, configs.SelfForward, h.Name, away, fmt.Sprintf("%s takes no alarms, %d records wait: %s", h.Name, h.Backlog, h.Err))
	}
}
