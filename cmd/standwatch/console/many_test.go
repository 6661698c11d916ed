package console

import (
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"example.net/standwatch/cmd/standwatch/api/apitest"
	"example.net/standwatch/correlate"

	"golang.org/x/net/html"
)

// Several alarms are taken by one plain form, each by itself, and one that is
// refused is named without keeping the others back.
func TestTakeMany(t *testing.T) {
	st := newStage(t)
	st.Trap(t, apitest.Raise("tern-point", "trunk", ""))
	st.Trap(t, apitest.Raise("quarry-gate", "mains", ""))
	st.Trap(t, apitest.Raise("sallow-fen", "tower-light", ""))
	tree, _ := st.page(t, "/")
	if boxes := nodes(tree, func(n *html.Node) bool { return attr(n, "name") == "alarm" && attr(n, "form") == "many" }); len(boxes) != 3 {
		t.Errorf("%d boxes to choose by, want 3", len(boxes))
	}
	r := st.post("/alarms", url.Values{"do": {"take"}, "text": {"storm"}, "alarm": {"tern-point:trunk", "quarry-gate:mains", "quarry-gate:mains", "no-such:point"}})
	body, err := io.ReadAll(r.Body)
	if err != nil {
		t.Fatal(err)
	}
	if r.StatusCode != http.StatusOK || !strings.Contains(string(body), "2 alarms taken") || !strings.Contains(string(body), "Not done: 1 alarm") || !strings.Contains(string(body), "no-such:point") {
		t.Errorf("%d: %s", r.StatusCode, body)
	}
	st.Ledger.Read(func(s *correlate.State, _ *correlate.Network) {
		for key, want := range map[correlate.Key]bool{apitest.Key("tern-point", "trunk"): true, apitest.Key("quarry-gate", "mains"): true, apitest.Key("sallow-fen", "tower-light"): false} {
			if a := s.Alarms[key]; a.Acknowledged != want {
				t.Errorf("%s taken: %v, want %v", key, a.Acknowledged, want)
			}
		}
	})
	st.post("/alarms", url.Values{"do": {"shelve"}, "text": {"storm"}, "for": {"1h"}, "alarm": {"sallow-fen:tower-light"}})
	st.Ledger.Read(func(s *correlate.State, _ *correlate.Network) {
		if a := s.Alarms[apitest.Key("sallow-fen", "tower-light")]; a.Shelf == nil || a.Shelf.Reason != "storm" {
			t.Errorf("not put aside: %+v", a.Shelf)
		}
	})
}

func TestTakeManyIsBounded(t *testing.T) {
	st := newStage(t)
	st.Trap(t, apitest.Raise("quarry-gate", "mains", ""))
	many := url.Values{"do": {"take"}}
	for i := range mostAtOnce + 1 {
		many.Add("alarm", fmt.Sprintf("quarry-gate:p%d", i))
	}
	one := []string{"quarry-gate:mains"}
	for name, form := range map[string]url.Values{"too many": many, "none": {"do": {"take"}}, "another action": {"do": {"pass"}, "alarm": one}, "no reason": {"do": {"shelve"}, "for": {"1h"}, "alarm": one}} {
		if r := st.post("/alarms", form); r.StatusCode/100 != 4 {
			t.Errorf("%s: %d", name, r.StatusCode)
		}
	}
}

// To the page's script an operation on many says nothing when all was done, and
// names what was refused.
func TestManyByScript(t *testing.T) {
	st := newStage(t)
	st.Trap(t, apitest.Raise("quarry-gate", "mains", ""))
	for _, c := range []struct {
		alarms []string
		status int
		says   string
	}{{[]string{"quarry-gate:mains"}, 204, ""}, {[]string{"quarry-gate:mains", "no-such:point"}, 409, "no-such:point"}} {
		r := st.post("/alarms", url.Values{"do": {"note"}, "text": {"seen"}, "alarm": c.alarms}, "Accept", "application/problem+json")
		body, err := io.ReadAll(r.Body)
		if err != nil {
			t.Fatal(err)
		}
		if r.StatusCode != c.status || !strings.Contains(string(body), c.says) {
			t.Errorf("%v: %d %s", c.alarms, r.StatusCode, body)
		}
	}
}
