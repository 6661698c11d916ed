// Package tap hands messages to a paging terminal by the Telocator Alphanumeric
// Protocol (TAP 1.8, also called IXO), over a modem that dials, a direct line,
// or TCP.
//
// Guarantee: one attempt per call over a line that is opened for it and closed
// when it ends; one at a time. A message is Accepted once its block was
// answered with ACK; Permanent when the terminal abandons it (RS), which it
// does for a pager that it does not know; Temporary on everything else. A block
// answered with NAK is sent again, three times in all. The text goes in
// printable ASCII in one block.
//
// What the terminal says is read in bounds. It keeps no queue.
//
// The sequences and the checksum are those of the project's collection of facts
// (second hand; its two worked checksums are in the tests); the longest block,
// 256 characters, and the waits are from memory.
package tap

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/notify"
	"example.net/standwatch/notify/text"
	"example.net/standwatch/notify/tty"
)

// Control characters of the protocol.
const (
	stx = "\x02"
	etx = "\x03"
	eot = "\x04"
	ack = "\x06"
	nak = "\x15"
	esc = "\x1b"
	rs  = "\x1e"
	cr  = "\r"
)

// Defaults of [Options].
const (
	DefaultBaud    = 1200
	DefaultLongest = 220
	DefaultTimeout = 90 * time.Second
	DefaultAnswer  = 10 * time.Second
)

const (
	knock    = 2 * time.Second // between the CRs that ask for ID=
	knocks   = 8
	tries    = 3       // of the login and of a block
	maxHeard = 4 << 10 // octets of one answer
	maxBlock = 256     // characters from STX to the last CR
	farewell = time.Second
)

// Options describe a paging terminal. A zero number means its default.
type Options struct {
	Line     tty.Options   // seven bits and even parity are set here, but for TCP
	Dial     string        // what the modem dials: "ATDT5550147"; empty: the line leads there
	Password string        // at most 6 characters; empty means none
	Longest  int           // characters that the pagers show
	Timeout  time.Duration // of one attempt, dialling included
	Answer   time.Duration // of each answer
}

// Channel sends pages. It is safe for concurrent use.
type Channel struct {
	o    Options
	line sync.Mutex // held while the line is in use
}

// New checks the options and returns a channel. It opens nothing.
func New(o Options) (*Channel, error) {
	o.Line.SevenEven = !strings.HasPrefix(o.Line.Device, "tcp:")
	o.Line.Baud = cmp.Or(o.Line.Baud, DefaultBaud)
	o.Longest = cmp.Or(o.Longest, DefaultLongest)
	o.Timeout = cmp.Or(o.Timeout, DefaultTimeout)
	o.Answer = cmp.Or(o.Answer, DefaultAnswer)
	var errs []error
	check := func(bad bool, what string) {
		if bad {
			errs = append(errs, errors.New(what))
		}
	}
	errs = append(errs, o.Line.Check())
	check(len(o.Password) > 6 || text.ASCII(o.Password) != o.Password, "a password has at most 6 characters of ASCII")
	check(o.Dial != "" && (!strings.HasPrefix(o.Dial, "AT") || text.ASCII(o.Dial) != o.Dial), "dial begins with AT, such as ATDT5550147")
	check(o.Longest < 20 || o.Longest > DefaultLongest, "longest is 20 to 220 characters")
	check(o.Timeout < 0 || o.Answer < 0, "a time is negative")
	if err := errors.Join(errs...); err != nil {
		return nil, err
	}
	return &Channel{o: o}, nil
}

// Width is 1: there is one line.
func (c *Channel) Width() int { return 1 }

// refused is a terminal's or modem's no.
type refused struct {
	outcome correlate.Outcome
	words   string
}

func (r *refused) Error() string { return r.words }

// Send makes one attempt.
func (c *Channel) Send(ctx context.Context, m correlate.Message) notify.Result {
	block, err := block(m.Address, text.Fit(text.ASCII(m.Body), c.o.Longest))
	if err != nil {
		return notify.Result{Outcome: correlate.Permanent, Answer: err.Error()}
	}
	c.line.Lock()
	defer c.line.Unlock()
	ctx, cancel := context.WithTimeout(ctx, c.o.Timeout)
	defer cancel()
	answer, sent, err := c.call(ctx, block)
	var no *refused
	switch {
	case errors.As(err, &no):
		return notify.Result{Outcome: no.outcome, Answer: no.words}
	case err != nil:
		words := err.Error()
		if sent {
			words += "; it may have been taken"
		}
		return notify.Result{Outcome: correlate.Temporary, Answer: words, InDoubt: sent}
	}
	return notify.Result{Outcome: correlate.Accepted, Answer: answer}
}

// block writes the one block of a message.
func block(pager, message string) (string, error) {
	if pager == "" || text.ASCII(pager) != pager || strings.Contains(pager, " ") {
		return "", fmt.Errorf("%q is not the ID of a pager", pager)
	}
	b := stx + pager + cr + message + cr + etx
	b += checksum(b) + cr
	if len(b) > maxBlock {
		return "", errors.New("the pager's ID and the text do not fit a block")
	}
	return b, nil
}

// checksum is the sum of the seven-bit values of a block, its low twelve bits
// as three characters from 0x30 on.
func checksum(block string) string {
	sum := 0
	for i := range len(block) {
		sum += int(block[i] & 0x7f)
	}
	return string([]byte{0x30 + byte(sum>>8&15), 0x30 + byte(sum>>4&15), 0x30 + byte(sum&15)})
}

// call opens the line, hands the block over and ends the line. sent tells
// whether the terminal may have taken it.
func (c *Channel) call(ctx context.Context, block string) (answer string, sent bool, err error) {
	line, err := tty.Open(ctx, c.o.Line)
	if err != nil {
		return "", false, err
	}
	t := &talk{o: &c.o, line: line, heard: make(chan []byte, 64)}
	var listener sync.WaitGroup
	defer listener.Wait()
	defer line.Close()
	listener.Go(t.listen)
	for _, step := range []func(context.Context) error{t.dial, t.knock, t.logOn} {
		if err := step(ctx); err != nil {
			return "", false, err
		}
	}
	answer, err = t.hand(ctx, block)
	if err == nil {
		// The page is taken; a farewell that fails changes nothing.
		_ = t.say(eot + cr)
		_, _, _ = t.expect(ctx, farewell, esc+eot)
	}
	return answer, true, err
}
