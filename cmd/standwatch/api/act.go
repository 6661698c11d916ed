package api

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"example.net/standwatch/cmd/standwatch/access"
	"example.net/standwatch/correlate"
)

// Bounds of what a person may write. Own choice, no source.
const (
	MaxBody  = 64 << 10               // octets of a request body
	MaxText  = 2000                   // runes of a note or reason
	MaxShelf = correlate.MaxLongShelf // longest shelf in one go; beyond a shift it is for supervisors
)

// ActionRequest is the body of the four actions on an alarm. Acknowledge and
// unshelve need nothing in it, note needs Text, shelve needs Text (the reason)
// and Until.
type ActionRequest struct {
	Text  string    `json:"text,omitempty"`
	Until time.Time `json:"until,omitzero"`
}

// NewAct returns the input for an action after checking what the action needs.
// The error wraps ErrBadAction.
func NewAct(act correlate.Act, now time.Time) (*correlate.Act, error) {
	act.Text = PlainText(act.Text)
	switch {
	case utf8.RuneCountInString(act.Text) > MaxText:
		return nil, fmt.Errorf("%w: the text is longer than %d characters", ErrBadAction, MaxText)
	case act.Action == correlate.ActNote && act.Text == "":
		return nil, fmt.Errorf("%w: a note needs a text", ErrBadAction)
	case act.Action == correlate.ActShelve && act.Text == "":
		return nil, fmt.Errorf("%w: shelving needs a reason", ErrBadAction)
	case act.Action == correlate.ActShelve && !act.Until.After(now):
		return nil, fmt.Errorf("%w: shelving needs an end that is still to come", ErrBadAction)
	case act.Action == correlate.ActShelve && act.Until.Sub(now) > MaxShelf:
		return nil, fmt.Errorf("%w: shelving ends within %d days; shelve again if it must be longer", ErrBadAction, MaxShelf/(24*time.Hour))
	}
	if act.Action != correlate.ActShelve {
		act.Until, act.MayLong = time.Time{}, false
	}
	return &act, nil
}

// PlainText returns text as valid UTF-8 without surrounding space and without
// control and direction-changing characters; line breaks become single spaces,
// so that it is one line wherever it is shown, mailed or logged.
func PlainText(text string) string {
	text = strings.ToValidUTF8(text, "\uFFFD")
	text = strings.Map(func(r rune) rune {
		switch {
		case unicode.IsSpace(r):
			return ' '
		case unicode.IsControl(r) || unicode.Is(unicode.Cf, r):
			return -1
		}
		return r
	}, text)
	return strings.Join(strings.Fields(text), " ")
}

// Do submits an action and returns a *RefusedError when the engine refused it.
func Do(ctx context.Context, submit func(context.Context, correlate.Input) ([]correlate.Event, error), act *correlate.Act) error {
	events, err := submit(ctx, act)
	if err != nil {
		return fmt.Errorf("submit action on %s: %w", act.Key, err)
	}
	for _, ev := range events {
		if r, ok := ev.(*correlate.Refused); ok && r.Key == act.Key {
			return &RefusedError{Key: act.Key, Why: r.Why}
		}
	}
	return nil
}

// action returns the handler of one kind of action.
func (s *server) action(kind correlate.Action) http.HandlerFunc {
	return s.handle(func(w http.ResponseWriter, r *http.Request) error {
		key, err := s.alarmKey(r)
		if err != nil {
			return err
		}
		var body ActionRequest
		if err := readBody(w, r, &body); err != nil {
			return err
		}
		act, err := NewAct(correlate.Act{Key: key, Action: kind, Actor: s.Actor(r), Via: "api", Text: body.Text, Until: body.Until, MayLong: access.May(r, access.ActLong)}, s.Now())
		if err != nil {
			return err
		}
		if err := Do(r.Context(), s.Submit, act); err != nil {
			return err
		}
		return s.writeAlarm(w, key)
	})
}

// readBody decodes a JSON body; an empty one leaves v as it is.
func readBody(w http.ResponseWriter, r *http.Request, v any) error {
	body := http.MaxBytesReader(w, r.Body, MaxBody)
	if kind, _, err := mime.ParseMediaType(r.Header.Get("Content-Type")); r.ContentLength != 0 && (err != nil || kind != "application/json") {
		return problem(http.StatusUnsupportedMediaType, "the body has to be application/json")
	}
	dec := json.NewDecoder(body)
	dec.DisallowUnknownFields()
	err := dec.Decode(v)
	var tooBig *http.MaxBytesError
	switch {
	case errors.Is(err, io.EOF):
		return nil
	case errors.As(err, &tooBig):
		return err
	case err != nil:
		return problem(http.StatusBadRequest, "the body cannot be read: "+err.Error())
	case dec.More():
		return problem(http.StatusBadRequest, "the body holds more than one value")
	}
	return nil
}

// alarmKey reads the alarm a request is about; it has to have risen once.
func (s *server) alarmKey(r *http.Request) (key correlate.Key, err error) {
	key, err = correlate.ParseAlarmID(correlate.AlarmID(r.PathValue("id")))
	if err != nil {
		return key, ErrNoSuchAlarm
	}
	found := false
	s.Board.Read(func(st *correlate.State, _ *correlate.Network) {
		a := st.Alarms[key]
		found = a != nil && a.Episodes > 0
	})
	if !found {
		return key, ErrNoSuchAlarm
	}
	return key, nil
}
