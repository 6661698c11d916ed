package modem

import (
	"bytes"
	"fmt"
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// fake is a modem on a pseudo-terminal that answers by script.
type fake struct {
	t      testing.TB
	master *os.File
	device string

	mu      sync.Mutex        // guards what follows
	answers map[string]string // a command, to the lines it is answered with; without it, OK
	memory  map[int]string    // place, to the lines of CMGR
	texts   []string          // what was given at prompts, the command in front
	mute    bool              // nothing is answered
	noText  bool              // texts are not answered
	result  string            // of a text; "" is +CMGS and OK
	ref     int
	heard   []string // all commands
	waits   bool     // at a prompt
	events  chan string
}

func newFake(t testing.TB) *fake {
	t.Helper()
	master, err := os.OpenFile("/dev/ptmx", os.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK, 0)
	if err != nil {
		t.Fatal(err)
	}
	var number uint32
	raw, err := master.SyscallConn()
	if err != nil {
		t.Fatal(err)
	}
	var failed error
	err = raw.Control(func(fd uintptr) {
		if failed = unix.IoctlSetPointerInt(int(fd), unix.TIOCSPTLCK, 0); failed != nil {
			return
		}
		var n int
		n, failed = unix.IoctlGetInt(int(fd), unix.TIOCGPTN)
		number = uint32(n)
	})
	if err != nil || failed != nil {
		t.Fatal(err, failed)
	}
	f := &fake{t: t, master: master, device: fmt.Sprintf("/dev/pts/%d", number), memory: map[int]string{}, events: make(chan string, 10_000),
		answers: map[string]string{"AT+CPIN?": "+CPIN: READY", "AT+CREG?": "+CREG: 0,1", "AT+CSQ": "+CSQ: 21,99"}}
	// A master reads an error while nobody has the other side open.
	hold, err := os.OpenFile(f.device, os.O_RDWR|unix.O_NOCTTY, 0)
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan struct{})
	go func() { f.serve(); close(done) }()
	t.Cleanup(func() {
		master.Close()
		hold.Close()
		<-done
	})
	return f
}

func (f *fake) serve() {
	buf := make([]byte, 4096)
	var have []byte
	for {
		n, err := f.master.Read(buf)
		if err != nil {
			return
		}
		have = append(have, buf[:n]...)
		for {
			end := bytes.IndexAny(have, "\r\x1a\x1b")
			if end < 0 {
				break
			}
			f.take(string(have[:end]), have[end])
			have = have[end+1:]
		}
	}
}

// take does what a modem does at the end of a command, a text, or an escape.
func (f *fake) take(said string, end byte) {
	f.mu.Lock()
	defer f.mu.Unlock()
	switch {
	case end == 0x1b:
		f.waits = false
		f.event("escape")
		return
	case f.mute:
		f.event("unanswered " + said)
		return
	case end == 0x1a:
		f.waits = false
		f.texts[len(f.texts)-1] += " " + said
		f.event("text")
		if f.noText {
			return
		}
		f.ref++
		if f.result != "" {
			f.say("\r\n" + f.result + "\r\n")
			return
		}
		f.say(fmt.Sprintf("\r\n+CMGS: %d\r\n\r\nOK\r\n", f.ref))
	case said == "":
	default:
		f.command(said)
	}
}

func (f *fake) command(said string) {
	f.heard = append(f.heard, said)
	f.event(said)
	f.say(said + "\r") // the echo
	if strings.HasPrefix(said, "AT+CMGS=") {
		if refusal := f.answers["AT+CMGS"]; refusal != "" {
			f.say("\r\n" + refusal + "\r\n")
			return
		}
		f.texts = append(f.texts, said)
		f.waits = true
		f.say("\r\n> ")
		return
	}
	var place int
	if n, _ := fmt.Sscanf(said, "AT+CMGR=%d", &place); n == 1 && f.memory[place] != "" {
		f.say("\r\n" + f.memory[place] + "\r\n\r\nOK\r\n")
		return
	}
	if n, _ := fmt.Sscanf(said, "AT+CMGD=%d", &place); n == 1 {
		delete(f.memory, place)
	}
	answer := f.answers[said]
	if strings.HasPrefix(said, "AT+CMGL") {
		for place, entry := range f.memory {
			answer += fmt.Sprintf("+CMGL: %d,%s\r\n", place, strings.TrimPrefix(entry, "+CMGR: "))
		}
	}
	switch {
	case strings.Contains(answer, "ERROR"):
		f.say("\r\n" + answer + "\r\n")
	case answer != "":
		f.say("\r\n" + answer + "\r\n\r\nOK\r\n")
	default:
		f.say("\r\nOK\r\n")
	}
}

func (f *fake) event(what string) {
	select {
	case f.events <- what:
	default:
	}
}

func (f *fake) say(text string) {
	if _, err := f.master.WriteString(text); err != nil && !f.t.Failed() {
		f.event("gone")
	}
}

func (f *fake) set(change func()) {
	f.mu.Lock()
	defer f.mu.Unlock()
	change()
}

// await waits until the modem has seen an event.
func (f *fake) await(want string) {
	f.t.Helper()
	late := time.After(time.Minute)
	for {
		select {
		case got := <-f.events:
			if got == want {
				return
			}
		case <-late:
			f.t.Fatalf("no %s came", want)
		}
	}
}
