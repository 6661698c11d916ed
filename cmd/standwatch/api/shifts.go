package api

import (
	"context"
	"fmt"
	"net/http"
	"time"

	"example.net/standwatch/cmd/standwatch/shift"
	"example.net/standwatch/correlate"
)

// longestReport bounds the span of one report: a year and a day.
const longestReport = 366 * 24 * time.Hour

// shiftReport answers GET /shifts/{date}/{name}.
func (s *server) shiftReport(w http.ResponseWriter, r *http.Request) error {
	if p := params(r); p.err != nil {
		return p.err
	}
	span, err := shift.Named(s.Shifts(), r.PathValue("date"), r.PathValue("name"), s.Zone)
	if err != nil {
		return problem(http.StatusNotFound, err.Error())
	}
	return s.writeReport(w, r, span)
}

// report answers GET /report.
func (s *server) report(w http.ResponseWriter, r *http.Request) error {
	p := params(r, "from", "to")
	span := shift.Span{From: p.time("from").In(s.Zone), To: p.time("to").In(s.Zone)}
	if p.err != nil {
		return p.err
	}
	if err := SpanFits(span); err != nil {
		return problem(http.StatusBadRequest, err.Error())
	}
	return s.writeReport(w, r, span)
}

// SpanFits refuses spans that no report is made of.
func SpanFits(span shift.Span) error {
	switch {
	case span.From.IsZero() || span.To.IsZero():
		return fmt.Errorf("a report needs from and to")
	case !span.To.After(span.From):
		return fmt.Errorf("a report ends after it begins")
	case span.To.Sub(span.From) > longestReport:
		return fmt.Errorf("a report covers at most a year")
	}
	return nil
}

func (s *server) writeReport(w http.ResponseWriter, r *http.Request, span shift.Span) error {
	out, err := ReportOf(r.Context(), s.Board, s.Journal, span, shift.Options{Now: s.Now(), Zone: s.Zone})
	if err != nil {
		return err
	}
	return writeJSON(w, out)
}

// ReportOf collects a report with the names of the network in force.
func ReportOf(ctx context.Context, board Board, journal Journal, span shift.Span, o shift.Options) (*shift.Report, error) {
	// A network is never changed once it is in force, so it may be read on.
	board.Read(func(_ *correlate.State, net *correlate.Network) { o.Network = net })
	return shift.Collect(ctx, journal, span, o)
}

// ShiftList is the shifts as configured, and the one that watches.
type ShiftList struct {
	Centre  string      `json:"centre"` // name of the operations centre; may be empty
	Zone    string      `json:"zone"`   // IANA name of the centre's time zone
	Shifts  []ShiftTime `json:"shift"`
	Present *Present    `json:"present,omitempty"`
}

// ShiftTime is a named stretch of the day in the centre's time zone.
type ShiftTime struct {
	Name string `json:"name"`
	From string `json:"from"` // 15:04
	To   string `json:"to"`
}

// Present is the shift that watches.
type Present struct {
	Name   string    `json:"name"`
	From   time.Time `json:"from"`
	To     time.Time `json:"to"`
	Left   []Note    `json:"left-by-shift-before,omitempty"`
	ReadBy string    `json:"read-by,omitempty"`
	ReadAt time.Time `json:"read-at,omitzero"`
	Leaves []Note    `json:"leaves,omitempty"`
}

// Note is a word between shifts.
type Note = shift.Note

// shifts answers GET /shifts.
func (s *server) shifts(w http.ResponseWriter, r *http.Request) error {
	if p := params(r); p.err != nil {
		return p.err
	}
	out := ShiftList{Centre: s.Centre, Zone: s.Zone.String(), Shifts: []ShiftTime{}}
	for _, c := range s.Shifts() {
		out.Shifts = append(out.Shifts, ShiftTime{c.Name, clockOf(c.From), clockOf(c.To)})
	}
	s.Board.Read(func(st *correlate.State, _ *correlate.Network) {
		if st.Shift.Name != "" {
			out.Present = PresentOf(&st.Shift, s.Zone)
		}
	})
	return writeJSON(w, out)
}

func clockOf(minutes int) string { return fmt.Sprintf("%02d:%02d", minutes/60%24, minutes%60) }

// PresentOf returns the wire form of the shift that watches.
func PresentOf(sh *correlate.ShiftState, zone *time.Location) *Present {
	out := &Present{Name: sh.Name, From: in(zone, sh.From), To: in(zone, sh.To), ReadBy: sh.ReadBy, ReadAt: in(zone, sh.ReadAt)}
	for _, w := range sh.Left {
		out.Left = append(out.Left, Note{At: in(zone, w.At), Who: w.Actor, Text: w.Text})
	}
	for _, w := range sh.Leaves {
		out.Leaves = append(out.Leaves, Note{At: in(zone, w.At), Who: w.Actor, Text: w.Text})
	}
	return out
}

// handover answers POST /handover and POST /handover/read.
func (s *server) handover(read bool) http.HandlerFunc {
	return s.handle(func(w http.ResponseWriter, r *http.Request) error {
		var body ActionRequest
		if err := readBody(w, r, &body); err != nil {
			return err
		}
		if err := HandOver(r.Context(), s.Submit, correlate.Handover{Read: read, Text: body.Text, Actor: s.Actor(r), Via: "api"}); err != nil {
			return err
		}
		return s.shifts(w, r)
	})
}

// HandOver submits a word between shifts.
func HandOver(ctx context.Context, submit func(context.Context, correlate.Input) ([]correlate.Event, error), in correlate.Handover) error {
	in.Text = PlainText(in.Text)
	if len([]rune(in.Text)) > MaxText {
		return fmt.Errorf("%w: the text is longer than %d characters", ErrBadAction, MaxText)
	}
	events, err := submit(ctx, &in)
	if err != nil {
		return fmt.Errorf("submit the handover: %w", err)
	}
	for _, ev := range events {
		if refused, ok := ev.(*correlate.Refused); ok {
			return fmt.Errorf("%w: %s", ErrBadAction, refused.Why)
		}
	}
	return nil
}

// shiftEvent fills in an event of shifts.
func shiftEvent(out *Event, ev correlate.Event, zone *time.Location) {
	switch e := ev.(type) {
	case *correlate.ShiftBegan:
		out.Text, out.Until = e.Name, in(zone, e.To)
	case *correlate.HandedOver:
		out.Operator, out.Text = e.Actor, e.Text
	case *correlate.HandoverRead:
		out.Operator, out.Text = e.Actor, e.Shift
	}
}

// shiftInput is inputOf for the inputs of shifts.
func shiftInput(input correlate.Input) Input {
	switch in := input.(type) {
	case *correlate.ShiftTurn:
		return Input{Kind: "shift", Source: in.Name}
	case *correlate.Handover:
		return Input{Kind: "handover", Operator: in.Actor, Via: in.Via, Text: in.Text}
	}
	panic(fmt.Sprintf("api: unlisted input %T", input))
}
