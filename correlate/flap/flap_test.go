package flap_test

import (
	"math"
	"testing"
	"time"

	"example.net/standwatch/correlate/flap"
)

// sample is the parameter set of RFC 2439 section 4.7.
var sample = flap.Settings{Cut: 1.25, Reuse: 0.5, HalfLifeClear: 5 * time.Minute, HalfLifeStand: 15 * time.Minute, MaxHold: 15 * time.Minute}

// figure3 is the table of RFC 2439 figure 3: minutes, then the merit for a
// period of 2 min with 20 % and 80 % reachable, and of 4 min with the same.
var figure3 = [][5]float64{
	{2.50, 0.977, 0.968, 0.000, 0.000}, {3.12, 0.949, 0.888, 0.000, 0.000}, {3.75, 0.910, 0.814, 0.000, 0.000},
	{4.37, 1.846, 1.756, 0.983, 0.983}, {5.00, 1.794, 1.614, 0.955, 0.935}, {5.63, 1.735, 1.480, 0.928, 0.858},
	{6.25, 2.619, 2.379, 0.901, 0.786}, {6.88, 2.544, 2.207, 0.876, 0.721}, {7.50, 2.472, 2.024, 0.825, 0.661},
	{8.13, 3.308, 2.875, 1.761, 1.608}, {8.75, 3.213, 2.698, 1.711, 1.562}, {9.38, 3.122, 2.474, 1.662, 1.436},
	{10.00, 3.922, 3.273, 1.615, 1.317}, {10.63, 3.810, 3.107, 1.569, 1.207}, {11.25, 3.702, 2.849, 1.513, 1.107},
	{11.88, 3.498, 2.613, 1.388, 1.015}, {12.50, 3.904, 3.451, 2.312, 1.953}, {13.13, 3.580, 3.164, 2.120, 1.791},
	{13.75, 3.283, 2.902, 1.944, 1.643}, {14.38, 3.010, 2.661, 1.783, 1.506}, {15.00, 2.761, 2.440, 1.635, 1.381},
	{15.63, 2.532, 2.238, 1.499, 1.267}, {16.25, 2.321, 2.052, 1.375, 1.161}, {16.88, 2.129, 1.882, 1.261, 1.065},
	{17.50, 1.952, 1.725, 1.156, 0.977}, {18.12, 1.790, 1.582, 1.060, 0.896}, {18.75, 1.641, 1.451, 0.972, 0.821},
	{19.38, 1.505, 1.331, 0.891, 0.753}, {20.00, 1.380, 1.220, 0.817, 0.691}, {20.62, 1.266, 1.119, 0.750, 0.633},
	{21.25, 1.161, 1.026, 0.687, 0.581}, {21.87, 1.064, 0.941, 0.630, 0.533}, {22.50, 0.976, 0.863, 0.578, 0.488},
	{23.12, 0.895, 0.791, 0.530, 0.448}, {23.75, 0.821, 0.725, 0.486, 0.411}, {24.37, 0.753, 0.665, 0.446, 0.377},
	{25.00, 0.690, 0.610, 0.409, 0.345},
}

// TestFigure3 replays the flapping of RFC 2439 figure 3: unreachable for the
// first part of each period, for twelve minutes (the text), forced up at 12.5
// (inferred from the table).
func TestFigure3(t *testing.T) {
	cases := []struct {
		name      string
		column    int
		period    float64 // minutes
		reachable float64
	}{{"2 min 20 %", 1, 2, 0.2}, {"2 min 80 %", 2, 2, 0.8}, {"4 min 20 %", 3, 4, 0.2}, {"4 min 80 %", 4, 4, 0.8}}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			merit, down := 0.0, false
			row := 0
			for s := 1; s <= 25*60; s++ {
				m := float64(s) / 60
				merit = sample.Decay(merit, time.Second, down)
				phase := math.Mod(m, c.period)
				begins := m <= 12 && phase < 1e-9
				switch {
				case begins:
					merit = sample.Rise(merit)
					down = true
				case m >= 12.5, phase >= (1-c.reachable)*c.period-1e-9:
					down = false
				}
				if row < len(figure3) && s == int(math.Floor(float64(row+4)*37.5)) {
					if want := figure3[row][c.column]; math.Abs(merit-want) > 0.02 {
						t.Errorf("at %.2f min: merit %.3f, the table has %.3f", m, merit, want)
					}
					row++
				}
			}
			if row != len(figure3) {
				t.Fatalf("compared %d rows of %d", row, len(figure3))
			}
		})
	}
}

// TestCeiling checks the intended formula of RFC 2439 section 4.2, which is
// misprinted there: 0.5 * 2^(15/5) = 4.0 is the top of figure 3.
func TestCeiling(t *testing.T) {
	if got := sample.Ceiling(); math.Abs(got-4) > 1e-12 {
		t.Errorf("ceiling %v, want 4.0", got)
	}
}

// TestUntil checks the times of RFC 7196 table 1's parameters, scaled to a
// penalty of 1 (computed: half-life 15 min, reuse 0.75).
func TestUntil(t *testing.T) {
	s := flap.Settings{Cut: 2, Reuse: 0.75, HalfLifeClear: 15 * time.Minute, HalfLifeStand: 30 * time.Minute, MaxHold: time.Hour}
	for _, c := range []struct{ merit, minutes float64 }{{2, 21.2}, {3, 30.0}, {6, 45.0}, {12, 60.0}} {
		if got := s.Until(c.merit, false).Minutes(); math.Abs(got-c.minutes) > 0.06 {
			t.Errorf("until from %v: %.2f min, want %.1f", c.merit, got, c.minutes)
		}
		if got := s.Until(c.merit, true).Minutes(); math.Abs(got-2*c.minutes) > 0.12 {
			t.Errorf("until from %v standing: %.2f min, want %.1f", c.merit, got, 2*c.minutes)
		}
	}
	if got := s.Until(0.7, false); got != 0 {
		t.Errorf("below reuse: %v, want 0", got)
	}
}

func TestDecayIgnoresAClockThatStepsBack(t *testing.T) {
	if got := sample.Decay(2, -time.Hour, false); got != 2 {
		t.Errorf("got %v, want 2", got)
	}
}

func TestCheck(t *testing.T) {
	if err := flap.Default().Check(); err != nil {
		t.Errorf("defaults: %v", err)
	}
	// The third rise within a minute begins flapping with the defaults, the
	// second never does.
	d := flap.Default()
	m := d.Rise(0)
	m = d.Rise(d.Decay(m, time.Second, false))
	if m > d.Cut {
		t.Errorf("two rises give %v, above the cut of %v", m, d.Cut)
	}
	m = d.Rise(d.Decay(d.Rise(d.Decay(d.Rise(0), 30*time.Second, false)), 30*time.Second, false))
	if m <= d.Cut {
		t.Errorf("three rises in a minute give %v, not above the cut of %v", m, d.Cut)
	}
	bad := flap.Settings{Cut: 5, Reuse: 1, HalfLifeClear: time.Minute, HalfLifeStand: time.Minute, MaxHold: time.Minute}
	if bad.Check() == nil {
		t.Error("a ceiling below the cut was let pass")
	}
}
