// Package smpp sends short messages to a short message service centre by SMPP
// 3.4 and takes its receipts and the texts that people send back.
//
// Guarantee: one connection, bound as transceiver, held up by [Channel.Run] and
// made anew with growing waits when it breaks. At most Window messages are
// unanswered at a time. A message is Accepted once the centre has answered
// every part of it; Permanent on the statuses that say that this message will
// never be taken; Temporary on all others, on a broken link and when no answer
// comes, in which case it may have been taken and a second copy may go out
// under the same ID. Statuses that ask to slow down hold all messages back for
// a while that doubles as long as they keep coming. A bind that is refused for
// its credentials fails messages for good, so that they move on at once.
//
// A receipt is asked for the last part only, so that one answer speaks for the
// message. A text or receipt from the centre is confirmed once it is durable;
// a receipt that overtakes the record of its message's acceptance waits in
// memory for a few seconds.
//
// Run owns the connection and all goroutines. No secret is in an error, answer
// or log line. It keeps no queue and does not retry: the runner does, by the
// journal.
//
// Bounds: a PDU that claims to be longer than 64 KiB and some, or shorter than
// its header, ends the connection; one that cannot be read otherwise is
// answered with generic_nack.
//
// Standard: Short Message Peer-to-Peer Protocol Specification v3.4. Command and
// status values are those of the project's collection of facts (second hand);
// the layout of PDUs, optional parameters and the text of receipts (appendix B)
// are from memory, and the interoperability test holds them against an
// independent service centre. Which statuses mean later and which never is
// judgement.
package smpp
