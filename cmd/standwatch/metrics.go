package main

import (
	"strings"

	"example.net/standwatch/correlate"
	"github.com/prometheus/client_golang/prometheus"
)

// collector gives Prometheus the same figures that the pages show. Labels are
// bounded: listeners, gateways, severities and reasons, never sites or agents.
type collector struct{ d *daemon }

func desc(name, help string, labels ...string) *prometheus.Desc {
	return prometheus.NewDesc("standwatch_"+name, help, labels, nil)
}

var (
	descArrived  = desc("datagrams_arrived_total", "Datagrams read from the listener's socket.", "listener")
	descEnded    = desc("datagrams_ended_total", "Datagrams by what became of them; arrived less their sum is still on its way.", "listener", "fate")
	descKernel   = desc("datagrams_kernel_dropped_total", "Datagrams the kernel dropped before they could be read.", "listener")
	descTLS      = desc("tls_connections_total", "Connections to the listener by what became of them.", "listener", "outcome")
	descTLSOpen  = desc("tls_connections_open", "Connections to the listener that are open.", "listener")
	descStanding = desc("alarms_standing", "Standing alarms.", "severity")
	descUntaken  = desc("alarms_untaken", "Standing alarms that nobody has taken, shelved and explained ones left out.", "severity")
	descCallOuts = desc("callouts_open", "Call-outs that are climbing.")
	descWaiting  = desc("messages_waiting", "Messages that have yet to be handed to their gateway.")
	descSequence = desc("journal_records_total", "Records in the journal.")
	descCommit   = desc("journal_last_commit_seconds", "How long the last commit took.")
	descFailures = desc("journal_commit_failures", "Commits that failed in a row.")
	descQueue    = desc("journal_queue_length", "Inputs that wait to be decided.")
	descGateway  = desc("gateway_failures", "Attempts at the gateway that failed in a row.", "gateway")
	descForward  = desc("forward_backlog_records", "Records of the journal that the other manager has yet to be told of.", "to")
	descAway     = desc("forward_failures", "Attempts at the other manager that failed in a row.", "to")
	descReady    = desc("ready", "1 when the master can receive, decide and remember, else 0.")
)

// Describe implements prometheus.Collector.
func (c collector) Describe(ch chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{descArrived, descEnded, descKernel, descTLS, descTLSOpen, descStanding, descUntaken, descCallOuts, descWaiting,
		descSequence, descCommit, descFailures, descQueue, descGateway, descForward, descAway, descReady} {
		ch <- d
	}
	describeAudits(ch)
}

// Collect implements prometheus.Collector.
func (c collector) Collect(ch chan<- prometheus.Metric) {
	gauge := func(d *prometheus.Desc, v float64, labels ...string) {
		ch <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v, labels...)
	}
	counter := func(d *prometheus.Desc, v float64, labels ...string) {
		ch <- prometheus.MustNewConstMetric(d, prometheus.CounterValue, v, labels...)
	}
	for _, l := range c.d.intake().Listeners {
		counter(descArrived, float64(l.Arrived), l.Name)
		counter(descKernel, float64(l.KernelDropped), l.Name)
		if t := l.TLS; t != nil {
			gauge(descTLSOpen, float64(t.Open), l.Name)
			for outcome, n := range map[string]uint64{"accepted": t.Accepted, "refused": t.Refused, "handshake_failed": t.Failed, "invalid_certificate": t.Invalid} {
				counter(descTLS, float64(n), l.Name, outcome)
			}
		}
		for _, fates := range []map[string]uint64{l.Accepted, l.Refused} {
			for fate, n := range fates {
				counter(descEnded, float64(n), l.Name, strings.ReplaceAll(fate, " ", "_"))
			}
		}
	}
	standing, untaken := map[correlate.Severity]int{}, map[correlate.Severity]int{}
	open, waiting := 0, 0
	c.d.ledger.Read(func(st *correlate.State, _ *correlate.Network) {
		for _, a := range st.Alarms {
			if !a.Standing {
				continue
			}
			standing[a.Severity]++
			if !a.Acknowledged && a.Shelf == nil && a.Cause.IsZero() {
				untaken[a.Severity]++
			}
		}
		for _, call := range st.CallOuts {
			if call.State == correlate.CallOutOpen {
				open++
			}
		}
		waiting = len(st.Waiting())
	})
	for _, s := range correlate.Severities() {
		gauge(descStanding, float64(standing[s]), s.String())
		gauge(descUntaken, float64(untaken[s]), s.String())
	}
	gauge(descCallOuts, float64(open))
	gauge(descWaiting, float64(waiting))
	h := c.d.ledger.Health()
	counter(descSequence, float64(c.d.store.Last()))
	gauge(descCommit, h.Took.Seconds())
	gauge(descFailures, float64(h.Failures))
	gauge(descQueue, float64(c.d.queued()))
	for _, g := range c.d.runner.Health() {
		gauge(descGateway, float64(g.Failures), g.Gateway)
	}
	for _, f := range c.d.forwarders.health() {
		gauge(descForward, float64(f.Backlog), f.Name)
		gauge(descAway, float64(f.Failures), f.Name)
	}
	ready := 1.0
	if c.d.trouble() != "" {
		ready = 0
	}
	gauge(descReady, ready)
	c.collectAudits(ch)
}
