//go:build trials

package ledger_test

// kills is how often a loaded process is killed.
const kills = 200
