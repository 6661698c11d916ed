package terminal

import (
	"cmp"
	"context"
	"slices"
	"strings"
	"time"

	tea "charm.land/bubbletea/v2"

	"example.net/standwatch/cmd/standwatch/api"
	"example.net/standwatch/correlate"
)

// model is the screen. It is used by the terminal library's goroutine alone.
type model struct {
	ctx    context.Context
	client *Client
	now    func() time.Time
	colour bool

	width, height int
	sentence      string
	alarms        map[correlate.AlarmID]api.Alarm
	truth         time.Time // when the master last said anything
	lost          *lost     // why the stream is not there
	stale         bool      // the sentence is older than the alarms
	said          time.Time // when the sentence was read

	chosen correlate.AlarmID
	top    int    // first line of the list on the screen
	find   string // what the list is narrowed to
	ask    *prompt
	help   bool
	word   string // about the last action
}

// prompt is a question that is being answered.
type prompt struct {
	question string
	text     string
	done     func(m *model, text string) tea.Cmd
	live     func(m *model, text string) // at each letter; may be nil
}

// What actions and looks come back with.
type (
	ticked   time.Time
	acted    struct{ word string }
	failed   struct{ err error }
	saidAnew struct {
		text string
		err  error
	}
)

func newModel(ctx context.Context, c *Client, now func() time.Time, colour bool) *model {
	return &model{ctx: ctx, client: c, now: now, colour: colour, width: 80, height: 24, alarms: map[correlate.AlarmID]api.Alarm{}}
}

// Init starts the clock of the screen.
func (m *model) Init() tea.Cmd { return tickEvery() }

func tickEvery() tea.Cmd {
	return tea.Tick(time.Second, func(t time.Time) tea.Msg { return ticked(t) })
}

// Update takes in what came.
func (m *model) Update(msg tea.Msg) (tea.Model, tea.Cmd) {
	switch msg := msg.(type) {
	case tea.WindowSizeMsg:
		m.width, m.height = msg.Width, msg.Height
	case tea.KeyPressMsg:
		return m, m.key(msg)
	case tea.PasteMsg:
		if m.ask != nil {
			m.typed(api.PlainText(msg.Content))
		}
	case boardRead:
		m.heard()
		m.sentence, m.said, m.stale = msg.Sentence, m.now(), false
		m.alarms = map[correlate.AlarmID]api.Alarm{}
		m.take(msg.Alarms)
	case changed:
		m.heard()
		m.stale = true
		m.take(msg)
	case alive:
		m.heard()
	case lost:
		m.lost = &msg
	case ticked:
		return m, tea.Batch(tickEvery(), m.sayAnew())
	case saidAnew:
		if msg.err == nil {
			m.sentence, m.said = msg.text, m.now()
		}
	case acted:
		m.word = msg.word
	case failed:
		m.word = "Not done: " + msg.err.Error()
	}
	return m, nil
}

func (m *model) heard() { m.truth, m.lost = m.now(), nil }

// take puts alarms as they are now in the place of older ones.
func (m *model) take(alarms []api.Alarm) {
	for _, a := range alarms {
		if old, ok := m.alarms[a.ID]; ok && old.Seq > a.Seq {
			continue
		}
		if a.IsCleared && !a.Latched {
			delete(m.alarms, a.ID)
			continue
		}
		m.alarms[a.ID] = a
	}
}

// sentenceAge is how old the sentence may grow while nothing happens: it
// speaks of ages.
const sentenceAge = 15 * time.Second

// sayAnew asks for the sentence again when alarms changed or it has aged.
func (m *model) sayAnew() tea.Cmd {
	if m.lost != nil || m.said.IsZero() || (!m.stale && m.now().Sub(m.said) < sentenceAge) {
		return nil
	}
	m.stale, m.said = false, m.now()
	return func() tea.Msg {
		var said api.Sentence
		err := m.client.Get(m.ctx, "/sentence", &said)
		return saidAnew{api.PlainText(said.Text), err}
	}
}

// key does what a key asks for.
func (m *model) key(k tea.KeyPressMsg) tea.Cmd {
	if m.ask != nil {
		return m.answer(k)
	}
	m.word = ""
	if m.help {
		m.help = false
		return nil
	}
	switch k.String() {
	case "q", "ctrl+c":
		return tea.Quit
	case "?":
		m.help = true
	case "down", "j":
		m.move(1)
	case "up", "k":
		m.move(-1)
	case "pgdown", "space":
		m.move(m.listHeight())
	case "pgup":
		m.move(-m.listHeight())
	case "home":
		m.move(-len(m.alarms))
	case "end":
		m.move(len(m.alarms))
	case "/":
		m.ask = &prompt{question: "Show only what holds", text: m.find, live: func(m *model, text string) { m.find = text },
			done: func(m *model, text string) tea.Cmd { m.find = text; return nil }}
	case "esc":
		m.find = ""
	default:
		return m.handle(k.String())
	}
	return nil
}

