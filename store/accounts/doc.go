// Package accounts keeps who may use the console and the API: accounts with
// their roles and sites, the sessions of people who are logged in, and tokens.
//
// Guarantee: nothing that it does to an account, session or token takes effect
// before it is in the journal, with who did it. Passwords are kept as argon2id
// hashes (RFC 9106), sessions and tokens as SHA-256 of 32 random octets, so that
// the file gives nobody a way in. No answer and no journal record tells whether
// a name is an account's, nor holds what was typed in the place of one.
//
// Memory and goroutines: everything returned belongs to the caller; a [Book] is
// safe for concurrent use. It starts no goroutine; [Book.Run] ends what is over
// in its caller's. At most a few passwords are hashed at a time, because each
// takes 19 MiB and a tenth of a second of a processor.
//
// It does not know HTTP, cookies or pages, and it does not decide what a role
// may do: that is written beside each page and operation.
//
// # accounts.db, format 1
//
//	bucket "head":     "format" 1 octet (1)
//	bucket "accounts": name -> CBOR [Account]
//	bucket "sessions": SHA-256 of the session's secret -> CBOR [Session]
//	bucket "tokens":   SHA-256 of the token -> CBOR [Token]
//
// The lengths and counts of this package are our own choice, unless a source
// stands beside them.
package accounts
