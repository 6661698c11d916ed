//go:build !trials

package main

// programs are what the test binary can be run as.
var programs = map[string]func(){"standwatch": main}
