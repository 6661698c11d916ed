//go:build browser

package main

import (
	"context"
	"net/netip"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
	"github.com/gosnmp/gosnmp"

	"example.net/standwatch/cmd/standwatch/demo/wire"
	"example.net/standwatch/configs/example"
	"example.net/standwatch/receiver/snmp"
)

// newDemoTrial runs the demonstration at a pace at which its story does not
// get anywhere, so that the test alone makes things happen.
func newDemoTrial(t *testing.T) *trial {
	t.Helper()
	tr := &trial{data: t.TempDir(), traps: loopbackPort(t), console: loopbackPort(t)}
	tr.launchDemo(t)
	t.Cleanup(func() { tr.stop(t) })
	return tr
}

func (tr *trial) launchDemo(t *testing.T) {
	t.Helper()
	tr.launch(t, nil, "demo", "--data", tr.data, "--traps", tr.traps, "--console", tr.console, "--pace", "0.001", "--mine", "quarry-gate")
}

// openBrowser starts Chromium with one tab, both gone when the test ends. A
// message of the page's console that is an error fails the test.
func openBrowser(t *testing.T) context.Context {
	t.Helper()
	return browserOn(t, t.Context())
}

// masterGone is the key of what tells that the master was stopped on purpose, so
// that a page may complain of not reaching it.
type masterGone struct{}

func browserOn(t *testing.T, parent context.Context) context.Context {
	t.Helper()
	opts := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath("/usr/bin/chromium"), chromedp.NoSandbox,
		chromedp.Flag("disable-quic", true), chromedp.Flag("disable-component-update", true))
	allocator, stopAllocator := chromedp.NewExecAllocator(parent, opts...)
	ctx, stopTab := chromedp.NewContext(allocator)
	ctx, stopClock := context.WithTimeout(ctx, 5*time.Minute)
	if err := chromedp.Do(ctx); err != nil {
		t.Fatalf("start Chromium: %v", err)
	}
	listening := make(chan struct{})
	go func() {
		defer close(listening)
		for m, err := range chromedp.Console(ctx) {
			if gone, ok := ctx.Value(masterGone{}).(*atomic.Bool); ok && gone.Load() && strings.HasPrefix(m.Text, "Failed to load resource") {
				continue
			}
			if err == nil && (m.Type == chromedp.ConsoleError || m.Type == chromedp.ConsoleException) {
				t.Errorf("the page complains: %s", m.Text)
			}
		}
	}()
	t.Cleanup(func() {
		stopClock()
		stopTab()
		stopAllocator()
		<-listening
	})
	return ctx
}

// inPage waits until an expression is true in the page.
func inPage(t *testing.T, ctx context.Context, what, expression string) {
	t.Helper()
	if _, err := chromedp.Run(ctx, chromedp.Poll[bool](expression, chromedp.WithPollingInterval(50*time.Millisecond), chromedp.WithPollingTimeout(20*time.Second))); err != nil {
		shoot(t, ctx, "failed")
		t.Fatalf("%s: %v", what, err)
	}
}

// shoot keeps a picture in the folder that STANDWATCH_SHOTS names, if any.
func shoot(t *testing.T, ctx context.Context, name string) {
	t.Helper()
	folder := os.Getenv("STANDWATCH_SHOTS")
	if folder == "" {
		return
	}
	png, err := chromedp.Run(ctx, chromedp.CaptureScreenshot())
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(folder, name+".png"), png, 0o600); err != nil {
		t.Fatal(err)
	}
}

// contact lets the remote at Quarry Gate report its contact 1, the mains.
func (tr *trial) contact(t *testing.T, state int) {
	t.Helper()
	community, _ := example.Env(nil)("KESTREL_COMMUNITY")
	s, err := wire.Open(wire.Options{Master: netip.MustParseAddrPort(tr.traps), From: netip.MustParseAddr("127.9.1.3"), Version: snmp.V2c,
		Inform: true, Community: community, Started: epoch})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	n := wire.Notification{TrapOID: ".1.3.6.1.4.1.32473.10.0.1", Varbinds: []gosnmp.SnmpPDU{
		{Name: ".1.3.6.1.4.1.32473.10.2.1.1.1", Type: gosnmp.Integer, Value: 1},
		{Name: ".1.3.6.1.4.1.32473.10.2.1.2.1", Type: gosnmp.Integer, Value: state},
	}}
	if err := s.Send(t.Context(), time.Now(), n); err != nil {
		t.Fatal(err)
	}
}

const lane = `document.querySelector('.lane[data-alarm="quarry-gate:mains"]')`

