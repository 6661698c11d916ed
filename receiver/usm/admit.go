package usm

import (
	"errors"
	"maps"
	"slices"
	"time"
)

// Errors of Table.Admit.
var (
	// ErrNoSuchUser is returned when no user of that name is on every engine, so
	// that admitting the engine would not help.
	ErrNoSuchUser = errors.New("no user of this name is on every engine")
	// ErrAdmitRate is returned when engines are asked to be admitted too fast.
	ErrAdmitRate = errors.New("engines are admitted no faster")
	// ErrAdmitFull is returned when as many engines are admitted as may be, and
	// each of them has authenticated itself.
	ErrAdmitFull = errors.New("no more engines are admitted")
)

// Admission costs a microsecond a user, as nothing is hashed but the localised
// key. A user whose privacy key has to be derived costs as much as a thousand
// others, and pays for it.
const (
	admitRate    = 200.0 // units a second
	admitBurst   = 1000.0
	derivedUnits = 20.0
)

// admission bounds the engines that are not configured.
type admission struct {
	max    int
	order  []string // engine IDs, oldest first
	tokens float64
	filled time.Time
}

// pay takes units from the bucket, if it holds so many.
func (a *admission) pay(now time.Time, units float64) bool {
	if a.filled.IsZero() {
		a.tokens = admitBurst
	} else {
		a.tokens = min(admitBurst, a.tokens+max(0, now.Sub(a.filled).Seconds())*admitRate)
	}
	a.filled = now
	if a.tokens < units {
		return false
	}
	a.tokens -= units
	return true
}

// Admit derives the keys that the users on every engine have on an engine that
// is not configured, so that its messages can be judged. It is for a message
// that was refused with UnknownEngineID though its source is known, and is
// bounded in number and rate; user is the message's. When the bound is reached,
// an engine that never authenticated itself makes room. Errors are those above
// and what CheckEngineID says.
func (t *Table) Admit(now time.Time, engineID, user []byte) error {
	if err := CheckEngineID(engineID); err != nil {
		return err
	}
	units, found := 1.0, false
	for _, u := range t.roaming {
		found = found || u.Name == string(user)
		if derives(u.Auth, u.Priv) {
			units += derivedUnits
		}
	}
	if !found {
		return ErrNoSuchUser
	}
	s := t.shared
	s.mu.Lock()
	defer s.mu.Unlock()
	old := *t.engines.Load()
	if old[string(engineID)] != nil {
		return nil
	}
	if !s.admitted.pay(now, units) {
		return ErrAdmitRate
	}
	b := builder{t: t, engines: maps.Clone(old), masters: maps.Clone(s.masters)}
	if !b.makeRoom() {
		return ErrAdmitFull
	}
	if err := b.admit(engineID, &clock{}); err != nil {
		return err
	}
	if !slices.Contains(s.admitted.order, string(engineID)) {
		s.admitted.order = append(s.admitted.order, string(engineID))
	}
	t.engines.Store(&b.engines)
	return nil
}

// makeRoom drops the oldest admitted engine that never authenticated itself, if
// the bound is reached.
func (b *builder) makeRoom() bool {
	a := &b.t.shared.admitted
	if len(a.order) < a.max {
		return true
	}
	for i, id := range a.order {
		e := b.engines[id]
		switch {
		case e == nil || !e.admitted: // configured meanwhile, or of a table that went
		case e.clock.authenticated():
			continue
		default:
			delete(b.engines, id)
		}
		a.order = slices.Delete(a.order, i, i+1)
		return true
	}
	return false
}

func (c *clock) authenticated() bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.known
}
