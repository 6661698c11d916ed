package usm

// A digestSet holds digests of messages, shortened to 64 bits. Digests are
// spread evenly by nature, so open addressing needs no hash of its own. Zero
// marks a free slot.
type digestSet struct {
	slots []uint64
	count int
}

// generationMax bounds the digests of one generation, of which an engine has
// two: 2 MiB for an engine that sends without pause, 1 KiB for a quiet one.
const generationMax = 1 << 16

func (s *digestSet) has(d uint64) bool {
	if s.count == 0 {
		return false
	}
	mask := uint64(len(s.slots) - 1)
	for i := d & mask; s.slots[i] != 0; i = (i + 1) & mask {
		if s.slots[i] == d {
			return true
		}
	}
	return false
}

func (s *digestSet) add(d uint64) {
	if 2*(s.count+1) > len(s.slots) {
		s.grow()
	}
	s.put(d)
	s.count++
}

func (s *digestSet) put(d uint64) {
	mask := uint64(len(s.slots) - 1)
	i := d & mask
	for s.slots[i] != 0 {
		i = (i + 1) & mask
	}
	s.slots[i] = d
}

func (s *digestSet) grow() {
	old := s.slots
	s.slots = make([]uint64, max(64, 2*len(old)))
	for _, d := range old {
		if d != 0 {
			s.put(d)
		}
	}
}

// reset empties the set, and gives up room that its last use did not need.
func (s *digestSet) reset() {
	if 8*s.count < len(s.slots) {
		s.slots = nil
	}
	clear(s.slots)
	s.count = 0
}

// memory remembers the messages of one engine under one value of boots. It
// keeps two generations. The older goes when the window refuses all that is in
// it, or when the newer is full; then floor takes over its duty.
type memory struct {
	current, older       digestSet
	since                uint32 // the engine's time when current began
	currentTop, olderTop uint32 // newest message times
	floor                uint32 // messages older than this are refused
}

// begin forgets everything; the engine's time is seconds.
func (m *memory) begin(seconds uint32) {
	m.current.reset()
	m.older.reset()
	m.since, m.currentTop, m.olderTop, m.floor = seconds, 0, 0, 0
}

// admit reports whether a trap sender's message of time sent is new while the
// engine's time is local, and remembers it if so. sent is not after local.
func (m *memory) admit(digest uint64, sent, local uint32) bool {
	return sent >= m.floor && m.note(digest, sent, local, WindowSeconds)
}

// note reports whether a message is new, and remembers it if so. A message is
// in the window for at most span seconds after it was noted.
func (m *memory) note(digest uint64, sent, local, span uint32) bool {
	if digest == 0 {
		digest = 1
	}
	if m.current.has(digest) || m.older.has(digest) {
		return false
	}
	switch {
	case m.current.count > 0 && local > m.since+span:
		// All of older was noted before current began, so the window refuses it.
		m.turn(local)
	case m.current.count >= generationMax:
		m.floor = max(m.floor, m.olderTop)
		m.turn(local)
	}
	m.current.add(digest)
	m.currentTop = max(m.currentTop, sent)
	return true
}

func (m *memory) turn(local uint32) {
	m.current, m.older = m.older, m.current
	m.olderTop, m.currentTop = m.currentTop, 0
	m.current.reset()
	m.since = local
}
