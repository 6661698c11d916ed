package api

import (
	"bufio"
	"bytes"
	"encoding/csv"
	"encoding/json"
	"errors"
	"io"
	"net/http"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"example.net/standwatch/cmd/standwatch/access"
	"example.net/standwatch/cmd/standwatch/api/apitest"
	"example.net/standwatch/correlate"
	"example.net/standwatch/store"
	"example.net/standwatch/store/accounts"

	"github.com/google/go-cmp/cmp"
)

// lines reads what an export of JSON lines holds.
func lines(t *testing.T, r *http.Response) []Record {
	t.Helper()
	var out []Record
	s := bufio.NewScanner(r.Body)
	s.Buffer(nil, 1<<20)
	for s.Scan() {
		var rec Record
		if err := json.Unmarshal(s.Bytes(), &rec); err != nil {
			t.Fatal(err)
		}
		out = append(out, rec)
	}
	if err := s.Err(); err != nil {
		t.Fatal(err)
	}
	return out
}

// Both forms hold what the pages of the history hold, over many pages, and with
// the same filters.
func TestExportIsTheHistory(t *testing.T) {
	st := newStage(t)
	fill(t, st)
	st.Trap(t, correlate.Observation{Key: apitest.Key("sallow-fen", "door"), What: correlate.Raise, Text: "=HYPERLINK(\"//evil.example.net\")\r\nx,y"})
	for range MaxPage {
		st.Trap(t)
	}
	for _, query := range []string{"", "kind=raised&kind=cleared", "site=sallow-fen&severity=minor", "unmatched=true", "from=2030-01-01T00:00:00Z"} {
		var want []Record
		for before := ""; ; {
			page := decode[HistoryPage](t, st.ask("GET", "/api/v1/history?limit=1000&"+query+before, ""))
			want = append(want, page.Records...)
			if page.Next == 0 {
				break
			}
			raw, err := json.Marshal(page.Next)
			if err != nil {
				t.Fatal(err)
			}
			before = "&before=" + string(raw)
		}
		got := lines(t, st.ask("GET", "/api/v1/history.jsonl?"+query, ""))
		if diff := cmp.Diff(want, got); diff != "" {
			t.Fatalf("%q (-pages +export):\n%s", query, diff)
		}
		answer := st.ask("GET", "/api/v1/history.csv?"+query, "")
		if !strings.HasPrefix(answer.Header.Get("Content-Type"), "text/csv") || !strings.Contains(answer.Header.Get("Content-Disposition"), "attachment; filename=\"history-") {
			t.Errorf("headers: %v", answer.Header)
		}
		rows, err := csv.NewReader(answer.Body).ReadAll()
		if err != nil || len(rows) == 0 || !slices.Equal(rows[0], tableColumns) {
			t.Fatalf("%q: %v, %v", query, err, rows)
		}
		expected := 1
		for _, r := range want {
			expected += max(1, len(r.Events))
		}
		if len(rows) != expected {
			t.Errorf("%q: %d rows, want %d", query, len(rows), expected)
		}
		for _, row := range rows {
			for i, cell := range row {
				if cell != "" && strings.ContainsRune("=+-@\t\r", rune(cell[0])) && tableColumns[i] != "value" {
					t.Errorf("a spreadsheet would run %q", cell)
				}
			}
		}
	}
	if got := lines(t, st.ask("GET", "/api/v1/history.jsonl?limit=1003", "")); len(got) != 1003 {
		t.Errorf("%d records, want 1003", len(got))
	}
	if r := st.ask("GET", "/api/v1/history.csv?colour=red", ""); r.StatusCode != http.StatusBadRequest {
		t.Errorf("an unknown parameter: %s", r.Status)
	}
	for range maxExports {
		st.server.exports <- struct{}{}
	}
	if r := st.ask("GET", "/api/v1/history.csv", ""); r.StatusCode != http.StatusServiceUnavailable || r.Header.Get("Retry-After") == "" {
		t.Errorf("one export too many: %s", r.Status)
	}
}

