package notify

import (
	"cmp"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/notify/text"
)

// How much one person is sent, and how long tellings are gathered for a digest.
// Judgement, no source: whoever gets more than some twenty messages an hour
// reads none of them.
const (
	DefaultBudget = 20               // messages an hour, before they are bundled
	gatherNews    = time.Minute      // what became of what a digest told
	gatherOver    = 10 * time.Minute // beyond the budget
)

// DefaultFlood is how long after one digest of a flood the next comes. The
// first says that there is a flood; who has heard that is helped more by the
// board than by the next message. Something critical among it never waits
// longer than two minutes. Judgement, no source.
var DefaultFlood = FloodPace{
	Digests:  []time.Duration{time.Minute, 5 * time.Minute, 10 * time.Minute, 20 * time.Minute, 40 * time.Minute},
	Critical: []time.Duration{20 * time.Second, time.Minute, 2 * time.Minute},
}

// step is the nth of the steps, from 0; the last one is for all after it.
func step(steps []time.Duration, n int) time.Duration { return steps[min(n, len(steps)-1)] }

// after is when the next digest of a flood comes for something that is put
// aside at now, n digests after the newest at last: a step after the newest
// digest, or, if that is over, the first step after now.
func after(steps []time.Duration, n int, last, now time.Time) time.Time {
	if due := last.Add(step(steps, n)); n > 0 && due.After(now) {
		return due
	}
	return now.Add(step(steps, 0))
}

// Why a telling is put aside.
const (
	asideFlood  = "flood"
	asideBudget = "budget"
	asideDigest = "digest" // those told by a digest hear of the end by one; and what comes while one is gathered joins it
)

// budget is how many messages an hour the person gets one by one.
func (w *person) budget() int { return cmp.Or(w.Budget, DefaultBudget) }

// aside decides whether a telling goes into the person's next digest, and when
// that is due. Something critical never waits for a budget; in a flood it waits
// for the digest, which is then made soon. In a flood the pace of its digests
// stands in for the budget.
func (c *climb) aside(who *person, k correlate.Key, wake time.Time) (due time.Time, why string) {
	severity := correlate.Severity(0)
	if a := c.st.Alarms[k]; a != nil {
		severity = a.Severity
	}
	critical := severity >= correlate.Critical
	over := c.spent(who) >= who.budget()
	gathered := c.gathered(who.ID)
	switch {
	case c.flood() && k.Site != correlate.SiteSelf:
		steps := c.pace.Digests
		if critical {
			steps = c.pace.Critical
		}
		n, last := c.toldOfFlood(who.ID)
		why, due = asideFlood, after(steps, n, last, c.r.At)
	case critical:
		return time.Time{}, ""
	case !gathered.IsZero():
		why, due = asideDigest, gathered
	case over:
		why, due = asideBudget, c.r.At.Add(gatherOver)
	default:
		return time.Time{}, ""
	}
	if due.Before(wake) {
		due = wake // quiet hours
	}
	if !gathered.IsZero() && gathered.Before(due) {
		due = gathered
	}
	return due, why
}

// flood reports whether more is told than one person can take in.
func (c *climb) flood() bool {
	return c.st.Flood.On() || c.inFlood
}

// toldOfFlood is how many digests of the present flood the person was sent, and
// when the newest was made.
func (c *climb) toldOfFlood(person string) (n int, last time.Time) {
	if c.drawn != nil {
		if n, last = c.drawn.Flood.ToldOf(person); n > 0 {
			return n, last
		}
	}
	return c.st.Flood.ToldOf(person)
}

// floodOver tells at once what was gathered for the digests of a flood that has
// ended; what waits for the end of quiet hours goes on waiting.
func (c *climb) floodOver() {
	for _, person := range slices.Sorted(maps.Keys(c.st.Piles)) {
		who, pile := c.people[person], c.st.Piles[person]
		if who == nil || len(pile.Items) == 0 {
			continue
		}
		worst := correlate.Severity(0)
		for _, item := range pile.Items {
			if o := c.peek(item.CallOut); o != nil && c.st.Alarms[o.Key] != nil {
				worst = max(worst, c.st.Alarms[o.Key].Severity)
			}
		}
		if !who.awake(worst, c.r.At).After(c.r.At) {
			c.turnOut(person, pile)
		}
	}
}

