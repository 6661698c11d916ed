package notify

import (
	"strconv"
	"strings"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/notify/text"
)

// TakePath is where the page is that a link in a message leads to, below the
// console's address; the token follows it.
const TakePath = "/take/"

// LinkLasts is how long a link can be used. Judgement: a call-out that nobody
// took in a week is a matter for the board.
const LinkLasts = 7 * 24 * time.Hour

// linkGone stands in a text in place of the token of a link.
const linkGone = "(for its reader alone)"

// Unlinked returns the text of a message as it may be shown to others than its
// reader. Whoever has its link may press the button in the reader's name, so the
// token is cut out.
func Unlinked(body string) string {
	var out strings.Builder
	for {
		before, after, found := strings.Cut(body, TakePath)
		out.WriteString(before)
		if !found {
			return out.String()
		}
		out.WriteString(TakePath + linkGone)
		end := strings.IndexFunc(after, func(r rune) bool { return r <= ' ' })
		if end < 0 {
			return out.String()
		}
		body = after[end:]
	}
}

// WithLinks returns the plan with links in its mails, made by link, which must
// be pure. A plan without an address of the console has none.
func (p *Plan) WithLinks(link func(id correlate.CallOutID, person string, until time.Time) string) *Plan {
	if p.console == "" {
		return p
	}
	linked := *p
	linked.link = link
	return &linked
}

// Offer is what the page of a link shows.
type Offer struct {
	Facts text.Facts
	Name  string      // of the person whom the link is for
	Over  string      // why there is nothing to take; empty when there is
	Lines []text.Line // a digest's; Facts has little then
}

// Offer returns what a person who follows the link to a call-out is shown at an
// instant; ok is false when nothing is known of the call-out or the person any
// more. st is read only.
func (p *Plan) Offer(st *correlate.State, id correlate.CallOutID, person string, now time.Time) (v Offer, ok bool) {
	o, who := st.CallOuts[id], p.people[person]
	if m := st.Messages[correlate.MessageID(id)]; m != nil && who != nil && len(m.Covers) > 0 {
		return p.offerDigest(st, m, who, now), true
	}
	if o == nil || who == nil {
		return Offer{}, false
	}
	c := &climb{Plan: p, r: &correlate.Record{At: now}, st: st}
	return Offer{Facts: c.facts(o, text.Raised, "", ""), Name: p.nameOf(person), Over: p.over(st, o, person, ViaLink)}, true
}

// offerDigest is Offer for a digest: what of it can still be taken.
func (p *Plan) offerDigest(st *correlate.State, m *correlate.Message, who *person, now time.Time) Offer {
	c := &climb{Plan: p, r: &correlate.Record{At: now}, st: st}
	v := Offer{Name: p.nameOf(who.ID), Facts: text.Facts{Code: m.Code, Since: m.Queued.In(p.zone), Severity: m.Severity}}
	_, v.Over = p.asks(st, m.Code, who, correlate.Act{Via: ViaLink})
	for _, id := range m.Covers {
		if o := st.CallOuts[id]; o != nil && p.over(st, o, who.ID, ViaLink) == "" {
			v.Lines = append(v.Lines, c.line(o, text.Raised, 0))
		}
	}
	v.Facts.Word = strconv.Itoa(len(v.Lines)) + " alarms to be taken at once"
	return v
}
