package shift

import (
	"bytes"
	"cmp"
	_ "embed" // the templates below
	"encoding/csv"
	"fmt"
	"html/template"
	"io"
	"slices"
	"strings"
	"time"

	"example.net/standwatch/cmd/standwatch/sheet"
	"example.net/standwatch/correlate"
)

//go:embed report.html
var reportHTML string

// CSS is the style of the body that [Body] makes.
//
//go:embed report.css
var CSS string

// shownEpisodes bounds the lines of one list on a page; the other forms have
// them all.
const shownEpisodes = 200

// Body returns the report as the inside of a page. Links lead to the console's
// pages when linked is set; otherwise there are none.
func Body(r *Report, linked bool) (template.HTML, error) {
	t, err := template.New("").Funcs(funcs(linked)).Parse(reportHTML)
	if err != nil {
		return "", fmt.Errorf("read the report's template: %w", err)
	}
	var b bytes.Buffer
	if err := t.ExecuteTemplate(&b, "report", r); err != nil {
		return "", fmt.Errorf("make the report: %w", err)
	}
	return template.HTML(b.String()), nil // escaped by the template above
}

func funcs(linked bool) template.FuncMap {
	return template.FuncMap{
		"links":    func() bool { return linked },
		"bars":     bars,
		"clock":    func(t time.Time) string { return t.Format("2 Jan 15:04:05") },
		"seconds":  func(s float64) string { return long(time.Duration(s * float64(time.Second))) },
		"counted":  counted,
		"join":     func(all []string) string { return strings.Join(all, ", ") },
		"percent":  func(f float64) string { return fmt.Sprintf("%.1f %%", 100*f) },
		"one":      func(f float64) string { return fmt.Sprintf("%.1f", f) },
		"standing": func(r *Report) *episodes { return pick(r, true) },
		"over":     func(r *Report) *episodes { return pick(r, false) },
		"lasted":   func(e Episode, r *Report) string { return long(until(e, r).Sub(e.Raised)) },
		"beyond":   func(e Episode, r *Report) bool { return until(e, r).Sub(e.Raised) > 30*time.Minute },
		"chart":    chartOf,
	}
}

