// This test walks a scripted run through a real Chromium, as the technician at
// the box would: read, confirm, be refused, acknowledge, lose the box. It needs
// /usr/bin/chromium (or BOXD_CHROMIUM) and skips without it, unless
// BOXD_REQUIRE_CHROMIUM=1. BOXD_SHOTS=DIR keeps screenshots.
package web

import (
	"context"
	"fmt"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"

	"boxd/internal/box"
	"boxd/internal/engine"
)

// startBrowser gives a tab of a fresh Chromium, bounded by limit. Errors that
// the page logs (a policy violation, an exception) are told by the function.
func startBrowser(t *testing.T, limit time.Duration) (context.Context, func() []string) {
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
	tab, stopTab := chromedp.NewContext(alloc)
	t.Cleanup(func() { stopTab(); stopAlloc(); cancel() })
	return tab, pageErrors(t, tab)
}

// pageErrors listens for what a page complains of.
func pageErrors(t *testing.T, tab context.Context) func() []string {
	var mu sync.Mutex
	var all []string
	err := chromedp.Listen(tab, func(ev any) {
		mu.Lock()
		defer mu.Unlock()
		switch e := ev.(type) {
		case *runtime.EventExceptionThrown:
			all = append(all, e.ExceptionDetails.Text)
		case *log.EventEntryAdded:
			if e.Entry.Level == log.EntryLevelError {
				all = append(all, e.Entry.Text+" "+e.Entry.URL)
			}
		}
	})
	if err != nil {
		t.Fatalf("cannot start the browser: %v", err)
	}
	return func() []string {
		mu.Lock()
		defer mu.Unlock()
		return append([]string(nil), all...)
	}
}

// step is one thing done in the browser that gives nothing back.
type step = chromedp.Action[chromedp.Void]

// ask runs an action that gives something back, under the same bound as do.
func ask[T any](t *testing.T, tab context.Context, moment string, a chromedp.Action[T]) T {
	t.Helper()
	ctx, cancel := context.WithTimeout(tab, 20*time.Second)
	defer cancel()
	v, err := chromedp.Run(ctx, a)
	if err != nil {
		t.Fatalf("%s: %v", moment, err)
	}
	return v
}

// do runs actions under a bound of their own and names the moment they failed.
func do(t *testing.T, tab context.Context, moment string, actions ...step) {
	t.Helper()
	ctx, cancel := context.WithTimeout(tab, 20*time.Second)
	defer cancel()
	if err := chromedp.Do(ctx, actions...); err != nil {
		t.Fatalf("%s: %v", moment, err)
	}
}

// bodyIs waits until the page's state is so: bodyIs("step", "flush").
func bodyIs(key, value string) step {
	return chromedp.WaitReady(chromedp.CSS(fmt.Sprintf(`body[data-%s=%q]`, key, value)))
}

func textOf(t *testing.T, tab context.Context, sel string) string {
	t.Helper()
	return ask(t, tab, "read "+sel, chromedp.Text(chromedp.CSS(sel)))
}

