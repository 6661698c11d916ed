// Package modem sends short messages by a modem on a serial line, with AT
// commands: the way out that works when the IP network is what failed. It also
// takes the texts that people send back and the network's delivery reports.
//
// Guarantee: one command at a time, one message at a time. [Channel.Run] owns
// the line; it opens it, sets the modem up, watches registration and signal,
// reads and deletes what came in once that is durable, and begins anew after a
// hang: an escape, then AT until it answers, then the set-up, and if that does
// not help, the line is closed and opened. A message is Accepted once the modem
// answers +CMGS for every part; Permanent on the errors that say that this
// number or subscription will never do; Temporary on all others and when no
// answer comes, in which case it may have been sent.
//
// A PIN is tried once in the life of the channel: after the third wrong one a
// card locks itself.
//
// PDU mode is the default and has everything. Text mode is for modems that know
// nothing else: parts of a long text are messages of their own there, and no
// delivery reports are asked for.
//
// No secret is in an error or answer. It keeps no queue and does not retry.
//
// Standards: 3GPP TS 27.005 (AT commands for short messages) and 27.007 (CREG,
// CSQ, CPIN). The syntax is that of the project's collection of facts (second
// hand, by way of modem manuals); the numbers of +CMS ERROR, which are those of
// 3GPP TS 24.011 and 27.005 section 3.2.5, and of CREG are from memory. Which
// errors mean never is judgement.
package modem
