package api

import (
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"net/http"
	"strconv"
	"time"

	"example.net/standwatch/cmd/standwatch/access"
	"example.net/standwatch/cmd/standwatch/sheet"
	"example.net/standwatch/correlate"
	"example.net/standwatch/store"
)

// maxExports is how many exports run at once; each reads the disk as fast as its
// reader takes it.
const maxExports = 4

// exported writes records in one form; end is called once after the last.
type exported interface {
	record(r Record) error
	end() error
}

// exportHistory answers with all of the records that the query finds, newest
// first, as they are read: what is held of them at a time is one page. An answer
// that cannot be finished is cut off, so that its reader sees that it is not whole.
func (s *server) exportHistory(ext, kind string, form func(io.Writer) exported) func(http.ResponseWriter, *http.Request) error {
	return func(w http.ResponseWriter, r *http.Request) error {
		p := params(r, append(historyParams(), "limit")...)
		q := s.historyQuery(p)
		left := p.number("limit", 1, math.MaxInt64, math.MaxInt64)
		if p.err != nil {
			return p.err
		}
		select {
		case s.exports <- struct{}{}:
			defer func() { <-s.exports }()
		default:
			w.Header().Set("Retry-After", "30")
			return problem(http.StatusServiceUnavailable, fmt.Sprintf("%d exports run already; ask again when one has ended", maxExports))
		}
		ctx, done, err := access.While(r)
		if err != nil {
			return err
		}
		defer done()
		q.Limit = int(min(left, MaxPage))
		page, err := s.Journal.History(q)
		if err != nil {
			return fmt.Errorf("read history: %w", err)
		}
		h := w.Header()
		h.Set("Content-Type", kind)
		h.Set("Content-Disposition", `attachment; filename="history-`+in(s.Zone, s.Now()).Format("2006-01-02-1504")+"."+ext+`"`)
		rc := http.NewResponseController(w)
		out := form(w)
		for {
			if err := rc.SetWriteDeadline(time.Now().Add(s.writeTimeout)); err != nil && !errors.Is(err, http.ErrNotSupported) {
				panic(http.ErrAbortHandler)
			}
			for i, rec := range page.Records {
				record := RecordOf(rec, s.Zone)
				record.ClockBack = ClockBack(page.Records, i).Seconds()
				if out.record(record) != nil {
					panic(http.ErrAbortHandler) // nobody reads on
				}
			}
			left -= uint64(len(page.Records))
			if page.Next == 0 || left == 0 {
				break
			}
			if ctx.Err() != nil {
				panic(http.ErrAbortHandler) // the login ended, or the reader left
			}
			q.Before, q.Limit = page.Next, int(min(left, MaxPage))
			if page, err = s.Journal.History(q); err != nil {
				s.Log.Error().Err(err).Msg("an export of the history was cut off")
				panic(http.ErrAbortHandler)
			}
		}
		if out.end() != nil {
			panic(http.ErrAbortHandler)
		}
		return nil
	}
}

// jsonLines is one record for each line.
type jsonLines struct{ e *json.Encoder }

func newJSONLines(w io.Writer) exported { return jsonLines{json.NewEncoder(w)} }

func (j jsonLines) record(r Record) error { return j.e.Encode(r) }
func (jsonLines) end() error              { return nil }

// table is one event for each line (RFC 4180), or a line for a record without any.
type table struct {
	w    *csv.Writer
	head bool
}

func newTable(w io.Writer) exported { return &table{w: csv.NewWriter(w)} }

// tableColumns name what a line holds, in the words of the JSON.
var tableColumns = []string{"record", "time", "clock-back-s", "came-in", "from", "agent", "trap-oid", "kind", "alarm", "site", "point", "instance", "perceived-severity", "alarm-text", "operator", "why", "value", "until", "message"}

func (t *table) record(r Record) error {
	if !t.head {
		t.head = true
		if err := t.w.Write(tableColumns); err != nil {
			return err
		}
	}
	events := r.Events
	if len(events) == 0 {
		events = []Event{{Operator: r.Input.Operator, Text: r.Input.Text, Why: r.Input.Unmatched, Message: string(r.Input.Message)}}
	}
	for _, e := range events {
		value, severity := "", ""
		if e.Value != nil {
			value = strconv.FormatFloat(*e.Value, 'g', -1, 64)
		}
		if e.Severity != 0 {
			severity = e.Severity.String()
		}
		back := ""
		if r.ClockBack > 0 {
			back = strconv.FormatFloat(r.ClockBack, 'f', -1, 64)
		}
		row := []string{strconv.FormatUint(uint64(r.Seq), 10), r.Time.Format(time.RFC3339Nano), back, r.Input.Kind, r.Input.From, string(r.Input.Agent), r.Input.TrapOID,
			e.Kind, string(e.Alarm), string(e.Site), string(e.Point), e.Instance, severity, e.Text, e.Operator, e.Why, value, stamp(e.Until), e.Message}
		for i, cell := range row {
			if tableColumns[i] != "value" { // a number, written by us
				row[i] = sheet.Harmless(cell)
			}
		}
		if err := t.w.Write(row); err != nil {
			return err
		}
	}
	return nil
}

func (t *table) end() error {
	if !t.head {
		if err := t.w.Write(tableColumns); err != nil {
			return err
		}
	}
	t.w.Flush()
	return t.w.Error()
}

func stamp(at time.Time) string {
	if at.IsZero() {
		return ""
	}
	return at.Format(time.RFC3339Nano)
}

// historyParams are the names that choose records.
func historyParams() []string {
	return []string{"from", "to", "site", "point", "instance", "severity", "kind", "agent", "unmatched", "before"}
}

func (*server) historyQuery(p *query) store.Query {
	return store.Query{
		From: p.time("from"), To: p.time("to"),
		Site: correlate.SiteID(p.text("site")), Point: correlate.PointID(p.text("point")), Instance: p.text("instance"),
		Severity: p.severity(), Kinds: p.kinds(), Agent: correlate.AgentID(p.text("agent")),
		Unmatched: p.text("unmatched") == "true",
		Before:    correlate.Seq(p.number("before", 1, math.MaxUint64, 0)),
	}
}
