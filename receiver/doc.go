// Package receiver is the untrusted edge: it holds the UDP sockets and the TLS
// connections (RFC 6353, under the transport security model of RFC 5591), decides
// which datagrams are heard and for whom they speak, has the rules make
// observations of them, and hands what it accepts to whoever makes it durable.
// Informs are answered after that and not before.
//
// Guarantee: every datagram read ends in exactly one [Fate], so that for each
// listener arrived = the sum over all fates + those in flight, exactly. What
// the kernel dropped before it could be read is counted beside them. A refused
// datagram is never answered, except by the Reports that RFC 3414 section 3.2
// and RFC 3412 section 7.2 ask for, and those at a bounded rate for each
// source. Nothing that a datagram contains makes the receiver fail: a panic
// while one is handled ends that datagram only.
//
// Who speaks for an agent. A v1 or v2c message speaks for the agent that has
// the UDP source address. snmpTrapAddress.0 and agent-addr can be written by
// anybody, so they are believed only of a source that the listener lists as a
// relay; from any other source a claim to be another agent leaves the
// notification unmatched. A v3 trap speaks for the agent of its authoritative
// engine, a v3 inform for the agent of its source address, or of its
// contextEngineID, or the only one that names its user, if that agent lets the
// user speak for it. An agent with a minimum level is never spoken for by less:
// its address in a weaker message is refused. A source that is no agent's is
// heard, if allow list and community (or user) permit, and kept as unmatched.
//
// Over TLS a message speaks for the agent that has the connection's certificate:
// by its fingerprint, else by the name that one of the listener's authorities
// vouches for. It counts as authPriv whatever its flags say.
//
// Order: one goroutine at a time reads a socket and queues what it read, and the
// worker is chosen by agent (by address for unknown sources), so that one agent's
// notifications keep their order. One exception: what reaches the master both
// directly and through a relay.
//
// Memory: datagrams are read into the reader's own buffers and copied once into
// a queue bounded in datagrams and octets. Whatever is handed on is a copy.
//
// Goroutines: [Receiver.Run] owns them all and returns after the last has
// ended. [New] opens sockets and starts nothing.
package receiver
