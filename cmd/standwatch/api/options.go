package api

import (
	"context"
	"net/http"
	"time"

	"example.net/standwatch/configs"
	"example.net/standwatch/correlate"
	"example.net/standwatch/notify"

	"github.com/rs/zerolog"
)

// Board lends the committed state. The ledger is one.
type Board interface {
	// Read calls fn with the committed state and the network in force, both
	// lent for the call only.
	Read(fn func(st *correlate.State, net *correlate.Network))
	// Follow returns a channel that gets a wake-up after each commit, and what
	// ends it. Wake-ups may coalesce; readers keep their own cursor.
	Follow() (wake <-chan struct{}, cancel func())
}

// Options are what the handlers need. All fields without "may be" are required.
type Options struct {
	Board   Board
	Journal Journal
	// Submit makes an input durable and returns the events it led to.
	Submit func(context.Context, correlate.Input) ([]correlate.Event, error)
	// Intake returns what the receiver counted so far.
	Intake func() Intake
	// Unmatched is what was kept because no rule or agent is there for it; nil
	// lists it from the Journal, without drafts and without running it again.
	Unmatched *Unmatched
	// Sentence is the front page's, for those who show it elsewhere.
	Sentence func() Sentence
	Archive  Archive
	// Upkeep tells how the history is kept; may be nil, then it is not shown.
	Upkeep func() Upkeep
	// Centre is the name of the operations centre; it may be empty.
	Centre string
	// Shifts lists the named stretches of the day.
	Shifts func() []configs.Shift
	// OnCall lists who answers for each roster at a time.
	OnCall func(at time.Time) []Duty
	// Auditor asks agents for their true state; may be nil, then none are asked.
	Auditor Auditor
	// Plan is the plan of call-outs in force, with the stand-ins agreed so far.
	Plan func() *notify.Plan
	// Actor names whoever sent the request; it is written to the journal.
	Actor func(*http.Request) string
	Zone  *time.Location // the centre's, for every time written
	Now   func() time.Time
	// Closing ends all streams when it is closed, before the server shuts down.
	Closing    <-chan struct{}
	MaxStreams int // streams at once; 0 means 256
	Log        zerolog.Logger
	Version    string // of the program, for the OpenAPI document
}
