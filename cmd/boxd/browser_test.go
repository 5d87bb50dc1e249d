// This test walks a whole run of the demo through a real Chromium, as a person
// at the box does: read, say who, confirm each step, wait for the flush. What it
// needs is told by package webtest.
package main

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"boxd/internal/web/webtest"
)

func TestDemoInTheBrowser(t *testing.T) {
	t.Parallel()
	tab := webtest.Open(t, 8*time.Minute)
	other := tab.Another()
	dir := t.TempDir()
	p := startBoxd(t, "demo", "-person", "none", "-speed", "200", "-listen", "127.0.0.1:0", "-data", dir)
	page := p.await(t, `^page +(http://\S+)`)
	open := []webtest.Step{webtest.Screen(1280, 900, "light"), webtest.Visit(page), webtest.There(`body[data-stream="open"][data-step="ready"]`)}
	tab.Do("open the page", open...)
	tab.Do("traces", webtest.There(`#plot-ec canvas`), webtest.There(`#plot-pf canvas`))
	readThePage(t, tab)
	tab.Do("say who", webtest.Type("#by", "Robin"))
	staleWord(t, tab, other, page)
	walk(t, tab)
	// A confirmation that the readings bear out takes the last step of all.
	run, err := endedRun(dir, patience)
	if err != nil {
		t.Fatal(err)
	}
	row := fmt.Sprintf(`[data-run=%q]`, run.ID)
	tab.Do("the runs", webtest.Visit(page+"runs"), webtest.Has(row+`[data-flush="done"]`))
	for _, format := range []string{"csv", "json", "html", "parquet"} {
		n := webtest.Ask(tab, "download "+format, fetched(fmt.Sprintf("%s a[href='/runs/%s.%s']", row, run.ID, format)))
		if n < 1000 {
			t.Errorf("the %s download has %d bytes", format, n)
		}
	}
	tab.Keep("runs")
	lookBack(t, tab, page+"runs/"+run.ID)
	tab.Do("the plan", webtest.Visit(page+"plan"), webtest.Has("#plan-rows .strip"))
	tab.Keep("plan")
	p.interrupt(t)
	for _, e := range checkEnded(t, dir, 1) {
		if e.Kind == "action" && e.By != "Robin" {
			t.Errorf("%s was said by %q", e.Deed, e.By)
		}
	}
}

// lookBack opens an archived run, notes something and asks what its own
// configuration would have said: nothing else.
func lookBack(t *testing.T, tab *webtest.Tab, record string) {
	t.Helper()
	tab.Do("the record", webtest.Visit(record), webtest.There("#plot-record canvas"), webtest.Has(`[data-milestone="flush done"]`))
	if n := tab.Count(`Number(document.getElementById("plot-record").dataset.points)`); n < 500 {
		t.Errorf("the record draws %d points", n)
	}
	tab.Do("another channel", webtest.Run(`(c => { c.selectedIndex = c.options.length - 1; c.dispatchEvent(new Event("change")); })(document.getElementById("channel"))`), webtest.There("#plot-record canvas"))
	tab.Do("note", webtest.Type("#notes [name=by]", "Robin"), webtest.Type("#notes textarea", "The third row was dry."), webtest.Leave("#notes button"), webtest.Has("[data-note]"))
	tab.Keep("record")
	tab.Do("what if", webtest.Visit(record+"/whatif"), webtest.Leave(`form[enctype] button`), webtest.Has("#alike"))
	if bad := tab.Complaints(); len(bad) > 0 {
		t.Errorf("the pages complain: %q", bad)
	}
}

