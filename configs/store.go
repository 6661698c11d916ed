package configs

import (
	"fmt"
	"time"

	"example.net/standwatch/correlate"
)

// What of the history is kept when standwatch.yaml says nothing else. Three
// years let a supervisor compare a month with the same month twice over.
const (
	defaultKeepAge   = 1096 * 24 * time.Hour
	defaultRegulated = 731 * 24 * time.Hour
	// leastRegulated is two years: 47 CFR 17.49 wants the record of an
	// obstruction light that failed kept so long.
	leastRegulated = 730 * 24 * time.Hour
	// defaultBackupWithin lets a backup every week be a day late.
	defaultBackupWithin = 8 * 24 * time.Hour
)

// Store says where the data folder is, and what of the history is kept.
type Store struct {
	Folder string
	Keep   Keep
	Holds  []Hold
	// BackupWithin is how old what no backup has may get; 0: that is not watched.
	BackupWithin time.Duration
}

// Keep bounds the history. What an open alarm rests on, and what is held, is
// kept whatever it says.
type Keep struct {
	Age       time.Duration // older segments of the journal may go; 0: none
	Size      int64         // octets on disk above which the oldest may go; 0: no bound
	Regulated time.Duration // how long records of regulated points are kept
	MakeRoom  bool          // the oldest may go when the disk is nearly full
}

// Hold keeps records whatever their age, until it is taken out again.
type Hold struct {
	Why      string
	Site     correlate.SiteID // zero: all sites
	From, To time.Time        // from From and before To; zero: no bound
}

// Holds reports whether a record is under the hold.
func (h *Hold) Holds(at time.Time, mentions func(is func(correlate.Key) bool) bool) bool {
	if at.Before(h.From) || (!h.To.IsZero() && !at.Before(h.To)) {
		return false
	}
	return h.Site == "" || mentions(func(k correlate.Key) bool { return k.Site == h.Site })
}

type storeShape struct {
	Here   place       `yaml:"-"`
	Folder text        `yaml:"folder" jsonschema_description:"The data folder; default /var/lib/standwatch."`
	Keep   keepShape   `yaml:"keep" jsonschema_description:"How much of the history is kept."`
	Holds  []holdShape `yaml:"holds" jsonschema_description:"What is kept whatever its age, such as for an inquiry."`
	Backup span        `yaml:"backup-within" jsonschema_description:"How old what no backup has may get before the site self says so; default 8d. 0s: the folder is copied by other means, and nobody says anything."`
}

type keepShape struct {
	Here      place  `yaml:"-"`
	Age       span   `yaml:"age" jsonschema_description:"Older history may go; default 1096d, three years. 0s keeps everything."`
	Size      octets `yaml:"size" jsonschema_description:"The oldest history may go while the journal is larger, such as 200GiB; without it, no bound."`
	Regulated span   `yaml:"regulated" jsonschema_description:"How long records of regulated points are kept; default and least two years (47 CFR 17.49)."`
	MakeRoom  truth  `yaml:"make-room" jsonschema_description:"Whether the oldest history may go when the disk is nearly full; default no."`
}

type holdShape struct {
	Here place `yaml:"-"`
	Why  text  `yaml:"why" jsonschema_description:"For whom or what it is held."`
	Site text  `yaml:"site" jsonschema_description:"The site concerned; all when left out."`
	From text  `yaml:"from" jsonschema_description:"\"2026-03-01\" or \"2026-03-01 06:00\" in the centre's zone, or RFC 3339."`
	To   text  `yaml:"to" jsonschema_description:"The same."`
}

// storeOf compiles the store's part. The sites are declared by then.
func (c *compiler) storeOf(s *storeShape) Store {
	out := Store{Folder: s.Folder.or(defaultFolder), BackupWithin: s.Backup.or(defaultBackupWithin), Keep: Keep{Age: s.Keep.Age.or(defaultKeepAge), Size: int64(s.Keep.Size.or(0)),
		Regulated: s.Keep.Regulated.or(defaultRegulated), MakeRoom: s.Keep.MakeRoom.or(false)}}
	if out.Keep.Regulated < leastRegulated {
		c.out.mistake(s.Keep.Regulated.At, "records of regulated points must be kept for two years (47 CFR 17.49)", "write at least 730d")
	}
	for i := range s.Holds {
		h := &s.Holds[i]
		hold := Hold{Why: h.Why.V, Site: correlate.SiteID(h.Site.V), From: c.instant(h.From), To: c.instant(h.To)}
		switch {
		case hold.Why == "":
			c.out.mistake(h.Here, "a hold says why", "write why: the inquiry it is for")
		case h.Site.Set && c.byID[hold.Site] == nil:
			c.out.mistake(h.Site.At, "there is no site "+quoted(h.Site.V), DidYouMean(h.Site.V, c.siteWords()))
		case !hold.To.IsZero() && !hold.From.Before(hold.To):
			c.out.mistake(h.To.At, "the hold ends before it begins", "")
		}
		out.Holds = append(out.Holds, hold)
	}
	return out
}

func (c *compiler) siteWords() []string {
	words := make([]string, 0, len(c.sites))
	for _, s := range c.sites {
		words = append(words, string(s.ID))
	}
	return words
}

// instant reads a day or a minute in the centre's zone, or an RFC 3339 time.
func (c *compiler) instant(t text) time.Time {
	if !t.Set {
		return time.Time{}
	}
	for _, layout := range []string{time.DateOnly, "2006-01-02 15:04", time.RFC3339} {
		if at, err := time.ParseInLocation(layout, t.V, c.centre); err == nil {
			return at
		}
	}
	c.out.mistake(t.At, fmt.Sprintf("%s is no time", quoted(t.V)), `write it as "2026-03-01" or "2026-03-01 06:00"`)
	return time.Time{}
}

// Texts returns the files of the configuration as they were read, by their
// names in [Config.Files]. They hold no secrets: those stand outside.
func (c *Config) Texts() map[string][]byte { return c.texts }
