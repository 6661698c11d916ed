//go:build !trials

package ledger_test

// kills is how often a loaded process is killed; go test -tags trials kills it
// two hundred times.
const kills = 12
