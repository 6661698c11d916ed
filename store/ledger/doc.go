// Package ledger is the one writer: it takes inputs, lets the engine and the
// climber decide, commits the whole batch once, and only then lets anybody know.
//
// Guarantee (commit, then speak): decisions leave this package in three ways
// only, by a [Receipt], by [Ledger.Read] and by the wake-up of [Ledger.Follow],
// and all three come after the commit that made them durable. The package keeps
// two states: the engine's, which runs ahead while a batch is decided, and the
// published one, which is folded after the commit and is the only one lent. When
// a commit fails nothing is published, every input of the batch gets the error,
// and the engine starts again from the published state; inputs that come later
// are tried anew.
//
// Order: inputs are decided in the order in which they were accepted. Each
// record has its own reading of the wall clock; sequence numbers stand where the
// clock steps.
//
// Goroutines: [Ledger.Run] owns the loop, the journal's upkeep and the writing
// of checkpoints, and waits for them. The other methods may be called from any
// goroutine. Inputs belong to the ledger once they are handed over.
//
// It does not know what is watched, whom to tell, or how an input came to be.
package ledger
