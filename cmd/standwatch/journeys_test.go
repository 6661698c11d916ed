//go:build browser

package main

import (
	"context"
	"sync/atomic"
	"testing"

	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"
)

// alarmFacts is what the journeys ask of an alarm.
type alarmFacts struct {
	Acknowledged bool   `json:"acknowledged"`
	By           string `json:"acknowledged-by"`
	Shelved      *struct {
		Reason string `json:"reason"`
	} `json:"shelf"`
}

func (tr *trial) facts(t *testing.T) alarmFacts {
	t.Helper()
	var a alarmFacts
	tr.get(t, "/api/v1/alarms/quarry-gate:mains", &a)
	return a
}

// press gives keys to whatever has the focus, one after the other.
func press(t *testing.T, ctx context.Context, keys ...string) {
	t.Helper()
	for _, k := range keys {
		name, text := k, k
		switch k {
		case "Enter":
			text = "\r"
		case "Escape", "Backspace":
			text = ""
		}
		// One event for key and text, so that a page that takes the key is not typed into as well.
		code := map[string]int64{"Enter": 13, "Escape": 27, "Backspace": 8}[k]
		for _, params := range []input.DispatchKeyEventParams{
			{Type: input.DispatchKeyEventTypeKeyDown, Key: name, Text: text, WindowsVirtualKeyCode: code},
			{Type: input.DispatchKeyEventTypeKeyUp, Key: name, WindowsVirtualKeyCode: code},
		} {
			if _, err := chromedp.Call(ctx, input.DispatchKeyEvent, params); err != nil {
				t.Fatal(err)
			}
		}
	}
}

// TestBrowserStreamLostAndRestored: the watch says so while it cannot hear the
// master, and goes on by itself, without being loaded again, when it can.
func TestBrowserStreamLostAndRestored(t *testing.T) {
	tr := newDemoTrial(t)
	var gone atomic.Bool
	ctx := browserOn(t, context.WithValue(t.Context(), masterGone{}, &gone))
	if err := chromedp.Do(ctx, chromedp.EmulateViewport(1280, 900), chromedp.Navigate("http://"+tr.console+"/")); err != nil {
		t.Fatal(err)
	}
	inPage(t, ctx, "the page is live", `document.querySelector("#truth-word").textContent === "live"`)
	if _, err := chromedp.Run(ctx, chromedp.Evaluate[bool](`window.notReloaded = true`)); err != nil {
		t.Fatal(err)
	}
	gone.Store(true)
	tr.stop(t)
	inPage(t, ctx, "the page says that it may be false", `!document.querySelector("#stale").hidden && document.querySelector("#truth-word").textContent === "not live"`)
	shoot(t, ctx, "lost")
	tr.launchDemo(t)
	tr.contact(t, 1)
	inPage(t, ctx, "the page is live again", `document.querySelector("#stale").hidden && document.querySelector("#truth-word").textContent === "live"`)
	inPage(t, ctx, "what rose since is there", lane+`?.querySelector(".bar.open") != null`)
	inPage(t, ctx, "the page was never loaded again", `window.notReloaded === true`)
}

