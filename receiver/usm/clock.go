package usm

import (
	"encoding/binary"
	"sync"
	"time"
)

// WindowSeconds is how far a message's time may be off (RFC 3414 section 2.2.3).
const WindowSeconds = 150

// maxBoots is the value of boots at which an engine sends nothing more until it
// is configured anew (RFC 3414 section 2.2.2).
const maxBoots = 1<<31 - 1

// Engine is what is known of a trap sender's time. It is kept over a restart so
// that what was sent before cannot be sent again.
type Engine struct {
	ID    []byte
	Boots uint32    // snmpEngineBoots, 0 to 2^31-1
	Time  uint32    // latestReceivedEngineTime in seconds, 0 to 2^31-1
	At    time.Time // when that was received, on the receiver's clock
}

// clock is the position in time of one authoritative engine and the memory of
// its messages.
type clock struct {
	mu     sync.Mutex // guards what follows
	known  bool       // an authenticated message came, now or before a restart
	boots  uint32
	latest uint32 // latestReceivedEngineTime
	at     time.Time
	seen   memory
}

// restore sets a clock from before a restart. What came then is not remembered
// message by message, so whatever is older than the last of it is refused.
func (c *clock) restore(saved Engine) {
	c.known, c.boots, c.latest, c.at = true, saved.Boots, saved.Time, saved.At
	c.seen.begin(saved.Time)
	c.seen.floor = saved.Time
}

// accept judges an authenticated message of a trap sender (RFC 3414 section 3.2
// step 7b, the receiver being non-authoritative) and learns from it.
func (c *clock) accept(now time.Time, h *Header, digest uint64) Verdict {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.learn(now, h)
	if c.boots >= maxBoots || h.Boots < c.boots {
		return NotInTimeWindow
	}
	local := c.local(now)
	// A time ahead of ours is no fault: learn has moved our notion up to it.
	if int64(h.Time) < int64(local)-WindowSeconds {
		return NotInTimeWindow
	}
	if !c.seen.admit(digest, h.Time, local) {
		return Replayed
	}
	return Accepted
}

// learn moves the clock up to a newer message.
func (c *clock) learn(now time.Time, h *Header) {
	switch {
	case !c.known || h.Boots > c.boots:
		c.seen.begin(h.Time)
	case h.Boots < c.boots || h.Time <= c.latest:
		return
	}
	c.known, c.boots, c.latest, c.at = true, h.Boots, h.Time, now
}

// local returns our notion of the engine's time. Some senders run no clock and
// always say boots 0, time 0, which no standard allows (seen of two libraries);
// for them it stands still, and only the memory of messages guards against
// replay, over a restart too (Table.Remember). It holds the newest 65,536 of such
// an engine at least: older ones could be played back, which nothing but a clock
// at the sender mends. The first real time that is authenticated ends this.
func (c *clock) local(now time.Time) uint32 {
	if c.boots == 0 && c.latest == 0 {
		return 0
	}
	elapsed := max(0, now.Sub(c.at)/time.Second)
	return uint32(min(int64(c.latest)+int64(elapsed), maxBoots))
}

// acceptLocal judges an authenticated message under the receiver's own engine ID
// (RFC 3414 section 3.2 step 7a); seconds is the receiver's own time. repeat
// reports whether the very same message came before: its sender may have missed
// the answer, so it is no fault.
func (c *clock) acceptLocal(seconds uint32, h *Header, digest uint64) (v Verdict, repeat bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	off := int64(h.Time) - int64(seconds)
	if c.boots >= maxBoots || h.Boots != c.boots || off > WindowSeconds || off < -WindowSeconds {
		return NotInTimeWindow, false
	}
	// A message may be ahead by the window, and then is in it for twice as long.
	return Accepted, !c.seen.note(digest, h.Time, seconds, 2*WindowSeconds)
}

// digestKey shortens a digest of at least 12 octets.
func digestKey(mac []byte) uint64 { return binary.BigEndian.Uint64(mac) }
