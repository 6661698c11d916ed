package tap

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/notify/text"
)

// errSilent says that nothing came that was waited for.
var errSilent = errors.New("no answer in time")

// talk is the dialogue on an open line.
type talk struct {
	o     *Options
	line  io.ReadWriteCloser
	heard chan []byte
	buf   []byte
}

// listen reads until the line is closed.
func (t *talk) listen() {
	defer close(t.heard)
	for {
		buf := make([]byte, 512)
		n, err := t.line.Read(buf)
		if n > 0 {
			select {
			case t.heard <- buf[:n]:
			default: // a terminal that babbles is not listened to any further
			}
		}
		if err != nil {
			return
		}
	}
}

func (t *talk) say(words string) error {
	if _, err := io.WriteString(t.line, words); err != nil {
		return fmt.Errorf("write to the line: %w", err)
	}
	return nil
}

// expect waits until one of the tokens is heard, and returns which and what
// was said before it. Among several that were heard the first said counts.
func (t *talk) expect(ctx context.Context, within time.Duration, tokens ...string) (token int, before string, err error) {
	ctx, stop := context.WithTimeout(ctx, within)
	defer stop()
	for {
		if token, before, found := t.find(tokens); found {
			return token, before, nil
		}
		if len(t.buf) > maxHeard {
			return 0, "", errors.New("what is heard is no paging terminal")
		}
		select {
		case more, open := <-t.heard:
			if !open {
				return 0, "", errors.New("the line was cut")
			}
			for _, o := range more {
				t.buf = append(t.buf, o&0x7f) // the eighth bit may be parity
			}
		case <-ctx.Done():
			return 0, "", errSilent
		}
	}
}

func (t *talk) find(tokens []string) (token int, before string, found bool) {
	first := len(t.buf) + 1
	for i, want := range tokens {
		if at := bytes.Index(t.buf, []byte(want)); at >= 0 && at < first {
			first, token, found = at, i, true
		}
	}
	if !found {
		return 0, "", false
	}
	before = string(t.buf[:first])
	t.buf = t.buf[first+len(tokens[token]):]
	return token, before, true
}

// words are what a terminal said beside its control characters, on one line.
func words(said string) string { return text.ASCII(strings.Trim(said, " \r\n")) }

// dial lets the modem call the terminal.
func (t *talk) dial(ctx context.Context) error {
	if t.o.Dial == "" {
		return nil
	}
	if err := t.say(t.o.Dial + cr); err != nil {
		return err
	}
	results := []string{"CONNECT", "NO CARRIER", "BUSY", "NO DIALTONE", "NO DIAL TONE", "NO ANSWER", "ERROR"}
	got, _, err := t.expect(ctx, t.o.Timeout, results...)
	switch {
	case err != nil:
		return fmt.Errorf("the modem: %w", err)
	case got > 0:
		return &refused{correlate.Temporary, "the modem: " + results[got]}
	}
	return nil
}

// knock asks for ID= until it comes.
func (t *talk) knock(ctx context.Context) error {
	for range knocks {
		if err := t.say(cr); err != nil {
			return err
		}
		_, _, err := t.expect(ctx, min(knock, t.o.Answer), "ID=")
		if !errors.Is(err, errSilent) {
			return err
		}
	}
	return errors.New("no paging terminal answers")
}

// logOn chooses automatic mode and waits for the go-ahead.
func (t *talk) logOn(ctx context.Context) error {
	for range tries {
		if err := t.say(esc + "PG1" + t.o.Password + cr); err != nil {
			return err
		}
		got, said, err := t.expect(ctx, t.o.Answer, ack, nak, esc+eot, "ID=")
		switch {
		case err != nil:
			return fmt.Errorf("log on: %w", err)
		case got == 2:
			return &refused{correlate.Temporary, "the terminal does not log us on: " + words(said)}
		case got == 0:
			if got, said, err = t.expect(ctx, t.o.Answer, esc+"[p", esc+eot); err != nil {
				return fmt.Errorf("wait for the go-ahead: %w", err)
			} else if got == 1 {
				return &refused{correlate.Temporary, "the terminal hangs up: " + words(said)}
			}
			return nil
		}
	}
	return &refused{correlate.Permanent, "the terminal does not take the login"}
}

// hand hands the block over and returns what the terminal said.
func (t *talk) hand(ctx context.Context, block string) (string, error) {
	for range tries {
		if err := t.say(block); err != nil {
			return "", err
		}
		got, said, err := t.expect(ctx, t.o.Answer, ack, nak, rs, esc+eot)
		said = words(said)
		switch {
		case err != nil:
			return "", err
		case got == 0:
			return strings.TrimSpace("ACK " + said), nil
		case got == 2:
			return "", &refused{correlate.Permanent, strings.TrimSpace("the terminal abandons the page (RS): " + said)}
		case got == 3:
			return "", &refused{correlate.Temporary, strings.TrimSpace("the terminal hangs up: " + said)}
		}
	}
	return "", &refused{correlate.Temporary, "the terminal did not get the block whole (NAK)"}
}
