package api

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"strconv"
	"time"

	"example.net/standwatch/cmd/standwatch/access"
	"example.net/standwatch/correlate"
)

// Bounds of a stream. Own choice, no source.
const (
	streamBatch = 256              // records gathered before they are written
	streamBeat  = 15 * time.Second // a sign of life when nothing happens
	// WriteTimeout is how long a reader of a stream may take for one write
	// before it is cut off; it resumes by its cursor.
	WriteTimeout = 10 * time.Second
)

// stream answers GET /stream: one event "record" for each journal record, its
// id the record's sequence number. A reader that comes back with Last-Event-ID
// (or ?after=) gets what it missed. If some of that is no longer kept, an event
// "gap" says so, and the reader has to read the alarms anew.
func (s *server) stream(w http.ResponseWriter, r *http.Request) error {
	p := params(r, "after")
	after := p.number("after", 0, 1<<63, 0)
	if p.err != nil {
		return p.err
	}
	var now correlate.Seq
	s.Board.Read(func(st *correlate.State, _ *correlate.Network) { now = st.Seq })
	cursor := now
	if p.values.Has("after") {
		cursor = correlate.Seq(after)
	}
	if last := r.Header.Get("Last-Event-ID"); last != "" {
		n, err := strconv.ParseUint(last, 10, 64)
		if err != nil {
			return problem(http.StatusBadRequest, "Last-Event-ID is not a record number")
		}
		cursor = correlate.Seq(n)
	}
	select {
	case s.streams <- struct{}{}:
		defer func() { <-s.streams }()
	default:
		return problem(http.StatusServiceUnavailable, "as many streams are open as the master allows")
	}
	ctx, done, err := access.While(r)
	if err != nil {
		return err
	}
	defer done()
	out := NewEventWriter(w, s.writeTimeout)
	if err := out.Open(); err != nil {
		return nil // the reader went away before the first octet
	}
	s.follow(ctx, out, cursor)
	return nil
}

// follow writes records from the cursor on until the reader goes, is too slow,
// or the server closes.
func (s *server) follow(ctx context.Context, out *EventWriter, cursor correlate.Seq) {
	wake, cancel := s.Board.Follow()
	defer cancel()
	beat := time.NewTicker(streamBeat)
	defer beat.Stop()
	for {
		for {
			next, err := s.catchUp(ctx, out, cursor)
			if err != nil {
				return // the reader resumes by its cursor
			}
			if next == cursor {
				break
			}
			cursor = next
		}
		select {
		case <-wake:
		case <-beat.C:
			if out.Beat() != nil {
				return
			}
		case <-ctx.Done():
			return
		case <-s.Closing:
			return
		}
	}
}

// catchUp writes at most one batch of the records after cursor and returns the
// cursor behind it.
func (s *server) catchUp(ctx context.Context, out *EventWriter, cursor correlate.Seq) (correlate.Seq, error) {
	var last correlate.Seq
	s.Board.Read(func(st *correlate.State, _ *correlate.Network) { last = st.Seq })
	if last < cursor {
		// The journal is not the one the reader knew.
		return last, out.Event("gap", uint64(last), map[string]correlate.Seq{"after": cursor, "next": last + 1})
	}
	records, err := Gather(ctx, s.Journal, cursor, last, streamBatch)
	if err != nil {
		s.Log.Error().Err(err).Uint64("seq", uint64(cursor)).Msg("API stream cannot read the journal")
		return cursor, err
	}
	for _, rec := range records {
		if rec.Seq != cursor+1 {
			if err := out.Event("gap", uint64(rec.Seq-1), map[string]correlate.Seq{"after": cursor, "next": rec.Seq}); err != nil {
				return cursor, err
			}
		}
		if err := out.Event("record", uint64(rec.Seq), s.withAlarms(rec)); err != nil {
			return cursor, err
		}
		cursor = rec.Seq
	}
	return cursor, nil
}

func (s *server) withAlarms(rec *correlate.Record) Record {
	out := RecordOf(rec, s.Zone)
	s.Board.Read(func(st *correlate.State, net *correlate.Network) {
		seen := map[correlate.Key]bool{}
		for _, ev := range rec.Events {
			k := ev.Subject()
			if a := st.Alarms[k]; a != nil && !seen[k] && a.Episodes > 0 {
				seen[k] = true
				out.Alarms = append(out.Alarms, AlarmOf(st, net, a, s.Zone))
			}
		}
	})
	return out
}

var errEnough = errors.New("enough records")

// Gather returns up to limit records after cursor and up to last, so that no
// journal read stays open while a slow reader is written to.
func Gather(ctx context.Context, j Journal, cursor, last correlate.Seq, limit int) ([]*correlate.Record, error) {
	if cursor >= last {
		return nil, nil
	}
	var out []*correlate.Record
	err := j.Scan(ctx, cursor+1, func(rec *correlate.Record) error {
		if rec.Seq > last || len(out) == limit {
			return errEnough
		}
		out = append(out, rec)
		return nil
	})
	if err != nil && !errors.Is(err, errEnough) {
		return nil, fmt.Errorf("read journal after %d: %w", cursor, err)
	}
	return out, nil
}

// EventWriter writes server-sent events (HTML standard, section 9.2), each
// within a time limit. It is used by one goroutine.
type EventWriter struct {
	w       http.ResponseWriter
	rc      *http.ResponseController
	timeout time.Duration
}

// NewEventWriter returns a writer on w whose reader may take as long as
// timeout for each write.
func NewEventWriter(w http.ResponseWriter, timeout time.Duration) *EventWriter {
	return &EventWriter{w: w, rc: http.NewResponseController(w), timeout: timeout}
}

// Open sends the header and the time after which a reader that lost the stream
// asks again.
func (e *EventWriter) Open() error {
	h := e.w.Header()
	h.Set("Content-Type", "text/event-stream")
	h.Set("Cache-Control", "no-store")
	h.Set("X-Accel-Buffering", "no") // asked for by common reverse proxies; no standard
	return e.write([]byte("retry: 2000\n\n"))
}

// Event sends one event with data as JSON, which holds no line break.
func (e *EventWriter) Event(name string, id uint64, data any) error {
	body, err := json.Marshal(data)
	if err != nil {
		return fmt.Errorf("encode event %s %d: %w", name, id, err)
	}
	var b bytes.Buffer
	fmt.Fprintf(&b, "event: %s\nid: %d\ndata: %s\n\n", name, id, body)
	return e.write(b.Bytes())
}

// Beat sends a comment, which readers ignore and proxies count as life.
func (e *EventWriter) Beat() error { return e.write([]byte(": beat\n\n")) }

func (e *EventWriter) write(b []byte) error {
	if err := e.rc.SetWriteDeadline(time.Now().Add(e.timeout)); err != nil && !errors.Is(err, http.ErrNotSupported) {
		return fmt.Errorf("limit the time of a write: %w", err)
	}
	if _, err := e.w.Write(b); err != nil {
		return fmt.Errorf("write to the stream: %w", err)
	}
	return e.rc.Flush()
}
