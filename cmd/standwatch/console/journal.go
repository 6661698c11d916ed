package console

import (
	"fmt"
	"net/http"
	"time"

	"example.net/standwatch/cmd/standwatch/api"
)

// journalPage shows what the journal holds, what of it was let go, and which
// configurations were in force.
type journalPage struct {
	api.StoreAnswer
	Size    string
	Begins  moment
	Kept    []string // what is kept, in sentences
	Gone    []goneView
	InForce []inForceView
}

// goneView is a part of the journal that was let go.
type goneView struct {
	api.Dropped
	Began, Ended, Went moment
	Reason             string
}

// inForceView is a configuration and since when it was in force.
type inForceView struct {
	api.InForce
	Short string
	Began moment
}

func journalView(c clock, st api.StoreAnswer, forced []api.InForce) journalPage {
	page := journalPage{StoreAnswer: st, Size: sizeWords(st.Octets), Begins: c.at(st.Since), Kept: keptSentences(c, st)}
	for _, d := range st.Dropped {
		reason := "older than history is kept"
		if d.Why == "size" {
			reason = "to keep the journal within its size"
		}
		page.Gone = append(page.Gone, goneView{Dropped: d, Began: c.at(d.From), Ended: c.at(d.To), Went: c.at(d.At), Reason: reason})
	}
	for _, f := range forced {
		page.InForce = append(page.InForce, inForceView{InForce: f, Short: f.Hash[:min(len(f.Hash), 12)], Began: c.at(f.Since)})
	}
	return page
}

func keptSentences(c clock, st api.StoreAnswer) []string {
	var out []string
	if age := st.Keep.AgeSeconds; age > 0 {
		out = append(out, fmt.Sprintf("History is kept for %s.", dayWords(age)))
	} else {
		out = append(out, "History is kept whatever its age.")
	}
	if st.Keep.SizeOctets > 0 {
		out = append(out, "The oldest goes while the journal is larger than "+sizeWords(st.Keep.SizeOctets)+".")
	}
	if st.Keep.MakeRoom {
		out = append(out, "The oldest goes when the disk is nearly full.")
	}
	if st.Keep.RegulatedSeconds > 0 {
		out = append(out, fmt.Sprintf("Records of regulated points are kept for %s.", dayWords(st.Keep.RegulatedSeconds)))
	}
	out = append(out, "What an alarm on the board rests on is kept as long as it is there.")
	for _, h := range st.Holds {
		where := "everything"
		if h.Site != "" {
			where = "site " + string(h.Site)
		}
		text := "Held: " + where
		if !h.From.IsZero() {
			text += " from " + c.at(h.From).Clock()
		}
		if !h.To.IsZero() {
			text += " to " + c.at(h.To).Clock()
		}
		out = append(out, text+", for "+h.Why+".")
	}
	return out
}

func dayWords(seconds int64) string {
	return count(int(time.Duration(seconds)*time.Second/(24*time.Hour)), "day", "days")
}

// sizeWords writes octets as a person reads them.
func sizeWords(n int64) string {
	for _, unit := range []struct {
		word  string
		shift int
	}{{"GiB", 30}, {"MiB", 20}} {
		if n >= 10<<unit.shift {
			return fmt.Sprintf("%d %s", n>>unit.shift, unit.word)
		}
	}
	return fmt.Sprintf("%d KiB", (n+1023)>>10)
}

func (s *server) journal(w http.ResponseWriter, r *http.Request) error {
	st, err := api.StoreOf(r.Context(), s.Archive, s.Journal, s.Upkeep, s.Zone)
	if err != nil {
		return err
	}
	forced, err := api.InForceOf(s.Journal, s.Zone)
	if err != nil {
		return err
	}
	return s.render(w, r, http.StatusOK, "journal", "Journal", journalView(clock{s.Now(), s.Zone}, st, forced))
}
