// Package webtest drives a real Chromium for the tests of the pages; nothing
// else imports it. It needs /usr/bin/chromium (or BOXD_CHROMIUM) and skips a test
// without it, unless BOXD_REQUIRE_CHROMIUM=1. BOXD_SCREENSHOTS=DIR keeps
// pictures. Every wait is for a condition, under a bound.
package webtest

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
)

// Patience bounds every single wait: a loaded machine of two cores is slow.
const Patience = 2 * time.Minute

// Step is one thing done in the browser that gives nothing back.
type Step = chromedp.Action[chromedp.Void]

// Tab is a page of a browser, for one test or benchmark.
type Tab struct {
	T   testing.TB
	ctx context.Context

	mu  sync.Mutex // the browser tells of faults at any time
	bad []string
}

// Open gives a tab of a fresh Chromium that lives at most for limit.
func Open(t testing.TB, limit time.Duration) *Tab {
	t.Helper()
	path := os.Getenv("BOXD_CHROMIUM")
	if path == "" {
		path = "/usr/bin/chromium"
	}
	if _, err := os.Stat(path); err != nil {
		if os.Getenv("BOXD_REQUIRE_CHROMIUM") == "1" {
			t.Fatalf("cannot run the browser test: %v; install chromium or set BOXD_CHROMIUM", err)
		}
		t.Skipf("no browser: %v", err)
	}
	options := []chromedp.ExecAllocatorOption{
		chromedp.ExecPath(path), chromedp.UserDataDir(t.TempDir()),
		chromedp.Headless, chromedp.NoSandbox, chromedp.DisableGPU, chromedp.NoFirstRun, chromedp.NoDefaultBrowserCheck,
		chromedp.Flag("disable-quic", true), chromedp.Flag("disable-background-networking", true),
		chromedp.Flag("disable-component-update", true), chromedp.Flag("disable-sync", true), chromedp.Flag("hide-scrollbars", true),
		chromedp.Flag("disable-renderer-backgrounding", true), chromedp.Flag("disable-background-timer-throttling", true),
		chromedp.WSURLReadTimeout(limit),
	}
	ctx, cancel := context.WithTimeout(t.Context(), limit)
	alloc, stopAlloc := chromedp.NewExecAllocator(ctx, options...)
	tab, stopTab := chromedp.NewContext(alloc)
	t.Cleanup(func() { stopTab(); stopAlloc(); cancel() })
	return begin(t, tab)
}

// Another gives a tab of somebody else: nothing is shared with the first but the
// program.
func (tab *Tab) Another() *Tab {
	tab.T.Helper()
	ctx, stop := chromedp.NewContext(tab.ctx, chromedp.WithNewBrowserContext())
	tab.T.Cleanup(stop)
	return begin(tab.T, ctx)
}

// begin takes no bound of its own: the context of a tab's first action is the
// tab's life.
func begin(t testing.TB, ctx context.Context) *Tab {
	t.Helper()
	tab := &Tab{T: t, ctx: ctx}
	if err := chromedp.Listen(ctx, tab.hear); err != nil {
		t.Fatalf("cannot start the browser: %v", err)
	}
	if err := chromedp.Do(ctx, chromedp.Navigate("about:blank")); err != nil {
		t.Fatalf("cannot start the browser: %v", err)
	}
	return tab
}

// hear keeps what a page complains of: an exception, a violation of its policy.
func (tab *Tab) hear(ev any) {
	tab.mu.Lock()
	defer tab.mu.Unlock()
	switch e := ev.(type) {
	case *runtime.EventExceptionThrown:
		tab.bad = append(tab.bad, e.ExceptionDetails.Text)
	case *log.EventEntryAdded:
		if e.Entry.Level == log.EntryLevelError {
			tab.bad = append(tab.bad, e.Entry.Text+" "+e.Entry.URL)
		}
	}
}

// Complaints are what the page's scripts and policy complained of so far.
func (tab *Tab) Complaints() []string {
	tab.mu.Lock()
	defer tab.mu.Unlock()
	return append([]string(nil), tab.bad...)
}

// Ask runs an action that gives something back; moment names it in a failure.
func Ask[R any](tab *Tab, moment string, a chromedp.Action[R]) R {
	tab.T.Helper()
	ctx, cancel := context.WithTimeout(tab.ctx, Patience)
	defer cancel()
	v, err := chromedp.Run(ctx, a)
	if err != nil {
		tab.T.Fatalf("%s: %v", moment, err)
	}
	return v
}

// Do runs steps under one bound and names the moment they failed.
func (tab *Tab) Do(moment string, steps ...Step) {
	tab.T.Helper()
	ctx, cancel := context.WithTimeout(tab.ctx, Patience)
	defer cancel()
	if err := chromedp.Do(ctx, steps...); err != nil {
		tab.T.Fatalf("%s: %v", moment, err)
	}
}

// Count is the number a JavaScript expression comes to.
func (tab *Tab) Count(expression string) int {
	tab.T.Helper()
	return Ask(tab, expression, chromedp.Evaluate[int](expression))
}

// Line is the text a JavaScript expression comes to.
func (tab *Tab) Line(expression string) string {
	tab.T.Helper()
	return Ask(tab, expression, chromedp.Evaluate[string](expression))
}

// Text is what stands in an element, as it is seen; empty where there is none.
func (tab *Tab) Text(sel string) string {
	tab.T.Helper()
	return tab.Line(fmt.Sprintf("(document.querySelector(%q) || {innerText: ''}).innerText", sel))
}

