package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"net/http"
	"os"
	"os/user"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"time"

	"golang.org/x/sys/unix"

	"example.net/standwatch/store"
)

// controls lists what a command on this machine may ask of the running daemon.
// A command adds a line here and asks with [askDaemon]; see [answered].
func (d *daemon) controls(mux *http.ServeMux) {
	mux.HandleFunc("POST /backup", answered(d.controlBackup))
	mux.HandleFunc("POST /user", answered(d.controlUser))
	mux.HandleFunc("POST /verify", answered(d.controlVerify))
	mux.HandleFunc("POST /reload", answered(d.controlReload))
}

// control is the way in for commands on the same machine: HTTP over a unix
// socket in the data folder, which the daemon has locked for itself. Whoever
// may open the folder's files may speak here: the socket has mode 0600, and
// only the daemon's own user and root are listened to.
type control struct {
	at     net.Listener
	server *http.Server
	folder *os.File // keeps the socket's short path true
}

// listenControl binds the socket. The caller holds the folder's lock, so a
// socket that is there already was left by a daemon that was killed.
func listenControl(dir string) (*control, error) {
	path := filepath.Join(dir, store.ControlFile)
	if err := os.Remove(path); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("remove the control socket of a daemon that is gone: %w", err)
	}
	folder, short, err := shortPath(dir)
	if err != nil {
		return nil, fmt.Errorf("listen for commands: %w", err)
	}
	at, err := net.Listen("unix", short)
	if err == nil {
		err = os.Chmod(path, 0o600)
	}
	if err != nil {
		return nil, errors.Join(fmt.Errorf("listen for commands at %s: %w", path, err), folder.Close())
	}
	return &control{at: at, folder: folder, server: &http.Server{
		ReadHeaderTimeout: 10 * time.Second, ConnContext: withCaller,
	}}, nil
}

// shortPath returns a path of the control socket that fits into the address of
// a unix socket (108 octets, unix(7)), however long the folder's own is. It is
// true while the folder is open.
func shortPath(dir string) (*os.File, string, error) {
	folder, err := os.Open(dir)
	if err != nil {
		return nil, "", err
	}
	return folder, fmt.Sprintf("/proc/self/fd/%d/%s", folder.Fd(), store.ControlFile), nil
}

// run answers commands until ctx ends; what is being answered then ends too.
func (c *control) run(ctx context.Context, register func(*http.ServeMux)) error {
	mux := http.NewServeMux()
	register(mux)
	c.server.Handler = onlyFriends(mux)
	c.server.BaseContext = func(net.Listener) context.Context { return ctx }
	stopped := make(chan error, 1)
	stop := context.AfterFunc(ctx, func() {
		end, cancel := context.WithTimeout(context.WithoutCancel(ctx), shutdownTime)
		defer cancel()
		stopped <- c.server.Shutdown(end)
	})
	defer stop()
	err := c.server.Serve(c.at)
	if errors.Is(err, http.ErrServerClosed) {
		err = <-stopped
	}
	if err = errors.Join(err, c.folder.Close()); err != nil {
		return fmt.Errorf("answer commands: %w", err)
	}
	return nil
}

// close gives the socket up that was never served.
func (c *control) close() error {
	if c == nil {
		return nil
	}
	return errors.Join(c.at.Close(), c.folder.Close())
}

type callerKey struct{}

// withCaller notes which user of this machine speaks, as the kernel says it.
func withCaller(ctx context.Context, conn net.Conn) context.Context {
	raw, err := conn.(*net.UnixConn).SyscallConn()
	if err != nil {
		return ctx
	}
	var who *unix.Ucred
	if err := raw.Control(func(fd uintptr) { who, err = unix.GetsockoptUcred(int(fd), unix.SOL_SOCKET, unix.SO_PEERCRED) }); err != nil || who == nil {
		return ctx
	}
	return context.WithValue(ctx, callerKey{}, int(who.Uid))
}

// onlyFriends answers the daemon's own user and root, and nobody else.
func onlyFriends(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		uid, known := r.Context().Value(callerKey{}).(int)
		if !known || (uid != 0 && uid != os.Geteuid()) {
			http.Error(w, "only the daemon's own user and root may ask this", http.StatusForbidden)
			return
		}
		next.ServeHTTP(w, r)
	})
}

// controlActor names whoever sent a command, for the journal.
func controlActor(r *http.Request) string {
	uid, _ := r.Context().Value(callerKey{}).(int)
	return userName(uid)
}

// ownName names whoever runs this command, for the journal.
func ownName() string { return userName(os.Getuid()) }

