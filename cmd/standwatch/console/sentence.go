package console

import (
	"strings"
	"time"

	"example.net/standwatch/cmd/standwatch/api"
	"example.net/standwatch/correlate"
)

// sentence is the front page's sentence in plain words, in clauses so that
// some can be links.
type sentence struct {
	Clauses []clause
	// Standing and Untaken are for the page's title.
	Standing, Untaken int
}

// clause is a stretch of the sentence. Loud ones are set apart.
type clause struct {
	Text string
	Href string
	Loud bool
	Ago  moment // the script keeps "... ago" true
}

func (s *sentence) say(text string) { s.Clauses = append(s.Clauses, clause{Text: text}) }
func (s *sentence) link(text, href string) {
	s.Clauses = append(s.Clauses, clause{Text: text, Href: href})
}
func (s *sentence) loud(text string) { s.Clauses = append(s.Clauses, clause{Text: text, Loud: true}) }

// tally counts what the sentence says.
type tally struct {
	standing, untaken, explained, aside, over int
	suppressed                                int
	bySeverity                                map[correlate.Severity]int
	sites                                     map[correlate.SiteID]bool
	oldest                                    time.Time // of the untaken
}

func tallyOf(st *correlate.State) tally {
	t := tally{bySeverity: map[correlate.Severity]int{}, sites: map[correlate.SiteID]bool{}}
	for _, a := range st.Alarms {
		switch {
		case !a.OnBoard():
		case a.Shelf != nil:
			t.aside++
		case topCause(st, a) != nil:
			t.explained++
		case a.Suppressed != nil:
			t.suppressed++
		case !a.Standing:
			t.over++
		default:
			t.standing++
			t.bySeverity[a.Severity]++
			t.sites[a.Key.Site] = true
			if api.Untaken(a) {
				t.untaken++
				if t.oldest.IsZero() || a.Raised.Before(t.oldest) {
					t.oldest = a.Raised
				}
			}
		}
	}
	return t
}

func sentenceOf(c clock, src source) sentence {
	t := tallyOf(src.st)
	s := sentence{Standing: t.standing, Untaken: t.untaken}
	s.flood(c, src)
	s.standing(t)
	s.taken(t, c)
	s.rest(t)
	s.duty(src.onCall, c)
	s.newest(src.st, c)
	return s
}

func (s *sentence) standing(t tally) {
	if t.standing == 0 {
		s.say("Nothing stands. ")
		return
	}
	var parts []string
	for _, sev := range correlate.Severities() {
		if n := t.bySeverity[sev]; n > 0 {
			parts = append(parts, number(n)+" "+sev.String())
		}
	}
	verb := map[bool]string{true: " alarm stands", false: " alarms stand"}[t.standing == 1]
	sites := map[bool]string{true: " site", false: " sites"}[len(t.sites) == 1]
	text := upperFirst(number(t.standing)) + verb + " at " + number(len(t.sites)) + sites
	switch {
	case t.standing == 1 || len(parts) == 1:
		text += ", " + map[bool]string{true: "", false: "all "}[t.standing == 1] + firstWord(t) + ". "
	default:
		text += ": " + list(parts) + ". "
	}
	s.say(text)
}

// floodShown is how many sites and causes of a flood are named.
const floodShown = 3

// flood sums up a flood by site and by cause, so that the page is read and not
// counted.
func (s *sentence) flood(c clock, src source) {
	f := &src.st.Flood
	if !f.On() {
		return
	}
	s.loud("A flood: " + number(f.Count) + " alarms were told since " + c.at(f.Since.Add(-correlate.FloodSpan)).hourOnly() + ".")
	sites, causes := src.st.FloodSum(src.net)
	if text := mostOf(sites); text != "" {
		s.say(" Most at " + text + "; mostly " + mostOf(causes) + ". ")
		return
	}
	s.say(" ")
}

func mostOf(counts []correlate.Count) string {
	var words []string
	for _, c := range counts[:min(len(counts), floodShown)] {
		words = append(words, plain(c.What, 40)+" ("+number(c.N)+")")
	}
	return list(words)
}

// firstWord is the word of the only severity there is.
func firstWord(t tally) string {
	for _, sev := range correlate.Severities() {
		if t.bySeverity[sev] > 0 {
			return sev.String()
		}
	}
	return ""
}

func (s *sentence) taken(t tally, c clock) {
	switch {
	case t.standing == 0:
		return
	case t.untaken == 0 && t.standing == 1:
		s.say("Somebody has it. ")
		return
	case t.untaken == 0:
		s.say("Somebody has each of them. ")
		return
	}
	what := number(t.untaken) + " of them"
	switch {
	case t.standing == 1:
		what = "it"
	case t.untaken == t.standing:
		what = "any of them"
	}
	s.link("Nobody has taken "+what, "/?untaken=1")
	if t.untaken == 1 {
		s.say(", for " + spoken(c.now.Sub(t.oldest)) + " now. ")
		return
	}
	s.say("; the oldest has waited " + spoken(c.now.Sub(t.oldest)) + ". ")
}

