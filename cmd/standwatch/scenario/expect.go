package scenario

import (
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"example.net/standwatch/cmd/standwatch/api"
	"example.net/standwatch/correlate"
	"example.net/standwatch/store"
)

// expectations are the words that what must be true begins with.
func (w *world) expect(what string) (bool, error) {
	word, rest, _ := strings.Cut(what, ":")
	rest = strings.TrimSpace(rest)
	switch word {
	case "board":
		return true, w.board(rest)
	case "told":
		return true, w.told(rest)
	case "flood":
		return true, w.flood(rest)
	case "journal":
		return true, w.journal(rest)
	case "then":
		return true, w.then(rest)
	case "reading":
		return true, w.reading(rest)
	case "silences":
		return true, w.silences(rest)
	case "doubt":
		return true, w.doubt(rest)
	case "kept":
		return true, w.kept(rest)
	}
	return false, nil
}

// parts splits a list at its semicolons.
func parts(text, none string) (out []string) {
	for _, p := range strings.Split(text, ";") {
		if p = strings.TrimSpace(p); p != "" && p != none {
			out = append(out, p)
		}
	}
	return out
}

// board compares what stands: exactly the alarms named, each with what is said
// of it in brackets.
func (w *world) board(text string) (err error) {
	want := map[string][]string{}
	for _, p := range parts(text, "empty") {
		name, marks, _ := strings.Cut(p, "(")
		marks = strings.TrimSuffix(marks, ")")
		name = strings.TrimSpace(name)
		want[name] = []string{}
		for _, m := range strings.Split(marks, ",") {
			if m = strings.TrimSpace(m); m != "" {
				want[name] = append(want[name], m)
			}
		}
	}
	w.ledger.Read(func(st *correlate.State, _ *correlate.Network) {
		var stood []string
		good := true
		for _, a := range st.Board() {
			have := marks(a)
			if n := len(st.Consequences(a.Key)); n > 0 {
				have = append(have, "explains "+strconv.Itoa(n))
			}
			stood = append(stood, spell(a.Key)+" ("+strings.Join(have, ", ")+")")
			said, there := want[spell(a.Key)]
			good = good && there
			for _, m := range said {
				if no, not := strings.CutPrefix(m, "not "); not {
					good = good && !slices.Contains(have, no)
				} else {
					good = good && slices.Contains(have, m)
				}
			}
			delete(want, spell(a.Key))
		}
		if !good || len(want) > 0 {
			err = fmt.Errorf("on the board should be %s; there is %s", orNone(text, "nothing"), orNone(strings.Join(stood, "; "), "nothing"))
		}
	})
	return err
}

func orNone(text, none string) string {
	if text == "" {
		return none
	}
	return text
}

// marks are all that can be said of an alarm on the board.
func marks(a *correlate.Alarm) []string {
	out := []string{a.Severity.String()}
	add := func(is bool, format string, args ...any) {
		if is {
			out = append(out, fmt.Sprintf(format, args...))
		}
	}
	add(a.Acknowledged, "taken")
	add(a.Acknowledged, "taken by %s", a.AckBy)
	add(!a.Standing, "cleared")
	add(a.Latched, "latched")
	add(a.Flapping, "flapping")
	add(a.Announced, "told")
	add(!a.Cause.IsZero(), "explained by %s", spell(a.Cause))
	add(a.Shelf != nil, "shelved")
	add(!a.HeldUntil.IsZero(), "held")
	add(a.Audit, "found by audit")
	add(a.Flood, "in a flood")
	if a.Suppressed != nil {
		add(true, "%s", strings.ReplaceAll(a.Suppressed.Kind.String(), "-", " "))
	}
	add(a.Wait != nil, "waiting")
	out = append(out, "repeats "+strconv.Itoa(a.Repeats), "rises "+strconv.Itoa(a.Episodes))
	add(a.OverCut > 0, "over the cut %d", a.OverCut)
	add(a.FlapCount > 0, "count %d", a.FlapCount)
	if m := a.Measure; m != nil {
		add(true, "%s", strings.TrimSpace(fmt.Sprintf("%g %s", m.Value, m.Unit)))
		add(true, "limit %g", m.Limit)
		add(true, "level %s", m.Level)
	}
	return out
}

var tellingForm = regexp.MustCompile(`^(\S+?)(?: (\S+))? of (\S+)(?: over (\S+))?(?: "(.*)")?$`)

// told compares who was told of what since the step that last asked.
func (w *world) told(text string) error {
	got := w.gate.since(w.checked)
	var said []string
	for _, m := range got {
		said = append(said, telling(m))
	}
	fail := func(format string, args ...any) error {
		return fmt.Errorf("%s; told were: %s", fmt.Sprintf(format, args...), orNone(strings.Join(said, "; "), "nobody"))
	}
	w.checked += len(got)
	if n, ok := strings.CutPrefix(text, "at most "); ok {
		most, err := strconv.Atoi(strings.TrimSuffix(n, " messages"))
		if err != nil {
			return fmt.Errorf("told: %q is not: at most 5 messages", text)
		}
		if len(got) > most || len(got) == 0 {
			return fail("people should be told by 1 to %d messages, not %d", most, len(got))
		}
		return nil
	}
	wants := parts(text, "nobody")
	left := slices.Clone(got)
	for _, want := range wants {
		g := tellingForm.FindStringSubmatch(want)
		if g == nil {
			return fmt.Errorf("told: %q is not PERSON [PURPOSE] of SITE/POINT [over GATEWAY] [\"words\"]", want)
		}
		i := slices.IndexFunc(left, func(m correlate.Message) bool {
			return m.Person == g[1] && (g[2] == "" || g[2] == m.Purpose) && (g[3] == spell(m.Key) || (g[3] == "several" && len(m.Covers) > 0)) &&
				(g[4] == "" || g[4] == m.Channel) && strings.Contains(m.Subject+" "+m.Body, g[5])
		})
		if i < 0 {
			return fail("%s should have been told", want)
		}
		left = slices.Delete(left, i, i+1)
	}
	if len(left) > 0 {
		return fail("%s was not to be told", telling(left[0]))
	}
	return nil
}

