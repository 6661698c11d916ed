package modem

import (
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/notify"
	"example.net/standwatch/notify/sms"
)

const (
	longAnswer = 15 * time.Second       // how long the modem may take for what it looks up in its card
	soon       = 200 * time.Millisecond // between looks at reports that came too early
)

// session is a modem that is being served. It belongs to one goroutine.
type session struct {
	c      *Channel
	o      *Options
	d      *dialogue
	in     notify.Inbox
	signal string
	texts  sms.Assembly
	early  notify.EarlyReceipts
}

// awake gets an answer out of a modem that may hang in anything, and sets it
// up.
func (s *session) awake(ctx context.Context) error {
	err := errNoAnswer
	for range 3 {
		if err := s.d.say(cancel + "\r"); err != nil {
			return err
		}
		if _, err = s.d.ask(ctx, s.o.Answer, "AT"); err == nil {
			return s.setUp(ctx)
		}
		if lineOver(s.d) || ctx.Err() != nil {
			break
		}
	}
	return err
}

func lineOver(d *dialogue) bool {
	select {
	case <-d.over:
		return true
	default:
		return false
	}
}

// setUp says how we want to be spoken to.
func (s *session) setUp(ctx context.Context) error {
	// Error numbers and the echo are niceties that some modems lack.
	for _, nicety := range []string{"ATE0", "AT+CMEE=1"} {
		if _, err := s.d.ask(ctx, s.o.Answer, nicety); errors.Is(err, errNoAnswer) {
			return err
		}
	}
	if err := s.unlock(ctx); err != nil {
		return err
	}
	for _, command := range s.settings() {
		if _, err := s.d.ask(ctx, longAnswer, command); err != nil {
			return fmt.Errorf("%s: %w", printable(command), err)
		}
	}
	return s.look(ctx)
}

func (s *session) settings() []string {
	out := []string{"AT+CMGF=0"}
	reports := 0
	if s.o.TextMode {
		out = []string{"AT+CMGF=1", `AT+CSCS="GSM"`, "AT+CSMP=17,167,0,0"}
	} else if s.o.Receipts {
		reports = 1
	}
	if s.o.Centre != "" {
		kind := 129
		if strings.HasPrefix(s.o.Centre, "+") {
			kind = 145
		}
		out = append(out, fmt.Sprintf(`AT+CSCA="%s",%d`, s.o.Centre, kind))
	}
	// New texts go to the memory and are announced; reports come directly.
	return append(out, fmt.Sprintf("AT+CNMI=2,1,0,%d,0", reports))
}

// unlock gives the PIN if the card wants it, once.
func (s *session) unlock(ctx context.Context) error {
	answer, err := s.d.ask(ctx, longAnswer, "AT+CPIN?")
	if err != nil {
		return fmt.Errorf("the SIM card: %w", err)
	}
	state := ""
	if len(answer) > 0 {
		state = strings.Join(values(answer[0]), "")
	}
	switch {
	case state == "READY":
		return nil
	case state != "SIM PIN":
		return fmt.Errorf("the SIM card wants %s", state)
	case s.o.PIN == "":
		return errors.New("the SIM card wants its PIN, and none is configured")
	case s.c.triedPIN():
		return errors.New("the SIM card wants its PIN; the one configured was tried before and is not tried again")
	}
	if _, err := s.d.ask(ctx, longAnswer, `AT+CPIN="`+s.o.PIN+`"`); err != nil {
		return fmt.Errorf("the PIN was not taken: %w", err)
	}
	return nil
}

// triedPIN notes that the PIN is being tried, and reports whether it was.
func (c *Channel) triedPIN() bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	tried := c.pinTried
	c.pinTried = true
	return tried
}

// look asks for registration and signal, and takes what lies in the memory.
func (s *session) look(ctx context.Context) error {
	state := 4
	answer, err := s.d.ask(ctx, s.o.Answer, "AT+CREG?")
	if errors.Is(err, errNoAnswer) {
		return err
	}
	for _, line := range answer {
		if strings.HasPrefix(line, "+CREG:") {
			state = number(line, 1)
		}
	}
	if answer, err = s.d.ask(ctx, s.o.Answer, "AT+CSQ"); errors.Is(err, errNoAnswer) {
		return err
	}
	s.signal = ""
	for _, line := range answer {
		if n := number(line, 0); strings.HasPrefix(line, "+CSQ:") && n >= 0 && n <= 31 {
			s.signal = fmt.Sprintf("signal %d dBm", 2*n-113) // 3GPP TS 27.007 section 8.5
		}
	}
	trouble := ""
	if !registered(state) {
		trouble = "the modem has no network: " + registrations[state]
		if s.signal != "" {
			trouble += ", " + s.signal
		}
	}
	s.c.note(true, trouble)
	return s.sweep(ctx)
}

