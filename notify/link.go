package notify

import (
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
	Name  string // of the person whom the link is for
	Over  string // why there is nothing to take; empty when there is
}

// Offer returns what a person who follows the link to a call-out is shown at an
// instant; ok is false when nothing is known of the call-out or the person any
// more. st is read only.
func (p *Plan) Offer(st *correlate.State, id correlate.CallOutID, person string, now time.Time) (v Offer, ok bool) {
	o, who := st.CallOuts[id], p.people[person]
	if o == nil || who == nil {
		return Offer{}, false
	}
	c := &climb{Plan: p, r: &correlate.Record{At: now}, st: st}
	return Offer{Facts: c.facts(o, text.Raised, "", ""), Name: p.nameOf(person), Over: p.over(st, o, person, ViaLink)}, true
}
