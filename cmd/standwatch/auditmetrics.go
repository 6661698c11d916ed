package main

import "github.com/prometheus/client_golang/prometheus"

var (
	descAudits       = desc("audits_total", "Times that agents were asked for their true state, by how it went.", "result")
	descAuditFound   = desc("audit_alarms_total", "Alarms that were corrected because an agent was asked: found standing, or found over.", "found")
	descAuditSeconds = desc("audit_seconds_total", "Time that asking took.")
	descAuditPlan    = desc("audits_planned", "Agents that are being asked, or wait to be asked at once.", "state")
	descAuditDropped = desc("audit_datagrams_dropped_total", "Datagrams that were no answers to the question that was open: late, forged or malformed.")
)

// collectAudits gives the figures of asking agents.
func (c collector) collectAudits(ch chan<- prometheus.Metric) {
	t := c.d.auditor.runner.Tally()
	send := func(d *prometheus.Desc, kind prometheus.ValueType, v float64, labels ...string) {
		ch <- prometheus.MustNewConstMetric(d, kind, v, labels...)
	}
	send(descAudits, prometheus.CounterValue, float64(t.Answered), "answered")
	send(descAudits, prometheus.CounterValue, float64(t.Failed), "failed")
	send(descAuditFound, prometheus.CounterValue, float64(t.Raised), "standing")
	send(descAuditFound, prometheus.CounterValue, float64(t.Cleared), "over")
	send(descAuditSeconds, prometheus.CounterValue, t.Took.Seconds())
	send(descAuditPlan, prometheus.GaugeValue, float64(t.Running), "asking")
	send(descAuditPlan, prometheus.GaugeValue, float64(t.Waiting), "waiting")
	send(descAuditDropped, prometheus.CounterValue, float64(t.Dropped))
}

func describeAudits(ch chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{descAudits, descAuditFound, descAuditSeconds, descAuditPlan, descAuditDropped} {
		ch <- d
	}
}