// TestDemoOnAPhone walks a whole run on a phone, by its buttons alone; at the loop
// valve it is on that valve's page.
func TestDemoOnAPhone(t *testing.T) {
	t.Parallel()
	tab := webtest.Open(t, 8*time.Minute)
	dir := t.TempDir()
	p := startBoxd(t, "demo", "-person", "none", "-speed", "250", "-listen", "127.0.0.1:0", "-data", dir)
	page := p.await(t, `^page +(http://\S+)`)
	tab.Do("open the page", webtest.Screen(390, 844, "dark"), webtest.Visit(page), webtest.BodyIs("stream", "open"), webtest.Type("#by", "Robin"))
	for _, deed := range []string{"run_start", "main_open", "injector_on"} {
		confirm(t, tab, deed)
	}
	tab.Do("to the valve", webtest.Leave(`nav a[href="/valve"]`), webtest.There(`body[data-page="valve"][data-stream="open"]`), webtest.Has(`#gauge[data-state="more"]`))
	press(t, tab, "loop_throttled")
	tab.Do("turned", webtest.Until(`Number(document.getElementById("diff").textContent) > 4.9`)) // psi: 34 kPa start the injector
	tab.Keep("valve")
	tab.Do("back to the run", webtest.Leave(`nav a[href="/"]`), webtest.There(`body[data-page="run"][data-stream="open"]`))
	for _, deed := range []string{"loop_opened", "injector_off", "main_closed", "run_end"} {
		confirm(t, tab, deed)
	}
	run, err := endedRun(dir, webtest.Patience)
	if err != nil {
		t.Fatal(err)
	}
	tab.Do("the runs", webtest.Visit(page+"runs"), webtest.Has(fmt.Sprintf(`[data-run=%q][data-flush="done"]`, run.ID)))
	if bad := tab.Complaints(); len(bad) != 0 {
		t.Errorf("the page complains of %q", bad)
	}
	p.interrupt(t)
	for _, e := range checkEnded(t, dir, 1) {
		if e.Kind == "action" && e.By != "Robin" {
			t.Errorf("%s was said by %q", e.Deed, e.By)
		}
	}
}

// awaited is the number a promise on the page keeps.
func awaited(promise string) chromedp.Action[int] {
	return chromedp.Evaluate[int](promise, chromedp.EvalAwaitPromise)
}

// fetched is how many bytes a link on the page leads to.
func fetched(sel string) chromedp.Action[int] {
	return awaited(fmt.Sprintf(`fetch(document.querySelector(%q).href).then(r => r.ok ? r.arrayBuffer() : new ArrayBuffer(0)).then(b => b.byteLength)`, sel))
}

func readThePage(t *testing.T, tab *webtest.Tab) {
	t.Helper()
	for sel, want := range map[string]string{
		"#advice-text":      "start the run",
		"#part-advice .why": "every run starts",
		"#part-readings":    "header pressure",
		"#part-dials":       "psi",
		"#part-facts":       "What the readings say",
	} {
		if s := tab.Text(sel); !strings.Contains(strings.ToLower(s), strings.ToLower(want)) {
			t.Errorf("%s reads %q, without %q", sel, s, want)
		}
	}
	// Nothing stands yet; the places for what would are there.
	n := tab.Count(`document.querySelectorAll("#part-alarms, #part-holds").length`)
	if n != 2 {
		t.Errorf("%d places for alarms and holds", n)
	}
}

// staleWord has two persons see the same advice; the second comes late.
func staleWord(t *testing.T, tab, other *webtest.Tab, page string) {
	t.Helper()
	other.Do("second tab", webtest.Visit(page), webtest.There(`body[data-stream="open"] #confirm[data-deed="run_start"]`),
		webtest.Run(`window.late = document.getElementById("confirm").value`))
	confirm(t, tab, "run_start")
	// The stream has put the next button there by now; it sends the old word.
	other.Do("a late word", webtest.Has(`#confirm[data-deed="main_open"]:enabled`),
		webtest.Run(`{ const b = document.getElementById("confirm"); b.value = window.late; b.click(); }`),
		webtest.Has(`#answer[data-accepted="no"]`))
	if s := other.Text("#answer"); !strings.Contains(s, "Refused") || !strings.Contains(s, "no longer the present one") {
		t.Errorf("a late word is answered by %q", s)
	}
	other.Do("gone", webtest.Visit("about:blank")) // it would be drawn anew all along
}

