package configs_test

import (
	"testing"

	"example.net/standwatch/correlate"
)

// TestSeverityProfile is the worked example at severity-level in the module
// ietf-alarms (RFC 8632): an alarm with two thresholds that by default are
// warning and minor; a profile assigns minor and major. Here the sheet has the
// defaults and the site overrides the severities alone.
func TestSeverityProfile(t *testing.T) {
	cfg := mustLoad(t, with(map[string]string{"sites/one.yaml": `
templates:
  sheet:
    points:
      volts: {kind: analog, limits: {low: {at: 47, dead-band: 1, severity: warning}, low-low: {at: 44, dead-band: 1, severity: minor}}}
sites:
  usual: {templates: sheet}
  profiled:
    templates: sheet
    points: {volts: {limits: {low: {severity: minor}, low-low: {severity: major}}}}
`}))
	for site, want := range map[correlate.SiteID][2]correlate.Severity{"usual": {correlate.Warning, correlate.Minor}, "profiled": {correlate.Minor, correlate.Major}} {
		l := cfg.Network.Point(correlate.Key{Site: site, Point: "volts"}).Limits
		if got := [2]correlate.Severity{l.Low.Severity, l.LowLow.Severity}; got != want || l.Low.At != 47 || l.LowLow.DeadBand != 1 {
			t.Errorf("%s: %v at %g and %g, want %v", site, got, l.Low.At, l.LowLow.At, want)
		}
	}
}

// TestSmokeDetector is appendix B of RFC 8632: a digital input wired to a smoke
// detector is an alarm with a qualifier of its own, which a rule that knows
// inputs by their number finds in the site's list.
func TestSmokeDetector(t *testing.T) {
	cfg := mustLoad(t, with(map[string]string{"sites/one.yaml": "sites: {one: {points: {smoke-alarm: {number: 3, severity: critical, cause: smoke}}}}\n"}))
	p := cfg.Network.Point(correlate.Key{Site: "one", Point: "smoke-alarm"})
	if p == nil || p.Cause != "smoke" || (correlate.Key{Site: "one", Point: p.ID}).ID() != "one:smoke-alarm" {
		t.Errorf("got %+v", p)
	}
}
