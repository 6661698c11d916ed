package modem

import (
	"bytes"
	"context"
	"encoding/hex"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"
)

// Control characters of the dialogue (3GPP TS 27.005 section 3.5.1).
const (
	ctrlZ  = "\x1a" // sends the text
	cancel = "\x1b" // leaves the text
	prompt = "> "
)

const maxLine = 4096 // longer lines are cut; the longest unit has some 360 digits

// lines turns what a modem says into lines. A prompt counts as a line when it
// stands at the beginning of one.
type lines struct{ buf []byte }

// add takes octets and returns the lines that are complete.
func (l *lines) add(octets []byte) (out []string) {
	for _, o := range octets {
		switch {
		case o == '\r' || o == '\n':
			if len(l.buf) > 0 {
				out = append(out, string(l.buf))
			}
			l.buf = l.buf[:0]
		case len(l.buf) < maxLine:
			l.buf = append(l.buf, o)
		}
		if string(l.buf) == prompt {
			out = append(out, prompt)
			l.buf = l.buf[:0]
		}
	}
	return out
}

// dialogue is the talk with a modem on an open line.
type dialogue struct {
	line  io.ReadWriteCloser
	soon  time.Duration // for the prompt
	heard chan string   // lines of the modem
	over  chan struct{} // closed when the line cannot be read any more
	why   error         // set before over is closed

	found []int    // places in the memory that hold something new
	units []string // delivery reports that came directly
	pair  bool     // the next line is the unit of a +CDS
}

func newDialogue(line io.ReadWriteCloser, soon time.Duration) *dialogue {
	return &dialogue{line: line, soon: soon, heard: make(chan string, 256), over: make(chan struct{})}
}

// listen reads until the line is closed.
func (d *dialogue) listen() {
	defer close(d.over)
	var l lines
	buf := make([]byte, 1024)
	for {
		n, err := d.line.Read(buf)
		for _, line := range l.add(buf[:n]) {
			select {
			case d.heard <- line:
			default: // a modem that babbles is not listened to any further
			}
		}
		if err != nil {
			d.why = fmt.Errorf("read the line: %w", err)
			return
		}
	}
}

// say writes to the modem.
func (d *dialogue) say(text string) error {
	if _, err := io.WriteString(d.line, text); err != nil {
		return fmt.Errorf("write to the line: %w", err)
	}
	return nil
}

// next returns the next line that is no report of its own accord.
func (d *dialogue) next(ctx context.Context) (string, error) {
	for {
		select {
		case line := <-d.heard:
			if !d.ownAccord(line) {
				return line, nil
			}
		case <-d.over:
			return "", d.why
		case <-ctx.Done():
			return "", errNoAnswer
		}
	}
}

// ownAccord notes what a modem says unasked.
func (d *dialogue) ownAccord(line string) bool {
	switch {
	case d.pair:
		d.pair = false
		d.units = append(d.units, line)
	case strings.HasPrefix(line, "+CMTI:"), strings.HasPrefix(line, "+CDSI:"):
		f := values(line)
		if len(f) == 2 {
			if place, err := strconv.Atoi(f[1]); err == nil && len(d.found) < 1000 {
				d.found = append(d.found, place)
			}
		}
	case strings.HasPrefix(line, "+CDS:"):
		d.pair = true
	case line == "RING", strings.HasPrefix(line, "^"), strings.HasPrefix(line, "+CREG:") && len(values(line)) == 1:
		// Calls, a vendor's own reports and changes of registration; the last
		// is asked for every so often.
	default:
		return false
	}
	return true
}

// ask gives a command and returns the lines of its answer, the final OK left
// out. The error is a *modemError, errNoAnswer, or that of the line.
func (d *dialogue) ask(ctx context.Context, within time.Duration, command string) ([]string, error) {
	ctx, stop := context.WithTimeout(ctx, within)
	defer stop()
	if err := d.say(command + "\r"); err != nil {
		return nil, err
	}
	return d.result(ctx, command)
}

// result reads up to a final result. An echo of the command is left out.
func (d *dialogue) result(ctx context.Context, echo string) ([]string, error) {
	var out []string
	for {
		line, err := d.next(ctx)
		if err != nil {
			return out, err
		}
		if e := errorResult(line); e != nil {
			return out, e
		}
		switch {
		case line == "OK":
			return out, nil
		case line == prompt:
			return out, fmt.Errorf("%s: the modem wants a text", printable(echo))
		case line == echo:
		case len(out) < 1000:
			out = append(out, line)
		}
	}
}

// text gives a command that wants a text, and the text.
func (d *dialogue) text(ctx context.Context, command, text string) ([]string, error) {
	if err := d.say(command + "\r"); err != nil {
		return nil, err
	}
	asked, stop := context.WithTimeout(ctx, d.soon)
	defer stop()
	for {
		line, err := d.next(asked)
		if err != nil {
			return nil, fmt.Errorf("no prompt: %w", err)
		}
		if e := errorResult(line); e != nil {
			return nil, e
		}
		if line == prompt {
			break
		}
	}
	if err := d.say(text + ctrlZ); err != nil {
		return nil, err
	}
	return d.result(ctx, text)
}

// values parts what stands behind the colon of an answer at its commas; quotes
// are taken off, and a comma in them does not part.
func values(line string) []string {
	_, rest, ok := strings.Cut(line, ":")
	if !ok {
		return nil
	}
	var out []string
	var b bytes.Buffer
	quoted := false
	for _, r := range strings.TrimSpace(rest) {
		switch {
		case r == '"':
			quoted = !quoted
		case r == ',' && !quoted:
			out = append(out, strings.TrimSpace(b.String()))
			b.Reset()
		default:
			b.WriteRune(r)
		}
	}
	return append(out, strings.TrimSpace(b.String()))
}

// number returns the i-th value of an answer, or -1.
func number(line string, i int) int {
	f := values(line)
	if i >= len(f) {
		return -1
	}
	n, err := strconv.Atoi(f[i])
	if err != nil || n < 0 {
		return -1
	}
	return n
}

// unit reads the hexadecimal digits of a transfer unit.
func unit(line string) ([]byte, error) { return hex.DecodeString(strings.TrimSpace(line)) }

// printable is a command without what may be secret in it.
func printable(command string) string {
	if i := strings.IndexByte(command, '='); i >= 0 {
		return command[:i]
	}
	return command
}