func screen(wide, high int64, scheme string) step {
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

// shoot keeps a screenshot of the whole page when BOXD_SHOTS is set.
func shoot(t *testing.T, tab context.Context, name string) {
	t.Helper()
	dir := os.Getenv("BOXD_SHOTS")
	if dir == "" {
		return
	}
	png := ask(t, tab, "screenshot "+name, chromedp.FullScreenshot(100))
	if err := os.WriteFile(filepath.Join(dir, name+".png"), png, 0o644); err != nil {
		t.Fatal(err)
	}
}

func TestARunInTheBrowser(t *testing.T) {
	core := newFakeCore(viewAt("ready"))
	core.trace = pastTrace()
	core.view.T = 1201 // where the history ends
	srv := httptest.NewServer(New(core, exportingArchive{fakeArchive{rows: someRuns()}},
		Options{Box: "north-box", Units: "us", Demo: true, Version: "test"}))
	t.Cleanup(srv.Close) // after the browser is gone: its stream would keep the server
	tab, complaints := startBrowser(t, 2*time.Minute)

	do(t, tab, "open", screen(390, 844, "light"), chromedp.Navigate(srv.URL+"/"), bodyIs("stream", "open"), bodyIs("step", "ready"),
		chromedp.WaitReady(chromedp.CSS(`#plot-ec:not([data-points="0"]) canvas`)))
	walkConfirm(t, tab, core)
	walkRefusal(t, tab, core)
	walkAlarm(t, tab, core)
	walkFlush(t, tab, core)
	if bad := complaints(); len(bad) != 1 || !strings.Contains(bad[0], "409") {
		t.Errorf("the page complains of %q; only the refusal is expected", bad)
	}
	walkStopped(t, tab, core, srv)
}

func walkConfirm(t *testing.T, tab context.Context, core *fakeCore) {
	do(t, tab, "say who", chromedp.SendKeys(chromedp.CSS("#by"), "Ada"))
	// Two touches in a row are one word.
	do(t, tab, "confirm", chromedp.Evaluate[chromedp.Void](`{ const b = document.getElementById("confirm"); b.click(); b.click(); }`),
		chromedp.WaitVisible(chromedp.CSS(`#answer[data-accepted="yes"]`)))
	said := core.said()
	if len(said) != 1 || said[0].Kind != box.Confirm || said[0].Advice != 17 || said[0].By != "Ada" || said[0].ID == "" {
		t.Errorf("the core heard %+v", said)
	}
	core.publish(func(v *engine.View) { a := *v.Advice; a.Verifying = true; v.Advice = &a })
	do(t, tab, "verifying", chromedp.WaitVisible(chromedp.CSS("#verifying")), chromedp.WaitNotPresent(chromedp.CSS("#confirm")))
}

func walkRefusal(t *testing.T, tab context.Context, core *fakeCore) {
	core.mu.Lock()
	core.answer = func(box.Action) Answer { return Answer{Reason: "that advice is no longer the one standing"} }
	core.mu.Unlock()
	core.publish(func(v *engine.View) {
		v.Step = "pressurise"
		v.Advice = &engine.AdviceView{Number: 18, Deed: "main_open", Text: "Open the shutoff valve slowly.", Button: "It is open", Valve: "supply"}
	})
	do(t, tab, "refusal", bodyIs("step", "pressurise"), chromedp.WaitVisible(chromedp.CSS(`svg.box[data-asked="supply"] .ring`)))
	// A button that has just changed rests, so that a touch meant for the old one doesn't count.
	do(t, tab, "refusal", chromedp.WaitEnabled(chromedp.CSS("#confirm")), chromedp.Click(chromedp.CSS("#confirm")),
		chromedp.WaitVisible(chromedp.CSS(`#answer[data-accepted="no"]`)))
	if s := textOf(t, tab, "#answer"); !strings.Contains(s, "Refused") || !strings.Contains(s, "no longer the one standing") {
		t.Errorf("a refusal reads %q", s)
	}
	if said := core.said(); len(said) != 2 || said[1].ID == said[0].ID {
		t.Errorf("the second word: %+v", said)
	}
}

func walkAlarm(t *testing.T, tab context.Context, core *fakeCore) {
	core.mu.Lock()
	core.answer = func(box.Action) Answer { return Answer{Accepted: true} }
	core.mu.Unlock()
	core.publish(func(v *engine.View) {
		v.Alarms = []engine.AlarmView{standingAlarm()}
		v.Holds = []engine.HoldView{{On: "inject", ID: "backflow-protection-missing", Reason: "No test of the backflow protection is on record.",
			WayOut: "Have a licensed tester test it, and write the date in the box's file."}}
	})
	do(t, tab, "alarm", chromedp.WaitVisible(chromedp.CSS(`[data-alarm="supply-pressure-low"]`)), chromedp.WaitVisible(chromedp.CSS(`[data-hold]`)))
	heading := ask(t, tab, "alarm", chromedp.Title())
	if !strings.Contains(heading, "alarm") {
		t.Errorf("the window's title is %q while an alarm stands", heading)
	}
	shoot(t, tab, "alarm-390-light")
	do(t, tab, "wide", screen(1280, 900, "dark"), bodyIs("stopped", "no"))
	shoot(t, tab, "alarm-1280-dark")
	do(t, tab, "acknowledge", screen(390, 844, "light"), chromedp.Click(chromedp.CSS(`button[value="acknowledge:supply-pressure-low"]`)),
		chromedp.WaitVisible(chromedp.CSS(`#answer[data-accepted="yes"]`)))
	if said := core.said(); len(said) != 3 || said[2].Kind != box.Acknowledge || said[2].Alarm != "supply-pressure-low" {
		t.Errorf("the acknowledgement: %+v", said)
	}
}

func walkFlush(t *testing.T, tab context.Context, core *fakeCore) {
	flush := viewAt("flush")
	flush.Advice = &engine.AdviceView{Number: 19, Text: "Let clean water run until the last row is clean.",
		Why: []string{"clean water has passed the box for 21 L of 64 L"}, Valve: "header", Minutes: num(31)}
	flush.Progress.VolumeWitness, flush.Progress.EndWitness = "43 L still to go", "still fertilizer at the line end"
	flush.Past = []engine.MilestoneRecord{{Name: "lines_full", T: 300}, {Name: "injection_started", T: 420}}
	flush.Cautions = []string{"The last emitter has had 22 % of its share."}
	core.publish(func(v *engine.View) { seq, at := v.Seq, v.T; *v = flush; v.Seq, v.T = seq, at })
	do(t, tab, "flush", bodyIs("step", "flush"), chromedp.WaitVisible(chromedp.CSS(`svg.rows [data-row="6"]`)), chromedp.WaitVisible(chromedp.CSS("#minutes-left")))
	for _, size := range [][2]int64{{320, 640}, {390, 844}, {1280, 900}} {
		for _, scheme := range []string{"light", "dark"} {
			do(t, tab, "sizes", screen(size[0], size[1], scheme))
			over := ask(t, tab, "sizes", chromedp.Evaluate[int](`document.documentElement.scrollWidth - innerWidth`))
			if over > 0 {
				t.Errorf("at %d px the page is %d px too wide", size[0], over)
			}
			shoot(t, tab, fmt.Sprintf("flush-%d-%s", size[0], scheme))
		}
	}
	do(t, tab, "targets", screen(390, 844, "light"))
	small := ask(t, tab, "targets", chromedp.Evaluate[int](
		`[...document.querySelectorAll("button, input:not([type=hidden]), summary, nav a")].filter(e => e.offsetHeight && e.offsetHeight < 44).length`))
	if small > 0 {
		t.Errorf("%d targets are lower than 44 px (WCAG 2.2, 2.5.5)", small)
	}
}

func walkStopped(t *testing.T, tab context.Context, core *fakeCore, srv *httptest.Server) {
	core.setAge(time.Minute) // the web part lives, the core makes no views
	do(t, tab, "core silent", bodyIs("stopped", "yes"), chromedp.WaitVisible(chromedp.CSS("#lost")))
	if s := textOf(t, tab, "#lost"); !strings.Contains(s, "stopped: do not rely on this") || !strings.Contains(s, "last heard") {
		t.Errorf("a silent core reads %q", s)
	}
	shoot(t, tab, "stopped-390-light")
	core.setAge(0)
	core.publish(func(*engine.View) {})
	do(t, tab, "core back", bodyIs("stopped", "no"), chromedp.WaitNotVisible(chromedp.CSS("#lost")))
	core.publish(func(v *engine.View) { v.Step, v.StepWhy = "stopped", "the core failed" })
	do(t, tab, "core says so", bodyIs("stopped", "yes"), chromedp.WaitVisible(chromedp.CSS("#stopped")))
	core.publish(func(v *engine.View) { v.Step, v.StepWhy = "secure", "" })
	do(t, tab, "core back again", bodyIs("stopped", "no"))
	do(t, tab, "archive", chromedp.Navigate(srv.URL+"/runs"), chromedp.WaitVisible(chromedp.CSS(`[data-run="run-0007"] a[href="/runs/run-0007.csv"]`)))
	shoot(t, tab, "runs-390-light")
	do(t, tab, "back", chromedp.Navigate(srv.URL+"/"), bodyIs("stream", "open"))
	srv.CloseClientConnections()
	srv.Listener.Close() //nolint:errcheck // the box is gone; that is the test
	do(t, tab, "box gone", bodyIs("stream", "lost"), bodyIs("stopped", "yes"), chromedp.WaitVisible(chromedp.CSS("#lost")))
	if s := textOf(t, tab, "#lost"); !strings.Contains(s, "connection to the box is lost") {
		t.Errorf("a lost box reads %q", s)
	}
}