// userName is what the machine calls one of its users.
func userName(uid int) string {
	if u, err := user.LookupId(strconv.Itoa(uid)); err == nil {
		return u.Username
	}
	return fmt.Sprintf("user %d", uid)
}

// controlLine is one line of an answer: progress now and then, and at last a
// result or an error.
type controlLine struct {
	Done   uint64          `json:"done,omitempty"`
	Total  uint64          `json:"total,omitempty"`
	Result json.RawMessage `json:"result,omitempty"`
	Error  string          `json:"error,omitempty"`
}

// progressEvery bounds how often progress is told.
const progressEvery = 200 * time.Millisecond

// progress is told how much of how much is done.
type progress func(done, total uint64)

// answered makes a handler of a function that decodes its question from the
// request's body and may tell its progress.
func answered[Q, A any](fn func(r *http.Request, question Q, tell progress) (A, error)) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		var question Q
		if err := json.NewDecoder(http.MaxBytesReader(w, r.Body, 1<<20)).Decode(&question); err != nil {
			http.Error(w, "the question cannot be read: "+err.Error(), http.StatusBadRequest)
			return
		}
		w.Header().Set("Content-Type", "application/x-ndjson")
		lines, flush := json.NewEncoder(w), http.NewResponseController(w)
		write := func(l controlLine) {
			// Whoever asked may have gone; then there is nobody to tell.
			_ = errors.Join(lines.Encode(l), flush.Flush())
		}
		var told time.Time
		answer, err := fn(r, question, func(done, total uint64) {
			if now := time.Now(); done == total || now.Sub(told) >= progressEvery {
				told = now
				write(controlLine{Done: done, Total: total})
			}
		})
		result, broken := json.Marshal(answer)
		if err = errors.Join(err, broken); err != nil {
			write(controlLine{Error: err.Error()})
			return
		}
		write(controlLine{Result: result})
	}
}

// errNoDaemon is returned by [askDaemon] when no daemon has the data folder.
var errNoDaemon = errors.New("no daemon has the data folder")

// askDaemon asks the daemon that has the data folder dir and waits for its
// answer. tell, which may be nil, is told of its progress. The error is
// errNoDaemon when there is none.
func askDaemon[A any](ctx context.Context, dir, path string, question any, tell progress) (answer A, err error) {
	body, err := json.Marshal(question)
	if err != nil {
		return answer, fmt.Errorf("ask the daemon: %w", err)
	}
	res, err := dialControl(ctx, dir, path, string(body))
	if err != nil {
		return answer, err
	}
	defer func() { err = errors.Join(err, res.Body.Close()) }()
	if res.StatusCode != http.StatusOK {
		text, _ := io.ReadAll(io.LimitReader(res.Body, 1000)) // as much of it as came
		return answer, fmt.Errorf("the daemon refused: %s (%s)", strings.TrimSpace(string(text)), res.Status)
	}
	for lines := json.NewDecoder(res.Body); ; {
		var l controlLine
		if err := lines.Decode(&l); err != nil {
			return answer, fmt.Errorf("the daemon stopped answering: %w", err)
		}
		switch {
		case l.Error != "":
			return answer, errors.New(l.Error)
		case l.Result != nil:
			return answer, json.Unmarshal(l.Result, &answer)
		case tell != nil:
			tell(l.Done, l.Total)
		}
	}
}

func dialControl(ctx context.Context, dir, path, body string) (*http.Response, error) {
	folder, short, err := shortPath(dir)
	if err != nil {
		return nil, fmt.Errorf("open data folder: %w", err)
	}
	defer folder.Close() // it was only opened to be named
	transport := &http.Transport{DisableKeepAlives: true, DialContext: func(ctx context.Context, _, _ string) (net.Conn, error) {
		return (&net.Dialer{}).DialContext(ctx, "unix", short)
	}}
	r, err := http.NewRequestWithContext(ctx, http.MethodPost, "http://standwatch"+path, strings.NewReader(body))
	if err != nil {
		return nil, fmt.Errorf("ask the daemon: %w", err)
	}
	res, err := transport.RoundTrip(r)
	switch {
	case errors.Is(err, fs.ErrNotExist), errors.Is(err, syscall.ECONNREFUSED):
		return nil, errNoDaemon
	case errors.Is(err, fs.ErrPermission):
		return nil, fmt.Errorf("the daemon that has %s listens to its own user and root only: %w", dir, err)
	case err != nil:
		return nil, fmt.Errorf("ask the daemon that has %s: %w", dir, err)
	}
	return res, nil
}
