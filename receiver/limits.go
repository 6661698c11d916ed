package receiver

import (
	"net/netip"
	"sync"
	"time"

	"golang.org/x/time/rate"
)

// sourceLimits holds a token bucket for each source address, at most
// maxSources; beyond that all others share one.
type sourceLimits struct {
	mu     sync.Mutex // guards by and shared
	by     map[netip.Addr]*rate.Limiter
	shared *rate.Limiter
}

// take takes a token of the source's bucket, which is made if there is none.
func (s *sourceLimits) take(source netip.Addr, now time.Time, every rate.Limit, burst int) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	l := s.by[source]
	if l == nil {
		if len(s.by) >= maxSources {
			s.sweep(now, burst)
		}
		if len(s.by) >= maxSources {
			if s.shared == nil {
				s.shared = rate.NewLimiter(every, burst)
			}
			return s.shared.AllowN(now, 1)
		}
		if s.by == nil {
			s.by = map[netip.Addr]*rate.Limiter{}
		}
		l = rate.NewLimiter(every, burst)
		s.by[source] = l
	}
	return l.AllowN(now, 1)
}

// sweep drops the buckets that are full again, since a new one is the same.
func (s *sourceLimits) sweep(now time.Time, burst int) {
	for source, l := range s.by {
		if l.TokensAt(now) >= float64(burst) {
			delete(s.by, source)
		}
	}
}
