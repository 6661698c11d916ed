// Package notify decides who is told of an alarm, when, over what and in which
// words, and hands the resulting messages to their gateways.
//
// It has two halves that never meet except in the state. A [Plan] is the pure
// half: built once from a [Book] and immutable, it climbs ladders inside the
// ledger's commit ([Plan.Climb]), so that an alarm and the messages it causes
// are one durable step. A [Runner] is the half with side effects: it sends what
// is committed and waits, and reports every answer back as an input.
//
// Guarantee: Climb is a pure function of the plan, the record and the state;
// the same ones give the same events. Every message has an identifier that is
// derived from the record that caused it, and is sent at least once under that
// identifier or shown as failed or withdrawn; none is dropped silently.
//
// Memory and concurrency: a Plan is safe for concurrent use and keeps nothing
// of the state it is lent. A Runner owns its goroutines and waits for them when
// its context ends.
//
// Identifiers. A call-out is "c" and the number of the record that opened it,
// with "-" and a count when the record opened more than one. A message is "m",
// the number of the record that began the telling, "-" and a count; a message
// that stands in for one that could not be delivered carries that one's
// identifier with ".2", ".3" and so on appended.
//
// It does not decide what an alarm is or whether people may be told of it (see
// package correlate), and it knows no protocol (see the packages below it).
package notify
