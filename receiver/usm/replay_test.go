package usm

import (
	"math/rand/v2"
	"testing"
)

// The memory against a model that remembers everything: what the window takes
// is taken once.
func TestMemoryAgainstModel(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	var m memory
	m.begin(0)
	type sent struct {
		digest uint64
		time   uint32
	}
	var all []sent
	seen := map[uint64]bool{}
	local := uint32(0)
	for range 200000 {
		if rng.IntN(50) == 0 {
			local += uint32(rng.IntN(60))
		}
		s := sent{digest: rng.Uint64(), time: local - uint32(rng.IntN(int(min(local, WindowSeconds))+1))}
		if len(all) > 0 && rng.IntN(3) == 0 {
			s = all[len(all)-1-rng.IntN(min(len(all), 5000))]
		}
		if int64(s.time) < int64(local)-WindowSeconds {
			continue // the window refuses it
		}
		if got := m.admit(s.digest, s.time, local); got == seen[s.digest] {
			t.Fatalf("digest %x of %d at %d: new %v, seen %v", s.digest, s.time, local, got, seen[s.digest])
		}
		if !seen[s.digest] {
			seen[s.digest] = true
			all = append(all, s)
		}
	}
	if n := len(m.current.slots) + len(m.older.slots); n > 8*generationMax {
		t.Errorf("%d slots", n)
	}
}

// When the memory is full, what it forgets is refused by its time instead.
func TestMemoryOverflow(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	var m memory
	m.begin(0)
	first := rng.Uint64()
	m.admit(first, 10, 10)
	for i := range 4 * generationMax {
		now := uint32(11 + i/10000)
		if !m.admit(rng.Uint64(), now, now) {
			t.Fatalf("message %d was refused", i)
		}
	}
	if m.admit(first, 10, 40) {
		t.Error("a forgotten message was taken again")
	}
	if n := m.current.count + m.older.count; n > 2*generationMax {
		t.Errorf("%d digests kept, want at most %d", n, 2*generationMax)
	}
}

func TestMemoryOfZeroDigest(t *testing.T) {
	var m memory
	m.begin(0)
	if !m.admit(0, 1, 1) || m.admit(0, 1, 1) {
		t.Error("the digest 0 is a digest like others")
	}
}
