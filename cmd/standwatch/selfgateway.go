package main

import (
	"context"
	"fmt"
	"time"

	"example.net/standwatch/configs"
	"example.net/standwatch/notify"
)

// When a gateway's fault stands. Judgement, no source: within the waits that
// ladders usually have.
const (
	queueOld  = 3 * time.Minute // the oldest message that is due has waited so long
	rateTries = 10              // attempts that a rate is worth looking at from
)

// gateways looks at the gateways: their login, the age of their queues, and how
// often they fail.
func (w *selfWatch) gateways(ctx context.Context) {
	now := w.d.opts.Now()
	for _, g := range w.d.runner.Health() {
		why := gatewayFault(g, now)
		w.say(ctx, configs.SelfGateway, g.Gateway, why != "", "Gateway "+g.Gateway+" "+why)
	}
}

// gatewayFault says what is wrong with a gateway, or "".
func gatewayFault(g notify.GatewayHealth, now time.Time) string {
	switch {
	case g.Trouble != "":
		return "cannot be used: " + g.Trouble
	case g.ProbeFailed != "":
		return "does not let us in: " + g.ProbeFailed
	case g.Failures >= gatewayFails:
		return fmt.Sprintf("failed %d times in a row: %s", g.Failures, g.LastAnswer)
	case !g.Oldest.IsZero() && now.Sub(g.Oldest) > queueOld:
		return fmt.Sprintf("has had a message waiting since %s", g.Oldest.Format("15:04:05 MST"))
	case g.Recent >= rateTries && g.Failed*2 > g.Recent:
		return fmt.Sprintf("failed %d of the last %d times: %s", g.Failed, g.Recent, g.LastAnswer)
	}
	return ""
}
