package console

import (
	"context"
	"net/http"
	"time"

	"example.net/standwatch/cmd/standwatch/access"
	"example.net/standwatch/cmd/standwatch/api"
	"example.net/standwatch/configs"
	"example.net/standwatch/correlate"
	"example.net/standwatch/notify"
	"example.net/standwatch/receiver/snmp"

	"github.com/rs/zerolog"
)

// Names says what object identifiers and values mean. *mib.Names is one.
type Names interface {
	// Name returns the name of an identifier with its index, or the dotted form.
	Name(snmp.OID) string
	// Value returns a value as a person reads it.
	Value(snmp.Varbind) string
}

// Options are what the pages need. All fields without "may be" are required.
type Options struct {
	Board   api.Board
	Journal api.Journal
	// Submit makes an input durable and returns the events it led to.
	Submit func(context.Context, correlate.Input) ([]correlate.Event, error)
	// Intake returns what the receiver counted so far.
	Intake func() api.Intake
	// Unmatched is what was kept because no rule or agent is there for it; nil
	// lists it from the Journal, without drafts and without running it again.
	Unmatched *api.Unmatched
	Archive   api.Archive
	// Upkeep tells how the history is kept; may be nil, then it is not shown.
	Upkeep func() api.Upkeep
	// Shifts lists the named stretches of the day.
	Shifts func() []configs.Shift
	// OnCall lists who answers for each roster at a time.
	OnCall func(at time.Time) []api.Duty
	// Auditor asks agents for their true state; may be nil, then none are asked.
	Auditor api.Auditor
	// Plan is the plan of call-outs in force, with the stand-ins agreed so far.
	Plan func() *notify.Plan
	// Forwards tells how other managers take what is handed on to them; nil for
	// those who see some sites only.
	Forwards func() []Forward
	// Calendar returns the address of a person's calendar; may be nil.
	Calendar func(person string) string
	// Actor names whoever sent the request; it is written to the journal.
	Actor func(*http.Request) string
	Zone  *time.Location // the centre's
	Now   func() time.Time
	// Closing ends all streams when it is closed, before the server shuts down.
	Closing    <-chan struct{}
	MaxStreams int // streams at once; 0 means 256
	Log        zerolog.Logger

	Names Names
	// Unseal decodes a kept v3 datagram for the evidence; may be nil, then its
	// varbinds are not shown.
	Unseal func(*correlate.Arrival) (*snmp.Notification, error)
	// Trouble returns a sentence when what is shown may be incomplete, such as
	// failing commits, and "" when all is well; may be nil.
	Trouble func() string
	// Gate knows who sends a request and keeps the accounts; nil where nobody has
	// to log in.
	Gate *access.Gate
	// OpenID logs people in with another provider; nil when there is none.
	OpenID *access.OpenID
	Banner string        // stands above every page; empty for none
	Centre string        // name of the operations centre, for the title; may be empty
	Quiet  time.Duration // no trap for this long is said loudly; 0 means 10 minutes
}