// spent is how many messages the person was sent within the hour.
func (c *climb) spent(who *person) int {
	n, _ := c.st.Spent(who.ID, c.r.At)
	if c.drawn != nil {
		more, _ := c.drawn.Spent(who.ID, c.r.At)
		n += more
	}
	return n
}

// gathered is when the digest is due that a person's tellings are gathered for
// now; zero when there is none.
func (c *climb) gathered(person string) time.Time {
	if c.drawn != nil {
		if p := c.drawn.Piles[person]; p != nil {
			return p.Due
		}
	}
	if p := c.st.Piles[person]; p != nil && !c.emptied[person] {
		return p.Due
	}
	return time.Time{}
}

// putAside puts a telling into the person's pile.
func (c *climb) putAside(o *correlate.CallOut, t telling, purpose text.Purpose, why string) {
	var over []string
	for _, a := range t.over {
		over = append(over, a.Gateway)
	}
	c.emit(&correlate.Piled{On: correlate.On{Key: o.Key}, CallOut: o.ID, Person: t.who.ID, Purpose: string(purpose), Over: over, Due: t.notBefore, Why: why})
}

// empty makes a person's digest out of the pile that is due.
func (c *climb) empty(person string) {
	if pile := c.st.Piles[person]; pile != nil && !pile.Due.After(c.r.At) && !c.emptied[person] {
		c.turnOut(person, pile)
	}
}

// turnOut makes a digest of a pile.
func (c *climb) turnOut(person string, pile *correlate.Pile) {
	items := slices.Clone(pile.Items)
	if c.drawn != nil && c.drawn.Piles[person] != nil {
		items = append(items, c.drawn.Piles[person].Items...)
	}
	items = c.needed(items)
	who := c.people[person]
	nth := 0
	if who != nil && len(items) > 0 && c.flood() {
		nth, _ = c.toldOfFlood(person)
		nth++
	}
	c.emit(&correlate.PileEmptied{Person: person, Nth: nth})
	if c.emptied == nil {
		c.emptied = map[string]bool{}
	}
	c.emptied[person] = true
	if who == nil {
		return // nobody of that name is in the book any more
	}
	if len(items) == 1 && nth == 0 {
		c.tellAlone(who, items[0])
		return
	}
	for _, group := range c.byGateway(who, items) {
		c.digest(who, group, nth)
	}
}

// needed leaves out what nobody needs to hear any more, and says the same about
// one call-out once, the last word of it.
func (c *climb) needed(items []correlate.PileItem) []correlate.PileItem {
	last := map[correlate.CallOutID]int{}
	for i, item := range items {
		last[item.CallOut] = i
	}
	var out []correlate.PileItem
	for i, item := range items {
		o := c.peek(item.CallOut)
		if last[item.CallOut] != i || o == nil {
			continue
		}
		if text.Purpose(item.Purpose).Asks() && o.State != correlate.CallOutOpen && o.State != correlate.CallOutExhausted {
			continue
		}
		out = append(out, item)
	}
	return out
}

// peek returns a call-out to be read only, without a copy.
func (c *climb) peek(id correlate.CallOutID) *correlate.CallOut {
	if c.drawn != nil && c.drawn.CallOuts[id] != nil {
		return c.drawn.CallOuts[id]
	}
	return c.st.CallOuts[id]
}

// tellAlone tells what turned out to be no bundle.
func (c *climb) tellAlone(who *person, item correlate.PileItem) {
	o := c.callOut(item.CallOut)
	for _, to := range who.overOrFirst(item.Over) {
		t := telling{who: who, over: []Address{to}, notBefore: c.r.At}
		c.queue(o, outgoing{id: c.messageID(), to: to, telling: t, purpose: text.Purpose(item.Purpose), left: len(who.Channels) - 1, takenBy: o.TakenBy})
	}
}

