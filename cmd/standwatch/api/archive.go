package api

import (
	"cmp"
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"time"

	"example.net/standwatch/correlate"
	"example.net/standwatch/store"
)

// Archive is what the data folder tells about itself. *store.Store is one.
type Archive interface {
	// Usage returns what the journal occupies.
	Usage() (store.Usage, error)
	// First and Last return the numbers of the oldest and the newest record.
	First() correlate.Seq
	Last() correlate.Seq
	// Tombstones lists the segments that were let go, oldest first.
	Tombstones() []store.Tombstone
	// Notes lists what opening the folder found.
	Notes() []string
	// Configuration returns the configuration of a hash, or store.ErrNotFound.
	Configuration(hash string) (store.Configuration, error)
}

// Upkeep is how the history is kept. Zero lengths and sizes are no bounds.
type Upkeep struct {
	Age       time.Duration
	Size      int64 // octets
	Regulated time.Duration
	MakeRoom  bool
	Holds     []Hold
	Looked    time.Time // when history was last let go, if any was to be
	Trouble   string    // why the history needs care; empty when it does not
}

// Hold keeps records whatever their age.
type Hold struct {
	Why  string           `json:"why"`
	Site correlate.SiteID `json:"site,omitempty"`
	From time.Time        `json:"from,omitzero"`
	To   time.Time        `json:"to,omitzero"`
}

// StoreAnswer is the answer to GET /store.
type StoreAnswer struct {
	Records  uint64        `json:"records"`
	Segments int           `json:"segments"`
	Octets   int64         `json:"octets"` // of the whole data folder, on disk
	First    correlate.Seq `json:"first"`
	Last     correlate.Seq `json:"last"`
	Since    time.Time     `json:"since,omitzero"` // of the oldest record
	Keep     KeepAnswer    `json:"keep"`
	Holds    []Hold        `json:"hold"`
	Dropped  []Dropped     `json:"dropped"` // newest first
	Looked   time.Time     `json:"looked,omitzero"`
	Trouble  string        `json:"trouble,omitempty"`
	Notes    []string      `json:"note"`
}

// KeepAnswer says how long history is kept. What an open alarm rests on, and
// what is held, is kept whatever it says.
type KeepAnswer struct {
	AgeSeconds       int64 `json:"age-seconds,omitempty"`
	SizeOctets       int64 `json:"size-octets,omitempty"`
	RegulatedSeconds int64 `json:"regulated-seconds,omitempty"`
	MakeRoom         bool  `json:"make-room"`
}

// Dropped is a part of the journal that was let go.
type Dropped struct {
	First correlate.Seq `json:"first"`
	Last  correlate.Seq `json:"last"`
	From  time.Time     `json:"from"`
	To    time.Time     `json:"to"`
	At    time.Time     `json:"dropped"`
	Why   string        `json:"why"`  // "age" or "size"
	Kept  int           `json:"kept"` // how many of its records were kept
	Chain string        `json:"chain"`
}

// oldest returns when the oldest record came. Its reader may not see the record
// itself, as when it tells of the first account.
func oldest(ctx context.Context, j Journal, first correlate.Seq) (at time.Time, err error) {
	err = j.Scan(ctx, first, func(r *correlate.Record) error {
		at = r.At
		return errEnough
	})
	if !errors.Is(err, errEnough) {
		return at, fmt.Errorf("read the oldest record: %w", cmp.Or(err, store.ErrNotFound))
	}
	return at, nil
}

