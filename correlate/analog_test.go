package correlate_test

import (
	"fmt"
	"math"
	"testing"
	"time"

	"example.net/standwatch/correlate"
)

// sensor has one analog point with everything that can be watched of it.
func sensor(t *testing.T) *bench {
	t.Helper()
	p := &correlate.Point{ID: "temp", Kind: correlate.Analog, Name: "Shelter", Unit: "°C", Scale: 1, Decimals: 1, Severity: correlate.Minor,
		Limits:       correlate.Limits{Low: &correlate.Limit{At: 5, DeadBand: 1, Severity: correlate.Minor}, LowLow: &correlate.Limit{At: 0, DeadBand: 1, Severity: correlate.Major}},
		PlausibleMin: ptr(-40), PlausibleMax: ptr(80),
		Rate:  &correlate.RateLimit{Rise: 8, Fall: 8, Within: 10 * time.Minute, DeadBand: 2, Severity: correlate.Major},
		Stuck: &correlate.StuckLimit{After: 6 * time.Hour, By: 0.05, Severity: correlate.Warning}}
	net, err := correlate.NewNetwork([]*correlate.Site{{ID: "hub", Points: map[correlate.PointID]*correlate.Point{"temp": p}}}, nil, "sensor")
	if err != nil {
		t.Fatal(err)
	}
	return &bench{tb: t, net: net, eng: correlate.NewEngine(net, correlate.NewState()), now: epoch}
}

func (b *bench) measure(alarm string) correlate.Measure {
	b.tb.Helper()
	a := b.eng.State().Alarms[key(alarm)]
	if a == nil || a.Measure == nil {
		b.tb.Fatalf("%s carries no measure", alarm)
	}
	return *a.Measure
}

func TestAlarmCarriesValueLimitAndUnit(t *testing.T) {
	b := sensor(t)
	b.value("hub:temp", 6)
	b.at(60).want(b.value("hub:temp", 4.5), "measured raised(minor) announced(raised)")
	if got, want := b.measure("hub:temp"), (correlate.Measure{Value: 4.5, Limit: 5, Level: "low", Unit: "°C"}); got != want {
		t.Errorf("low: %+v, want %+v", got, want)
	}
	b.at(120).want(b.value("hub:temp", -0.5), "measured changed(major) announced(worse)")
	if got, want := b.measure("hub:temp"), (correlate.Measure{Value: -0.5, Limit: 0, Level: "low-low", Unit: "°C"}); got != want {
		t.Errorf("low-low: %+v, want %+v", got, want)
	}
	b.refold()
}

func TestRateOfChange(t *testing.T) {
	b := sensor(t)
	b.value("hub:temp", 20)
	b.at(120).want(b.value("hub:temp", 24), "measured")
	b.at(240).want(b.value("hub:temp", 28.5), "measured raised(major) announced(raised)")
	a := b.eng.State().Alarms[key("hub:temp:rate")]
	if a == nil || a.Text != "Shelter rose by 8.5 °C within 10m0s, more than 8.0 °C; it is 28.5 °C" {
		t.Fatalf("got %+v", a)
	}
	b.restart()
	// Inside the dead band it goes on; the samples of the beginning grow too old
	// one by one, and then it is over.
	b.at(300).want(b.value("hub:temp", 27), "measured")
	b.at(590).want(b.value("hub:temp", 28), "measured")
	b.at(605).want(b.value("hub:temp", 28), "measured cleared")
	// Falling, over many readings a minute apart: the kept samples cover it.
	for i := range 8 {
		b.at(800+float64(i)*60).value("hub:temp", 27-float64(i)*1.1)
	}
	b.wantBoard("")
	b.at(1280).want(b.value("hub:temp", 18.9), "measured raised(major) announced(raised)")
	b.refold()
}

func TestSlowChangeIsNoRate(t *testing.T) {
	b := sensor(t)
	for i := range 100 {
		b.at(float64(i)*30).value("hub:temp", 10+float64(i)*0.3)
	}
	b.wantBoard("")
	if n := len(b.eng.State().Readings[key("hub:temp")].Past); n != 9 {
		t.Errorf("%d samples are kept, want 9", n)
	}
	b.refold()
}

func TestStuckValue(t *testing.T) {
	b := sensor(t)
	for s := 0.0; s < 6*3600; s += 600 {
		b.at(s).value("hub:temp", 21.5+0.04*float64(int(s/600)%2))
	}
	b.wantBoard("")
	b.restart()
	b.at(6*3600).want(b.value("hub:temp", 21.5), "measured raised(warning) announced(raised)")
	b.wantBoard("hub:temp:stuck")
	b.at(6*3600+600).want(b.value("hub:temp", 21.5), "measured")
	b.at(6*3600+1200).want(b.value("hub:temp", 21.7), "measured cleared")
	b.refold()
}

func TestNumbersThatAreNone(t *testing.T) {
	for _, v := range []float64{math.NaN(), math.Inf(1), -41, 81} {
		t.Run(fmt.Sprint(v), func(t *testing.T) {
			b := sensor(t)
			b.value("hub:temp", 20)
			b.want(b.value("hub:temp", v), "measured raised(minor) announced(raised)")
			b.wantBoard("hub:temp:sensor")
			if r := b.eng.State().Readings[key("hub:temp")]; r.Value != 20 {
				t.Errorf("the reading is %v, want the last that could be believed", r.Value)
			}
			b.at(1).want(b.value("hub:temp", 20.5), "measured cleared measured")
		})
	}
}
