// Package rules turns a notification into observations: which point of which
// site it is about, whether it raises, clears or measures, how bad it is and
// what is said.
//
// # Rules
//
// A [Spec] matches a notification's OID, or a subtree, optionally under a
// condition in CEL (Common Expression Language), and yields any number of
// observations ([Observe]). What they are made of is written in terms:
//
//	ifOperStatus         the value of the first varbind of that object, by name or
//	                     dotted OID, as a person reads it (enumeration word, hint)
//	ifOperStatus.number  the bare number
//	ifOperStatus.index   what follows the object's OID ("7"); .index2 its second number
//	upsAlarmDescr.last   the last number of an OID value; .last2 the one before
//	#3                   the third varbind after sysUpTime.0 and snmpTrapOID.0
//	trap  trap.oid  agent  site  site.name  point  point.name
//	instance  what  severity  value  bit
//
// In texts a term stands between ${ and }.
//
// What a rule says of a point is a word of [Whats]. A remote that reports what
// its contact does, and not what that means, is mapped to open and closed: the
// point's wiring (normally: open or closed) makes raise or clear of it.
//
// # Which rule wins
//
// A rule on the OID goes before rules on a subtree, a longer subtree before a
// shorter one; then a person's own rule before one of a pack; then rules with a
// condition before those without; then order. A rule whose condition is false
// or fails gives way to the next. The winner is final: if nothing can be made of
// the notification, it is unmatched with that reason.
//
// # Guarantee
//
// [Compile] reports all mistakes at once, those that would only show at night
// included: unknown names, OIDs claimed twice, rules that can never match,
// points that no site has. A [Set] is immutable but for its counters and safe
// for concurrent use. Matching is a hash look-up, never fails and never panics:
// what no rule understands is returned as unmatched, with the reason. CEL is
// compiled once and its cost is limited; run-time errors are counted.
//
// Observations own their strings; nothing aliases the notification. The package
// does no I/O, starts no goroutine, reads no clock and logs nothing.
//
// A notification whose OID has a non-zero next-to-last number is found under
// its v1 spelling, too (RFC 3584 section 3.1 makes enterprise.0.specific of a
// v1 trap, section 3.2 the enterprise of such an OID without its last number).
package rules
