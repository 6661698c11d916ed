package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"
)

// TestHandbook runs what the pages of the handbook show, in the way that
// deploy/handbook/README.md tells. Each page has a folder of its own.
func TestHandbook(t *testing.T) {
	pages, err := filepath.Glob(filepath.Join("..", "..", "deploy", "handbook", "*.md"))
	if err != nil || len(pages) == 0 {
		t.Fatal("no pages", err)
	}
	for _, page := range pages {
		if filepath.Base(page) == "README.md" {
			continue
		}
		t.Run(strings.TrimSuffix(filepath.Base(page), ".md"), func(t *testing.T) {
			text, err := os.ReadFile(page)
			if err != nil {
				t.Fatal(err)
			}
			h := &handbookPage{t: t, name: filepath.Base(page), dir: t.TempDir(), traps: loopbackPort(t), console: loopbackTCP(t)}
			for _, f := range fences(string(text)) {
				h.run(f)
			}
		})
	}
}

func loopbackTCP(t *testing.T) string {
	t.Helper()
	ln, err := net.Listen("tcp4", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer ln.Close()
	return ln.Addr().String()
}

// fence is a fenced block of a page.
type fence struct {
	line  int // of its first line of text
	info  []string
	lines []string
}

// fences returns the fenced blocks of a text (CommonMark section 4.5; only with
// backticks, and unindented).
func fences(text string) (out []fence) {
	open := ""
	for i, line := range strings.Split(text, "\n") {
		ticks := len(line) - len(strings.TrimLeft(line, "`"))
		switch {
		case open == "" && ticks >= 3:
			open = line[:ticks]
			out = append(out, fence{line: i + 2, info: strings.Fields(line[ticks:])})
		case open != "" && strings.TrimSpace(line) == open:
			open = ""
		case open != "":
			f := &out[len(out)-1]
			f.lines = append(f.lines, line)
		}
	}
	return out
}

// word returns what stands behind "key=" in the block's first line.
func (f *fence) word(key string) (string, bool) {
	for _, w := range f.info {
		if v, ok := strings.CutPrefix(w, key+"="); ok {
			return v, true
		}
	}
	return "", false
}

func (f *fence) says(word string) bool {
	for _, w := range f.info {
		if w == word {
			return true
		}
	}
	return false
}

// handbookPage is a page being run.
type handbookPage struct {
	t              *testing.T
	name, dir      string
	traps, console string
	served         bool   // a daemon runs
	token          string // to ask it with
}

func (h *handbookPage) run(f fence) {
	h.t.Helper()
	if path, ok := f.word("file"); ok {
		h.write(f, path)
	}
	if path, ok := f.word("api"); ok {
		h.ask(f, path)
	}
	if f.says("console") && f.says("run") {
		for _, c := range commands(f) {
			h.command(c)
		}
	}
}

func (h *handbookPage) write(f fence, path string) {
	h.t.Helper()
	if !filepath.IsLocal(path) {
		h.t.Fatalf("%s:%d: file=%s leaves the page's folder", h.name, f.line, path)
	}
	full := filepath.Join(h.dir, path)
	if err := os.MkdirAll(filepath.Dir(full), 0o755); err != nil {
		h.t.Fatal(err)
	}
	if err := os.WriteFile(full, []byte(strings.Join(f.lines, "\n")+"\n"), 0o644); err != nil {
		h.t.Fatal(err)
	}
}

// pageCommand is one command of a block with what it is said to print.
type pageCommand struct {
	line int
	text string
	exit int
	want []string
}

func commands(f fence) (out []pageCommand) {
	more := false
	for i, line := range f.lines {
		text, isCommand := strings.CutPrefix(line, "$ ")
		switch {
		case more:
			c := &out[len(out)-1]
			c.text += "\n" + line
			more = strings.HasSuffix(line, `\`)
			continue
		case isCommand:
			out = append(out, pageCommand{line: f.line + i, text: text})
			more = strings.HasSuffix(line, `\`)
		case len(out) > 0 && strings.TrimSpace(line) != "" && strings.TrimSpace(line) != "...":
			c := &out[len(out)-1]
			c.want = append(c.want, line)
		}
	}
	for i := range out {
		if text, code, ok := strings.Cut(out[i].text, "# exits "); ok {
			out[i].text = text
			out[i].exit, _ = strconv.Atoi(strings.TrimSpace(code)) // 0 would be wrong, and fails the command
		}
	}
	return out
}

func (h *handbookPage) shell(ctx context.Context, text string) *exec.Cmd {
	cmd := exec.CommandContext(ctx, "sh", "-c", text)
	cmd.Dir = h.dir
	cmd.Env = append(os.Environ(), "STANDWATCH_TRAPS="+h.traps, "STANDWATCH_CONSOLE="+h.console, "FIELD_COMMUNITY=trial-community",
		"FIELD_AUTH=trial-auth-secret", "FIELD_PRIV=trial-priv-secret", "NO_COLOR=1")
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	cmd.Cancel = func() error { return syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL) }
	cmd.WaitDelay = 5 * time.Second
	return cmd
}

const pageCommandTime = 60 * time.Second

func (h *handbookPage) command(c pageCommand) {
	h.t.Helper()
	if text, ok := strings.CutSuffix(strings.TrimSpace(c.text), "&"); ok {
		h.serve(c, text)
		return
	}
	ctx, cancel := context.WithTimeout(h.t.Context(), pageCommandTime)
	defer cancel()
	out, err := h.shell(ctx, c.text).CombinedOutput()
	got := 0
	var status *exec.ExitError
	if errors.As(err, &status) {
		got = status.ExitCode()
	} else if err != nil {
		h.t.Fatalf("%s:%d: %v", h.name, c.line, err)
	}
	if got != c.exit {
		h.t.Fatalf("%s:%d: exit code %d, want %d; it printed\n%s", h.name, c.line, got, c.exit, out)
	}
	if missing := missingLine(string(out), c.want); missing != "" {
		h.t.Errorf("%s:%d: what is printed lacks, in its order, %q; it is\n%s", h.name, c.line, missing, out)
	}
}

// missingLine returns the first of the wanted lines that text does not have
// behind the one before it, or "". Space around and runs of it do not count.
func missingLine(text string, want []string) string {
	lines := strings.Split(text, "\n")
	for _, w := range want {
		plain := strings.Join(strings.Fields(w), " ")
		found := false
		for len(lines) > 0 && !found {
			found = strings.Contains(strings.Join(strings.Fields(lines[0]), " "), plain)
			lines = lines[1:]
		}
		if !found {
			return w
		}
	}
	return ""
}

// serve starts a daemon that is told to end when the page ends.
func (h *handbookPage) serve(c pageCommand, text string) {
	h.t.Helper()
	cmd := h.shell(context.Background(), "exec "+text)
	var log bytes.Buffer
	cmd.Stdout, cmd.Stderr = &log, &log
	if err := cmd.Start(); err != nil {
		h.t.Fatal(err)
	}
	h.served = true
	h.t.Cleanup(func() {
		_ = cmd.Process.Signal(syscall.SIGTERM) // one that is gone already fails at Wait
		killer := time.AfterFunc(30*time.Second, func() { _ = cmd.Cancel() })
		defer killer.Stop()
		if err := cmd.Wait(); err != nil {
			h.t.Errorf("%s:%d: ended with %v\n%s", h.name, c.line, err, &log)
		}
	})
	h.eventually(c.line, "the daemon is ready", func() string {
		_, status, err := h.get("/readyz")
		if err != nil || status != http.StatusOK {
			return fmt.Sprint(status, err)
		}
		return ""
	})
	if _, data, named := strings.Cut(text, "--data "); named {
		folder, _, _ := strings.Cut(strings.TrimSpace(data), " ")
		var err error
		if h.token, err = askToken(h.t.Context(), filepath.Join(h.dir, folder)); err != nil {
			h.t.Fatal(err)
		}
	}
}

// ask wants the lines of a block in an answer of the daemon.
func (h *handbookPage) ask(f fence, path string) {
	h.t.Helper()
	if !h.served {
		h.t.Fatalf("%s:%d: no daemon runs that could be asked", h.name, f.line)
	}
	var want []string
	for _, line := range f.lines {
		if s := strings.TrimSpace(line); s != "" && s != "..." {
			want = append(want, s)
		}
	}
	h.eventually(f.line, "the answer has the block's lines", func() string {
		body, _, err := h.get(path)
		if err != nil {
			return err.Error()
		}
		rest := body
		for _, w := range want {
			at := strings.Index(rest, w)
			if at < 0 {
				return fmt.Sprintf("lacks %s\n%s", w, body)
			}
			rest = rest[at+len(w):]
		}
		return ""
	})
}

func (h *handbookPage) get(path string) (body string, status int, err error) {
	ctx, cancel := context.WithTimeout(h.t.Context(), 10*time.Second)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://"+h.console+path, nil)
	if err != nil {
		return "", 0, err
	}
	if h.token != "" {
		req.Header.Set("Authorization", "Bearer "+h.token)
	}
	client := &http.Client{Transport: &http.Transport{DisableKeepAlives: true}}
	res, err := client.Do(req)
	if err != nil {
		return "", 0, err
	}
	defer res.Body.Close()
	text, err := io.ReadAll(res.Body)
	return string(text), res.StatusCode, err
}

// eventually polls until why is empty, for a minute at most.
func (h *handbookPage) eventually(line int, what string, why func() string) {
	h.t.Helper()
	deadline := time.Now().Add(time.Minute)
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	for {
		w := why()
		if w == "" {
			return
		}
		if time.Now().After(deadline) {
			h.t.Fatalf("%s:%d: waited 20 s in vain until %s: %s", h.name, line, what, w)
		}
		<-tick.C
	}
}
