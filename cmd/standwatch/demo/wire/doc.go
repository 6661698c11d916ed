// Package wire is the sending end of SNMP notifications: a [Sender] is one
// remote on the network, bound to its own address, that sends traps and
// informs of each version to one master.
//
// It encodes with a library that the receiver does not use, so that a trial or
// the demonstration exercises the receiver's own decoder and security in
// earnest. An inform is sent again, the same request under the same
// request-id, until it is answered or its tries are used up.
//
// The forms follow RFC 3584 section 3.2 (notification to v1 trap), RFC 3416
// section 4.2.6 and 4.2.7, and RFC 3414: a v3 trap speaks for the sender's own
// engine, a v3 inform for the master's, which is asked for first.
//
// A Sender serialises its sends; it starts no goroutine.
package wire
