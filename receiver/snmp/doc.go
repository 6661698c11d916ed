// Package snmp turns datagrams into notifications and builds the answers to
// them: BER (ITU-T X.690) as SNMP uses it, the messages of RFC 1157, RFC 3416
// and RFC 3412, and the translation of v1 traps by RFC 3584 section 3.1.
//
// Guarantees: decoding never panics, never recurses, takes time in proportion to
// the datagram, and allocates nothing once the decoder is warm; a length that a
// message declares is never believed before it is seen to fit. A datagram is
// never changed. What real senders do is tolerated: long-form and non-minimal
// lengths, non-minimal integers, unsigned values without their leading zero,
// negative request-ids, value types that are not known here, octets after the
// message and after the decrypted scoped PDU, an empty list of variable
// bindings. The rest is refused with a reason and an offset.
//
// Memory: what a [Decoder] returns aliases the datagram and the decoder and is
// valid until its next use. A Decoder is for one goroutine at a time; its zero
// value is ready.
//
// The package does no I/O and reads no clock. The security of v3 messages is
// package usm's; names and enumerations are package mib's.
package snmp
