package api

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"time"

	"example.net/standwatch/cmd/standwatch/access"
	"example.net/standwatch/correlate"
)

// Bounds of a stream. Own choice, no source.
const (
	streamBatch = 256              // records gathered at a time
	streamLook  = 4096             // records looked at for those of some sites
	streamRead  = 16               // records that alarms are looked up for while commits wait
	streamWrite = 64 << 10         // octets of events after which they are written
	streamBeat  = 15 * time.Second // a sign of life when nothing happens
	// WriteTimeout is how long a reader of a stream may take for one write
	// before it is cut off; it resumes by its cursor.
	WriteTimeout = 10 * time.Second
)

// stream answers GET /stream: one event "record" for each journal record, its
// id the record's sequence number. A reader that comes back with Last-Event-ID
// (or ?after=) gets what it missed. If some of that is no longer kept, an event
// "gap" says so, and the reader has to read the alarms anew. Whoever names sites
// gets the records in which something happened there.
func (s *server) stream(w http.ResponseWriter, r *http.Request) error {
	p := params(r, "after", "site")
	after := p.number("after", 0, 1<<63, 0)
	sites := p.sites()
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
	s.follow(ctx, &follower{s, out, sites}, cursor)
	return nil
}

// follower is one reader of the stream.
type follower struct {
	*server
	out   *EventWriter
	sites map[correlate.SiteID]bool // nil: all
}

// follow writes records from the cursor on until the reader goes, is too slow,
// or the server closes.
func (s *server) follow(ctx context.Context, f *follower, cursor correlate.Seq) {
	wake, cancel := s.Board.Follow()
	defer cancel()
	beat := time.NewTicker(streamBeat)
	defer beat.Stop()
	for {
		for {
			next, err := f.catchUp(ctx, cursor)
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
			if f.beat(cursor) != nil {
				return
			}
		case <-ctx.Done():
			return
		case <-s.Closing:
			return
		}
	}
}

// beat gives a sign of life. A reader of some sites learns how far it is, since
// there may have been nothing for it in a long stretch of journal (an id without
// data is kept by readers and raises no event: HTML standard, section 9.2.6).
func (f *follower) beat(cursor correlate.Seq) error {
	if f.sites == nil {
		return f.out.Beat()
	}
	return f.out.write(fmt.Appendf(nil, ": beat\nid: %d\n\n", cursor))
}

// catchUp writes at most one batch of the records after cursor and returns the
// cursor behind it.
func (f *follower) catchUp(ctx context.Context, cursor correlate.Seq) (correlate.Seq, error) {
	var last correlate.Seq
	f.Board.Read(func(st *correlate.State, _ *correlate.Network) { last = st.Seq })
	if last < cursor {
		// The journal is not the one the reader knew.
		return last, f.out.Event("gap", uint64(last), map[string]correlate.Seq{"after": cursor, "next": last + 1})
	}
	b, err := f.gather(ctx, cursor, last)
	if err != nil {
		f.Log.Error().Err(err).Uint64("seq", uint64(cursor)).Msg("API stream cannot read the journal")
		return cursor, err
	}
	if b.first > cursor+1 {
		if err := f.out.add("gap", uint64(b.first-1), map[string]correlate.Seq{"after": cursor, "next": b.first}); err != nil {
			return cursor, err
		}
	}
	for part := range slices.Chunk(b.records, streamRead) {
		for _, rec := range f.withAlarms(part) {
			if err := f.out.add("record", uint64(rec.Seq), rec); err != nil {
				return cursor, err
			}
		}
		if f.out.buf.Len() >= streamWrite {
			if err := f.out.flush(); err != nil {
				return cursor, err
			}
		}
	}
	return b.last, f.out.flush()
}

// stretch is a part of the journal that was looked at, and the records of it that
// a reader gets.
type stretch struct {
	first, last correlate.Seq
	records     []*correlate.Record
}