// overOrFirst returns the person's addresses at the gateways that are still
// there, or the first.
func (w *person) overOrFirst(gateways []string) []Address {
	if over := w.over(gateways); len(over) > 0 {
		return over
	}
	return w.Channels[:1]
}

// bundle is what goes out over one gateway.
type bundle struct {
	to    Address
	items []correlate.PileItem
}

func (c *climb) byGateway(who *person, items []correlate.PileItem) []bundle {
	var out []bundle
	for _, item := range items {
		for _, to := range who.overOrFirst(item.Over) {
			i := slices.IndexFunc(out, func(b bundle) bool { return b.to.Gateway == to.Gateway })
			if i < 0 {
				out = append(out, bundle{to: to})
				i = len(out) - 1
			}
			out[i].items = append(out[i].items, item)
		}
	}
	return out
}

// digest queues one message about many call-outs, causes first; nth is which
// one of a flood it is, 0 for none.
func (c *climb) digest(who *person, b bundle, nth int) {
	d, covers, worst := c.digestOf(b.items)
	if nth > 0 {
		zone := who.zone
		if zone == nil {
			zone = c.zone
		}
		d.Next, d.NextCritical = c.r.At.Add(step(c.pace.Digests, nth)).In(zone), c.r.At.Add(step(c.pace.Critical, nth)).In(zone)
	}
	if len(d.Asks) > 0 {
		d.Code = c.code(c.opened)
		c.opened++
	}
	m := correlate.Message{
		ID: c.messageID(), Key: worst, Purpose: string(text.Digest), Person: who.ID, Channel: b.to.Gateway, Address: b.to.To, Queued: c.r.At, NotBefore: c.r.At,
		GiveUp: c.r.At.Add(digestPatience(len(who.Channels) - 1)), State: correlate.MessageWaiting, Covers: covers, Code: d.Code,
	}
	if len(d.Asks) > 0 {
		m.Severity = slices.MaxFunc(d.Asks, func(a, b text.Line) int { return cmp.Compare(a.Severity, b.Severity) }).Severity
	}
	d.Hears = c.hears[b.to.Gateway]
	if c.link != nil && d.Code != "" {
		d.TakeURL = c.console + TakePath + c.link(correlate.CallOutID(m.ID), who.ID, c.r.At.Add(LinkLasts))
	}
	if c.gateways[b.to.Gateway] == KindMail {
		m.Subject, m.Body = d.Subject(), d.Body()
	} else {
		m.Body = d.Short()
	}
	c.emit(&correlate.MessageQueued{Message: m})
}

// digestPatience is how long a digest is tried over one channel, when so many
// are left.
func digestPatience(left int) time.Duration {
	if left <= 0 {
		return lastChannel
	}
	return 10 * time.Minute / time.Duration(left+1)
}

// digestOf gathers what a digest says; worst is what it is first about.
func (c *climb) digestOf(items []correlate.PileItem) (d text.DigestFacts, covers []correlate.CallOutID, worst correlate.Key) {
	d = text.DigestFacts{At: c.r.At.In(c.zone), Centre: c.centre}
	if c.console != "" {
		d.BoardURL = c.console + "/"
	}
	explains := c.explained()
	type entry struct {
		item correlate.PileItem
		key  correlate.Key
		line text.Line
	}
	entries := make([]entry, 0, len(items))
	for _, item := range items {
		o := c.peek(item.CallOut)
		entries = append(entries, entry{item, o.Key, c.line(o, text.Purpose(item.Purpose), explains[o.Key])})
	}
	slices.SortStableFunc(entries, func(a, b entry) int {
		return cmp.Or(cmp.Compare(min(b.line.Explains, 1), min(a.line.Explains, 1)), cmp.Compare(b.line.Severity, a.line.Severity),
			cmp.Compare(b.line.Explains, a.line.Explains), a.line.Since.Compare(b.line.Since), a.key.Compare(b.key))
	})
	for _, e := range entries {
		covers = append(covers, e.item.CallOut)
		if text.Purpose(e.item.Purpose).Asks() {
			d.Asks = append(d.Asks, e.line)
		} else {
			d.News = append(d.News, e.line)
		}
	}
	return d, covers, entries[0].key
}

