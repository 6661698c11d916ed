package correlate

import "time"

// Engine decides. It owns its state while it works and changes it only by
// folding the events it decides.
type Engine struct {
	net *Network
	st  *State
	due dueQueue

	dueCallOuts []CallOutID
}

// NewEngine returns an engine that goes on from st, which it owns from now on.
func NewEngine(net *Network, st *State) *Engine { return &Engine{net: net, st: st} }

// State lends the working state; it may be ahead of what is durable.
func (e *Engine) State() *State { return e.st }

// Network returns the network in force.
func (e *Engine) Network() *Network { return e.net }

// Use puts another network in force, before its [Reconfigure] is applied.
func (e *Engine) Use(net *Network) { e.net = net }

// Apply decides about r.Input at r.At and appends the events to r, each
// already folded into the state. r.Seq, r.At and r.Input are the caller's.
func (e *Engine) Apply(r *Record) {}

// Extend folds events decided elsewhere (by the climber) and appends them.
func (e *Engine) Extend(r *Record, events []Event) {}

// DueCallOuts lists the call-outs that came due in the last Apply.
func (e *Engine) DueCallOuts() []CallOutID { return e.dueCallOuts }

// NextDue returns the earliest time at which a [Tick] may have something to
// decide; ok is false when nothing waits.
func (e *Engine) NextDue() (at time.Time, ok bool) { return }