// handle does what a key asks of the chosen alarm.
func (m *model) handle(key string) tea.Cmd {
	a, ok := m.current()
	if !ok {
		return nil
	}
	switch key {
	case "t":
		return m.do(a, "acknowledge", api.ActionRequest{}, "Taken: "+what(a))
	case "n":
		m.ask = &prompt{question: "Note on " + what(a), done: func(m *model, text string) tea.Cmd {
			return m.do(a, "note", api.ActionRequest{Text: text}, "Noted on "+what(a))
		}}
	case "a":
		if a.Shelf != nil {
			return m.do(a, "unshelve", api.ActionRequest{}, "Brought back: "+what(a))
		}
		m.ask = &prompt{question: "Put aside, for how long (30m, 4h)", text: "1h", done: func(m *model, text string) tea.Cmd { return m.aside(a, text) }}
	}
	return nil
}

// aside asks for the reason once the time is known.
func (m *model) aside(a api.Alarm, text string) tea.Cmd {
	d, err := time.ParseDuration(strings.ReplaceAll(text, " ", ""))
	if err != nil || d <= 0 {
		m.word = "Not done: " + text + " is no time; write 30m or 4h"
		return nil
	}
	m.ask = &prompt{question: "Why put it aside for " + short(d), done: func(m *model, reason string) tea.Cmd {
		return m.do(a, "shelve", api.ActionRequest{Text: reason, Until: m.now().Add(d)}, "Put aside for "+short(d)+": "+what(a))
	}}
	return nil
}

func (m *model) do(a api.Alarm, verb string, body api.ActionRequest, word string) tea.Cmd {
	return func() tea.Msg {
		if err := m.client.act(m.ctx, string(a.ID), verb, body); err != nil {
			return failed{err}
		}
		return acted{word}
	}
}

// answer takes a key while a question is open.
func (m *model) answer(k tea.KeyPressMsg) tea.Cmd {
	switch k.String() {
	case "esc", "ctrl+c":
		if m.ask.live != nil {
			m.ask.live(m, "")
		}
		m.ask = nil
	case "enter":
		ask := m.ask
		m.ask = nil
		if text := api.PlainText(ask.text); text != "" || ask.live != nil {
			return ask.done(m, text)
		}
		m.word = "Not done: nothing was written"
	case "backspace":
		if r := []rune(m.ask.text); len(r) > 0 {
			m.ask.text = string(r[:len(r)-1])
		}
		m.typed("")
	default:
		m.typed(k.Text)
	}
	return nil
}

func (m *model) typed(text string) {
	m.ask.text += text
	if m.ask.live != nil {
		m.ask.live(m, m.ask.text)
	}
}

// move chooses another alarm, by places in the list.
func (m *model) move(by int) {
	list := m.list()
	if len(list) == 0 {
		return
	}
	at := max(0, slices.IndexFunc(list, func(a api.Alarm) bool { return a.ID == m.chosen }))
	m.chosen = list[min(max(0, at+by), len(list)-1)].ID
}

// current returns the chosen alarm; the first of the list until one is chosen
// or when the chosen one has gone.
func (m *model) current() (api.Alarm, bool) {
	list := m.list()
	if at := slices.IndexFunc(list, func(a api.Alarm) bool { return a.ID == m.chosen }); at >= 0 {
		return list[at], true
	}
	if len(list) == 0 {
		return api.Alarm{}, false
	}
	m.chosen = list[0].ID
	return list[0], true
}

// list returns the alarms as they are shown: sites with the worst and oldest
// first, within a site what stands on its own before what it explains, and
// what is put aside last.
func (m *model) list() []api.Alarm {
	type place struct {
		worst  correlate.Severity
		oldest time.Time
	}
	sites := map[correlate.SiteID]place{}
	var out []api.Alarm
	for _, a := range m.alarms {
		if !m.holds(a) {
			continue
		}
		out = append(out, a)
		if a.Shelf != nil {
			continue
		}
		p, ok := sites[a.Site]
		if !ok || a.LastRaised.Before(p.oldest) {
			p.oldest = a.LastRaised
		}
		p.worst = max(p.worst, a.Severity)
		sites[a.Site] = p
	}
	rank := func(a api.Alarm) int {
		switch {
		case a.Shelf != nil:
			return 2
		case a.ExplainedBy != "":
			return 1
		}
		return 0
	}
	slices.SortFunc(out, func(a, b api.Alarm) int {
		pa, pb := sites[a.Site], sites[b.Site]
		aside := cmp.Compare(min(rank(a), 2)/2, min(rank(b), 2)/2)
		return cmp.Or(aside, cmp.Compare(pb.worst, pa.worst), pa.oldest.Compare(pb.oldest), cmp.Compare(a.Site, b.Site),
			cmp.Compare(rank(a), rank(b)), cmp.Compare(b.Severity, a.Severity), a.LastRaised.Compare(b.LastRaised), cmp.Compare(a.ID, b.ID))
	})
	return out
}

// holds reports whether every word that is looked for stands somewhere in what
// the alarm says.
func (m *model) holds(a api.Alarm) bool {
	all := strings.ToLower(strings.Join([]string{a.SiteName, string(a.ID), a.PointName, a.Text, a.Severity.String(), a.AckBy}, " "))
	for word := range strings.FieldsSeq(strings.ToLower(m.find)) {
		if !strings.Contains(all, word) {
			return false
		}
	}
	return true
}
