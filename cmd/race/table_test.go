//go:build linux

package main

import (
	"strings"
	"testing"
	"time"
)

// TestCheckWantsEveryFigure: a short table and one without a figure fail.
func TestCheckWantsEveryFigure(t *testing.T) {
	whole := &table{}
	for range tableRows {
		whole.row("what", "1")
	}
	if err := whole.check(); err != nil {
		t.Error(err)
	}
	whole.ratio("of nothing", 0/zero())
	if err := whole.check(); err == nil || !strings.Contains(err.Error(), "of nothing") {
		t.Errorf("a ratio that is no number is taken: %v", err)
	}
	if err := (&table{}).check(); err == nil {
		t.Error("an empty table is taken")
	}
}

func zero() float64 { return 0 }

func TestQuantile(t *testing.T) {
	took := []time.Duration{4, 1, 3, 2}
	for q, want := range map[float64]time.Duration{0: 1, 0.5: 3, 0.99: 4, 1: 4} {
		if got := quantile(took, q); got != want {
			t.Errorf("quantile %v is %v, not %v", q, got, want)
		}
	}
	if quantile(nil, 0.5) != 0 {
		t.Error("of nothing is not 0")
	}
}
