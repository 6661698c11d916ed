package api

import (
	"encoding/json"
	"errors"
	"net/http"

	"example.net/standwatch/cmd/standwatch/access"
	"example.net/standwatch/correlate"
)

// Problem is an RFC 9457 problem document. Type is always "about:blank", which
// says that Status and Title mean what HTTP says they do (section 4.2.1).
type Problem struct {
	Type   string `json:"type"`
	Title  string `json:"title"`
	Status int    `json:"status"`
	Detail string `json:"detail,omitempty"`
}

// Error makes a Problem an error, so that handlers can return it.
func (p *Problem) Error() string { return p.Detail }

func problem(status int, detail string) *Problem {
	return &Problem{Type: "about:blank", Title: http.StatusText(status), Status: status, Detail: detail}
}

// ProblemOf maps an error to the document its reader may see; ok is false when
// the error is internal and belongs into the log.
func ProblemOf(err error) (p *Problem, ok bool) {
	var tooBig *http.MaxBytesError
	var refused *RefusedError
	var denied *access.DeniedError
	switch {
	case errors.As(err, &p):
		return p, true
	case errors.As(err, &tooBig):
		return problem(http.StatusRequestEntityTooLarge, "the body is larger than 65536 octets"), true
	case errors.As(err, &refused):
		return problem(http.StatusConflict, refused.Why), true
	case errors.Is(err, access.ErrUnknown):
		return problem(http.StatusUnauthorized, err.Error()), true
	case errors.Is(err, access.ErrMustChange), errors.Is(err, access.ErrToken), errors.Is(err, access.ErrPart):
		return problem(http.StatusForbidden, err.Error()), true
	case errors.As(err, &denied):
		return problem(http.StatusForbidden, err.Error()), true
	case errors.Is(err, access.ErrStreams):
		return problem(http.StatusServiceUnavailable, err.Error()), true
	case errors.Is(err, ErrNoSuchAlarm):
		return problem(http.StatusNotFound, err.Error()), true
	case errors.Is(err, ErrBadAction):
		return problem(http.StatusUnprocessableEntity, err.Error()), true
	}
	return problem(http.StatusInternalServerError, "the request could not be done; the master's log says why"), false
}

func (s *server) fail(w http.ResponseWriter, r *http.Request, err error) {
	p, ok := ProblemOf(err)
	if !ok {
		s.Log.Error().Err(err).Str("path", r.URL.Path).Msg("API request failed")
	}
	if p.Status == http.StatusUnauthorized {
		w.Header().Set("WWW-Authenticate", "Bearer") // RFC 6750 section 3
	}
	w.Header().Set("Content-Type", "application/problem+json")
	w.WriteHeader(p.Status)
	// A reader that went away needs no answer.
	_ = json.NewEncoder(w).Encode(p)
}

// RefusedError says that an operator's action could not be done.
type RefusedError struct {
	Key correlate.Key
	Why string
}

func (e *RefusedError) Error() string { return e.Key.String() + ": " + e.Why }

// Errors that callers tell apart.
var (
	// ErrNoSuchAlarm is returned when an ID names no alarm that was ever raised.
	ErrNoSuchAlarm = errors.New("no such alarm")
	// ErrBadAction is returned, wrapped with the reason, for an action whose
	// text or end is missing or out of bounds.
	ErrBadAction = errors.New("the action is not complete")
)