// TestBrowserKeyboardOnly filters, notes, takes and shelves an alarm, and looks at
// the help and the next page, with no pointer.
func TestBrowserKeyboardOnly(t *testing.T) {
	tr := newDemoTrial(t)
	ctx := openBrowser(t)
	tr.contact(t, 1)
	tr.eventually(t, "the alarm stands", func() bool { _, ok := tr.alarms(t, "standing")["quarry-gate:mains"]; return ok })
	if err := chromedp.Do(ctx, chromedp.EmulateViewport(1280, 900), chromedp.Navigate("http://"+tr.console+"/")); err != nil {
		t.Fatal(err)
	}
	inPage(t, ctx, "the page is live", `document.querySelector("#truth-word").textContent === "live"`)
	press(t, ctx, "?")
	inPage(t, ctx, "the help sheet opens", `document.querySelector("#keys").open`)
	press(t, ctx, "Escape")
	inPage(t, ctx, "and closes", `!document.querySelector("#keys").open`)

	press(t, ctx, "/", "z", "z", "z")
	inPage(t, ctx, "a filter that nothing passes", `new URLSearchParams(location.search).get("find") === "zzz" && `+lane+` == null && document.querySelector("#nothing").innerText.startsWith("Nothing that stands passes this filter")`)
	press(t, ctx, "Backspace", "Backspace", "Backspace", "q", "u", "a", "r", "r", "y")
	inPage(t, ctx, "one that the alarm passes", `new URLSearchParams(location.search).get("find") === "quarry" && `+lane+` != null`)
	press(t, ctx, "Escape")
	takeInHand(t, ctx)

	press(t, ctx, "n")
	inPage(t, ctx, "the note has the focus", `document.activeElement.id === "note-text"`)
	press(t, ctx, "o", "n", " ", "m", "y", " ", "w", "a", "y", "Enter")
	inPage(t, ctx, "the note is in the alarm's life", `document.querySelector(".inhand").textContent.includes("on my way")`)
	press(t, ctx, "a")
	inPage(t, ctx, "it is taken", lane+`?.querySelector(".bar.taken") != null`)
	if !tr.facts(t).Acknowledged {
		t.Error("the API does not say that it is taken")
	}
	press(t, ctx, "s")
	inPage(t, ctx, "the reason has the focus", `document.activeElement.id === "shelf-text"`)
	press(t, ctx, "w", "o", "r", "k", "s", "Enter")
	inPage(t, ctx, "it is put aside", lane+` == null && document.querySelector('.putaside tr[data-alarm="quarry-gate:mains"]') != null`)
	if s := tr.facts(t).Shelved; s == nil || s.Reason != "works" {
		t.Errorf("the API says of the shelf %+v", s)
	}
	press(t, ctx, "2")
	if err := chromedp.Do(ctx, chromedp.WaitReady(`.top nav a[href="/sites"][aria-current="page"]`)); err != nil {
		t.Fatalf("the second page of the menu: %v", err)
	}
}

// TestBrowserTechnicianOnAPhone: the page of an alarm answers on the first screen
// of a phone where, what, since when and what to do; one touch takes it, and two
// write a note.
func TestBrowserTechnicianOnAPhone(t *testing.T) {
	tr := newDemoTrial(t)
	ctx := openBrowser(t)
	tr.contact(t, 1)
	tr.eventually(t, "the alarm stands", func() bool { _, ok := tr.alarms(t, "standing")["quarry-gate:mains"]; return ok })
	if err := chromedp.Do(ctx, chromedp.EmulateViewport(360, 740, chromedp.EmulateMobile, chromedp.EmulateTouch),
		chromedp.Navigate("http://"+tr.console+"/alarms/quarry-gate:mains"), chromedp.WaitReady("#main")); err != nil {
		t.Fatal(err)
	}
	shoot(t, ctx, "technician")
	inPage(t, ctx, "the first screen answers", `(() => {
		const first = (words) => [...document.querySelectorAll("#main *")].some((n) => {
			const r = n.getBoundingClientRect();
			return n.textContent.includes(words) && r.bottom < innerHeight - 50 && r.height > 0 && r.height < 90;
		});
		return ["Mains failed at Quarry Gate", "major", "North Hub", "Nobody has taken it", "north-b by sms", "stay live"].every(first);
	})()`)
	const button = `form[data-act=take] button`
	inPage(t, ctx, "the button is within the first screen, and large enough for a thumb (WCAG 2.2, 2.5.8)", `(() => {
		const b = document.querySelector("`+button+`").getBoundingClientRect();
		return b.bottom < innerHeight - 50 && b.height >= 24 && b.width >= 24;
	})()`)
	if err := chromedp.Do(ctx, chromedp.Click(button)); err != nil {
		t.Fatal(err)
	}
	tr.eventually(t, "it is taken", func() bool { return tr.facts(t).Acknowledged })
	inPage(t, ctx, "the page says so", `document.querySelector("`+button+`") == null`)
	if err := chromedp.Do(ctx, chromedp.Click("#note-text")); err != nil {
		t.Fatal(err)
	}
	press(t, ctx, "t", "h", "e", "r", "e")
	if err := chromedp.Do(ctx, chromedp.Click("form[data-act=note] button")); err != nil {
		t.Fatal(err)
	}
	inPage(t, ctx, "the note is in its life", `document.querySelector(".life").textContent.includes("there")`)
	shoot(t, ctx, "technician-taken")
}
