// Every page, as persons with other eyes, hands and screens meet it: checked by
// the rules of WCAG 2.2 A and AA, light and dark, on a phone and a desk; without
// sideways scrolling at 320 CSS px and at 200 % zoom (WCAG 2.2, 1.4.10, 1.4.4), in
// every language; with targets a wet thumb can hit.
package web

import (
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"boxd/internal/access"
	"boxd/internal/box"
	"boxd/internal/engine"
	"boxd/internal/journal"
	"boxd/internal/web/webtest"
)

// scene is a page in a state worth looking at.
type scene struct {
	name, path string
	view       func() engine.View
	ready      string // seen once the page is whole
}

func scenes() []scene {
	at := func(step string) func() engine.View { return func() engine.View { return viewAt(step) } }
	return []scene{
		{"run-ready", "/", at("ready"), "#plot-ec canvas"},
		{"run-inject", "/", troubled, "#plot-ec canvas"},
		{"run-flush", "/", at("flush"), "#plot-ec canvas"},
		{"run-stopped", "/", stoppedView, "#stopped"},
		{"valve", "/valve", turning, "#plot-valve canvas"},
		{"plan", "/plan", at("ready"), "#plan-rows .strip"},
		{"archive", "/runs", at("ready"), "[data-run]"},
		{"season", "/season", at("ready"), "[data-series]"},
		{"record", "/runs/run-0007?with=run-0006&at=lines_full", at("ready"), "#plot-record canvas"},
		{"whatif", "/runs/run-0007/whatif", at("ready"), "#differ"},
		{"alarms", "/alarms", someAlarms, "[data-alarm]"},
		{"box", "/box", troubled, "[data-column]"},
		{"people", "/people", at("ready"), "[data-person]"},
		{"calibration", "/calibration/supply_kpa", troubled, "#found"},
		{"calibration-ec", "/calibration/ec_box_us_cm", troubled, "#next"},
		{"calibration-flow", "/calibration/main_flow_lpm", troubled, "#next"},
		{"ruling", "/setup", at("ready"), "#ruling"},
		{"help", "/help/alarms", at("ready"), "#backflow-sign"},
		{"help-wiring", "/help/hw/README", at("ready"), "table"},
		{"offline", "/offline", at("ready"), ".stopped"},
	}
}

// troubled is a run where much is wrong at once: alarms of each priority, seen
// and unseen, a hold of each kind, readings of each quality, an odd forecast.
func troubled() engine.View {
	v := turning()
	v.Alarms = append(someAlarms().Alarms, engine.AlarmView{ID: "ratio-off", State: "unacknowledged", Priority: "low", Text: "The ratio is off.", SinceT: 990})
	v.Holds = []engine.HoldView{
		{On: "inject", ID: "flow-unknown", Reason: "The flow is unknown.", WayOut: "Look at the meter.", Overridable: true},
		{On: "inject", ID: "backflow-sign", Reason: "A sign of backflow stands.", WayOut: "Close the shutoff valve."},
	}
	v.Cautions = []string{"A third of the last row has had nothing yet."}
	v.Past = []engine.MilestoneRecord{{Name: "lines_full", T: 300}}
	v.Observe = true
	for i, q := range []string{"bad", "uncertain", "unknown"} {
		v.Channels[i].Quality, v.Channels[i].Cause, v.Channels[i].Why, v.Channels[i].AgeS = q, "failure", "out of range", 40
	}
	return v
}

func stoppedView() engine.View {
	v := viewAt("flush")
	v.Step, v.StepWhy = "stopped", "the core failed"
	return v
}

// every is a box with all its pages, and Kim who may do everything.
func every(t *testing.T) (*httptest.Server, *fakeCore) {
	t.Helper()
	keeper := kimAnd(t, "Sol", access.View)
	core := newFakeCore(viewAt("ready"))
	core.trace = pastTrace()
	lib := newLibrary()
	lib.notes = []journal.Note{{Wall: time.Date(2026, 5, 4, 12, 0, 0, 0, time.UTC), By: "Kim", Text: "The third row was dry."}}
	arch := fullArchive{lib, exportingArchive{}, pastArchive{past: []AlarmPast{
		{When: time.Date(2026, 5, 4, 12, 0, 0, 0, time.UTC), ID: "stock-empty", Word: "raised", Priority: "high"}}}}
	kept, sources := &records{}, map[string]string{"supply_kpa": "wired", "ec_box_us_cm": "wired", "main_flow_lpm": "wired"}
	s := newServer(core, arch, Options{Box: "north-box", Units: "us", Keeper: keeper, Version: "test", Planner: &fakePlanner{view: somePlan(), choices: planChoices()}, About: About{Buses: someBuses, Sources: sources}, Calibrate: kept.keep, Calibrations: kept.inForce, Ruling: &Ruling{Path: "/var/lib/boxd/box.yaml", Text: "zones: []\n", Again: func(context.Context) error { return nil }}})
	s.apart = time.Millisecond
	srv := httptest.NewServer(s.handler())
	t.Cleanup(srv.Close)
	if code, to := newPerson(t, srv, "Kim").post("/runs/run-0007/whatif", "config", "zones: [x]"); code != http.StatusSeeOther {
		t.Fatalf("asking what if: %d %s", code, to)
	}
	shows(core, box.SupplyPressure, 3.5, "good")
	if code, to := newPerson(t, srv, "Kim").post("/calibration/supply_kpa", "do", "vented"); code != http.StatusSeeOther {
		t.Fatalf("calibrating: %d %s", code, to)
	}
	return srv, core
}