func (s *sentence) rest(t tally) {
	if t.over > 0 {
		s.say(upperFirst(number(t.over)) + map[bool]string{true: " is over but waits", false: " are over but wait"}[t.over == 1] + " to be taken. ")
	}
	if t.explained > 0 {
		s.say(upperFirst(number(t.explained)) + map[bool]string{true: " more is explained by another. ", false: " more are explained by others. "}[t.explained == 1])
	}
	if t.suppressed > 0 {
		s.say(upperFirst(number(t.suppressed)) + map[bool]string{true: " more stands under a ", false: " more stand under a "}[t.suppressed == 1])
		s.link("silence", "/silences")
		s.say(", nobody is told. ")
	}
	if t.aside > 0 {
		s.link(upperFirst(number(t.aside))+map[bool]string{true: " is", false: " are"}[t.aside == 1]+" put aside", "#aside")
		s.say(". ")
	}
}

// dutyNamed is how many people on call the sentence names; of more it says how
// many, and the page of the rosters has them. Own choice, no source.
const dutyNamed = 3

func (s *sentence) duty(duties []api.Duty, c clock) {
	var gaps []string
	var filled []api.Duty
	people := 0
	for _, d := range duties {
		if people += len(d.People); len(d.People) == 0 {
			gaps = append(gaps, d.Name)
			continue
		}
		filled = append(filled, d)
	}
	if people > dutyNamed {
		s.manyOnCall(filled, c)
	} else {
		s.onCall(filled, c)
	}
	if len(gaps) > 0 {
		s.loud("Nobody is on call for " + list(gaps) + ".")
		s.say(" ")
	}
	if len(duties) == 0 {
		s.loud("No roster is set up, so nobody is on call.")
		s.say(" ")
	}
}

// manyOnCall says how many are on call, and when that changes.
func (s *sentence) manyOnCall(duties []api.Duty, c clock) {
	who := map[string]bool{} // one person may be on several rosters
	var next time.Time
	for _, d := range duties {
		for _, p := range d.People {
			who[p.ID] = true
		}
		if !d.Until.IsZero() && (next.IsZero() || d.Until.Before(next)) {
			next = d.Until
		}
	}
	s.link(upperFirst(number(len(who)))+map[bool]string{true: " person is", false: " people are"}[len(who) == 1]+" on call", "/rosters")
	s.say(" for " + number(len(duties)) + map[bool]string{true: " roster", false: " rosters"}[len(duties) == 1])
	if !next.IsZero() {
		s.say("; the next hand-over is at " + c.at(next).hourOnly())
	}
	s.say(". ")
}

// onCall names who is on call, by the end of their turn.
func (s *sentence) onCall(duties []api.Duty, c clock) {
	var ends []string
	people := map[string][]string{}
	for _, d := range duties {
		end := ""
		if !d.Until.IsZero() {
			end = " until " + c.at(d.Until).hourOnly()
		}
		if people[end] == nil {
			ends = append(ends, end)
		}
		for _, p := range d.People {
			people[end] = append(people[end], p.Name)
		}
	}
	for _, end := range ends {
		s.say("On call" + end + ": " + strings.Join(people[end], "; ") + ". ")
	}
}

// hourOnly is a time of day without seconds, with the day when it is another.
func (m moment) hourOnly() string {
	if m.At.YearDay() != m.Now.YearDay() {
		return m.At.Format("Mon 15:04")
	}
	return m.At.Format("15:04")
}

func (s *sentence) newest(st *correlate.State, c clock) {
	newest := newestTrap(st)
	if newest.IsZero() {
		s.loud("No trap has come yet.")
		return
	}
	s.say("The newest trap came ")
	s.Clauses = append(s.Clauses, clause{Text: spoken(max(0, c.now.Sub(newest))), Ago: c.at(newest)}, clause{Text: " ago."})
}

// Title is the sentence in a few letters, for a tab.
func (s sentence) Title() string {
	if s.Standing == 0 {
		return "nothing stands"
	}
	return count(s.Untaken, "untaken", "untaken") + " of " + count(s.Standing, "standing", "standing")
}

// Say returns the front page's sentence for those who show it elsewhere.
func Say(st *correlate.State, net *correlate.Network, onCall []api.Duty, now time.Time, zone *time.Location) api.Sentence {
	said := sentenceOf(clock{now: now, zone: zone}, source{st: st, net: net, onCall: onCall})
	var text strings.Builder
	for _, c := range said.Clauses {
		text.WriteString(c.Text)
	}
	return api.Sentence{Text: strings.TrimSpace(text.String()), Standing: said.Standing, Untaken: said.Untaken}
}
