// This test walks a whole run of the demo through a real Chromium, as a person
// at the box does: read, say who, confirm each step, wait for the flush. It
// needs /usr/bin/chromium (or BOXD_CHROMIUM) and skips without it, unless
// BOXD_REQUIRE_CHROMIUM=1. BOXD_SCREENSHOTS=DIR keeps the pictures.
package main

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
)

// browse gives two tabs of a fresh Chromium, bounded by limit.
func browse(t *testing.T, limit time.Duration) (first, second context.Context) {
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
		chromedp.WSURLReadTimeout(limit),
	}
	ctx, cancel := context.WithTimeout(t.Context(), limit)
	alloc, stopAlloc := chromedp.NewExecAllocator(ctx, options...)
	first, stopFirst := chromedp.NewContext(alloc)
	startTab(t, first)
	second, stopSecond := chromedp.NewContext(first) // a tab of the same browser, now that there is one
	startTab(t, second)
	t.Cleanup(func() { stopSecond(); stopFirst(); stopAlloc(); cancel() })
	return first, second
}

// startTab takes no bound of its own: the context of a tab's first action is
// the tab's life.
func startTab(t *testing.T, tab context.Context) {
	t.Helper()
	if err := chromedp.Do(tab, chromedp.Navigate("about:blank")); err != nil {
		t.Fatalf("cannot start the browser: %v", err)
	}
}

// deed is one thing done in the browser that gives nothing back.
type deed = chromedp.Action[chromedp.Void]

func look[T any](t *testing.T, tab context.Context, moment string, a chromedp.Action[T]) T {
	t.Helper()
	ctx, cancel := context.WithTimeout(tab, patience)
	defer cancel()
	v, err := chromedp.Run(ctx, a)
	if err != nil {
		t.Fatalf("%s: %v", moment, err)
	}
	return v
}

func do(t *testing.T, tab context.Context, moment string, actions ...deed) {
	t.Helper()
	ctx, cancel := context.WithTimeout(tab, patience)
	defer cancel()
	if err := chromedp.Do(ctx, actions...); err != nil {
		t.Fatalf("%s: %v", moment, err)
	}
}

func read(t *testing.T, tab context.Context, sel string) string {
	t.Helper()
	return look(t, tab, "read "+sel, chromedp.Evaluate[string](fmt.Sprintf("(document.querySelector(%q) || {innerText: ''}).innerText", sel)))
}

func size(wide, high int64) deed {
	return chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		p := emulation.SetDeviceMetricsOverrideParams{Width: wide, Height: high, DeviceScaleFactor: 1, Mobile: wide < 600}
		_, err := cdp.Call(ctx, t, emulation.SetDeviceMetricsOverride, p)
		return err
	})
}

// picture keeps what the screen shows, when BOXD_SCREENSHOTS says where.
func picture(t *testing.T, tab context.Context, name string) {
	t.Helper()
	dir := os.Getenv("BOXD_SCREENSHOTS")
	if dir == "" {
		return
	}
	png := look(t, tab, "picture of "+name, chromedp.CaptureScreenshot())
	if err := os.WriteFile(filepath.Join(dir, name+".png"), png, 0o644); err != nil {
		t.Fatal(err)
	}
}

