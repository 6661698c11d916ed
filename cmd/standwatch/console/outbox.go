package console

import (
	"net/http"
	"time"

	"example.net/standwatch/cmd/standwatch/api"
	"example.net/standwatch/correlate"
	"example.net/standwatch/notify"
)

// outboxPage lists what is to be told, and what became of it.
type outboxPage struct {
	Waiting, Failed []messageView
	Settled         []messageView
	More            int
	Forwards        []forwardView
	Away            int // of Forwards, those that take nothing now
}

// Forward is how the handing on of alarms to another manager does.
type Forward struct {
	Name     string
	How      string // "traps and informs" or "syslog"
	Sent     uint64 // accepted since the program began
	Position correlate.Seq
	Backlog  uint64 // records that wait
	Failures int    // in a row
	Err      string // of the last failure
	Since    time.Time
}

type forwardView struct {
	Forward
	Since moment
	Err   string
}

// answerShown bounds what is shown of a gateway's answer.
const answerShown = 2000

// messageView is one message with what the gateway answered.
type messageView struct {
	toldView
	ID       correlate.MessageID
	Alarm    correlate.AlarmID
	About    string
	Severity correlate.Severity
	Body     string
	Next     moment // next attempt
	GiveUp   moment
}

// outboxShown bounds the settled messages of the page; the API has them all.
const outboxShown = 100

func outboxView(c clock, src source) outboxPage {
	var page outboxPage
	for _, m := range api.Outbox(src.st) {
		v := messageView{toldView: told(c, m), ID: m.ID, Alarm: m.Key.ID(), About: siteName(src.net, m.Key.Site), Severity: m.Severity, Body: plain(notify.Unlinked(m.Body), 2000), GiveUp: c.at(m.GiveUp)}
		if p := src.net.Point(m.Key); p != nil {
			v.About += ", " + p.Name
		}
		switch {
		case m.State == correlate.MessageWaiting:
			v.Next = c.at(m.NotBefore)
			page.Waiting = append(page.Waiting, v)
		case m.State == correlate.MessageFailed:
			page.Failed = append(page.Failed, v)
		case len(page.Settled) < outboxShown:
			page.Settled = append(page.Settled, v)
		default:
			page.More++
		}
	}
	return page
}

// forwards fills in how other managers do; nil is for those who do not see it.
func (p *outboxPage) forwards(c clock, of func() []Forward) {
	if of == nil {
		return
	}
	for _, f := range of() {
		p.Forwards = append(p.Forwards, forwardView{f, c.at(f.Since), plain(f.Err, answerShown)})
		if f.Failures > 0 {
			p.Away++
		}
	}
}

func (s *server) outbox(w http.ResponseWriter, r *http.Request) error {
	var page outboxPage
	if err := s.read(r, func(c clock, src source) {
		page = outboxView(c, src)
		page.forwards(c, s.Forwards)
	}); err != nil {
		return err
	}
	return s.render(w, r, http.StatusOK, "outbox", "Outbox", page)
}
