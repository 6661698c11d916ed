package api

import (
	"time"

	"example.net/standwatch/correlate"
)

// ClockBack returns how far the master's clock was set back before record i of
// a page that is newest first: by how much the record listed after it, which is
// older by its number, has the later time. 0 when it has not. Numbers are the
// order in which things came; times follow whatever the clock said.
func ClockBack(newestFirst []*correlate.Record, i int) time.Duration {
	if i+1 >= len(newestFirst) {
		return 0
	}
	return max(newestFirst[i+1].At.Sub(newestFirst[i].At), 0)
}
