package rehearse

import (
	"html/template"
	"io"
	"strconv"
	"time"

	"example.net/standwatch/correlate"
)

// WriteHTML writes the result as one page that needs nothing else: the figures,
// and for each alarm that differs its strip of time as it was above the one
// that would have been.
func WriteHTML(w io.Writer, r *Result) error {
	t, err := template.New("rehearsal").Funcs(template.FuncMap{"when": when, "strips": r.strips, "nothing": r.nothing, "sealed": r.sealedWord, "most": func(n int) int { return min(n, shown) }}).Parse(page)
	if err != nil {
		return err // it is part of the program: a test parses it
	}
	return t.Execute(w, r)
}

// shown bounds how many alarms have strips on the page.
const shown = 200

// width of a strip, in the units of its drawing.
const width = 1000

// bar is one episode, or several that lie within one unit of each other.
type bar struct {
	X, Width int
	Colour   string
	Title    string
}

// strip is one side of one alarm.
type strip struct {
	Y    int
	Name string
	Bars []bar
}

// strips are the two strips of an alarm.
func (r *Result) strips(a Alarm) []strip {
	return []strip{{0, "was", r.bars(a.before)}, {14, "would be", r.bars(a.after)}}
}

func (r *Result) bars(spans []Span) []bar {
	var out []bar
	all := r.To.Sub(r.From)
	at := func(t time.Time) int {
		if all <= 0 {
			return 0
		}
		return int(min(max(float64(t.Sub(r.From))/float64(all), 0), 1) * width)
	}
	for _, s := range spans {
		x, end := at(s.From), max(at(s.end(r.To)), at(s.From)+2)
		if n := len(out); n > 0 && x <= out[n-1].X+out[n-1].Width && out[n-1].Colour == colour(s.Severity) {
			last := &out[n-1]
			last.Width = max(last.Width, end-last.X)
			continue
		}
		till := "stands at the end"
		if !s.To.IsZero() {
			till = "to " + when(s.To)
		}
		out = append(out, bar{x, end - x, colour(s.Severity), s.Severity.String() + " from " + when(s.From) + " " + till})
	}
	return out
}

// colour is a severity's in the palette of Okabe and Ito (2008).
func colour(s correlate.Severity) string {
	switch s {
	case correlate.Critical:
		return "#d55e00"
	case correlate.Major:
		return "#e69f00"
	case correlate.Minor:
		return "#f0e442"
	case correlate.Warning:
		return "#56b4e9"
	}
	return "#cc79a7"
}

// Label says in words how an alarm differs, for whoever does not see strips.
func (a Alarm) Label() string {
	return string(a.ID) + ": " + strconv.Itoa(a.Episodes.Before) + " episodes, would be " + strconv.Itoa(a.Episodes.After)
}

const page = `<!doctype html>
<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width">
<title>Rehearsal</title>
<style>
:root { color-scheme: light dark; font: 15px/1.4 system-ui, sans-serif }
body { max-width: 70rem; margin: 1rem auto; padding: 0 1rem }
table { border-collapse: collapse } th, td { text-align: left; padding: .1rem .8rem .1rem 0 } td.n, th.n { text-align: right }
svg { width: 100%; height: 28px; display: block } svg rect.ground { fill: currentColor; opacity: .08 } svg rect.bar { stroke: currentColor; stroke-width: .4 }
figure { margin: .6rem 0 } figcaption { font-size: .9rem }
</style></head><body>
<h1>What would have been</h1>
{{if not .Records}}<p>{{nothing}}</p>{{else}}
{{with .Books}}<p>{{.}} Nothing was decided about it before, so that what was is 0 throughout.</p>{{end}}
<p>From {{when .From}} to {{when .To}}: {{.Records}} records, {{.Notifications}} notifications.
{{if .Sealed}}{{.Sealed}} could not be opened with this configuration's keys; {{sealed}}. {{end}}
{{if .Refused}}{{.Refused}} would not have been heard. {{end}}
{{if .RunAgain}}{{.RunAgain}} that were run again later would have been understood at once.{{end}}</p>
<table><tr><th></th><th class="n">was</th><th class="n">would be</th></tr>
<tr><td>Episodes that began</td><td class="n">{{.Episodes.Before}}</td><td class="n">{{.Episodes.After}}</td></tr>
<tr><td>Messages to people</td><td class="n">{{.Messages.Before}}</td><td class="n">{{.Messages.After}}</td></tr>
<tr><td>Times an alarm began to flap</td><td class="n">{{.Flapping.Before}}</td><td class="n">{{.Flapping.After}}</td></tr>
<tr><td>Turns kept quiet while flapping</td><td class="n">{{.Turns.Before}}</td><td class="n">{{.Turns.After}}</td></tr>
<tr><td>Notifications nothing came of</td><td class="n">{{.Unmatched.Before}}</td><td class="n">{{.Unmatched.After}}</td></tr></table>
<h2>Alarms that would have gone another way</h2>
{{$n := most (len .Alarms)}}{{if not .Alarms}}<p>None: every alarm would have risen and cleared as it did.</p>{{else}}
<p>{{$n}} of {{len .Alarms}}. The upper strip is what was, the lower what would have been.</p>{{end}}
{{range slice .Alarms 0 $n}}<figure><figcaption>{{.Label}}</figcaption>
<svg viewBox="0 0 1000 28" preserveAspectRatio="none" role="img" aria-label="{{.Label}}">{{range strips .}}
<rect class="ground" x="0" y="{{.Y}}" width="1000" height="12"><title>{{.Name}}</title></rect>{{$y := .Y}}{{range .Bars}}<rect class="bar" x="{{.X}}" y="{{$y}}" width="{{.Width}}" height="12" fill="{{.Colour}}"><title>{{.Title}}</title></rect>{{end}}{{end}}
</svg></figure>{{end}}
<h2>Messages to each person</h2>
{{if not .People}}<p>Nobody was told of anything, or would have been.</p>{{else}}
<table><tr><th>person</th><th class="n">was</th><th class="n">would be</th><th class="n">most in an hour, was</th><th class="n">would be</th></tr>
{{range .People}}<tr><td>{{.Person}}</td><td class="n">{{.Before}}</td><td class="n">{{.After}}</td><td class="n">{{.Most.Before}}</td><td class="n">{{.Most.After}}</td></tr>{{end}}</table>
<details><summary>Hours that would have been different</summary><table><tr><th>hour</th><th>person</th><th class="n">was</th><th class="n">would be</th></tr>
{{range .People}}{{$who := .Person}}{{range .Hours}}{{if ne .Before .After}}<tr><td>{{when .Begin}}</td><td>{{$who}}</td><td class="n">{{.Before}}</td><td class="n">{{.After}}</td></tr>{{end}}{{end}}{{end}}</table></details>{{end}}
{{if .Left}}<h2>Notifications that nothing would come of</h2>
<table>{{range .Left}}<tr><td class="n">{{.Count}}</td><td>{{.Origin}}</td><td>{{.TrapOID}}</td><td>{{.Why}}</td></tr>{{end}}</table>{{end}}
{{if .NeverSpoke}}<h2>Points that nothing was ever heard of</h2>
<details><summary>{{len .NeverSpoke}} points</summary><ul>{{range .NeverSpoke}}<li>{{.}}</li>{{end}}</ul></details>{{end}}
{{end}}</body></html>
`