func TestDemoInTheBrowser(t *testing.T) {
	tab, other := browse(t, 4*time.Minute)
	dir := t.TempDir()
	p := startBoxd(t, "demo", "-person", "none", "-speed", "80", "-listen", "127.0.0.1:0", "-data", dir)
	page := p.await(t, `^page +(http://\S+)`)
	open := []deed{size(1280, 900), chromedp.Navigate(page), chromedp.WaitReady(chromedp.CSS(`body[data-stream="open"][data-step="ready"]`))}
	do(t, tab, "open the page", open...)
	do(t, tab, "traces", chromedp.WaitReady(chromedp.CSS(`#plot-ec canvas`)), chromedp.WaitReady(chromedp.CSS(`#plot-pf canvas`)))
	readThePage(t, tab)
	do(t, tab, "say who", chromedp.SendKeys(chromedp.CSS("#by"), "Robin"))
	staleWord(t, tab, other, page)
	walk(t, tab)
	// A confirmation that the readings bear out takes the last step of all.
	run, err := endedRun(dir, patience)
	if err != nil {
		t.Fatal(err)
	}
	row := fmt.Sprintf(`[data-run=%q]`, run.ID)
	do(t, tab, "the runs", chromedp.Navigate(page+"runs"), chromedp.WaitVisible(chromedp.CSS(row+`[data-flush="done"]`)))
	for _, format := range []string{"csv", "json", "html", "parquet"} {
		n := look(t, tab, "download "+format, fetched(fmt.Sprintf("%s a[href='/runs/%s.%s']", row, run.ID, format)))
		if n < 1000 {
			t.Errorf("the %s download has %d bytes", format, n)
		}
	}
	picture(t, tab, "runs-1280")
	p.interrupt(t)
	for _, e := range checkEnded(t, dir, 1) {
		if e.Kind == "action" && e.By != "Robin" {
			t.Errorf("%s was said by %q", e.Deed, e.By)
		}
	}
}

// fetched is how many bytes a link on the page leads to.
func fetched(sel string) chromedp.Action[int] {
	return chromedp.Evaluate[int](fmt.Sprintf(`fetch(document.querySelector(%q).href).then(r => r.ok ? r.arrayBuffer() : new ArrayBuffer(0)).then(b => b.byteLength)`, sel), chromedp.EvalAwaitPromise)
}

func readThePage(t *testing.T, tab context.Context) {
	t.Helper()
	for sel, want := range map[string]string{
		"#advice-text":      "start the run",
		"#part-advice .why": "every run starts",
		"#part-readings":    "header pressure",
		"#part-dials":       "psi",
		"#part-facts":       "What the readings say",
	} {
		if s := read(t, tab, sel); !strings.Contains(strings.ToLower(s), strings.ToLower(want)) {
			t.Errorf("%s reads %q, without %q", sel, s, want)
		}
	}
	// Nothing stands yet; the places for what would are there.
	n := look(t, tab, "alarms and holds", chromedp.Evaluate[int](`document.querySelectorAll("#part-alarms, #part-holds").length`))
	if n != 2 {
		t.Errorf("%d places for alarms and holds", n)
	}
}

// staleWord has two persons see the same advice; the second comes late.
func staleWord(t *testing.T, tab, other context.Context, page string) {
	t.Helper()
	do(t, other, "second tab", chromedp.Navigate(page), chromedp.WaitReady(chromedp.CSS(`body[data-stream="open"] #confirm[data-deed="run_start"]`)),
		chromedp.Evaluate[chromedp.Void](`window.late = document.getElementById("confirm").value`))
	confirm(t, tab, "run_start")
	// The stream has put the next button there by now; it sends the old word.
	do(t, other, "a late word", chromedp.WaitVisible(chromedp.CSS(`#confirm[data-deed="main_open"]:enabled`)),
		chromedp.Evaluate[chromedp.Void](`{ const b = document.getElementById("confirm"); b.value = window.late; b.click(); }`),
		chromedp.WaitVisible(chromedp.CSS(`#answer[data-accepted="no"]`)))
	if s := read(t, other, "#answer"); !strings.Contains(s, "Refused") || !strings.Contains(s, "no longer the present one") {
		t.Errorf("a late word is answered by %q", s)
	}
}

// confirm presses the button once it stands, has this deed and does not rest.
func confirm(t *testing.T, tab context.Context, deed string) {
	t.Helper()
	sel := fmt.Sprintf("#confirm[data-deed=%q]:enabled", deed)
	do(t, tab, "wait for "+deed, chromedp.WaitVisible(chromedp.CSS(sel)))
	text := read(t, tab, "#advice-text")
	if text == "" || read(t, tab, "#part-advice .why") == "" {
		t.Errorf("%s: an advice without text or reason: %q", deed, text)
	}
	do(t, tab, "confirm "+deed, press(sel), chromedp.WaitVisible(chromedp.CSS(`#answer[data-accepted="yes"]`)),
		chromedp.WaitNotPresent(chromedp.CSS(sel)))
}