// TestBrowserWatch follows one alarm on the watch page: it appears without a
// reload, is taken by keyboard, and its bar ends when the clear comes.
func TestBrowserWatch(t *testing.T) {
	tr := newDemoTrial(t)
	ctx := openBrowser(t)
	if err := chromedp.Do(ctx, chromedp.EmulateViewport(1280, 900), chromedp.Navigate("http://"+tr.console+"/")); err != nil {
		t.Fatal(err)
	}
	inPage(t, ctx, "the page says that it is live", `document.querySelector("#truth-word").textContent !== "not live"`)
	// A reload would lose this mark.
	if _, err := chromedp.Run(ctx, chromedp.Evaluate[bool](`window.notReloaded = true`)); err != nil {
		t.Fatal(err)
	}
	tr.contact(t, 1)
	inPage(t, ctx, "the alarm appears", lane+`?.querySelector(".bar.open") != null`)
	inPage(t, ctx, "it says its severity in words", lane+`.querySelector(".sev .word").textContent === "major"`)
	shoot(t, ctx, "raised")

	takeInHand(t, ctx)
	if err := chromedp.Do(ctx, chromedp.KeyEvent("a")); err != nil {
		t.Fatal(err)
	}
	inPage(t, ctx, "it is taken", lane+`?.querySelector(".bar.taken") != null`)
	var alarm struct {
		Acknowledged bool `json:"acknowledged"`
	}
	tr.get(t, "/api/v1/alarms/quarry-gate:mains", &alarm)
	if !alarm.Acknowledged {
		t.Error("the API does not say that the alarm is acknowledged")
	}
	shoot(t, ctx, "taken")

	tr.contact(t, 2)
	inPage(t, ctx, "the bar ends", lane+`?.querySelector(".bar:not(.open)") != null && `+lane+`.querySelector(".bar.open") == null`)
	inPage(t, ctx, "the page was never loaded again", `window.notReloaded === true`)
	shoot(t, ctx, "cleared")
}

// takeInHand goes down the board by the key j until the alarm is in hand.
func takeInHand(t *testing.T, ctx context.Context) {
	t.Helper()
	for range 20 {
		there, err := chromedp.Run(ctx, chromedp.Evaluate[bool](`document.querySelector('.inhand[data-alarm="quarry-gate:mains"]') != null`))
		if err != nil {
			t.Fatal(err)
		}
		if there {
			return
		}
		if err := chromedp.Do(ctx, chromedp.KeyEvent("j")); err != nil {
			t.Fatal(err)
		}
		inPage(t, ctx, "something is in hand", `document.querySelector(".inhand") != null`)
	}
	t.Fatal("the alarm never came in hand")
}

// TestBrowserSound: nothing sounds before somebody allows it; then a new untaken
// alarm does, and it is quiet again for as long as somebody asks.
func TestBrowserSound(t *testing.T) {
	tr := newDemoTrial(t)
	ctx := openBrowser(t)
	if err := chromedp.Do(ctx, chromedp.EmulateViewport(1280, 900), chromedp.Navigate("http://"+tr.console+"/wall")); err != nil {
		t.Fatal(err)
	}
	inPage(t, ctx, "sound may be chosen, and is off", `document.querySelector("#sound:not([hidden])") != null && document.querySelector("#sound-from").value === ""`)
	tr.contact(t, 1)
	const line = `document.querySelector('.wall li[data-alarm="quarry-gate:mains"]')`
	inPage(t, ctx, "the alarm is on the wall", line+`?.classList.contains("untaken")`)
	shoot(t, ctx, "wall")
	tr.contact(t, 2)
	inPage(t, ctx, "and gone from it", line+` == null`)
	if played, err := chromedp.Run(ctx, chromedp.Evaluate[bool](`document.querySelector("#sound[data-played]") != null`)); err != nil || played {
		t.Fatalf("it sounded unasked: %v %v", played, err)
	}
	// A browser lets a page sound after a key was pressed in it.
	if err := chromedp.Do(ctx, chromedp.Focus("#sound-from"), chromedp.KeyEvent("m")); err != nil {
		t.Fatal(err)
	}
	inPage(t, ctx, "what was chosen is heard", `document.querySelector("#sound-from").value !== "" && document.querySelector("#sound").dataset.played === "1"`)
	tr.contact(t, 1)
	inPage(t, ctx, "the new alarm sounds", `document.querySelector("#sound").dataset.played === "2" && document.querySelector("#sound").dataset.severity === "major"`)
	if err := chromedp.Do(ctx, chromedp.Click("#sound-quiet")); err != nil {
		t.Fatal(err)
	}
	inPage(t, ctx, "it says for how long it is quiet", `document.querySelector("#sound-word").textContent.startsWith("Quiet for 10 min")`)
}