// broken is a journal that fails after some pages.
type broken struct {
	Journal
	pages int
}

func (b *broken) History(q store.Query) (store.Page, error) {
	if b.pages--; b.pages < 0 {
		return store.Page{}, errors.New("the disk is gone")
	}
	return b.Journal.History(q)
}

// Whoever reads an export that cannot be finished sees that it is not whole.
func TestExportThatBreaksOff(t *testing.T) {
	st := newStage(t)
	for range MaxPage + 10 {
		st.Trap(t)
	}
	st.server.Journal = &broken{st.server.Journal, 1}
	client := st.serve(t)
	for _, form := range []string{"csv", "jsonl"} {
		st.server.Journal.(*broken).pages = 1
		r, err := client.Get("http://centre.example.net/api/v1/history." + form)
		if err != nil {
			t.Fatal(err)
		}
		body, err := io.ReadAll(r.Body)
		r.Body.Close()
		if err == nil || r.StatusCode != http.StatusOK || !bytes.Contains(body, []byte("\n")) {
			t.Errorf("%s: %s, %d octets, read with %v", form, r.Status, len(body), err)
		}
	}
}

// endless is a journal of a given length whose records are all the same.
type endless struct {
	Journal
	rec  correlate.Record
	last correlate.Seq
}

func (e *endless) History(q store.Query) (store.Page, error) {
	var page store.Page
	from := e.last
	if q.Before != 0 {
		from = q.Before - 1
	}
	for ; from > 0 && len(page.Records) < q.Limit; from-- {
		r := e.rec
		r.Seq = from
		page.Records = append(page.Records, &r)
	}
	if from > 0 {
		page.Next = from + 1
	}
	return page, nil
}

// heapSeen notes the largest heap while it is written to.
type heapSeen struct {
	http.ResponseWriter
	octets int
	most   uint64
}

func (h *heapSeen) Header() http.Header { return http.Header{} }
func (h *heapSeen) WriteHeader(int)     {}
func (h *heapSeen) Write(b []byte) (int, error) {
	if h.octets>>22 != (h.octets+len(b))>>22 { // each four mebibytes
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		h.most = max(h.most, m.HeapAlloc)
	}
	h.octets += len(b)
	return len(b), nil
}

// BenchmarkExport shows that ten times the records take no more memory.
func BenchmarkExport(b *testing.B) {
	at := time.Date(2026, 11, 25, 6, 0, 0, 0, time.UTC)
	rec := correlate.Record{At: at, Input: &correlate.Arrival{From: "192.0.2.10:161", Agent: "harrow-remote", TrapOID: "1.3.6.1.4.1.8072.4.0.1", Version: "v2c"},
		Events: []correlate.Event{&correlate.Raised{Severity: correlate.Major, Text: "Mains failed"}}}
	for name, n := range map[string]correlate.Seq{"100k": 100_000, "1M": 1_000_000} {
		for _, form := range []string{"csv", "jsonl"} {
			b.Run(form+"/"+name, func(b *testing.B) {
				s := newServer(Options{Journal: &endless{rec: rec, last: n}, Zone: time.UTC, Now: func() time.Time { return at }})
				handler := access.As(accounts.Who{Name: "b", Role: accounts.Look}, s.handler())
				var most uint64
				for b.Loop() {
					w := &heapSeen{}
					r, err := http.NewRequestWithContext(b.Context(), http.MethodGet, "/api/v1/history."+form, nil)
					if err != nil {
						b.Fatal(err)
					}
					handler.ServeHTTP(w, r)
					most = max(most, w.most)
				}
				b.ReportMetric(float64(most)/(1<<20), "heap-MiB")
				b.ReportMetric(float64(n)*float64(b.N)/b.Elapsed().Seconds(), "records/s")
			})
		}
	}
}
