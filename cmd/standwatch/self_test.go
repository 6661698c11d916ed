package main

import (
	"testing"
	"time"
)

func TestClockJump(t *testing.T) {
	const s = time.Second
	for _, c := range []struct{ wall, elapsed, want time.Duration }{
		{5 * s, 5 * s, 0},
		{6 * s, 5 * s, 0}, // slewed
		{3605 * s, 5 * s, 3600 * s},
		{-3595 * s, 5 * s, -3600 * s},
	} {
		if got := clockJump(c.wall, c.elapsed); got != c.want {
			t.Errorf("wall %v in %v: jump %v, want %v", c.wall, c.elapsed, got, c.want)
		}
	}
}
