// Package audit asks agents for their true state.
//
// # Questions
//
// A [Spec] says what to read (columns of a table, or scalars), and, in the
// terms of package rules, what a row of it means: which point, raise, clear or
// value. [Compile] checks all of them at once. [Asker.Ask] reads them from one
// agent by GET, GETBULK and GETNEXT (RFC 3416 section 4.2; v1 by RFC 1157) and
// returns what was found as a [correlate.Audit], which the engine compares with
// what it knows. Nothing here decides: an answer is an input like a trap.
//
// # When
//
// The [Runner] asks on each agent's schedule, when somebody asks it to, and
// when the journal says that something may have been missed ([Watch] reads
// that out of committed records). Requests for one agent are merged, at most
// one audit of an agent runs at a time, and a bounded number of all.
//
// # Guarantee
//
// What an agent sends cannot harm the program. Every answer is checked before
// the library sees it: it must be well-formed, an answer to the question that
// was asked last (so late and forged answers are dropped) and, in v3, at the
// level of security that was asked for. A walk ends at the end of its column,
// at a name that does not increase, and at bounds of rows and octets. Panics
// of the library are contained. A table that could not be read to its end
// clears nothing, nor does one whose agent does not prove that it has it.
//
// # Memory and goroutines
//
// Results own what they hold. [Runner.Run] owns every goroutine and returns
// when the last has ended. Secrets are held in memory only and never shown.
//
// The package does not decide when a point is in alarm, keeps nothing on disk
// and knows no file format.
package audit