func counted(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

// long is a duration in a few letters.
func long(d time.Duration) string {
	switch {
	case d < time.Minute:
		return fmt.Sprintf("%d s", int(d.Seconds()))
	case d < time.Hour:
		return fmt.Sprintf("%d min %02d s", int(d.Minutes()), int(d.Seconds())%60)
	case d < 48*time.Hour:
		return fmt.Sprintf("%d h %02d min", int(d.Hours()), int(d.Minutes())%60)
	}
	return fmt.Sprintf("%d d %d h", int(d.Hours())/24, int(d.Hours())%24)
}

// until is when an episode ended, or the end of what the report knows.
func until(e Episode, r *Report) time.Time {
	if !e.Cleared.IsZero() {
		return e.Cleared
	}
	if r.Made.Before(r.To) {
		return r.Made
	}
	return r.To
}

// episodes is one list, worst first.
type episodes struct {
	Shown []Episode
	More  int
}

func pick(r *Report, standing bool) *episodes {
	var all []Episode
	for _, e := range r.Episodes {
		if e.Standing == standing {
			all = append(all, e)
		}
	}
	if len(all) == 0 {
		return nil
	}
	slices.SortStableFunc(all, func(a, b Episode) int { return cmp.Or(cmp.Compare(b.Severity, a.Severity), a.Raised.Compare(b.Raised)) })
	out := &episodes{Shown: all}
	if len(all) > shownEpisodes {
		out.Shown, out.More = all[:shownEpisodes], len(all)-shownEpisodes
	}
	return out
}

type bar struct {
	X      int
	Hollow bool
}

func bars(s correlate.Severity) []bar {
	n := map[correlate.Severity]int{correlate.Critical: 4, correlate.Major: 3, correlate.Minor: 2, correlate.Warning: 1, correlate.Indeterminate: 1}[s]
	var out []bar
	for i := range n {
		out = append(out, bar{X: 8*i + 1, Hollow: s == correlate.Indeterminate})
	}
	return out
}

// chart is the bars of what was told in each hour.
type chart struct {
	Width  int
	Most   int
	Aim    float64
	Bars   []chartBar
	Labels []chartLabel
}

type chartBar struct {
	X, Y, W, H float64
	Title      string
}

type chartLabel struct {
	X    float64
	Text string
}

const (
	chartWidth = 720
	chartBase  = 112.0 // where the bars stand
	chartTall  = 104.0
	chartAim   = 12 // told in an hour: the most to be handled (ISA-18.2 table 7, as quoted)
)

func chartOf(q Quality) *chart {
	if q.Told == 0 || len(q.Hours) < 2 {
		return nil
	}
	c := &chart{Width: chartWidth, Most: slices.Max(q.Hours)}
	top := float64(max(c.Most, chartAim+2))
	c.Aim = chartBase - chartTall*chartAim/top
	width := float64(chartWidth) / float64(len(q.Hours))
	every := max(1, len(q.Hours)/8)
	for i, n := range q.Hours {
		from := q.HoursBegin.Add(time.Duration(i) * time.Hour)
		if n > 0 {
			tall := chartTall * float64(n) / top
			c.Bars = append(c.Bars, chartBar{X: round(float64(i)*width + width*0.1), Y: round(chartBase - tall), W: round(width * 0.8), H: round(tall),
				Title: fmt.Sprintf("%s: %d", from.Format("2 Jan 15:04"), n)})
		}
		if i%every == 0 {
			layout := "15:04"
			if len(q.Hours) > 48 {
				layout = "2 Jan"
			}
			c.Labels = append(c.Labels, chartLabel{X: round(float64(i) * width), Text: from.Format(layout)})
		}
	}
	return c
}

func round(f float64) float64 { return float64(int(f*10+0.5)) / 10 }

// WriteHTML writes the report as a page of its own, to be kept, mailed or
// printed.
func WriteHTML(w io.Writer, r *Report, centre string) error {
	body, err := Body(r, false)
	if err != nil {
		return err
	}
	page := template.Must(template.New("").Parse(`<!DOCTYPE html>
<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1"><title>{{.Title}}</title><style>
:root { color-scheme: light; --ink: #1b2227; --dim: #59605f; --rule: #d9d3c4; --sheet: #fffdf7; --loud: #7c1d00; --sans: system-ui, "DejaVu Sans", sans-serif;
  --critical: #d55e00; --major: #e69f00; --minor: #f0e442; --warning: #56b4e9; --indeterminate: #cc79a7; }
body { font: 15px/1.4 var(--sans); color: var(--ink); margin: 1.2rem; }
h1, h2 { font-family: Charter, Georgia, "DejaVu Serif", serif; } table { border-collapse: collapse; } td, th { text-align: left; vertical-align: top; padding: .25rem .8rem .25rem 0; border-bottom: 1px solid var(--rule); }
.num { text-align: right; font-variant-numeric: tabular-nums; } .dim, .small { color: var(--dim); } .loudly, .caution { color: var(--loud); } .plain { list-style: none; padding: 0; } .wide { overflow-x: auto; }
.blocks rect { stroke: var(--ink); stroke-width: 1; } .blocks rect.hollow { stroke: var(--indeterminate); stroke-width: 2; }
.s-critical { fill: var(--critical); } .s-major { fill: var(--major); } .s-minor { fill: var(--minor); } .s-warning { fill: var(--warning); } .s-indeterminate { fill: none; }
{{.CSS}}</style></head><body><main><h1>{{.Title}}</h1><p class="dim">{{.Span}}</p>{{.Body}}</main></body></html>
`))
	data := struct {
		Title, Span string
		CSS         template.CSS
		Body        template.HTML
	}{Title(r) + ", " + centre, SpanWords(r), template.CSS(CSS), body}
	if err := page.Execute(w, data); err != nil {
		return fmt.Errorf("write the report: %w", err)
	}
	return nil
}

// Title says what the report is of.
func Title(r *Report) string {
	if r.Name == "" {
		return "Report"
	}
	return "Shift " + r.Name + ", " + r.From.Format("Monday 2 January 2006")
}

// SpanWords says from when to when.
func SpanWords(r *Report) string {
	const layout = "Mon 2 Jan 2006 15:04"
	return r.From.Format(layout) + " to " + r.To.Format(layout) + " " + r.From.Format("MST")
}

// csvColumns are those of [WriteCSV].
var csvColumns = []string{"alarm", "site", "point", "severity", "text", "raised", "told", "taken", "taken by", "cleared", "seconds to take", "seconds to clear", "stood at start", "standing", "explained", "reportable"}

// WriteCSV writes one line for each episode, with times in RFC 3339. A text
// that a spreadsheet would take for a formula gets an apostrophe in front.
func WriteCSV(w io.Writer, r *Report) error {
	out := csv.NewWriter(w)
	rows := [][]string{csvColumns}
	for _, e := range r.Episodes {
		from := e.Told
		if from.IsZero() {
			from = e.Raised
		}
		rows = append(rows, []string{sheet.Harmless(string(e.Alarm)), sheet.Harmless(e.Site), sheet.Harmless(e.Point), e.Severity.String(), sheet.Harmless(e.Text), stamp(e.Raised), stamp(e.Told), stamp(e.Taken), sheet.Harmless(e.TakenBy),
			stamp(e.Cleared), between(from, e.Taken), between(e.Raised, e.Cleared), yes(e.Before), yes(e.Standing), yes(e.Explained), yes(e.Reported)})
	}
	if err := out.WriteAll(rows); err != nil {
		return fmt.Errorf("write the report: %w", err)
	}
	return nil
}

func stamp(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.Format(time.RFC3339)
}

func between(from, to time.Time) string {
	if to.IsZero() {
		return ""
	}
	return fmt.Sprintf("%.0f", max(0, to.Sub(from).Seconds()))
}

func yes(b bool) string {
	if b {
		return "yes"
	}
	return "no"
}