// gather looks at records after cursor and up to last.
func (f *follower) gather(ctx context.Context, cursor, last correlate.Seq) (stretch, error) {
	b := stretch{first: cursor + 1, last: cursor}
	if f.sites == nil {
		records, err := Gather(ctx, f.Journal, cursor, last, streamBatch)
		if len(records) > 0 {
			b = stretch{records[0].Seq, records[len(records)-1].Seq, records}
		}
		return b, err
	}
	if cursor >= last {
		return b, nil
	}
	var hits []correlate.Seq
	looked := 0
	err := f.Journal.ScanEvents(ctx, cursor+1, func(rec *correlate.Record) error {
		if rec.Seq > last || looked == streamLook || len(hits) == streamBatch {
			return errEnough
		}
		if looked++; looked == 1 {
			b.first = rec.Seq
		}
		b.last = rec.Seq
		if slices.ContainsFunc(rec.Events, func(ev correlate.Event) bool { return f.sites[ev.Subject().Site] }) {
			hits = append(hits, rec.Seq)
		}
		return nil
	})
	if err != nil && !errors.Is(err, errEnough) {
		return b, fmt.Errorf("read journal after %d: %w", cursor, err)
	}
	for _, seq := range hits {
		rec, err := f.Journal.Get(seq)
		if err != nil {
			return b, fmt.Errorf("read record %d: %w", seq, err)
		}
		b.records = append(b.records, rec)
	}
	return b, nil
}

// withAlarms returns the wire form of records with the alarms that they changed,
// as those are now and without their past changes.
func (f *follower) withAlarms(records []*correlate.Record) []Record {
	out := make([]Record, len(records))
	f.Board.Read(func(st *correlate.State, net *correlate.Network) {
		for i, rec := range records {
			out[i] = RecordOf(rec, f.Zone)
			for _, k := range subjects(rec) {
				if a := st.Alarms[k]; a != nil && a.Episodes > 0 {
					out[i].Alarms = append(out[i].Alarms, briefOf(net, a, f.Zone))
				}
			}
		}
	})
	return out
}

// subjects returns what the events of a record are about, each once. Nearly all
// records have a few events, but one of a reload may have thousands.
func subjects(rec *correlate.Record) []correlate.Key {
	keys := make([]correlate.Key, 0, len(rec.Events))
	var seen map[correlate.Key]bool
	if len(rec.Events) > 16 {
		seen = make(map[correlate.Key]bool, len(rec.Events))
	}
	for _, ev := range rec.Events {
		k := ev.Subject()
		if k.IsZero() || seen[k] || seen == nil && slices.Contains(keys, k) {
			continue
		}
		if keys = append(keys, k); seen != nil {
			seen[k] = true
		}
	}
	return keys
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
	buf     bytes.Buffer // events that were not written yet
	json    *json.Encoder
}

// NewEventWriter returns a writer on w whose reader may take as long as
// timeout for each write.
func NewEventWriter(w http.ResponseWriter, timeout time.Duration) *EventWriter {
	e := &EventWriter{w: w, rc: http.NewResponseController(w), timeout: timeout}
	e.json = json.NewEncoder(&e.buf) // ends each value with a line break
	return e
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
	if err := e.add(name, id, data); err != nil {
		return err
	}
	return e.flush()
}

// add puts an event behind those that flush will send: a write to a reader costs
// more than the making of an event.
func (e *EventWriter) add(name string, id uint64, data any) error {
	at := e.buf.Len()
	fmt.Fprintf(&e.buf, "event: %s\nid: %d\ndata: ", name, id)
	if err := e.json.Encode(data); err != nil {
		e.buf.Truncate(at)
		return fmt.Errorf("encode event %s %d: %w", name, id, err)
	}
	e.buf.WriteByte('\n')
	return nil
}

func (e *EventWriter) flush() error {
	if e.buf.Len() == 0 {
		return nil
	}
	defer e.buf.Reset()
	return e.write(e.buf.Bytes())
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