// serve does what comes until the modem fails or ctx ends.
func (s *session) serve(ctx context.Context) error {
	looks := time.NewTicker(s.o.Look)
	defer looks.Stop()
	again := time.NewTicker(soon)
	defer again.Stop()
	for {
		var err error
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-s.d.over:
			return s.d.why
		case j := <-s.c.jobs:
			err = s.do(ctx, j)
		case line := <-s.d.heard:
			s.d.ownAccord(line) // whatever else is said unasked means nothing to us
		case <-looks.C:
			err = s.look(ctx)
		case <-again.C:
			s.early.Again(ctx, s.in)
		}
		if err == nil {
			err = s.collect(ctx)
		}
		if err != nil {
			if err := s.recover(ctx, err); err != nil {
				return err
			}
		}
	}
}

// recover gets a modem going again that did not answer.
func (s *session) recover(ctx context.Context, cause error) error {
	s.c.note(true, "the modem hangs: "+cause.Error())
	if lineOver(s.d) {
		return s.d.why
	}
	return s.awake(ctx)
}

// do sends one message. The error is for the modem's sake: it hangs.
func (s *session) do(ctx context.Context, j job) error {
	r, err := s.send(j.ctx, j.m)
	j.done <- r
	return err
}

func (s *session) send(ctx context.Context, m correlate.Message) (notify.Result, error) {
	parts, err := sms.Split(m.Body, reference(m.ID), false)
	if err != nil {
		return notify.Result{Outcome: correlate.Permanent, Answer: err.Error()}, nil
	}
	id := ""
	for i, part := range parts {
		within, stop := context.WithTimeout(ctx, s.o.Timeout)
		answer, err := s.part(within, m.Address, part, i == len(parts)-1)
		stop()
		if err != nil {
			r, err := s.failed(err)
			r.InDoubt = r.InDoubt || r.Outcome == correlate.Temporary && i > 0 // parts of it were taken
			return r, err
		}
		for _, line := range answer {
			if n := number(line, 0); strings.HasPrefix(line, "+CMGS:") && n >= 0 {
				id = strconv.Itoa(n)
			}
		}
	}
	return accepted(id, s.signal, len(parts)), nil
}

// errNumber says that an address cannot be sent to.
var errNumber = errors.New("the address is no telephone number")

// part sends one short message.
func (s *session) part(ctx context.Context, to string, p sms.Part, last bool) ([]string, error) {
	if s.o.TextMode {
		return s.textPart(ctx, to, p)
	}
	out, length, err := sms.Submit{To: to, Part: p, Receipt: s.o.Receipts && last, Keep: s.o.Keep}.Marshal()
	if err != nil {
		return nil, errNumber
	}
	return s.d.text(ctx, fmt.Sprintf("AT+CMGS=%d", length), strings.ToUpper(hex.EncodeToString(out)))
}

// textPart sends one short message in text mode. What the GSM character set
// cannot carry there, such as the escape, goes as UCS-2, in which number and
// text are written in hexadecimal.
func (s *session) textPart(ctx context.Context, to string, p sms.Part) ([]string, error) {
	if digits := strings.TrimPrefix(to, "+"); digits == "" || len(digits) > 20 || strings.Trim(digits, "0123456789") != "" {
		return nil, errNumber
	}
	wide := p.Alphabet == sms.Wide || slices.ContainsFunc(p.Data, func(o byte) bool { return o < ' ' && o != '\n' && o != '\r' })
	if wide {
		if err := s.charset(ctx, true); err != nil {
			return nil, err
		}
		defer func() {
			// What comes in is read in the other character set; if this fails,
			// the modem hangs and is set up anew.
			_ = s.charset(context.WithoutCancel(ctx), false)
		}()
	}
	text := string(p.Data)
	if wide {
		octets := p.Data
		if p.Alphabet == sms.GSM7 {
			octets = sms.UCS2(sms.FromSeptets(p.Data))
		}
		text = strings.ToUpper(hex.EncodeToString(octets))
		to = strings.ToUpper(hex.EncodeToString(sms.UCS2(to)))
	}
	return s.d.text(ctx, `AT+CMGS="`+to+`"`, text)
}

