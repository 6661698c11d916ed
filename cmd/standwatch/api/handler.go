package api

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"net/http"
	"strings"
	"time"

	"example.net/standwatch/cmd/standwatch/access"
	"example.net/standwatch/correlate"
)

const base = "/api/v1"

// server holds what the handlers share.
type server struct {
	Options
	streams      chan struct{} // one element for each open stream
	exports      chan struct{} // one element for each export that runs
	writeTimeout time.Duration // of a stream's reader
}

// route is one operation with what it needs. The OpenAPI document is checked
// against this list, and the tests of who may and who may not walk it.
type route struct {
	Method, Path string
	Needs        access.Permission
	Handler      http.HandlerFunc
}

// Routes lists the patterns of all operations with what each needs.
func Routes() (out []access.Route) {
	for _, rt := range newServer(Options{}).routes() {
		out = append(out, access.Route{Pattern: rt.Method + " " + base + rt.Path, Needs: rt.Needs})
	}
	return out
}

// Handler returns the API, to be mounted at /api/v1/.
func Handler(o Options) http.Handler { return newServer(o).handler() }

func (s *server) handler() http.Handler {
	mux := http.NewServeMux()
	for _, rt := range s.routes() {
		mux.HandleFunc(rt.Method+" "+base+rt.Path, s.needs(rt.Needs, rt.Handler))
	}
	mux.HandleFunc(base+"/", s.needs(access.See, s.unknown))
	protection := http.NewCrossOriginProtection()
	protection.SetDenyHandler(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		s.fail(w, r, problem(http.StatusForbidden, "this request comes from a page of another origin"))
	}))
	return headers(protection.Handler(mux))
}

func newServer(o Options) *server {
	if o.MaxStreams == 0 {
		o.MaxStreams = 256
	}
	if o.Unmatched == nil {
		o.Unmatched = &Unmatched{Journal: o.Journal, Zone: o.Zone}
	}
	return &server{Options: o, streams: make(chan struct{}, o.MaxStreams), exports: make(chan struct{}, maxExports), writeTimeout: WriteTimeout}
}

func (s *server) routes() []route {
	return append(s.dutyRoutes(), []route{
		{"GET", "/alarms", access.See, s.handle(s.alarms)},
		{"GET", "/alarms/{id}", access.See, s.handle(s.alarm)},
		{"POST", "/alarms/{id}/acknowledge", access.Act, s.action(correlate.ActAcknowledge)},
		{"POST", "/alarms/{id}/note", access.Act, s.action(correlate.ActNote)},
		{"POST", "/alarms/{id}/shelve", access.Act, s.action(correlate.ActShelve)},
		{"POST", "/alarms/{id}/unshelve", access.Act, s.action(correlate.ActUnshelve)},
		{"GET", "/sentence", access.See, s.handle(s.sentence)},
		{"GET", "/silences", access.See, s.handle(s.silences)},
		{"POST", "/silences", access.Act, s.handle(s.setSilence)},
		{"POST", "/silences/{id}/end", access.Act, s.handle(s.endSilence)},
		{"GET", "/history", access.See, s.handle(s.history)},
		{"GET", "/history.csv", access.See, s.handle(s.exportHistory("csv", "text/csv; charset=utf-8; header=present", newTable))},
		{"GET", "/history.jsonl", access.See, s.handle(s.exportHistory("jsonl", "application/x-ndjson", newJSONLines))},
		{"GET", "/stream", access.See, s.handle(s.stream)},
		{"GET", "/sites", access.See, s.handle(s.sites)},
		{"GET", "/sites/{id}", access.See, s.handle(s.site)},
		{"POST", "/sites/{id}/ask", access.Act, s.handle(s.askSite)},
		{"POST", "/sites/{id}/note", access.Act, s.handle(s.noteSite)},
		{"POST", "/alarms/{id}/ask", access.Act, s.handle(s.askAlarm)},
		{"GET", "/rosters", access.See, s.handle(s.rosters)},
		{"GET", "/rosters/{name}", access.See, s.handle(s.roster)},
		{"GET", "/intake", access.See, s.handle(s.intake)},
		{"POST", "/intake/run-again", access.ActLong, s.handle(s.runAgain)},
		{"GET", "/shifts", access.See, s.handle(s.shifts)},
		{"GET", "/shifts/{date}/{name}", access.See, s.handle(s.shiftReport)},
		{"GET", "/report", access.See, s.handle(s.report)},
		{"POST", "/handover", access.Act, s.handover(false)},
		{"POST", "/handover/read", access.Act, s.handover(true)},
		{"GET", "/outbox", access.See, s.handle(s.outbox)},
		{"GET", "/store", access.Whole, s.handle(s.store)},
		{"GET", "/configurations", access.Whole, s.handle(s.configurations)},
		{"GET", "/configurations/{hash}", access.Whole, s.handle(s.configuration)},
		{"GET", "/openapi.json", access.See, s.handle(s.openapi)},
	}...)
}

