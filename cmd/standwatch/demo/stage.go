package demo

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"example.net/standwatch/cmd/standwatch/demo/wire"
	"example.net/standwatch/correlate"
)

// stage is where the story is played: the actors by site.
type stage struct {
	network *correlate.Network
	actors  map[correlate.SiteID]*actor
	now     func() time.Time
}

// check says what of the script cannot be played in the network.
func (s *stage) check(script []Beat) error {
	var errs []error
	for _, b := range script {
		for _, a := range b.acts {
			if err := s.playable(a); err != nil {
				errs = append(errs, fmt.Errorf("story at %v: %w", b.At, err))
			}
		}
	}
	return errors.Join(errs...)
}

func (s *stage) playable(a act) error {
	if s.actors[a.site] == nil {
		return fmt.Errorf("site %q has no remote", a.site)
	}
	if a.point == "" {
		return nil
	}
	p := s.network.Point(correlate.Key{Site: a.site, Point: a.point})
	if p == nil {
		return fmt.Errorf("site %q has no point %q", a.site, a.point)
	}
	if p.Number == 0 && a.do != drops && a.do != restores {
		return fmt.Errorf("point %q of site %q has no number in the remote's list", a.point, a.site)
	}
	return nil
}

// play does one act. Its error is that of the sending.
func (s *stage) play(ctx context.Context, a act) error {
	r := s.actors[a.site]
	p := s.network.Point(correlate.Key{Site: a.site, Point: a.point})
	r.plant.note(a, p)
	switch a.do {
	case loses:
		r.sequence.Add(1)
		return nil
	case hushes:
		r.silent.Store(true)
		return nil
	case wakes:
		r.silent.Store(false)
		return r.say(ctx, s.now(), restarted)
	case drops, restores:
		return r.say(ctx, s.now(), func(uint32) wire.Notification { return linkChanged(int(a.value), a.do == restores) })
	}
	return r.say(ctx, s.now(), func(seq uint32) wire.Notification { return report(seq, a, p) })
}

// report is what a remote's point has to say. Readings go out raw, in the
// remote's own tenths.
func report(seq uint32, a act, p *correlate.Point) wire.Notification {
	switch a.do {
	case reads:
		return analogReport(seq, p.Number, int(math.Round(a.value*10)), p.Unit)
	case admits:
		return doorEntry(seq, p.Number, "0042")
	}
	return contactChanged(seq, p.Number, p.Name, a.do == closes)
}

// cue is one thing that happens at one time.
type cue struct {
	at   time.Duration
	beat Beat
	say  bool // only say that it will come
}

// cues lays announcements and acts on one line of time.
func cues(script []Beat) []cue {
	var line []cue
	for _, b := range script {
		if b.Ahead > 0 {
			line = append(line, cue{at: max(0, b.At-b.Ahead), beat: b, say: true})
		}
		line = append(line, cue{at: b.At, beat: b})
	}
	slices.SortStableFunc(line, func(a, b cue) int { return int(a.at - b.at) })
	return line
}
