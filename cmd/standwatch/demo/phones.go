package demo

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"strings"
	"sync"
	"sync/atomic"
	"time"
)

// Text is one caught short message.
type Text struct {
	At   time.Time `json:"at"`
	ID   string    `json:"id"`            // the stand-in's own
	Ref  string    `json:"ref,omitempty"` // the sender's
	To   string    `json:"to"`
	Body string    `json:"text"`
}

// Phones is a stand-in for an SMS gateway: it takes short messages over HTTP
// and remembers them. It is safe for concurrent use.
//
//	POST /messages  {"to": "+1...", "text": "...", "ref": "..."}  ->  202 {"id": "text-1"}
//	GET  /messages                                               ->  200, what it took, newest first
//
// A reference seen before is answered as before and not taken twice.
type Phones struct {
	ln      net.Listener
	failure atomic.Int32
	caught  func(Text)
	now     func() time.Time

	mu    sync.Mutex // guards texts, refs, next
	texts []Text     // oldest first
	refs  map[string]string
	next  int
}

// NewPhones listens on addr, port 0 for any. caught, if not nil, is called for
// every message taken.
func NewPhones(addr string, now func() time.Time, caught func(Text)) (*Phones, error) {
	ln, err := net.Listen("tcp", addr)
	if err != nil {
		return nil, fmt.Errorf("listen for short messages: %w", err)
	}
	return &Phones{ln: ln, caught: caught, now: now, refs: map[string]string{}}, nil
}

// Addr returns the address it listens on, host:port.
func (p *Phones) Addr() string { return p.ln.Addr().String() }

// Close frees the listener of phones that were never run.
func (p *Phones) Close() error { return p.ln.Close() }

// Run serves until ctx ends.
func (p *Phones) Run(ctx context.Context) error {
	mux := http.NewServeMux()
	mux.HandleFunc("POST /messages", p.post)
	mux.HandleFunc("GET /messages", p.list)
	server := &http.Server{Handler: mux, ReadHeaderTimeout: 5 * time.Second, IdleTimeout: time.Minute, MaxHeaderBytes: 16 << 10}
	stop := context.AfterFunc(ctx, func() { _ = server.Close() }) // its error is that of the listener, which Serve returns
	defer stop()
	if err := server.Serve(p.ln); !errors.Is(err, http.ErrServerClosed) {
		return fmt.Errorf("serve short messages: %w", err)
	}
	return nil
}

// Fail sets how it answers from now on.
func (p *Phones) Fail(f Failure) { p.failure.Store(int32(f)) }

// Texts lists the caught messages, newest first.
func (p *Phones) Texts() []Text {
	p.mu.Lock()
	defer p.mu.Unlock()
	return newestFirst(p.texts)
}

func (p *Phones) post(w http.ResponseWriter, r *http.Request) {
	switch Failure(p.failure.Load()) {
	case Busy:
		answer(w, http.StatusServiceUnavailable, map[string]string{"error": "the stand-in was told to be busy"})
		return
	case Rejecting:
		answer(w, http.StatusBadRequest, map[string]string{"error": "the stand-in was told to refuse"})
		return
	}
	body, err := io.ReadAll(http.MaxBytesReader(w, r.Body, 64<<10))
	if err != nil {
		answer(w, http.StatusRequestEntityTooLarge, map[string]string{"error": err.Error()})
		return
	}
	var t Text
	if err := json.Unmarshal(body, &t); err != nil || !strings.HasPrefix(t.To, "+") || t.Body == "" {
		answer(w, http.StatusBadRequest, map[string]string{"error": `a message is {"to": "+number", "text": "words", "ref": "yours"}`})
		return
	}
	answer(w, http.StatusAccepted, map[string]string{"id": p.take(t)})
}

// take remembers a message and returns its ID.
func (p *Phones) take(t Text) string {
	p.mu.Lock()
	if id := p.refs[t.Ref]; id != "" && t.Ref != "" {
		p.mu.Unlock()
		return id
	}
	p.next++
	t.At, t.ID = p.now(), fmt.Sprintf("text-%d", p.next)
	p.texts = remember(p.texts, t)
	p.refs[t.Ref] = t.ID
	if len(p.refs) > 2*kept {
		clear(p.refs)
	}
	p.mu.Unlock()
	if p.caught != nil {
		p.caught(t)
	}
	return t.ID
}

func (p *Phones) list(w http.ResponseWriter, _ *http.Request) {
	answer(w, http.StatusOK, p.Texts())
}

func answer(w http.ResponseWriter, status int, body any) {
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(status)
	_ = json.NewEncoder(w).Encode(body) // the client is gone; it will ask again
}