// charset sets text mode to UCS-2, or back to the GSM alphabet.
func (s *session) charset(ctx context.Context, wide bool) error {
	commands := []string{`AT+CSCS="GSM"`, "AT+CSMP=17,167,0,0"}
	if wide {
		commands = []string{`AT+CSCS="UCS2"`, "AT+CSMP=17,167,0,8"}
	}
	for _, command := range commands {
		if _, err := s.d.ask(ctx, s.o.Answer, command); err != nil {
			return err
		}
	}
	return nil
}

// failed says what an error means for the message, and whether the modem
// hangs.
func (s *session) failed(err error) (notify.Result, error) {
	r := notify.Result{Outcome: correlate.Temporary, Answer: err.Error()}
	var said *modemError
	switch {
	case errors.Is(err, errNumber):
		r.Outcome = correlate.Permanent
		return r, nil
	case errors.As(err, &said):
		r.Outcome = said.outcome()
		return r, nil
	case errors.Is(err, errNoAnswer) && !strings.HasPrefix(err.Error(), "no prompt"):
		r.Answer, r.InDoubt = "no answer in time; it may have been taken", true
	}
	return r, err
}

// sweep takes all that lies in the memory.
func (s *session) sweep(ctx context.Context) error {
	command := "AT+CMGL=4"
	if s.o.TextMode {
		command = `AT+CMGL="ALL"`
	}
	answer, err := s.d.ask(ctx, longAnswer, command)
	if errors.Is(err, errNoAnswer) {
		return err
	}
	for _, line := range answer {
		if strings.HasPrefix(line, "+CMGL:") && received(values(line)) {
			s.d.found = append(s.d.found, number(line, 0))
		}
	}
	return s.collect(ctx)
}

// received reports whether an entry of the memory came in, by its state: 0 and
// 1, or "REC UNREAD" and "REC READ".
func received(f []string) bool {
	return len(f) > 1 && (f[1] == "0" || f[1] == "1" || strings.HasPrefix(f[1], "REC "))
}

// collect reads, takes and deletes what is new in the memory, and takes the
// reports that came directly.
func (s *session) collect(ctx context.Context) error {
	for len(s.d.units) > 0 {
		u := s.d.units[0]
		s.d.units = s.d.units[1:]
		if octets, err := unit(u); err == nil {
			_ = s.take(ctx, octets) // a report that cannot be kept is lost: the modem does not offer it again
		}
	}
	for len(s.d.found) > 0 {
		place := s.d.found[0]
		s.d.found = s.d.found[1:]
		if err := s.fetch(ctx, place); errors.Is(err, errNoAnswer) {
			return err
		}
	}
	return nil
}

// fetch reads one place of the memory and deletes it once what it held is
// durable. What cannot be read is deleted too: it would come for ever.
func (s *session) fetch(ctx context.Context, place int) error {
	if place < 0 {
		return nil
	}
	answer, err := s.d.ask(ctx, longAnswer, fmt.Sprintf("AT+CMGR=%d", place))
	if err != nil {
		return err
	}
	at := slices.IndexFunc(answer, func(line string) bool { return strings.HasPrefix(line, "+CMGR:") })
	if at >= 0 {
		if err := s.entry(ctx, answer[at], answer[at+1:]); err != nil {
			return nil // it stays in the memory and is taken at the next look
		}
	}
	_, err = s.d.ask(ctx, longAnswer, fmt.Sprintf("AT+CMGD=%d", place))
	return err
}

// entry takes what one place of the memory holds. The error says that it could
// not be made durable.
func (s *session) entry(ctx context.Context, head string, body []string) error {
	if s.o.TextMode {
		if f := values(head); len(f) > 1 && received([]string{"", f[0]}) {
			return s.in.Text(ctx, f[1], sms.FromSeptets([]byte(strings.Join(body, "\n"))))
		}
		return nil
	}
	if len(body) == 0 {
		return nil
	}
	octets, err := unit(body[0])
	if err != nil {
		return nil
	}
	return s.take(ctx, octets)
}

// take takes one transfer unit.
func (s *session) take(ctx context.Context, octets []byte) error {
	r, err := sms.Parse(octets)
	if err != nil {
		return nil
	}
	if !r.Report {
		whole, done := s.texts.Add(r.From, r.Text, r.Number)
		if !done {
			return nil
		}
		return s.in.Text(ctx, r.From, whole)
	}
	receipt := notify.Receipt{GatewayID: strconv.Itoa(int(r.Ref)), Outcome: correlate.Delivered, Answer: "report: delivered"}
	switch arrived, failed := r.Outcome(); {
	case failed:
		receipt.Outcome, receipt.Answer = correlate.Permanent, fmt.Sprintf("report: not delivered, status 0x%02x", r.Status)
	case !arrived:
		return nil
	}
	return s.early.Take(ctx, s.in, receipt)
}
