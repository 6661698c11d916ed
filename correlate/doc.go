// Package correlate is the domain core: the vocabulary of the program, the
// engine that decides, the journal records that say what was decided, and the
// fold that turns records into state.
//
// Guarantee: the engine is a pure function of its state, its [Network] and its
// inputs with their times. It reads no clock, starts no goroutine, does no I/O
// and never iterates a map where the order could reach a decision, so the same
// inputs at the same times give the same events. State changes only through
// events: [State.Fold] over the same records gives the same state, whichever
// engine version decided them.
//
// Memory and concurrency: nothing here is safe for concurrent use; the ledger
// owns the engine and its state and serialises access. Strings and slices in
// inputs and events are retained, so callers hand over copies.
//
// Vocabulary follows ITU-T X.733 (perceived severity), ANSI/ISA-18.2 and IEC
// 62682 (acknowledged, shelved, suppressed, out of service) and RFC 8632
// (alarm identity, status change, operator state change).
package correlate
