// Package receiver is the untrusted edge: it holds the UDP sockets, decides
// which datagrams are heard, and hands what it accepts to whoever makes it
// durable. Informs are answered only after that.
//
// Guarantee: every datagram read ends in exactly one count: refused (by
// reason), repeated, unmatched or matched; what is still on its way is arrived
// less the sum of those. What the kernel dropped before it could be read is
// counted beside them. A datagram that is refused is never answered, except by
// the Reports that RFC 3414 section 3.2 asks for. Nothing that a datagram
// contains makes the receiver fail.
//
// Goroutines: [Receiver.Run] owns them all and returns after the last has
// ended. One reads each socket; workers are chosen by source address, so that
// one agent's notifications keep their order.
package receiver
