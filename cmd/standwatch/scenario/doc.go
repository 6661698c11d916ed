// Package scenario runs stories that an operator can read and write: at which
// time what arrives, what must then stand on the board, and who must have been
// told. A story goes the whole way of the product, with a clock of its own:
// SNMP octets through the receiver and the rules, the ledger over a real store,
// the plan, and the outbox runner with gateways that write down what they are
// handed. It is used to prove the product (testdata/scenarios) and by engineers
// to prove a configuration.
//
// The form of a file is described in deploy/handbook/scenarios.md. Errors name
// file and line and say what stood instead. The outcome does not depend on how
// fast the machine is, nor on restarts: with [Options.Restarts] the store is
// closed and opened again before every step.
//
// A run owns the goroutines of the parts it assembles and ends them before it
// returns. It opens sockets on loopback for the receiver and uses none of them;
// an agent is asked over loopback when the story says so. No gateway is spoken to.
package scenario