// whole waits on until the page in which something was found is read to its end: a
// page's first lines can be there for a while before its last ones.
func whole(found Step) Step {
	return chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		if _, err := found(ctx, t); err != nil {
			return err
		}
		for {
			state, err := chromedp.Evaluate[string]("document.readyState")(ctx, t)
			if err == nil && state != "loading" {
				return nil
			}
			select {
			case <-ctx.Done():
				return fmt.Errorf("the page was never whole: %w", ctx.Err())
			case <-time.After(20 * time.Millisecond): // as well where one page made way for another just then
			}
		}
	})
}

// Has waits until an element is seen, and its page is whole.
func Has(sel string) Step { return whole(chromedp.WaitVisible(chromedp.CSS(sel))) }

// Gone waits until no such element is there.
func Gone(sel string) Step { return chromedp.WaitNotPresent(chromedp.CSS(sel)) }

// There waits until an element is in the page, seen or not, and its page is whole.
func There(sel string) Step { return whole(chromedp.WaitReady(chromedp.CSS(sel))) }

// BodyIs waits until the page's state is so: BodyIs("step", "flush").
func BodyIs(key, value string) Step { return There(fmt.Sprintf(`body[data-%s=%q]`, key, value)) }

// Press finds and presses a button in one go: the page swaps its parts every
// second, so a pointer aimed at where a button was can miss.
func Press(sel string) Step {
	return Until(fmt.Sprintf(`(b => b && !b.disabled && (b.click(), true))(document.querySelector(%q))`, sel))
}

// Leave presses what leads to another page. It answers before the page goes.
func Leave(sel string) Step {
	return Until(fmt.Sprintf(`(b => b && (setTimeout(() => b.click(), 0), true))(document.querySelector(%q))`, sel))
}

// Run lets the page do something.
func Run(script string) Step { return chromedp.Evaluate[chromedp.Void](script) }

// Type fills a field as a person does.
func Type(sel, text string) Step { return chromedp.SendKeys(chromedp.CSS(sel), text) }

// Keys presses keys wherever the focus is.
func Keys(keys string) Step { return chromedp.KeyEvent(keys) }

// Visit opens an address.
func Visit(url string) Step { return chromedp.Navigate(url) }

// Until waits for the page to bear out a JavaScript condition.
func Until(condition string) Step {
	return chromedp.Evaluate[chromedp.Void](`new Promise(done => { const look = () => { let ok = false; try { ok = `+condition+`; } catch {} ok ? done() : setTimeout(look, 50); }; look(); })`, chromedp.EvalAwaitPromise)
}

// Screen gives the page a size, light or dark.
func Screen(wide, high int64, scheme string) Step {
	return chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		size := emulation.SetDeviceMetricsOverrideParams{Width: wide, Height: high, DeviceScaleFactor: 1, Mobile: wide < 600}
		if _, err := cdp.Call(ctx, t, emulation.SetDeviceMetricsOverride, size); err != nil {
			return err
		}
		media := emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}}
		_, err := cdp.Call(ctx, t, emulation.SetEmulatedMedia, media)
		return err
	})
}

// Cookie gives the browser a cookie for an address.
func Cookie(url, name, value string) Step {
	return chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := cdp.Call(ctx, t, network.SetCookie, network.SetCookieParams{Name: name, Value: value, URL: url})
		return err
	})
}

// TooWide is by how many pixels the page has to be scrolled sideways, once what
// follows its size (the plots) has had some frames to do so. A phone's innerWidth
// grows with what is on the page; its clientWidth does not.
func (tab *Tab) TooWide() int {
	tab.T.Helper()
	const settled = `new Promise(done => { let frames = 30; const look = () => { const e = document.documentElement, over = e.scrollWidth - e.clientWidth;
		over > 0 && frames-- > 0 ? requestAnimationFrame(look) : done(over); }; look(); })`
	return Ask(tab, "width", chromedp.Evaluate[int](settled, chromedp.EvalAwaitPromise))
}

// Keep keeps a picture of the whole page when BOXD_SCREENSHOTS says where.
func (tab *Tab) Keep(name string) {
	tab.T.Helper()
	dir := os.Getenv("BOXD_SCREENSHOTS")
	if dir == "" {
		return
	}
	if err := os.WriteFile(filepath.Join(dir, name+".png"), tab.Picture(), 0o644); err != nil {
		tab.T.Fatal(err)
	}
}

// Picture is the whole page as a PNG.
func (tab *Tab) Picture() []byte {
	tab.T.Helper()
	return Ask(tab, "picture", chromedp.FullScreenshot(100))
}

// Link slows the browser's link: round trip in milliseconds, bytes a second down.
func Link(latency, down float64) Step {
	return chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		rule := network.EmulateNetworkConditionsByRuleParams{MatchedNetworkConditions: []*network.Conditions{{Latency: latency, DownloadThroughput: down, UploadThroughput: down / 2}}}
		_, err := cdp.Call(ctx, t, network.EmulateNetworkConditionsByRule, rule)
		return err
	})
}

// Print is the page on paper of that size in inches, as a PDF. It is kept when
// BOXD_SCREENSHOTS says where.
func (tab *Tab) Print(name string, wide, high float64) []byte {
	tab.T.Helper()
	pdf := Ask(tab, "print "+name, func(ctx context.Context, t *chromedp.Target) ([]byte, error) {
		r, err := cdp.Call(ctx, t, page.PrintToPDF, page.PrintToPDFParams{PaperWidth: wide, PaperHeight: high})
		if err != nil {
			return nil, err
		}
		return r.Data, nil
	})
	if dir := os.Getenv("BOXD_SCREENSHOTS"); dir != "" {
		if err := os.WriteFile(filepath.Join(dir, name+".pdf"), pdf, 0o644); err != nil {
			tab.T.Fatal(err)
		}
	}
	return pdf
}