// fullArchive lists and tells runs, writes them out and knows the alarms.
type fullArchive struct {
	*fakeLibrary
	Exporter
	Historian
}

// signIn goes through the door as a person does.
func signIn(tab *webtest.Tab, url, name string) {
	tab.T.Helper()
	tab.Do("sign in", webtest.Visit(url+"/sign-in"), webtest.Type("#name", name), webtest.Type("#phrase", phrase), webtest.Leave("form[action='/sign-in'] button.main"),
		webtest.There(`body[data-page="run"][data-stream="open"]`))
}

func (s scene) open(tab *webtest.Tab, url string, core *fakeCore) {
	tab.T.Helper()
	if s.view != nil {
		core.publish(func(v *engine.View) { seq := v.Seq; *v = s.view(); v.Seq = seq })
	}
	tab.Do("open "+s.name, webtest.Visit(url+s.path), webtest.There(s.ready), webtest.Until(`document.body.dataset.stream !== "none"`))
}

func TestEveryPageIsForEverybody(t *testing.T) {
	t.Parallel()
	srv, core := every(t)
	tab := webtest.Open(t, 8*time.Minute)
	rules := tab.Rules()
	check := func(s scene) {
		s.open(tab, srv.URL, core)
		// The width changes no colour, and light or dark nothing else.
		for _, look := range []struct {
			wide, high int64
			scheme     string
		}{{390, 844, "light"}, {1280, 900, "dark"}} {
			tab.Do("size", webtest.Screen(look.wide, look.high, look.scheme))
			for _, bad := range tab.Violations(rules) {
				t.Errorf("%s at %d px, %s: %s", s.name, look.wide, look.scheme, bad)
			}
		}
	}
	check(scene{"sign-in", "/sign-in", nil, "#phrase"})
	signIn(tab, srv.URL, "Kim")
	for _, s := range scenes() {
		check(s)
	}
}

func TestEveryPageFitsNarrowScreens(t *testing.T) {
	t.Parallel()
	srv, core := every(t)
	tab := webtest.Open(t, 8*time.Minute)
	signIn(tab, srv.URL, "Kim")
	for _, lang := range languages() {
		tab.Do("language", webtest.Cookie(srv.URL, shownCookie, lang+"-us"))
		for _, s := range scenes() {
			tab.Do("phone", webtest.Screen(390, 844, "light"))
			s.open(tab, srv.URL, core)
			for _, wide := range []int64{320, 640, 390} {
				tab.Do("narrow", webtest.Screen(wide, 640, "light"))
				if over := tab.TooWide(); over > 0 {
					t.Errorf("%s in %s at %d px is %d px too wide: %s", s.name, lang, wide, over, widest(tab))
				}
			}
			if small := smallTargets(tab); small != "" {
				t.Errorf("%s in %s: lower than 44 px (WCAG 2.2, 2.5.5): %s", s.name, lang, small)
			}
			if cut := cutText(tab); cut != "" {
				t.Errorf("%s in %s: cut off at the drawing's edge: %s", s.name, lang, cut)
			}
			tab.Keep(fmt.Sprintf("%s-390-light-%s", s.name, lang))
			if lang == languages()[0] {
				tab.Do("wide", webtest.Screen(1280, 900, "dark"))
				tab.Keep(s.name + "-1280-dark")
			}
		}
	}
	if bad := tab.Complaints(); len(bad) != 0 {
		t.Errorf("pages complain of %s", strings.Join(bad, "; "))
	}
}

// widest names what sticks out of the page.
func widest(tab *webtest.Tab) string {
	return tab.Line(`[...document.querySelectorAll("body *")].filter(e => e.getBoundingClientRect().right > document.documentElement.clientWidth + 1).slice(0, 4).map(e => e.tagName + "." + e.className + "#" + e.id + " " + e.textContent.slice(0, 30)).join("; ")`)
}

// cutText names words of a drawing that reach over its edge.
func cutText(tab *webtest.Tab) string {
	return tab.Line(`[...document.querySelectorAll("svg.box text")].filter(e => { const b = e.getBBox(), v = e.ownerSVGElement.viewBox.baseVal; return b.x < v.x || b.x + b.width > v.x + v.width; }).map(e => e.textContent).join("; ")`)
}

// smallTargets names what is pressed and is lower than a thumb.
func smallTargets(tab *webtest.Tab) string {
	return tab.Line(`[...document.querySelectorAll("button, input:not([type=hidden]), select, summary, nav a")].filter(e => e.offsetHeight && e.offsetHeight < 44).map(e => e.tagName + " " + (e.textContent || e.name).trim().slice(0, 30)).join("; ")`)
}