// TestBrowserSeenWithoutTheMaster: when the master is gone, a page that was
// looked at is shown as it was last seen, and says so.
func TestBrowserSeenWithoutTheMaster(t *testing.T) {
	tr := newDemoTrial(t)
	var gone atomic.Bool
	ctx := browserOn(t, context.WithValue(t.Context(), masterGone{}, &gone))
	tr.contact(t, 1)
	tr.eventually(t, "the alarm stands", func() bool { _, ok := tr.alarms(t, "standing")["quarry-gate:mains"]; return ok })
	base := "http://" + tr.console
	if err := chromedp.Do(ctx, chromedp.EmulateViewport(360, 740, chromedp.EmulateMobile), chromedp.Navigate(base+"/")); err != nil {
		t.Fatal(err)
	}
	inPage(t, ctx, "copies are kept", `navigator.serviceWorker.controller != null`)
	for _, page := range []string{"/sites/quarry-gate", "/"} {
		if err := chromedp.Do(ctx, chromedp.Navigate(base+page), chromedp.WaitReady("#main")); err != nil {
			t.Fatal(err)
		}
		inPage(t, ctx, "the copy of "+page+" is there", `globalThis.there || (caches.match(location.href).then((r) => { globalThis.there = r != null }), false)`)
	}
	inPage(t, ctx, "the watch is live", `document.querySelector("#truth-word").textContent === "live"`)
	gone.Store(true)
	tr.stop(t)
	if err := chromedp.Do(ctx, chromedp.Navigate(base+"/sites/quarry-gate"), chromedp.WaitReady("#main")); err != nil {
		t.Fatal(err)
	}
	inPage(t, ctx, "the site is shown, and said to be old", `document.querySelector("h1").textContent.includes("Quarry Gate") && document.querySelector("#stale").textContent.includes("may be false now")`)
	if err := chromedp.Do(ctx, chromedp.Navigate(base+"/"), chromedp.WaitReady("#main")); err != nil {
		t.Fatal(err)
	}
	inPage(t, ctx, "the watch is shown, and said to be old", lane+` != null && !document.querySelector("#stale").hidden && document.title.startsWith("NOT LIVE")`)
	shoot(t, ctx, "old")
	if err := chromedp.Do(ctx, chromedp.Navigate(base+"/sites/harrow-knoll")); err != nil {
		t.Fatal(err)
	}
	inPage(t, ctx, "a page that was never seen says so", `document.body.textContent.includes("was not looked at before on this device")`)
}

// TestBrowserPhoneAndDark: every page fits a phone without scrolling sideways,
// and keeps the contrast of WCAG 2.2 section 1.4.3 (4.5 to 1 for text) in light
// and dark.
func TestBrowserPhoneAndDark(t *testing.T) {
	tr := newDemoTrial(t)
	ctx := openBrowser(t)
	tr.contact(t, 1)
	tr.eventually(t, "the alarm stands", func() bool { _, ok := tr.alarms(t, "standing")["quarry-gate:mains"]; return ok })
	if err := chromedp.Do(ctx, chromedp.EmulateViewport(360, 740, chromedp.EmulateMobile)); err != nil {
		t.Fatal(err)
	}
	for _, scheme := range []string{"light", "dark"} {
		_, err := chromedp.Call(ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
			Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}})
		if err != nil {
			t.Fatal(err)
		}
		for _, page := range []string{"/", "/alarms/quarry-gate:mains", "/sites", "/sites/quarry-gate", "/sites/quarry-gate/trend?point=battery-voltage", "/wall", "/silences", "/rosters", "/shift", "/history", "/outbox", "/intake", "/keys"} {
			t.Run(scheme+page, func(t *testing.T) {
				if err := chromedp.Do(ctx, chromedp.Navigate("http://"+tr.console+page), chromedp.WaitReady("#main")); err != nil {
					t.Fatal(err)
				}
				shoot(t, ctx, scheme+strings.NewReplacer("/", "-", "?", "-", "=", "-").Replace(page))
				look, err := chromedp.Run(ctx, chromedp.Evaluate[pageLook](measure))
				if err != nil {
					t.Fatal(err)
				}
				if look.Wide > 360 {
					t.Errorf("the page is %d wide on a phone of 360", look.Wide)
				}
				if look.Contrast < 4.5 {
					t.Errorf("text has a contrast of %.1f to 1", look.Contrast)
				}
				if dark := look.Ground < 0.2; dark != (scheme == "dark") {
					t.Errorf("the ground has a luminance of %.2f", look.Ground)
				}
			})
		}
	}
}

// pageLook is what measure finds: the width in CSS pixels, the relative
// luminance of the ground, and the contrast of plain text on it.
type pageLook struct {
	Wide             int
	Ground, Contrast float64
}

// measure follows the definitions of relative luminance and contrast ratio in
// WCAG 2.2.
const measure = `(() => {
	const channels = (text) => {
		const c = document.createElement("canvas").getContext("2d", { willReadFrequently: true });
		c.fillStyle = text; c.fillRect(0, 0, 1, 1);
		return [...c.getImageData(0, 0, 1, 1).data].slice(0, 3).map((v) => v / 255);
	};
	const luminance = (text) => {
		const [r, g, b] = channels(text).map((v) => v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4);
		return 0.2126 * r + 0.7152 * g + 0.0722 * b;
	};
	const body = getComputedStyle(document.body), root = getComputedStyle(document.documentElement);
	const clear = "rgba(0, 0, 0, 0)";
	const ground = luminance(body.backgroundColor === clear ? root.backgroundColor : body.backgroundColor);
	const ink = luminance(body.color);
	return {
		Wide: document.documentElement.scrollWidth, Ground: ground,
		Contrast: (Math.max(ground, ink) + 0.05) / (Math.min(ground, ink) + 0.05),
	};
})()`
