package console

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"golang.org/x/net/html"

	"example.net/standwatch/cmd/standwatch/api/apitest"
	"example.net/standwatch/correlate"
)

// The wall shows each region with what stands there, the worst first; what is
// explained is counted under its cause, and a long list says what it leaves out.
func TestWall(t *testing.T) {
	st := newStage(t)
	tree, body := st.page(t, "/wall")
	if len(classed(tree, "panel")) != 0 || !strings.Contains(body, "Nothing stands in: ") {
		t.Errorf("a calm network: %s", body)
	}
	st.Trap(t, apitest.Raise("quarry-gate", "mains", ""))
	st.Trap(t, apitest.Raise("sallow-fen", "tower-light", ""))
	st.Trap(t, correlate.Observation{Key: correlate.Key{Site: "sallow-fen", Point: "door", Instance: hostile}, What: correlate.Raise})
	st.Step(10 * time.Second)
	tree, _ = st.page(t, "/wall")
	var standing, untaken int
	st.Ledger.Read(func(s *correlate.State, _ *correlate.Network) {
		for _, a := range s.Alarms {
			if a.OnBoard() {
				standing++
			}
		}
	})
	for _, n := range nodes(tree, func(n *html.Node) bool { return n.Data == "li" && attr(n, "data-alarm") != "" }) {
		if strings.Contains(attr(n, "class"), "untaken") {
			untaken++
		}
	}
	if standing != 3 || untaken != 3 {
		t.Errorf("%d of %d alarms are untaken lines of the wall", untaken, standing)
	}
	st.post("/alarms/quarry-gate:mains/take", nil)
	tree, _ = st.page(t, "/wall")
	for _, n := range nodes(tree, func(n *html.Node) bool { return attr(n, "data-alarm") == "quarry-gate:mains" }) {
		if strings.Contains(attr(n, "class"), "untaken") || !strings.Contains(text(n), "Quarry Gate") {
			t.Errorf("a taken alarm: %q %q", attr(n, "class"), text(n))
		}
	}
	for i := range 2 * wallLines {
		st.Trap(t, correlate.Observation{Key: correlate.Key{Site: "sallow-fen", Point: "door", Instance: fmt.Sprint(i)}, What: correlate.Raise})
	}
	tree, body = st.page(t, "/wall")
	for _, p := range classed(tree, "panel") {
		if n := len(nodes(p, func(n *html.Node) bool { return n.Data == "li" })); n > wallLines {
			t.Errorf("a panel has %d lines", n)
		}
	}
	if !strings.Contains(body, " more</p>") {
		t.Error("the wall does not say what it leaves out")
	}
}
