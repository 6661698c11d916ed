// Package snmp turns datagrams into notifications and builds the answers to
// them: BER (ITU-T X.690) as SNMP uses it, the messages of RFC 1157, RFC 3416
// and RFC 3412, and the translation of v1 traps by RFC 3584 section 3.1.
//
// Guarantee: decoding never panics, never allocates in proportion to a length
// that a message declares, never recurses, and takes time linear in the
// datagram. It tolerates what real senders do (long-form and non-minimal
// lengths, non-minimal integers, octets after the message and after the
// decrypted scoped PDU, empty variable-binding lists) and refuses the rest with
// a reason and an offset.
//
// Memory: what a [Decoder] returns aliases the datagram and the decoder and is
// valid until its next use. A Decoder is for one goroutine at a time.
//
// The package does no I/O. Security of v3 messages is package usm's.
package snmp
