//go:build browser

package main

import (
	"context"
	"fmt"
	"os"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"

	"example.net/standwatch/store/accounts"
)

// axeFile is axe-core of npm: rules for accessibility by others than us. .ci/run
// installs it.
const axeFile = "../../.ci/node/node_modules/axe-core/axe.min.js"

// axeRun lists what axe finds against WCAG 2.0 to 2.2, levels A and AA, each
// with the places where it is.
const axeRun = `axe.run(document, {runOnly: {type: "tag", values: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}}).then((r) =>
	r.violations.map((v) => v.id + " (" + v.impact + "): " + v.help + "\n" + v.nodes.slice(0, 4).map((n) => "\t" + n.target.join(" ") + "\n\t" + n.failureSummary.replaceAll("\n", " ")).join("\n")))`

// TestBrowserAxe has axe-core look at every page, those for administrators and
// the login among them, on a desk and on a phone, light and dark.
func TestBrowserAxe(t *testing.T) {
	axe, err := os.ReadFile(axeFile)
	if err != nil {
		t.Fatalf("%v; npm install --prefix .ci/node axe-core, as .ci/run does", err)
	}
	g := leakStory(t)
	g.add("chief", accounts.Administer, accounts.Scope{})
	g.add("north-desk", accounts.Operate, accounts.NewScope(nil, []string{"north"}))
	g.token("chief", accounts.Look, accounts.Scope{})
	for _, size := range [][2]int64{{1280, 900}, {360, 740}} {
		for _, scheme := range []string{"light", "dark"} {
			t.Run(fmt.Sprintf("%s-%d", scheme, size[0]), func(t *testing.T) {
				c := &critic{T: t, g: g, ctx: openBrowser(t), axe: string(axe), wide: size[0]}
				_, err := chromedp.Call(c.ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
					Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}})
				if err != nil {
					t.Fatal(err)
				}
				if err := chromedp.Do(c.ctx, chromedp.EmulateViewport(size[0], size[1])); err != nil {
					t.Fatal(err)
				}
				c.all()
			})
		}
	}
}

// critic is a browser in which pages are looked at.
type critic struct {
	*testing.T
	g    *guarded
	ctx  context.Context
	axe  string
	wide int64
}

// all looks at every page, first as nobody and then as an administrator.
func (c *critic) all() {
	c.Helper()
	c.look("/login")
	if err := chromedp.Do(c.ctx, chromedp.SendKeys(`input[name="name"]`, "chief"), chromedp.SendKeys(`input[name="password"]`, passphrase+"\n"), chromedp.WaitReady("body[data-page=watch]")); err != nil {
		c.Fatal(err)
	}
	for _, page := range []string{"/", "/?alarm=tern-point:mains", "/alarms/tern-point:mains", "/alarms/tern-point:mains/explanation", "/sites", "/sites/tern-point", "/sites/tern-point/trend?point=battery-voltage", "/wall",
		"/history", "/outbox", "/silences", "/rosters", "/intake", "/journal", "/shift", "/report", "/keys", "/me", "/tokens", "/accounts", "/trail"} {
		c.look(page)
	}
}

// look fails the test for each thing that axe finds in a page, and for a page
// that is wider than the screen.
func (c *critic) look(page string) {
	c.Helper()
	if err := chromedp.Do(c.ctx, chromedp.Navigate(c.g.base+page), chromedp.WaitReady("#main")); err != nil {
		c.Fatal(err)
	}
	shoot(c.T, c.ctx, strings.NewReplacer("/", "_", "?", "_", ":", "_", "=", "_").Replace(c.Name()+page))
	wide, err := chromedp.Run(c.ctx, chromedp.Evaluate[int64](`document.documentElement.scrollWidth`))
	if err != nil {
		c.Fatal(err)
	}
	if wide > c.wide {
		c.Errorf("%s is %d wide", page, wide)
	}
	if _, err := chromedp.Run(c.ctx, chromedp.Evaluate[bool](c.axe+"\n;true")); err != nil {
		c.Fatal(err)
	}
	found, err := chromedp.Run(c.ctx, chromedp.Evaluate[[]string](axeRun, chromedp.EvalAwaitPromise))
	if err != nil {
		c.Fatal(err)
	}
	if len(found) > 0 {
		c.Errorf("%s: axe finds\n%s", page, strings.Join(found, "\n"))
	}
}
