// Package demo plays an invented network on one machine: simulated remotes
// that really send over UDP, each from its own loopback address, a mail server
// and an SMS gateway that deliver to nobody, and a story of faults that is told
// while it happens.
//
// It guarantees that nothing leaves the machine: remotes bind and aim at
// loopback addresses only, and the stand-ins listen on them. What the remotes
// say they say in earnest: SNMPv1 and v2c traps, v2c informs that are sent
// again until answered, and SNMPv3 with authentication and privacy, encoded by
// a library that the receiver does not use.
//
// [New] binds every socket; [Demo.Run] owns all goroutines and returns after
// the last has ended. The script of the story is data ([Script]), so a test
// can hold it against the configuration it plays in. Waiting is injected.
//
// The package decides nothing about alarms and reads nothing of the daemon's.
// The scenario is in the design's section 10; enterprise number 32473 is the
// one for examples (RFC 5612).
package demo
