// Package terminal is the watch in a terminal: the sentence, the standing
// alarms of each troubled site, and the keys to take, note and put aside, live
// over the API, so that it works over a shell on a thin line.
//
// Guarantee: what is shown is what the API said last, with the time of that
// when the stream is lost; a lost stream is asked for again until it is back.
// Texts that came from remotes are shown without control characters, so that
// none can command the terminal.
//
// Memory and goroutines: [Run] owns its goroutines and has ended them when it
// returns. Nothing is kept between runs.
//
// It decides nothing and keeps no state of alarms beyond a copy of the API's.
package terminal
