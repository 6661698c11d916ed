package pointlist

import (
	"cmp"
	"encoding/csv"
	"fmt"
	"io"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	"example.net/standwatch/configs"
	"example.net/standwatch/correlate"
	"example.net/standwatch/correlate/flap"
)

// Export writes the points of sites as a list, with commas; no sites means all
// but the site self. Columns in which nothing would stand are left out.
func Export(w io.Writer, cfg *configs.Config, sites ...correlate.SiteID) error {
	if len(sites) == 0 {
		sites = slices.DeleteFunc(slices.Clone(cfg.Network.Sites()), func(id correlate.SiteID) bool { return id == correlate.SiteSelf })
	}
	flapDefault := cfg.FlapDefault()
	var rows []map[string]string
	for _, id := range sites {
		site := cfg.Network.Site(id)
		if site == nil {
			return fmt.Errorf("export the point list: there is no site %q", id)
		}
		points := slices.SortedFunc(maps.Values(site.Points), func(a, b *correlate.Point) int {
			return cmp.Or(cmp.Compare(orLast(a.Number), orLast(b.Number)), cmp.Compare(a.ID, b.ID))
		})
		for _, p := range points {
			rows = append(rows, cellsOf(site, p, flapDefault))
		}
	}
	return write(w, rows)
}

// orLast sorts points without a number behind the others.
func orLast(number int) int {
	if number == 0 {
		return 1 << 31
	}
	return number
}

func write(w io.Writer, rows []map[string]string) error {
	var used []column
	for _, c := range columns() {
		if c.key == colSite || slices.ContainsFunc(rows, func(r map[string]string) bool { return r[c.key] != "" }) {
			used = append(used, c)
		}
	}
	out := csv.NewWriter(w)
	line := make([]string, len(used))
	for i, c := range used {
		line[i] = c.header
	}
	_ = out.Write(line) // out.Error below has it
	for _, r := range rows {
		for i, c := range used {
			line[i] = r[c.key]
			if c.text {
				line[i] = guarded(line[i])
			}
		}
		_ = out.Write(line) // out.Error below has it
	}
	out.Flush()
	if err := out.Error(); err != nil {
		return fmt.Errorf("write the point list: %w", err)
	}
	return nil
}

// cellsOf says all of a point, so that the list gives the same point again.
func cellsOf(site *correlate.Site, p *correlate.Point, flapDefault flap.Settings) map[string]string {
	normally, instructions := wiringOf(p)
	cells := map[string]string{
		colSite: string(site.ID), colPoint: string(p.ID), "name": p.Name, "kind": p.Kind.String(), "alarm": p.AlarmWord, "normal": p.NormalWord,
		"normally": normally, "class": p.Class, "cause": p.Cause, "raise-after": span(p.RaiseAfter), "clear-after": span(p.ClearAfter),
		"latch": truth(p.Latch), "re-alarm": span(p.ReAlarm), "regulated": truth(p.Regulated), "quiet-clear": truth(p.QuietClear),
		"flap": flapCell(p, flapDefault), "instructions": instructions, "caution": p.Caution, "hold": span(p.Hold),
		"explained-by": refsCell(site, p.ExplainedBy), "excused-by": excusesCell(site, p.ExcusedBy),
	}
	if p.Number > 0 {
		cells["number"] = strconv.Itoa(p.Number)
	}
	if p.Severity != 0 {
		cells["severity"] = p.Severity.String()
	}
	if p.Derive != nil {
		cells["when"] = p.Derive.Written
	}
	if p.Kind == correlate.Analog {
		analogCells(cells, p)
	}
	return cells
}

func analogCells(cells map[string]string, p *correlate.Point) {
	cells["unit"], cells["scale"], cells["offset"], cells["decimals"] = p.Unit, number(p.Scale), number(p.Offset), strconv.Itoa(p.Decimals)
	for name, l := range map[string]*correlate.Limit{"low-low": p.Limits.LowLow, "low": p.Limits.Low, "high": p.Limits.High, "high-high": p.Limits.HighHigh} {
		if l != nil {
			cells["limits."+name+".at"] = number(l.At)
			cells["limits."+name+".dead-band"] = number(l.DeadBand)
			cells["limits."+name+".severity"] = l.Severity.String()
		}
	}
	if r := p.Rate; r != nil {
		cells["rate.within"], cells["rate.dead-band"], cells["rate.severity"] = span(r.Within), number(r.DeadBand), r.Severity.String()
		if r.Rise != 0 {
			cells["rate.rise"] = number(r.Rise)
		}
		if r.Fall != 0 {
			cells["rate.fall"] = number(r.Fall)
		}
	}
	if s := p.Stuck; s != nil {
		cells["stuck.after"], cells["stuck.by"], cells["stuck.severity"] = span(s.After), number(s.By), s.Severity.String()
	}
	if p.PlausibleMin != nil {
		cells["plausible.min"] = number(*p.PlausibleMin)
	}
	if p.PlausibleMax != nil {
		cells["plausible.max"] = number(*p.PlausibleMax)
	}
}

// wiringOf parts the line about the wiring from the instructions.
func wiringOf(p *correlate.Point) (normally, instructions string) {
	for word, wired := range map[string]correlate.Wiring{"open": correlate.NormallyOpen, "closed": correlate.NormallyClosed} {
		if p.Normally != wired {
			continue
		}
		if rest, found := strings.CutSuffix(p.Instructions, configs.Wiring(word, p.Number)); found && (rest == "" || strings.HasSuffix(rest, "\n")) {
			return word, strings.TrimSuffix(rest, "\n")
		}
	}
	return "", p.Instructions
}

func number(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) }

func truth(v bool) string {
	if v {
		return "yes"
	}
	return "no"
}

// span writes 5m0s as 5m.
func span(d time.Duration) string {
	text := d.String()
	if rest, found := strings.CutSuffix(text, "m0s"); found {
		text = rest + "m"
	}
	if rest, found := strings.CutSuffix(text, "h0m"); found {
		text = rest + "h"
	}
	return text
}

func refCell(site *correlate.Site, r correlate.Ref) string {
	text := string(r.Point)
	if r.Site != site.ID {
		text = string(r.Site) + "/" + text
	}
	if r.Instance != "" {
		text += ":" + r.Instance
	}
	return text
}

func refsCell(site *correlate.Site, refs []correlate.Ref) string {
	var out []string
	for _, r := range refs {
		out = append(out, refCell(site, r))
	}
	return strings.Join(out, " ")
}

func excusesCell(site *correlate.Site, excuses []correlate.Excuse) string {
	var out []string
	for _, x := range excuses {
		out = append(out, refCell(site, x.Event)+" "+span(x.For))
	}
	return strings.Join(out, ", ")
}

func flapCell(p *correlate.Point, usual flap.Settings) string {
	switch {
	case p.Flap == nil:
		return "off"
	case *p.Flap == usual && p.FlapCount:
		return "count-only"
	case *p.Flap == usual:
		return "on"
	}
	text := fmt.Sprintf("cut=%s reuse=%s half-life-clear=%s half-life-standing=%s max-hold=%s", number(p.Flap.Cut), number(p.Flap.Reuse),
		span(p.Flap.HalfLifeClear), span(p.Flap.HalfLifeStand), span(p.Flap.MaxHold))
	if p.FlapCount {
		text = "count-only=yes " + text
	}
	return text
}