func walk(t *testing.T, tab context.Context) {
	t.Helper()
	for _, deed := range []string{"main_open", "injector_on", "loop_throttled", "loop_opened", "injector_off"} {
		confirm(t, tab, deed)
	}
	do(t, tab, "flush", chromedp.WaitReady(chromedp.CSS(`body[data-step="flush"]`)), chromedp.WaitVisible(chromedp.CSS(`svg.rows [data-row="6"]`)),
		chromedp.WaitVisible(chromedp.CSS("#minutes-left")), chromedp.WaitReady(chromedp.CSS(`#plot-ec:not([data-points="0"]) canvas`)))
	if s := read(t, tab, "#part-past"); !strings.Contains(s, "lines full") || !strings.Contains(s, "injection started") {
		t.Errorf("the milestones read %q", s)
	}
	// Mid-flush: clean water has gone down a good part of the nearest row, and the
	// answer to the last word has left the page.
	do(t, tab, "mid-flush", chromedp.WaitNotVisible(chromedp.CSS("#answer")), until(`Number(document.querySelector('svg.rows [data-row="1"] .clean').getAttribute("width")) > 120`))
	do(t, tab, "mid-flush", size(1280, 1640)) // down to the traces
	picture(t, tab, "run")
	do(t, tab, "phone", size(390, 1600))
	if over := look(t, tab, "phone", chromedp.Evaluate[int](`document.documentElement.scrollWidth - innerWidth`)); over > 0 {
		t.Errorf("on a phone the page is %d px too wide", over)
	}
	picture(t, tab, "run-phone")
	do(t, tab, "wide", size(1280, 900))
	stopEarly(t, tab)
	for _, deed := range []string{"main_closed", "run_end"} {
		confirm(t, tab, deed)
	}
}

// stopEarly shuts the water before the flush is done, reads the alarm, and opens
// it again.
func stopEarly(t *testing.T, tab context.Context) {
	t.Helper()
	report := func(deed string) {
		t.Helper()
		do(t, tab, "report "+deed, press(fmt.Sprintf(`button[value="report:%s"]:enabled`, deed)),
			chromedp.WaitVisible(chromedp.CSS(`#answer[data-accepted="yes"]`)))
	}
	do(t, tab, "other deeds", chromedp.Click(chromedp.CSS("#reports summary")))
	report("main_closed")
	alarm := `[data-alarm="flush-incomplete"]`
	do(t, tab, "the alarm", chromedp.WaitVisible(chromedp.CSS(alarm)))
	if s := read(t, tab, alarm); !strings.Contains(s, "before the flush was done") || !strings.Contains(s, "Open the shutoff valve again") {
		t.Errorf("the alarm reads %q", s)
	}
	if title := look(t, tab, "title", chromedp.Title()); !strings.Contains(title, "alarm") {
		t.Errorf("the window is called %q under an alarm", title)
	}
	do(t, tab, "to the top", chromedp.Evaluate[chromedp.Void]("scrollTo(0, 0)"))
	picture(t, tab, "alarm")
	seen := alarm + ` button[value="acknowledge:flush-incomplete"]`
	do(t, tab, "acknowledge", press(seen), chromedp.WaitNotPresent(chromedp.CSS(seen)))
	report("main_open")
	do(t, tab, "the alarm's end", chromedp.WaitNotPresent(chromedp.CSS(alarm)))
}

// press finds and presses a button in one go: the page swaps its parts every
// second, so a pointer aimed at where a button was can miss.
func press(sel string) deed {
	return until(fmt.Sprintf(`(b => b && (b.click(), true))(document.querySelector(%q))`, sel))
}

// until waits for the page to bear out a JavaScript condition.
func until(condition string) deed {
	return chromedp.Evaluate[chromedp.Void](`new Promise(done => { const look = () => { let ok = false; try { ok = `+condition+`; } catch {} ok ? done() : setTimeout(look, 100); }; look(); })`, chromedp.EvalAwaitPromise)
}