// explained counts, for each alarm, those that it explains.
func (c *climb) explained() map[correlate.Key]int {
	counts := map[correlate.Key]int{}
	for _, a := range c.st.Alarms {
		if !a.Cause.IsZero() && a.OnBoard() {
			counts[a.Cause]++
		}
	}
	return counts
}

// line is one alarm of a digest.
func (c *climb) line(o *correlate.CallOut, purpose text.Purpose, explains int) text.Line {
	l := text.Line{Purpose: purpose, Site: string(o.Key.Site), Instance: o.Key.Instance, Explains: explains, TakenBy: c.nameOf(o.TakenBy), Code: o.Code}
	zone := c.zone
	if s := c.net.Site(o.Key.Site); s != nil {
		l.Site = cmp.Or(s.Name, l.Site)
		if s.Zone != nil {
			zone = s.Zone
		}
	}
	if a := c.st.Alarms[o.Key]; a != nil {
		l.Severity, l.What, l.Since = a.Severity, a.Text, a.Raised.In(zone)
		if purpose == text.Cleared && len(a.StatusChanges) > 0 {
			l.What = a.StatusChanges[0].Text
		}
	}
	return l
}

// digestFailed stands in for a digest that could not be delivered: by the
// person's next channel, or, where nobody else was told, by the next rung of
// each call-out that nobody has taken yet.
func (c *climb) digestFailed(m *correlate.Message) {
	root, _, _ := strings.Cut(string(m.ID), ".")
	used := []string{m.Channel}
	n := 1
	for ; ; n++ {
		id := correlate.MessageID(root)
		if n > 1 {
			id = correlate.MessageID(root + "." + strconv.Itoa(n))
		}
		f := c.message(id)
		if f == nil {
			break
		}
		used = append(used, f.Channel)
	}
	open := slices.ContainsFunc(m.Covers, func(id correlate.CallOutID) bool {
		o := c.peek(id)
		return o != nil && o.State == correlate.CallOutOpen
	})
	if who := c.people[m.Person]; who != nil && (open || m.Code == "") {
		for _, to := range who.Channels {
			if !slices.Contains(used, to.Gateway) {
				c.emit(&correlate.MessageQueued{Message: c.digestAgain(m, to, root+"."+strconv.Itoa(n), len(who.Channels)-len(used)-1)})
				return
			}
		}
	}
	for _, id := range m.Covers {
		if o := c.callOut(id); o != nil && o.State == correlate.CallOutOpen {
			c.goOn(o, m)
		}
	}
}

// digestAgain is the digest over another channel: made anew in words that suit
// it, about what is still to be told.
func (c *climb) digestAgain(m *correlate.Message, to Address, id string, left int) correlate.Message {
	again := *m.Clone()
	again.ID, again.Channel, again.Address, again.Queued, again.NotBefore = correlate.MessageID(id), to.Gateway, to.To, c.r.At, c.r.At
	again.GiveUp, again.State, again.Attempts, again.Subject = c.r.At.Add(digestPatience(left)), correlate.MessageWaiting, nil, ""
	var items []correlate.PileItem
	for _, covered := range m.Covers {
		o := c.peek(covered)
		switch {
		case o == nil:
		case o.State == correlate.CallOutOpen || o.State == correlate.CallOutExhausted:
			items = append(items, correlate.PileItem{CallOut: covered, Purpose: string(text.Raised)})
		default:
			items = append(items, correlate.PileItem{CallOut: covered, Purpose: string(endOf(o))})
		}
	}
	if len(items) == 0 {
		return again
	}
	d, _, _ := c.digestOf(items)
	d.Code, d.Hears = m.Code, c.hears[to.Gateway]
	if c.gateways[to.Gateway] == KindMail {
		again.Subject, again.Body = d.Subject(), d.Body()
	} else {
		again.Body = d.Short()
	}
	return again
}

// endOf is what is said of a call-out that has ended.
func endOf(o *correlate.CallOut) text.Purpose {
	if o.State == correlate.CallOutTaken {
		return text.Taken
	}
	return text.Cleared
}
