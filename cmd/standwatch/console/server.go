package console

import (
	"bytes"
	"context"
	"fmt"
	"html/template"
	"io/fs"
	"math"
	"net/http"
	"path"
	"strings"
	"time"

	"example.net/standwatch/cmd/standwatch/access"
	"example.net/standwatch/cmd/standwatch/api"
	"example.net/standwatch/correlate"
)

// server holds what the handlers share.
type server struct {
	Options
	pages   map[string]*template.Template
	assets  *assets
	traces  traces
	frames  frames
	streams chan struct{} // one element for each open stream
	cameras *cameras
}

// Handler returns the pages, to be mounted at /.
func Handler(o Options) http.Handler { return newServer(o).handler() }

// route is one page or operation with what it needs. The table is walked by the
// tests of who may and who may not.
type route struct {
	Pattern string
	Needs   access.Permission
	Handler func(http.ResponseWriter, *http.Request) error
}

func (s *server) routes() []route {
	own := []route{
		{"GET /{$}", access.See, s.watch},
		{"GET /wall", access.See, s.wall},
		{"GET /hand", access.See, s.handFragment},
		{"GET /live", access.See, s.live},
		{"GET /alarms/{id}", access.See, s.alarm},
		{"POST /alarms", access.Act, s.actMany},
		{"POST /alarms/{id}/{action}", access.Act, s.act},
		{"POST /alarms/{id}/ask", access.Act, s.askAlarm},
		{"POST /sites/{id}/ask", access.Act, s.askSite},
		{"POST /sites/{id}/note", access.Act, s.noteSite},
		{"GET /sites", access.See, s.sites},
		{"GET /sites/{id}", access.See, s.site},
		{"GET /sites/{id}/trend", access.See, s.trend},
		{"GET /sites/{id}/cameras/{n}", access.See, s.camera},
		{"GET /history", access.See, s.history},
		{"GET /outbox", access.See, s.outbox},
		{"GET /silences", access.See, s.silences},
		{"POST /silences", access.Act, s.setSilence},
		{"POST /silences/{id}/end", access.Act, s.endSilence},
		{"GET /intake", access.See, s.intakePage},
		{"POST /intake/run-again", access.ActLong, s.runAgain},
		{"GET /journal", access.Whole, s.journal},
		{"GET /keys", access.See, s.keys},
		{"GET /shift", access.See, s.ownShift},
		{"GET /shifts/{date}/{name}", access.See, s.namedShift},
		{"GET /report", access.See, s.report},
		{"POST /handover", access.Act, s.handOver},
	}
	return append(append(own, s.dutyRoutes()...), s.accessRoutes()...)
}

// Routes lists the patterns of all pages with what each needs.
func Routes() (out []access.Route) {
	for _, rt := range newServer(Options{}).routes() {
		out = append(out, access.Route{Pattern: rt.Pattern, Needs: rt.Needs})
	}
	return out
}

func (s *server) handler() http.Handler {
	mux := http.NewServeMux()
	for _, rt := range s.routes() {
		mux.HandleFunc(rt.Pattern, s.handle(needs(rt.Needs, rt.Handler)))
	}
	mux.HandleFunc("GET /assets/{name}", s.assets.serve)
	mux.HandleFunc("GET /offline.js", s.assets.offline)
	mux.HandleFunc("GET /manifest.webmanifest", s.manifest)
	mux.HandleFunc("/", s.handle(needs(access.See, func(http.ResponseWriter, *http.Request) error { return notFound("there is nothing at this address") })))
	protection := http.NewCrossOriginProtection()
	protection.SetDenyHandler(s.handle(func(http.ResponseWriter, *http.Request) error {
		return &api.Problem{Title: http.StatusText(http.StatusForbidden), Status: http.StatusForbidden, Detail: "this request comes from a page of another origin"}
	}))
	return headers(protection.Handler(mux))
}

func newServer(o Options) *server {
	if o.MaxStreams == 0 {
		o.MaxStreams = 256
	}
	if o.Quiet == 0 {
		o.Quiet = 10 * time.Minute
	}
	if o.Unmatched == nil {
		o.Unmatched = &api.Unmatched{Journal: o.Journal, Zone: o.Zone}
	}
	s := &server{Options: o, assets: newAssets(), streams: make(chan struct{}, o.MaxStreams), cameras: newCameras()}
	s.pages = parsePages(s.assets)
	return s
}

// headers sets what every answer carries. The policy allows nothing that this
// server does not serve itself, and no inline script or style.
func headers(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", "default-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'; object-src 'none'")
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "same-origin")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Cache-Control", "no-store")
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

func badRequest(detail string) error { return problemOf(http.StatusBadRequest, detail) }
func notFound(detail string) error   { return problemOf(http.StatusNotFound, detail) }

func problemOf(status int, detail string) *api.Problem {
	return &api.Problem{Type: "about:blank", Title: http.StatusText(status), Status: status, Detail: detail}
}

// fail shows an error as a page, or as a problem document to the script.
func (s *server) fail(w http.ResponseWriter, r *http.Request, err error) {
	if toLogin(w, r, err) {
		return
	}
	p, known := api.ProblemOf(err)
	if !known {
		s.Log.Error().Err(err).Str("path", r.URL.Path).Msg("page cannot be made")
	}
	if byScript(r) {
		w.Header().Set("Content-Type", "application/problem+json")
		w.WriteHeader(p.Status)
		// A reader that went away needs no answer.
		_, _ = fmt.Fprintf(w, `{"type":"about:blank","title":%q,"status":%d,"detail":%s}`, p.Title, p.Status, jsonText(p.Detail))
		return
	}
	if err := s.render(w, r, p.Status, "problem", p.Title, p); err != nil {
		s.Log.Error().Err(err).Msg("the page that says an error cannot be made")
		http.Error(w, p.Title, p.Status)
	}
}

