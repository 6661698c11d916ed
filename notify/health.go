package notify

import (
	"context"
	"time"

	"example.net/standwatch/correlate"
)

// GatewayPoint is the point of the site self that stands while a gateway is out
// of order; its instance is the gateway's name. Such an alarm is told over
// other gateways, and so is everything else while it stands.
const GatewayPoint correlate.PointID = "gateway"

// broken returns the gateways that are known to be out of order.
func (c *climb) broken() map[string]bool {
	var out map[string]bool
	for name := range c.gateways {
		a := c.st.Alarms[correlate.Key{Site: correlate.SiteSelf, Point: GatewayPoint, Instance: name}]
		if a == nil || !a.Standing {
			continue
		}
		if out == nil {
			out = map[string]bool{}
		}
		out[name] = true
	}
	return out
}

// reachable returns the person's addresses at the gateways, as over does, but
// leaves out those that are out of order where another is left.
func (w *person) reachable(gateways []string, broken map[string]bool) []Address {
	over := w.over(gateways)
	if len(broken) == 0 || len(over) == 0 {
		return over
	}
	var good []Address
	for _, a := range over {
		if !broken[a.Gateway] {
			good = append(good, a)
		}
	}
	if len(good) > 0 {
		return good
	}
	for _, a := range w.Channels {
		if !broken[a.Gateway] {
			return []Address{a}
		}
	}
	return over
}

// Prober is a channel that can see whether its gateway would take a message,
// by logging in to it, without sending one.
type Prober interface {
	// Probe makes one attempt. It returns by the time ctx ends. Accepted says
	// that a message would be tried.
	Probe(ctx context.Context) Result
}

// probeEvery is how often a gateway that has nothing to send is looked at.
// Judgement, no source: at night a gateway that broke is found within minutes
// and not by the alarm that needs it.
const probeEvery = 5 * time.Minute

// recentTries is over how many attempts the rate of failures is taken.
const recentTries = 20

// recent is how the last attempts of a gateway went, oldest first.
type recent []bool

func (r recent) with(failed bool) recent {
	if len(r) >= recentTries {
		r = r[1:]
	}
	return append(r, failed)
}

func (r recent) failed() (n int) {
	for _, failed := range r {
		if failed {
			n++
		}
	}
	return n
}

// probe looks at the gateways that were not tried lately.
func (r *Runner) probe(start func(name string, p Prober)) {
	now := r.o.Now()
	r.mu.Lock()
	defer r.mu.Unlock()
	for name, ch := range r.channels {
		p, ok := ch.(Prober)
		g := r.gateways[name]
		if !ok || g == nil || g.busy > 0 || now.Sub(g.health.LastTry) < probeEvery || now.Sub(g.probed) < probeEvery {
			continue
		}
		g.probed = now
		start(name, p)
	}
}

// probed notes what looking at a gateway came to.
func (r *Runner) probed(ctx context.Context, name string, p Prober) {
	ctx, cancel := context.WithTimeout(ctx, r.o.Attempt)
	defer cancel()
	result := p.Probe(ctx)
	if ctx.Err() != nil && result.Outcome != correlate.Accepted {
		result.Answer = "no answer in time: " + result.Answer
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	g := r.gateways[name]
	if g == nil {
		return
	}
	if result.Outcome == correlate.Accepted {
		g.health.ProbeFailed = ""
		g.health.Failures = 0
		return
	}
	g.health.ProbeFailed = result.Answer
}
