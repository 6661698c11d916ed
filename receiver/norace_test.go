//go:build !race

package receiver

const racing = false
