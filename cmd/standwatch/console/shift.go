package console

import (
	"html/template"
	"net/http"
	"net/url"
	"time"

	"example.net/standwatch/cmd/standwatch/access"
	"example.net/standwatch/cmd/standwatch/api"
	"example.net/standwatch/cmd/standwatch/shift"
	"example.net/standwatch/configs"
	"example.net/standwatch/correlate"
)

// shiftPage is the report of a shift, or of any other stretch.
type shiftPage struct {
	Title, Span string
	Body        template.HTML
	Present     bool // it is the shift that watches
	Unread      bool // and what was left to it was not read yet
	MayAct      bool
	Before      string // addresses of the shifts before and after
	After       string
	CSV         string
	Spans       []spanLink
	Named       bool
	From, To    string // for the form, local times of the centre
	Refused     string
}

type spanLink struct{ Name, Href string }

// ownShift answers GET /shift: the one that watches, or else the last one.
func (s *server) ownShift(w http.ResponseWriter, r *http.Request) error {
	now := s.Now()
	span, ok := shift.At(s.Shifts(), now, s.Zone)
	if !ok {
		return s.showReport(w, r, shift.Span{From: now.Add(-12 * time.Hour).In(s.Zone), To: now.In(s.Zone)}, http.StatusOK, "")
	}
	return s.showReport(w, r, span, http.StatusOK, "")
}

// namedShift answers GET /shifts/{date}/{name}.
func (s *server) namedShift(w http.ResponseWriter, r *http.Request) error {
	span, err := shift.Named(s.Shifts(), r.PathValue("date"), r.PathValue("name"), s.Zone)
	if err != nil {
		return notFound(err.Error())
	}
	return s.showReport(w, r, span, http.StatusOK, "")
}

// report answers GET /report?from&to, with local times of the centre.
func (s *server) report(w http.ResponseWriter, r *http.Request) error {
	q := r.URL.Query()
	now := s.Now().In(s.Zone)
	span := shift.Span{From: now.AddDate(0, 0, -30), To: now}
	for name, at := range map[string]*time.Time{"from": &span.From, "to": &span.To} {
		if text := q.Get(name); text != "" {
			t, err := time.ParseInLocation("2006-01-02T15:04", text, s.Zone)
			if err != nil {
				return badRequest(name + ": " + text + " is no time such as 2006-01-02T15:04")
			}
			*at = t
		}
	}
	if err := api.SpanFits(span); err != nil {
		return badRequest(err.Error())
	}
	return s.showReport(w, r, span, http.StatusOK, "")
}

func (s *server) showReport(w http.ResponseWriter, r *http.Request, span shift.Span, status int, refused string) error {
	out, err := api.ReportOf(r.Context(), s.Board, s.Journal, span, shift.Options{Now: s.Now(), Zone: s.Zone})
	if err != nil {
		return err
	}
	if r.URL.Query().Get("form") == "csv" {
		w.Header().Set("Content-Type", "text/csv; charset=utf-8")
		w.Header().Set("Content-Disposition", `attachment; filename="report-`+out.Date+`.csv"`)
		return shift.WriteCSV(w, out)
	}
	page := shiftPage{Title: shift.Title(out), Span: shift.SpanWords(out), Named: span.Name != "", Refused: refused, MayAct: access.May(r, access.Act),
		From: out.From.Format("2006-01-02T15:04"), To: out.To.Format("2006-01-02T15:04")}
	if page.Body, err = shift.Body(out, true); err != nil {
		return err
	}
	s.Board.Read(func(st *correlate.State, _ *correlate.Network) {
		page.Present = span.Name != "" && st.Shift.Name == span.Name && st.Shift.From.Equal(span.From)
		page.Unread = page.Present && len(st.Shift.Left) > 0 && st.Shift.ReadBy == ""
	})
	page.links(span, s.Shifts(), s.Now().In(s.Zone))
	return s.render(w, r, status, "shift", page.Title, page)
}

// links fills in where else the page leads.
func (p *shiftPage) links(span shift.Span, shifts []configs.Shift, now time.Time) {
	p.CSV = reportHref(span) + "&form=csv"
	if span.Name != "" {
		p.CSV = shiftHref(span) + "?form=csv"
		if before, ok := shift.At(shifts, span.From.Add(-time.Minute), now.Location()); ok {
			p.Before = shiftHref(before)
		}
		if after, ok := shift.At(shifts, span.To, now.Location()); ok && after.From.Before(now) {
			p.After = shiftHref(after)
		}
	}
	for _, c := range []struct {
		name string
		days int
	}{{"the last day", 1}, {"7 days", 7}, {"30 days", 30}} {
		p.Spans = append(p.Spans, spanLink{c.name, reportHref(shift.Span{From: now.AddDate(0, 0, -c.days), To: now})})
	}
}

func shiftHref(s shift.Span) string {
	return "/shifts/" + s.Date() + "/" + url.PathEscape(s.Name)
}

func reportHref(s shift.Span) string {
	const layout = "2006-01-02T15:04"
	return "/report?from=" + url.QueryEscape(s.From.Format(layout)) + "&to=" + url.QueryEscape(s.To.Format(layout))
}

// handOver answers POST /handover: a word for the next shift, or, with
// read=yes, that the one left was read.
func (s *server) handOver(w http.ResponseWriter, r *http.Request) error {
	r.Body = http.MaxBytesReader(w, r.Body, api.MaxBody)
	if err := r.ParseForm(); err != nil {
		return badRequest("the form cannot be read")
	}
	in := correlate.Handover{Read: r.PostForm.Get("read") != "", Text: r.PostForm.Get("text"), Actor: s.Actor(r), Via: "console"}
	if err := api.HandOver(r.Context(), s.Submit, in); err != nil {
		p, known := api.ProblemOf(err)
		if !known {
			return err
		}
		return badRequest(p.Detail)
	}
	http.Redirect(w, r, "/shift", http.StatusSeeOther)
	return nil
}
