package receiver

import (
	"net/netip"
	"sync"
	"time"

	"github.com/rs/zerolog"
	"golang.org/x/time/rate"
)

const (
	logAgainAfter = time.Minute // between two lines about one fate of one source
	logLines      = 10          // lines a second over all sources, on average
	logBurst      = 100
	maxLogged     = 1024 // pairs of fate and source remembered
)

// withheld lets one line for each fate and source into the log, then counts
// until a minute has passed and says how many there were.
type withheld struct {
	log   zerolog.Logger
	mu    sync.Mutex // guards what follows
	total *rate.Limiter
	seen  map[logKey]*logged
}

type logKey struct {
	fate   Fate
	source netip.Addr
}

type logged struct {
	last     time.Time
	withheld int
	listener string
}

func newWithheld(log zerolog.Logger) *withheld {
	return &withheld{log: log, total: rate.NewLimiter(logLines, logBurst), seen: map[logKey]*logged{}}
}

func (w *withheld) note(k *Kept) {
	w.mu.Lock()
	defer w.mu.Unlock()
	key := logKey{k.Fate, k.Source.Addr()}
	e := w.seen[key]
	if e == nil {
		if len(w.seen) >= maxLogged {
			// Made-up sources: they share one entry for each fate.
			key.source = netip.Addr{}
			e = w.seen[key]
		}
		if e == nil {
			e = &logged{listener: k.Listener}
			w.seen[key] = e
		}
	}
	if k.At.Sub(e.last) < logAgainAfter && !e.last.IsZero() || !w.total.AllowN(k.At, 1) {
		e.withheld++
		return
	}
	w.log.Warn().Str("reason", reasonOf(k.Fate)).Stringer("source", k.Source).Str("listener", k.Listener).
		Int("withheld", e.withheld).Str("why", k.Why).Msg("refused")
	e.last, e.withheld = k.At, 0
}

// flush says what was withheld for a minute and forgets who was quiet since.
func (w *withheld) flush(now time.Time) {
	w.mu.Lock()
	defer w.mu.Unlock()
	for key, e := range w.seen {
		if now.Sub(e.last) < logAgainAfter {
			continue
		}
		if e.withheld == 0 {
			delete(w.seen, key)
			continue
		}
		if !w.total.AllowN(now, 1) {
			continue
		}
		w.log.Warn().Str("reason", reasonOf(key.fate)).Stringer("source", key.source).Str("listener", e.listener).
			Int("withheld", e.withheld).Msg("more refused")
		e.last, e.withheld = now, 0
	}
}

// reasonOf is a fate's word; a TLS connection that came to nothing has no fate,
// since there was no message.
func reasonOf(f Fate) string {
	if f == noFate {
		return "tls_handshake"
	}
	return f.Word()
}
