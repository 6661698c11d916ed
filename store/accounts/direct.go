package accounts

import (
	"context"
	"fmt"
	"sync"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/store"
)

// Direct returns a journal for [Options] that appends to a store which no
// daemon has open. An Access leads to one event that depends on nothing else,
// so no engine is needed, and nothing else is decided meanwhile.
func Direct(s *store.Store, now func() time.Time) func(context.Context, *correlate.Access) error {
	var mu sync.Mutex
	return func(_ context.Context, in *correlate.Access) error {
		mu.Lock()
		defer mu.Unlock()
		r := &correlate.Record{Seq: s.Last() + 1, At: now().UTC(), Input: in, Events: []correlate.Event{in.Event()}}
		if err := s.Append([]*correlate.Record{r}); err != nil {
			return fmt.Errorf("journal %s: %w", in.What, err)
		}
		return nil
	}
}
