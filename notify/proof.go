package notify

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/notify/roster"
	"example.net/standwatch/notify/text"
)

// purposeProof is what the daily proof is for.
const purposeProof text.Purpose = "proof"

// proofLate is how late a proof is still worth sending: a master that begins at
// noon need not tell that it lived at eight.
const proofLate = 2 * time.Hour

// ProofsDue lists the rosters whose daily proof is due at an instant, in the
// order of the book.
func (p *Plan) ProofsDue(st *correlate.State, now time.Time) (due []string) {
	for _, b := range p.book.Rosters {
		clock, ok := p.proofs[b.ID]
		if !ok {
			continue
		}
		zone := p.rosters[b.ID].Zone()
		local := now.In(zone)
		for _, day := range []int{local.Day(), local.Day() - 1} {
			midnight := time.Date(local.Year(), local.Month(), day, 0, 0, 0, 0, time.UTC)
			at := roster.Wall(midnight.Add(clock), zone)
			if !at.After(now) && now.Sub(at) < proofLate && st.Proofs[b.ID].Before(at) {
				due = append(due, b.ID)
				break
			}
		}
	}
	return due
}

// prove tells whoever is on call that the master lives. It is the absence of
// this message that people notice when it does not.
func (c *climb) prove(id string) {
	r := c.roster(id)
	if r == nil {
		return
	}
	on := r.On(c.r.At)
	ev := &correlate.Proved{Roster: id}
	if len(on) == 0 {
		ev.Nobody = "nobody is on call in roster " + id
	}
	c.emit(ev)
	for _, person := range on {
		who := c.people[person]
		if who == nil {
			continue
		}
		to := who.reachable(nil, c.broken())[0]
		body := c.proofText(id, r.Zone())
		m := correlate.Message{ID: c.messageID(), Key: correlate.Key{Site: correlate.SiteSelf, Point: "roster", Instance: id}, Purpose: string(purposeProof), Person: who.ID,
			Channel: to.Gateway, Address: to.To, Body: text.Plain(body), Queued: c.r.At, NotBefore: c.r.At, GiveUp: c.r.At.Add(proofLate), State: correlate.MessageWaiting}
		if c.gateways[to.Gateway] == KindMail {
			m.Subject, m.Body = body, body+"\n\nIf this message does not come one day, the master may be dead: ring the centre.\n"
		}
		c.emit(&correlate.MessageQueued{Message: m})
	}
}

func (c *climb) proofText(id string, zone *time.Location) string {
	stand, untaken := 0, 0
	for _, a := range c.st.Alarms {
		if a.Standing {
			stand++
			if !a.Acknowledged {
				untaken++
			}
		}
	}
	name := id
	if i := slices.IndexFunc(c.book.Rosters, func(b Roster) bool { return b.ID == id }); i >= 0 {
		name = cmp.Or(c.book.Rosters[i].Name, id)
	}
	return fmt.Sprintf("PROOF %s: %s lives. You are on call: %s. %d stand, %d untaken.", c.r.At.In(zone).Format("Mon 15:04"), cmp.Or(c.centre, "the master"), name, stand, untaken)
}
