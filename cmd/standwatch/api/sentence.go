package api

import "net/http"

// Sentence says in plain words what stands, what nobody has taken, who is on
// call, and how old the newest trap is.
type Sentence struct {
	Text     string `json:"text"`
	Standing int    `json:"standing"`
	Untaken  int    `json:"untaken"`
}

func (s *server) sentence(w http.ResponseWriter, r *http.Request) error {
	if p := params(r); p.err != nil {
		return p.err
	}
	return writeJSON(w, s.Sentence())
}