// confirm reads an advice and presses its button.
func confirm(t *testing.T, tab *webtest.Tab, deed string) {
	t.Helper()
	tab.Do("wait for "+deed, webtest.Has(fmt.Sprintf("#confirm[data-deed=%q]:enabled", deed)))
	text := tab.Text("#advice-text")
	if text == "" || tab.Text("#part-advice .why") == "" {
		t.Errorf("%s: an advice without text or reason: %q", deed, text)
	}
	press(t, tab, deed)
}

// press presses the button once it stands, has this deed and does not rest.
func press(t *testing.T, tab *webtest.Tab, deed string) {
	t.Helper()
	sel := fmt.Sprintf("#confirm[data-deed=%q]:enabled", deed)
	tab.Do("confirm "+deed, webtest.Press(sel), webtest.Has(`#answer[data-accepted="yes"]`), webtest.Gone(sel))
}

func walk(t *testing.T, tab *webtest.Tab) {
	t.Helper()
	for _, deed := range []string{"main_open", "injector_on", "loop_throttled", "loop_opened", "injector_off"} {
		confirm(t, tab, deed)
	}
	stopEarly(t, tab)
	tab.Do("flush", webtest.Has(`svg.rows [data-row="6"]`), webtest.There(`#plot-ec:not([data-points="0"]) canvas`))
	if s := tab.Text("#part-past"); !strings.Contains(s, "lines full") || !strings.Contains(s, "injection started") {
		t.Errorf("the milestones read %q", s)
	}
	// Clean water has gone down a good part of the nearest row, and the answer to the
	// last word has left the page.
	tab.Do("clean water", chromedp.WaitNotVisible(chromedp.CSS("#answer")), webtest.Until(`Number(document.querySelector('svg.rows [data-row="1"] .clean').getAttribute("width")) > 120`))
	tab.Do("clean water", webtest.Screen(1280, 1640, "light")) // down to the traces
	tab.Keep("run")
	tab.Do("phone", webtest.Screen(390, 1600, "light"))
	if over := tab.TooWide(); over > 0 {
		t.Errorf("on a phone the page is %d px too wide", over)
	}
	tab.Keep("run-phone")
	tab.Do("wide", webtest.Screen(1280, 900, "light"))
	for _, deed := range []string{"main_closed", "run_end"} {
		confirm(t, tab, deed)
	}
}

// stopEarly shuts the water as soon as the flush has begun, reads the alarm, and opens
// it again. The box's time does not wait for a slow machine; while the water is shut
// nothing goes on that could be over before it is looked at.
func stopEarly(t *testing.T, tab *webtest.Tab) {
	t.Helper()
	report := func(deed, when string) {
		t.Helper()
		tab.Do("report "+deed, webtest.Press(fmt.Sprintf(`%s button[value="report:%s"]:enabled`, when, deed)),
			webtest.Has(`#answer[data-accepted="yes"]`))
	}
	report("main_closed", `body[data-step="flush"]`)
	tab.Do("other deeds", chromedp.Click(chromedp.CSS("#reports summary")))
	alarm := `[data-alarm="flush-incomplete"]`
	tab.Do("the alarm", webtest.Has(alarm))
	if s := tab.Text(alarm); !strings.Contains(s, "before the flush was done") || !strings.Contains(s, "Open the shutoff valve again") {
		t.Errorf("the alarm reads %q", s)
	}
	if title := webtest.Ask(tab, "title", chromedp.Title()); !strings.Contains(title, "alarm") {
		t.Errorf("the window is called %q under an alarm", title)
	}
	tab.Do("to the top", webtest.Run("scrollTo(0, 0)"))
	tab.Keep("alarm")
	seen := alarm + ` button[value="acknowledge:flush-incomplete"]`
	tab.Do("acknowledge", webtest.Press(seen), webtest.Gone(seen))
	report("main_open", "")
	tab.Do("the alarm's end", webtest.Gone(alarm))
}