// unknown answers paths that no route has, and known ones asked with another method.
func (s *server) unknown(w http.ResponseWriter, r *http.Request) {
	var allowed []string
	for _, rt := range s.routes() {
		if samePath(base+rt.Path, r.URL.Path) {
			allowed = append(allowed, rt.Method)
		}
	}
	if len(allowed) == 0 {
		s.fail(w, r, problem(http.StatusNotFound, "there is nothing at this address"))
		return
	}
	w.Header().Set("Allow", strings.Join(allowed, ", "))
	s.fail(w, r, problem(http.StatusMethodNotAllowed, "this address answers "+strings.Join(allowed, " and ")))
}

// samePath reports whether path has the shape of pattern, where a segment in
// braces stands for any one.
func samePath(pattern, path string) bool {
	want, got := strings.Split(pattern, "/"), strings.Split(path, "/")
	if len(want) != len(got) {
		return false
	}
	for i := range want {
		if want[i] != got[i] && !strings.HasPrefix(want[i], "{") {
			return false
		}
	}
	return true
}

func headers(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Cache-Control", "no-store")
		h.Set("Content-Security-Policy", "default-src 'none'; frame-ancestors 'none'")
		next.ServeHTTP(w, r)
	})
}

func (s *server) handle(fn func(http.ResponseWriter, *http.Request) error) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		if err := fn(w, r); err != nil {
			s.fail(w, r, err)
		}
	}
}

func writeJSON(w http.ResponseWriter, v any) error {
	body, err := json.Marshal(v)
	if err != nil {
		return fmt.Errorf("encode the answer: %w", err)
	}
	w.Header().Set("Content-Type", "application/json")
	// A reader that went away needs no answer.
	_, _ = w.Write(append(body, '\n'))
	return nil
}

// writeTagged is writeJSON with an entity tag (RFC 9110 section 8.8.3): a
// reader that has this very body already is told so and gets none.
func writeTagged(w http.ResponseWriter, r *http.Request, v any) error {
	body, err := json.Marshal(v)
	if err != nil {
		return fmt.Errorf("encode the answer: %w", err)
	}
	body = append(body, '\n')
	sum := sha256.Sum256(body)
	tag := `"` + hex.EncodeToString(sum[:12]) + `"`
	w.Header().Set("ETag", tag)
	w.Header().Set("Cache-Control", "no-cache")
	if matches(r.Header.Get("If-None-Match"), tag) {
		w.WriteHeader(http.StatusNotModified)
		return nil
	}
	w.Header().Set("Content-Type", "application/json")
	// A reader that went away needs no answer.
	_, _ = bytes.NewReader(body).WriteTo(w)
	return nil
}

// matches reports whether an If-None-Match list names tag (RFC 9110 section
// 13.1.2, weak comparison).
func matches(list, tag string) bool {
	for item := range strings.SplitSeq(list, ",") {
		item = strings.TrimSpace(item)
		if item == "*" || strings.TrimPrefix(item, "W/") == tag {
			return true
		}
	}
	return false
}
