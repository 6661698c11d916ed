package correlate

import "time"

// due kinds say what an entry of the due queue is about.
type dueKind uint8

const (
	dueSilence dueKind = 1 // before alarms, so that a window begins before what rises with it is told
	dueAlarm   dueKind = 2
	dueAgent   dueKind = 3
	duePath    dueKind = 4
	dueCallOut dueKind = 5
	dueFlood   dueKind = 6
	duePile    dueKind = 9
)

// dueEntry is one time at which something may have to be decided. Entries are
// never removed when the thing changes; whoever pops one looks at the state
// again, so a stale entry costs one look and nothing else.
type dueEntry struct {
	At   time.Time
	Kind dueKind
	Key  Key
	Name string // agent, call-out, or person with a pile
}

func (a dueEntry) less(b dueEntry) bool {
	if !a.At.Equal(b.At) {
		return a.At.Before(b.At)
	}
	if a.Kind != b.Kind {
		return a.Kind < b.Kind
	}
	if c := a.Key.Compare(b.Key); c != 0 {
		return c < 0
	}
	return a.Name < b.Name
}

// dueQueue is a binary heap with the earliest entry at index 0.
type dueQueue []dueEntry

func (q *dueQueue) push(e dueEntry) {
	*q = append(*q, e)
	h := *q
	for i := len(h) - 1; i > 0; {
		parent := (i - 1) / 2
		if !h[i].less(h[parent]) {
			break
		}
		h[i], h[parent] = h[parent], h[i]
		i = parent
	}
}

func (q *dueQueue) pop() dueEntry {
	h := *q
	top := h[0]
	last := len(h) - 1
	h[0] = h[last]
	h = h[:last]
	for i := 0; ; {
		least := i
		for child := 2*i + 1; child <= 2*i+2 && child < last; child++ {
			if h[child].less(h[least]) {
				least = child
			}
		}
		if least == i {
			break
		}
		h[i], h[least] = h[least], h[i]
		i = least
	}
	*q = h
	return top
}
