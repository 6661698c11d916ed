// Package usm is the User-based Security Model of SNMPv3 as a receiver of
// notifications needs it: RFC 3414, with the SHA-2 protocols of RFC 7860 and
// the AES of RFC 3826. It authenticates, checks timeliness and replay,
// decrypts, and secures the receiver's own Responses and Reports.
//
// Guarantees: keys are derived when a [Table] is built or an engine is admitted,
// never for a message; nothing is learned from a message before it is
// authenticated; a message's octets are never changed; no authenticated message
// of a trap sender is accepted twice (the bounds are given at [Table.Process]).
//
// A Table and a [Keys] are safe for concurrent use. The package starts no
// goroutine and reads no clock: times are arguments. Arguments are copied where
// they must outlive the call; slices in results alias the arguments.
//
// It knows no BER: package snmp takes messages apart and puts them together.
package usm