// read lends the state to fn with everything that views need beside it.
func (s *server) read(r *http.Request, fn func(clock, source)) error {
	return s.readFor(r.Context(), s.Actor(r), fn)
}

func (s *server) readFor(ctx context.Context, actor string, fn func(clock, source)) error {
	var last correlate.Seq
	s.Board.Read(func(st *correlate.State, _ *correlate.Network) { last = st.Seq })
	if err := s.traces.upTo(ctx, s.Journal, last); err != nil {
		return fmt.Errorf("read repeats from the journal: %w", err)
	}
	now := s.Now()
	duties := s.OnCall(now)
	s.Board.Read(func(st *correlate.State, net *correlate.Network) {
		fn(clock{now, s.Zone}, source{st: st, net: net, repeats: s.traces.of, onCall: duties, actor: actor, auditor: s.Auditor})
	})
	return nil
}

// envelope is what the layout needs around a page.
type envelope struct {
	Title  string
	Name   string // of the page, for the menu
	Centre string
	Banner string
	Alert  alert
	Now    moment
	Actor  string
	Seq    correlate.Seq
	Door   doorView
	Page   any
}

// alert is what has to be said loudly above a page.
type alert struct {
	Trouble string
	Quiet   string // no trap for so long
}

func (s *server) alert(now time.Time) (a alert, seq correlate.Seq) {
	if s.Trouble != nil {
		a.Trouble = s.Trouble()
	}
	s.Board.Read(func(st *correlate.State, _ *correlate.Network) {
		seq = st.Seq
		last := newestTrap(st)
		if st.Started.After(last) {
			last = st.Started
		}
		if !last.IsZero() && now.Sub(last) > s.Quiet {
			a.Quiet = "No trap has come for " + spoken(now.Sub(last)) + ", since " + clock{now, s.Zone}.at(last).Clock() + ". Silence is not health: the intake may be cut off."
		}
	})
	return a, seq
}

func (s *server) render(w http.ResponseWriter, r *http.Request, status int, name, title string, page any) error {
	now := s.Now()
	e := envelope{Title: title, Name: name, Centre: s.Centre, Banner: s.Banner, Now: clock{now, s.Zone}.at(now), Actor: s.Actor(r), Page: page}
	e.Alert, e.Seq = s.alert(now)
	e.Door = s.door(r)
	var b bytes.Buffer
	if err := s.pages[name].ExecuteTemplate(&b, "layout", e); err != nil {
		return fmt.Errorf("make page %s: %w", name, err)
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(status)
	// A reader that went away needs no answer.
	_, _ = b.WriteTo(w)
	return nil
}

// fragment writes one named part of a page.
func (s *server) fragment(w http.ResponseWriter, page, part string, data any) error {
	var b bytes.Buffer
	if err := s.pages[page].ExecuteTemplate(&b, part, data); err != nil {
		return fmt.Errorf("make part %s of page %s: %w", part, page, err)
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	// A reader that went away needs no answer.
	_, _ = b.WriteTo(w)
	return nil
}

func (s *server) keys(w http.ResponseWriter, r *http.Request) error {
	return s.render(w, r, http.StatusOK, "keys", "Keys and signs", nil)
}

// parsePages parses every page together with the layout and the shared parts.
func parsePages(a *assets) map[string]*template.Template {
	funcs := template.FuncMap{
		"asset":    a.path,
		"alarmAt":  alarmHref,
		"titled":   upperFirst,
		"join":     func(words []string) string { return strings.Join(words, ", ") },
		"plural":   count,
		"sevs":     correlate.Severities,
		"laneTall": func() int { return laneHeight },
		"plural64": func(n uint64, one, many string) string { return count(int(min(n, math.MaxInt)), one, many) },
	}
	base := template.Must(template.New("").Funcs(funcs).Funcs(drawn()).ParseFS(pageFiles, "pages/layout.html", "pages/parts.html"))
	out := map[string]*template.Template{}
	for _, name := range pageNames() {
		out[name] = template.Must(template.Must(base.Clone()).ParseFS(pageFiles, "pages/"+name+".html"))
	}
	return out
}

// pageNames lists the pages: each file but what they share.
func pageNames() []string {
	files, err := fs.Glob(pageFiles, "pages/*.html")
	if err != nil {
		panic(err) // the pattern is a good one
	}
	var out []string
	for _, f := range files {
		if name := strings.TrimSuffix(path.Base(f), ".html"); name != "layout" && name != "parts" {
			out = append(out, name)
		}
	}
	return out
}

// block is one filled or hollow block of a severity's sign.
type block struct {
	X      int
	Hollow bool
}

// blocks returns the sign of a severity: critical four, major three, minor
// two, warning one, indeterminate one hollow.
func blocks(s correlate.Severity) []block {
	n := map[correlate.Severity]int{correlate.Critical: 4, correlate.Major: 3, correlate.Minor: 2, correlate.Warning: 1, correlate.Indeterminate: 1}[s]
	var out []block
	for i := range n {
		out = append(out, block{X: 1 + i*8, Hollow: s == correlate.Indeterminate})
	}
	return out
}
