// Package rehearse answers what another configuration would have made of what
// a journal holds: the same notifications, at the times at which they came,
// through other rules, points and ladders; and how that differs from what
// really happened.
//
// Guarantee: the same records and options give the same result. Nothing is
// written and nothing is sent. The engine and the climber decide as they do
// under the ledger (see [ledger.Decide]); between two records everything that
// would have been due is decided when it would have been due.
//
// What cannot be known is assumed, and said here: gateways take every message
// when it may be sent. People do what they did, when they did it. What the
// master reported of itself and what agents answered when asked is taken as it
// was. Senders' rates are not held down again.
//
// Memory and goroutines: a [Rehearsal] holds the state and one line for each
// episode on either side. It starts no goroutine, asks no clock, and is not safe
// for concurrent use.
package rehearse
