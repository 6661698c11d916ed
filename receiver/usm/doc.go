// Package usm is the User-based Security Model of SNMPv3 (RFC 3414, with the
// SHA-2 protocols of RFC 7860 and AES of RFC 3826) as a receiver of
// notifications needs it: it authenticates, checks timeliness and replay,
// decrypts, and secures the receiver's own Responses and Reports.
//
// Guarantee: keys are localised when a [Table] is built, for configured users
// and engines only; a message never causes a key derivation. Nothing is learned
// from a message before it is authenticated. A message is never changed.
//
// A Table is safe for concurrent use. It reads no clock: times are arguments.
package usm
