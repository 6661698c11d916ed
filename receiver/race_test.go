//go:build race

package receiver

// The race detector makes a load some ten times slower, so there is less of it.
const racing = true
