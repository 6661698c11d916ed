package console

import (
	"html/template"
	"net/url"
	"strconv"
	"strings"

	"example.net/standwatch/correlate"
)

// markup builds the parts of a page of which there are thousands: rows, strips
// and the signs of severities. What html/template finds out anew for every value
// is written down here once: every text from outside goes through [markup.text],
// every address through [markup.path]; all else is ours.
type markup struct{ strings.Builder }

// raw writes what this program itself says.
func (m *markup) raw(parts ...string) {
	for _, p := range parts {
		m.WriteString(p)
	}
}

// text writes text from outside so that it is text in an element and in a
// double-quoted attribute.
func (m *markup) text(s string) {
	if !strings.ContainsAny(s, "<>&\"'\x00") {
		m.WriteString(s)
		return
	}
	template.HTMLEscape(m, []byte(s))
}

// path writes a segment of an address within a double-quoted attribute.
func (m *markup) path(segment string) { m.text(url.PathEscape(segment)) }

func (m *markup) number(n int64) {
	var b [20]byte
	_, _ = m.Write(strconv.AppendInt(b[:0], n, 10)) // a builder never fails
}

func (m *markup) share(s share) {
	var b [24]byte
	_, _ = m.Write(append(strconv.AppendFloat(b[:0], float64(s), 'f', 2, 64), '%')) // a builder never fails
}

// html returns what was built.
func (m *markup) html() template.HTML {
	// Every text from outside was escaped on the way in.
	return template.HTML(m.String())
}

func sevHTML(s correlate.Severity) template.HTML {
	var m markup
	m.severity(s)
	return m.html()
}

// severity says a severity in blocks and in its word; the hue is the style
// sheet's.
func (m *markup) severity(s correlate.Severity) {
	word := s.String()
	m.raw(`<span class="sev s-`, word, `">`)
	if b := blocks(s); len(b) > 0 {
		m.raw(`<svg class="blocks" width="`)
		m.number(int64(8*len(b) + 1))
		m.raw(`" height="12" aria-hidden="true" focusable="false">`)
		for _, one := range b {
			m.raw(`<rect x="`)
			m.number(int64(one.X))
			m.raw(`" y="1" width="6" height="10"`)
			if one.Hollow {
				m.raw(` class="hollow"`)
			}
			m.raw(`/>`)
		}
		m.raw(`</svg>`)
	}
	m.raw(`<span class="word">`, word, `</span></span>`)
}

func stripHTML(s strip) template.HTML {
	var m markup
	m.strip(s)
	return m.html()
}

var laneTall = strconv.Itoa(laneHeight)

func (m *markup) strip(s strip) {
	m.raw(`<svg class="strip" role="img" aria-label="`)
	m.text(s.Says)
	m.raw(`" height="`, laneTall, `" width="100%"><title>`)
	m.text(s.Says)
	m.raw(`</title>`)
	for _, p := range s.Panes {
		m.pane(p)
	}
	if s.Earlier {
		m.raw(`<path class="earlier" d="M5 4 L0.5 10 L5 16"/>`)
	}
	m.raw(`</svg>`)
}

func (m *markup) pane(p pane) {
	m.raw(`<svg x="`)
	m.share(p.X)
	m.raw(`" width="`)
	m.share(p.Width)
	m.raw(`" height="100%"><svg class="shift `, p.Name, `" x="`)
	m.share(p.Shift)
	m.raw(`" y="0" width="100%" height="100%" overflow="visible">`)
	for _, b := range p.Bars {
		m.bar(b)
	}
	for _, t := range p.Ticks {
		m.tick(t)
	}
	m.raw(`</svg></svg>`)
}

func (m *markup) bar(b bar) {
	m.raw(`<rect class="bar s-`, b.Severity.String())
	for _, c := range []struct {
		is   bool
		name string
	}{{b.Taken, " taken"}, {b.Flapping, " flapping"}, {!b.Ended, " open"}} {
		if c.is {
			m.raw(c.name)
		}
	}
	m.raw(`" x="`)
	m.share(b.X)
	m.raw(`" width="`)
	m.share(b.Width)
	m.raw(`" y="`, b.Y(), `" height="`)
	m.number(int64(b.Height()))
	m.raw(`"/>`)
}

func (m *markup) tick(t tick) {
	at := func() { m.share(t.X) }
	switch t.Kind {
	case "take":
		m.raw(`<circle class="t-take" cx="`)
		at()
		m.raw(`" cy="10" r="4"/>`)
	case "note":
		m.raw(`<circle class="t-note" cx="`)
		at()
		m.raw(`" cy="3" r="2.2"/>`)
	default:
		class, y1, y2 := "t-repeat", "15", "20"
		if t.Kind == "clear" {
			class, y1, y2 = "t-clear", "2", "18"
		}
		m.raw(`<line class="`, class, `" x1="`)
		at()
		m.raw(`" x2="`)
		at()
		m.raw(`" y1="`, y1, `" y2="`, y2, `"/>`)
	}
}