// telling writes a message as scenarios do.
func telling(m correlate.Message) string {
	of := spell(m.Key)
	if len(m.Covers) > 0 {
		of = "several"
	}
	return fmt.Sprintf("%s %s of %s over %s", m.Person, m.Purpose, of, m.Channel)
}

// doubt compares at which sites nothing that is known is certain, because their
// agents are silent.
func (w *world) doubt(text string) (err error) {
	w.ledger.Read(func(st *correlate.State, net *correlate.Network) {
		var sites []string
		for _, id := range net.Sites() {
			if api.Doubtful(st, net, net.Site(id)) {
				sites = append(sites, string(id))
			}
		}
		if !slices.Equal(sites, parts(text, "none")) {
			err = fmt.Errorf("in doubt should be %s; it is %s", text, orNone(strings.Join(sites, "; "), "none"))
		}
	})
	return err
}

// kept compares how many notifications are kept because nothing came of them.
func (w *world) kept(text string) error {
	page, err := w.store.History(store.Query{Unmatched: true, Limit: store.MaxLimit})
	if err != nil {
		return err
	}
	if got := strconv.Itoa(len(page.Records)); got != text {
		return fmt.Errorf("%s notifications should be kept; there are %s", text, got)
	}
	return nil
}

func (w *world) flood(text string) (err error) {
	w.ledger.Read(func(st *correlate.State, _ *correlate.Network) {
		if is := map[bool]string{true: "on", false: "off"}[st.Flood.On()]; is != text {
			err = fmt.Errorf("the flood should be %s; it is %s", text, is)
		}
	})
	return err
}

// journal compares how many events of a kind the journal has.
func (w *world) journal(text string) error {
	for _, p := range parts(text, "") {
		n, word, _ := strings.Cut(p, " ")
		want, err := strconv.Atoi(n)
		if err != nil {
			return fmt.Errorf("journal: %q is not NUMBER KIND", p)
		}
		if got := w.tally[word]; got != want {
			return fmt.Errorf("the journal should have %d %s; it has %d", want, word, got)
		}
	}
	return nil
}

// foundBy says how a condition was found, by whether it was an audit.
var foundBy = map[bool]string{true: "found by audit", false: "told by the agent"}

// then compares what was decided at the step before: "ignored as late",
// "refused: words", "cleared found by audit", or the word of an event.
func (w *world) then(text string) error {
	word, detail, _ := strings.Cut(text, " ")
	detail = strings.TrimPrefix(detail, "as ")
	var had []string
	for _, ev := range w.events {
		kind, why := correlate.EventKinds[ev.Kind()].Word, ""
		switch e := ev.(type) {
		case *correlate.Ignored:
			why = e.Why
		case *correlate.Refused:
			why = e.Why
		case *correlate.Closed:
			why = e.Why
		case *correlate.Raised:
			why = foundBy[e.Audit]
		case *correlate.AlarmCleared:
			why = foundBy[e.Audit]
		case *correlate.Audited:
			why = fmt.Sprintf("read %d, raised %d, cleared %d", e.Read, e.Raised, e.Cleared)
		}
		if kind == word && strings.Contains(why, detail) {
			return nil
		}
		had = append(had, strings.TrimSpace(kind+" "+why))
	}
	return fmt.Errorf("it should have been decided: %s; decided was: %s", text, orNone(strings.Join(had, ", "), "nothing"))
}

func (w *world) reading(text string) (err error) {
	words := strings.Fields(text)
	if len(words) < 2 {
		return fmt.Errorf("reading: %q is not SITE/POINT VALUE", text)
	}
	k, err := keyOf(words[0])
	if err != nil {
		return err
	}
	w.ledger.Read(func(st *correlate.State, _ *correlate.Network) {
		m := st.Readings[k]
		switch {
		case m == nil:
			err = fmt.Errorf("%s has no reading", words[0])
		case fmt.Sprintf("%.6g", m.Value) != words[1] || (len(words) > 2 && m.Level != words[2]):
			err = fmt.Errorf("%s should read %s; it reads %.6g %s", words[0], strings.Join(words[1:], " "), m.Value, m.Level)
		}
	})
	return err
}

// silences compares what is listed, each with when it ends by the centre's clock.
func (w *world) silences(text string) (err error) {
	want := parts(text, "none")
	w.ledger.Read(func(st *correlate.State, _ *correlate.Network) {
		var have []string
		for _, s := range st.Listed() {
			var scopes []string
			for _, scope := range s.Scopes {
				scopes = append(scopes, scope.String())
			}
			state := "to come"
			if s.Open {
				state = "holds"
			}
			have = append(have, fmt.Sprintf("%s %s %s until %s", strings.ReplaceAll(s.Kind.String(), "-", " "), strings.Join(scopes, " and "), state, s.Until.In(w.cfg.Centre.Zone).Format("2006-01-02 15:04")))
		}
		if !slices.Equal(want, have) {
			err = fmt.Errorf("listed silences should be %s; they are %s", orNone(text, "none"), orNone(strings.Join(have, "; "), "none"))
		}
	})
	return err
}