// StoreOf says what the data folder holds. A nil upkeep leaves its part out.
func StoreOf(ctx context.Context, a Archive, j Journal, upkeep func() Upkeep, zone *time.Location) (StoreAnswer, error) {
	used, err := a.Usage()
	if err != nil {
		return StoreAnswer{}, err
	}
	out := StoreAnswer{Records: used.Records, Segments: used.Segments, Octets: used.Bytes, First: a.First(), Last: a.Last(),
		Holds: []Hold{}, Dropped: []Dropped{}, Notes: append([]string{}, a.Notes()...)}
	if out.Records > 0 {
		at, err := oldest(ctx, j, out.First)
		if err != nil {
			return StoreAnswer{}, err
		}
		out.Since = in(zone, at)
	}
	for _, t := range slices.Backward(a.Tombstones()) {
		out.Dropped = append(out.Dropped, Dropped{First: t.First, Last: t.Last, From: in(zone, t.From), To: in(zone, t.To), At: in(zone, t.Dropped),
			Why: t.Why, Kept: t.Kept, Chain: hex.EncodeToString(t.Chain)})
	}
	if upkeep == nil {
		return out, nil
	}
	u := upkeep()
	out.Keep = KeepAnswer{AgeSeconds: int64(u.Age / time.Second), SizeOctets: u.Size, RegulatedSeconds: int64(u.Regulated / time.Second), MakeRoom: u.MakeRoom}
	for _, h := range u.Holds {
		h.From, h.To = in(zone, h.From), in(zone, h.To)
		out.Holds = append(out.Holds, h)
	}
	out.Looked, out.Trouble = in(zone, u.Looked), u.Trouble
	return out, nil
}

func (s *server) store(w http.ResponseWriter, r *http.Request) error {
	if p := params(r); p.err != nil {
		return p.err
	}
	out, err := StoreOf(r.Context(), s.Archive, s.Journal, s.Upkeep, s.Zone)
	if err != nil {
		return err
	}
	return writeJSON(w, out)
}

// ConfigurationsAnswer is the answer to GET /configurations, newest first.
type ConfigurationsAnswer struct {
	Configurations []InForce `json:"configuration"`
}

// InForce says since when a configuration has been, or was, in force.
type InForce struct {
	Hash    string        `json:"hash"`
	Since   time.Time     `json:"since"`
	Record  correlate.Seq `json:"record"`
	Actor   string        `json:"actor,omitempty"`
	Summary string        `json:"summary,omitempty"`
}

// configurationsShown bounds the list; older ones are in the history.
const configurationsShown = 500

// kindConfigured is the number of [correlate.Configured].
var kindConfigured = (*correlate.Configured)(nil).Kind()

// InForceOf lists which configurations were in force, newest first.
func InForceOf(j Journal, zone *time.Location) ([]InForce, error) {
	page, err := j.History(store.Query{Kinds: []correlate.EventKind{kindConfigured}, Limit: configurationsShown})
	if err != nil {
		return nil, fmt.Errorf("read which configurations were in force: %w", err)
	}
	out := []InForce{}
	for _, r := range page.Records {
		for _, ev := range r.Events {
			if c, ok := ev.(*correlate.Configured); ok {
				out = append(out, InForce{Hash: c.Hash, Since: in(zone, r.At), Record: r.Seq, Actor: c.Actor, Summary: c.Summary})
			}
		}
	}
	return out, nil
}

func (s *server) configurations(w http.ResponseWriter, r *http.Request) error {
	if p := params(r); p.err != nil {
		return p.err
	}
	list, err := InForceOf(s.Journal, s.Zone)
	if err != nil {
		return err
	}
	return writeJSON(w, ConfigurationsAnswer{list})
}

// ConfigurationAnswer is the answer to GET /configurations/{hash}.
type ConfigurationAnswer struct {
	Hash  string       `json:"hash"`
	Kept  time.Time    `json:"kept"`
	Files []ConfigText `json:"file"`
}

// ConfigText is one file of a configuration.
type ConfigText struct {
	Name string `json:"name"`
	Text string `json:"text"`
}

func (s *server) configuration(w http.ResponseWriter, r *http.Request) error {
	if p := params(r); p.err != nil {
		return p.err
	}
	c, err := s.Archive.Configuration(r.PathValue("hash"))
	if errors.Is(err, store.ErrNotFound) {
		return problem(http.StatusNotFound, "no configuration of this hash was kept")
	}
	if err != nil {
		return err
	}
	out := ConfigurationAnswer{Hash: c.Hash, Kept: in(s.Zone, c.Kept), Files: []ConfigText{}}
	for _, f := range c.Files {
		out.Files = append(out.Files, ConfigText{f.Name, string(f.Text)})
	}
	return writeJSON(w, out)
}