func (m *markup) age(t moment) {
	if !t.Is() {
		return
	}
	m.raw(`<time datetime="`, t.ISO(), `" title="`, t.Full(), `" data-age="`)
	m.number(t.At.UnixMilli())
	m.raw(`">`, t.Age(), `</time>`)
}

func rowHTML(r row) template.HTML {
	var m markup
	m.row(r)
	return m.html()
}

func (m *markup) row(r row) {
	id := string(r.ID)
	m.raw(`<section class="row" id="row-`)
	m.text(id)
	m.raw(`" data-site="`)
	m.text(id)
	for _, d := range []struct {
		name string
		ms   int64
	}{{"origin", r.Origin}, {"far", r.Far}, {"near", r.Near}} {
		m.raw(`" data-`, d.name, `="`)
		m.number(d.ms)
	}
	m.raw(`" aria-labelledby="name-`)
	m.text(id)
	m.raw(`">` + "\n" + `<h3 id="name-`)
	m.text(id)
	m.raw(`"><a href="/sites/`)
	m.path(id)
	m.raw(`">`)
	m.text(r.Name)
	m.raw(`</a> <span class="aside">`)
	m.text(r.Region)
	if r.Upstream != "" {
		m.raw(` · by way of `)
		m.text(r.Upstream)
	}
	if r.Doubtful {
		m.raw(` · <strong>silent, all else here is in doubt</strong>`)
	}
	m.raw("</span></h3>\n")
	for _, l := range r.Lanes {
		m.lane(l)
		m.under(l.Under)
	}
	if r.More > 0 {
		m.raw(`<p class="more">and `, count(r.More, "other that cleared", "others that cleared"), `</p>`)
	}
	m.raw("</section>")
}

// under folds what an alarm explains.
func (m *markup) under(lanes []lane) {
	if len(lanes) == 0 {
		return
	}
	m.raw(`<details class="under"><summary>explains `, count(len(lanes), "other", "others"), `: <span>`)
	for i, u := range lanes {
		if i > 0 {
			m.raw(", ")
		}
		m.text(u.Site)
		m.raw(" ")
		m.text(u.What)
	}
	m.raw(`</span></summary>`)
	for _, u := range lanes {
		m.lane(u)
	}
	m.raw(`</details>`)
}

// crossed is the sign of what is over: a tick instead of blocks.
const crossed = `<span class="sev s-cleared"><svg class="blocks" width="33" height="12" viewBox="0 0 33 12" aria-hidden="true" focusable="false"><path d="M2 6 L6 10 L13 2"/></svg><span class="word">`

func (m *markup) lane(l lane) {
	m.raw(`<div class="lane`)
	if l.Cleared {
		m.raw(` right`)
	}
	if l.Untaken {
		m.raw(` untaken`)
	}
	m.raw(`" data-alarm="`)
	m.text(string(l.ID))
	m.raw(`">` + "\n")
	m.tickBox(l)
	m.raw(`<span class="how">`)
	switch {
	case !l.Cleared:
		m.severity(l.Severity)
	case l.Latched:
		m.raw(crossed, l.Severity.String(), `, over</span></span>`)
	default:
		m.raw(crossed, `cleared</span></span>`)
	}
	m.raw(`</span>` + "\n" + `<a class="what" href="/alarms/`)
	m.path(string(l.ID))
	m.raw(`">`)
	if l.Named {
		m.raw(`<span class="elsewhere">`)
		m.text(l.Site)
		m.raw(`:</span> `)
	}
	m.text(l.What)
	m.raw(`</a>`)
	if len(l.Marks) > 0 {
		m.raw(`<span class="marks">`)
		m.text(strings.Join(l.Marks, ", "))
		m.raw(`</span>`)
	}
	m.raw("\n")
	m.strip(l.Strip)
	m.raw("\n" + `<span class="age">`)
	m.age(l.Since)
	m.raw(`</span>` + "\n" + `<span class="who`)
	if l.Untaken {
		m.raw(` none`)
	}
	m.raw(`">`)
	m.text(l.Who)
	m.raw("</span>\n</div>")
}

// tickBox marks an alarm on the board for what is done to many at once; it
// belongs to the form "many", wherever that stands.
func (m *markup) tickBox(l lane) {
	if l.Cleared && !l.Latched {
		return
	}
	m.raw(`<input class="pick" type="checkbox" name="alarm" form="many" value="`)
	m.text(string(l.ID))
	m.raw(`" aria-label="Choose `)
	m.text(l.Site)
	m.raw(`: `)
	m.text(l.What)
	m.raw(`">`)
}

// drawn are the functions by which templates draw the same.
func drawn() template.FuncMap {
	return template.FuncMap{"sev": sevHTML, "strip": stripHTML, "row": rowHTML}
}
