package notify

import (
	"net/url"
	"strconv"

	"example.net/standwatch/correlate"
	"example.net/standwatch/notify/text"
)

// facts gathers what a message about a call-out's alarm says.
func (c *climb) facts(o *correlate.CallOut, purpose text.Purpose, takenBy, reader string) text.Facts {
	f := text.Facts{Purpose: purpose, Code: o.Code, TakenBy: takenBy, Site: string(o.Key.Site), Point: string(o.Key.Point),
		Instance: o.Key.Instance, Centre: c.centre, At: c.r.At.In(c.zone)}
	if c.console != "" {
		f.AlarmURL = c.console + "/alarms/" + url.PathEscape(string(o.Key.ID()))
	}
	if c.link != nil && purpose.Asks() && reader != "" {
		f.TakeURL = c.console + TakePath + c.link(o.ID, reader, c.r.At.Add(LinkLasts))
	}
	c.addSite(&f, o.Key)
	c.addAlarm(&f, o.Key)
	if purpose == text.Cleared {
		f.TakenBy = o.TakenBy
	}
	return f
}

func (c *climb) addSite(f *text.Facts, k correlate.Key) {
	if s := c.net.Site(k.Site); s != nil {
		f.Region, f.Crew, f.Access, f.SiteCaution = s.Region, s.Crew, s.Access, s.Caution
		if s.Name != "" {
			f.Site = s.Name
		}
		if s.Zone != nil {
			f.At = c.r.At.In(s.Zone)
		}
	}
	if p := c.net.Point(k); p != nil {
		f.Instructions, f.Caution = p.Instructions, p.Caution
		if p.Name != "" {
			f.Point = p.Name
		}
	}
}

func (c *climb) addAlarm(f *text.Facts, k correlate.Key) {
	a := c.st.Alarms[k]
	if a == nil {
		return
	}
	f.Severity, f.Word, f.Since = a.Severity, a.Text, a.Raised.In(f.At.Location())
	if len(a.StatusChanges) > 0 && f.Purpose == text.Cleared {
		f.Now = a.StatusChanges[0].Text
	}
	if f.Purpose == text.Flapping || f.Purpose == text.Settled {
		f.Count = a.FlapCount
	}
	if f.Purpose.Asks() && c.causes[correlate.Ref{Site: k.Site, Point: k.Point}] {
		f.Explains = len(c.st.Consequences(k))
	}
	if p := c.net.Point(k); p != nil && p.Kind == correlate.Analog {
		f.Value = reading(c.st.Readings[k], p)
	}
}

// reading returns a value as a person reads it, or "".
func reading(r *correlate.Reading, p *correlate.Point) string {
	if r == nil {
		return ""
	}
	value := strconv.FormatFloat(r.Value, 'f', p.Decimals, 64)
	if p.Unit == "" {
		return value
	}
	return value + " " + p.Unit
}
