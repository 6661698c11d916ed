package terminal

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strings"
	"time"

	"example.net/standwatch/cmd/standwatch/api"
)

// Times of the client. Own choice, no source.
const (
	askTime   = 15 * time.Second // for one answer
	quietTime = 45 * time.Second // three beats of the stream
	maxEvent  = 4 << 20          // octets of one event
)

// Client speaks with the API of one master.
type Client struct {
	Base  string // address of the console, such as https://watch.example.net
	Token string // of the console; empty where it has no accounts
	HTTP  *http.Client
}

// UnreachedError says that no master answered at an address.
type UnreachedError struct {
	Base string
	Err  error
}

// Error names the address and what went wrong.
func (e *UnreachedError) Error() string {
	return fmt.Sprintf("the master at %s cannot be asked: %v", e.Base, e.Err)
}

// Unwrap returns what went wrong.
func (e *UnreachedError) Unwrap() error { return e.Err }

// Board is what stands.
type Board struct {
	Sentence string
	Alarms   []api.Alarm
}

// board asks for the sentence and what stands.
func (c *Client) board(ctx context.Context) (Board, error) {
	var list api.AlarmList
	if err := c.Get(ctx, "/alarms", &list); err != nil {
		return Board{}, err
	}
	var said api.Sentence
	if err := c.Get(ctx, "/sentence", &said); err != nil {
		return Board{}, err
	}
	return Board{Sentence: api.PlainText(said.Text), Alarms: list.Alarms}, nil
}

// act does one action on an alarm; verb is a path of the API.
func (c *Client) act(ctx context.Context, id, verb string, body api.ActionRequest) error {
	raw, err := json.Marshal(body)
	if err != nil {
		return fmt.Errorf("encode the action: %w", err)
	}
	return c.ask(ctx, http.MethodPost, "/alarms/"+url.PathEscape(id)+"/"+verb, raw, nil)
}

// Get asks for what the API has at a path below its base, and decodes it.
func (c *Client) Get(ctx context.Context, path string, into any) error {
	return c.ask(ctx, http.MethodGet, path, nil, into)
}

// Read opens what the API has at a path below its base, however long it is. The
// caller closes it.
func (c *Client) Read(ctx context.Context, path string) (io.ReadCloser, error) {
	r, err := c.open(ctx, http.MethodGet, path, nil)
	if err != nil {
		return nil, err
	}
	return r.Body, nil
}

func (c *Client) ask(ctx context.Context, method, path string, body []byte, into any) error {
	ctx, cancel := context.WithTimeout(ctx, askTime)
	defer cancel()
	r, err := c.open(ctx, method, path, body)
	if err != nil {
		return err
	}
	defer r.Body.Close()
	if into == nil {
		return nil
	}
	if err := json.NewDecoder(r.Body).Decode(into); err != nil {
		return fmt.Errorf("read the answer to %s %s: %w", method, path, err)
	}
	return nil
}

// open sends a request and returns the answer if it is a good one. The caller
// closes its body.
func (c *Client) open(ctx context.Context, method, path string, body []byte) (*http.Response, error) {
	req, err := http.NewRequestWithContext(ctx, method, strings.TrimRight(c.Base, "/")+"/api/v1"+path, bytes.NewReader(body))
	if err != nil {
		return nil, fmt.Errorf("ask %s: %w", c.Base, err)
	}
	if body != nil {
		req.Header.Set("Content-Type", "application/json")
	}
	if c.Token != "" {
		req.Header.Set("Authorization", "Bearer "+c.Token)
	}
	r, err := c.HTTP.Do(req)
	if err != nil {
		var in *url.Error
		if errors.As(err, &in) {
			err = in.Err // the rest of its words are the address
		}
		return nil, &UnreachedError{c.Base, err}
	}
	if r.StatusCode/100 == 2 {
		return r, nil
	}
	defer r.Body.Close()
	return nil, refusal(r)
}

// refusal is what the master answered instead of what was asked for, in the
// words of its problem document (RFC 9457) if there is one.
func refusal(r *http.Response) error {
	if r.StatusCode == http.StatusUnauthorized {
		return errors.New("the master wants a token, or another one: make one (standwatch user token NAME --for WHAT, or the console's page Tokens) and give it with --token file:PATH or env:NAME")
	}
	raw, err := io.ReadAll(io.LimitReader(r.Body, 64<<10))
	var p struct{ Title, Detail string }
	if err == nil && json.Unmarshal(raw, &p) == nil && p.Title+p.Detail != "" {
		if p.Detail == "" {
			p.Detail = p.Title
		}
		return errors.New("the master says: " + api.PlainText(p.Detail))
	}
	return fmt.Errorf("the master answered %s", r.Status)
}

// event is one of the stream's.
type event struct {
	name string
	data []byte
}

// stream opens the stream and returns a function that waits for its next
// event, and one that ends it. A beat is an event without a name.
func (c *Client) stream(ctx context.Context) (next func() (event, error), end func(), err error) {
	ctx, cancel := context.WithCancel(ctx)
	r, err := c.open(ctx, http.MethodGet, "/stream", nil)
	if err != nil {
		cancel()
		return nil, nil, err
	}
	lines := bufio.NewScanner(r.Body)
	lines.Buffer(make([]byte, 64<<10), maxEvent)
	quiet := time.AfterFunc(quietTime, cancel)
	next = func() (event, error) {
		quiet.Reset(quietTime)
		e, err := readEvent(lines)
		if err != nil && ctx.Err() != nil {
			err = errors.New("the stream has been silent for too long")
		}
		return e, err
	}
	return next, func() { quiet.Stop(); cancel(); r.Body.Close() }, nil
}

// readEvent reads one server-sent event or comment (HTML standard, section 9.2).
func readEvent(lines *bufio.Scanner) (event, error) {
	var e event
	for lines.Scan() {
		line := lines.Text()
		switch field, value, _ := strings.Cut(line, ":"); field {
		case "":
			if line != "" {
				continue // a comment; the empty line behind it ends the beat
			}
			return e, nil
		case "event":
			e.name = strings.TrimPrefix(value, " ")
		case "data":
			e.data = append(e.data, strings.TrimPrefix(value, " ")...)
		}
	}
	if err := lines.Err(); err != nil {
		return e, fmt.Errorf("read the stream: %w", err)
	}
	return e, errors.New("the master ended the stream")
}
