// This test sets a box up from an empty folder, with the real binary and a phone's
// screen: the first account, every step of the guide, a restart in between, and the
// box at work by what the guide wrote. The board is one whose buses are not there.
package main

import (
	"fmt"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"boxd/internal/web/webtest"
)

// put writes an answer into a field of the guide, as typing does.
func put(name, value string) webtest.Step {
	return webtest.Run(fmt.Sprintf(`document.getElementById(%q).value = %q`, name, value))
}

// answer fills in a step and goes on.
func answer(tab *webtest.Tab, step string, fields map[string]string) {
	tab.T.Helper()
	steps := []webtest.Step{webtest.There(fmt.Sprintf(`body[data-page="setup"][data-step=%q]`, step))}
	for name, value := range fields {
		steps = append(steps, put(name, value))
	}
	tab.Do(step, append(steps, webtest.Leave(`button[value="on"]`))...)
}

// look sees that a page fits the screen; the rules of accessibility are package
// web's to check.
func look(tab *webtest.Tab, name string) {
	tab.T.Helper()
	if over := tab.TooWide(); over > 0 {
		tab.T.Errorf("%s is %d px too wide", name, over)
	}
	tab.Keep("setup-" + name)
}

// zoneAnswers are the demo's zone.
func zoneAnswers() map[string]string {
	return map[string]string{"zones[0].name": "tunnel", "zones[0].lead.length": "8 m", "zones[0].lead.inside_diameter": "28 mm", "zones[0].header.feed": "end",
		"zones[0].header.beds": "6", "zones[0].header.bed_spacing": "1.25 m", "zones[0].header.first_tee": "0.6 m", "zones[0].header.inside_diameter": "28 mm",
		"zones[0].laterals.length": "30 m", "zones[0].laterals.lead_in": "0.3 m", "zones[0].laterals.emitter_spacing": "0.3 m", "zones[0].laterals.inside_diameter": "15.9 mm",
		"zones[0].emitters.flow": "0.98 L/h", "zones[0].emitters.at": "10 psi", "line_end_probe.lag": "25 s"}
}

// labels are what the instruments of the board for a DIN rail say of themselves.
func labels() map[string]string {
	out := map[string]string{}
	for i := range 5 {
		out[fmt.Sprintf("i%d.one", i)] = "0.1 kPa"
	}
	for i := 5; i < 8; i++ {
		out[fmt.Sprintf("i%d.pulses_per_litre", i)], out[fmt.Sprintf("i%d.most_flow", i)] = "100", "100 L/min"
	}
	for i := 8; i < 12; i++ {
		out[fmt.Sprintf("i%d.one", i)] = map[bool]string{true: "1 µS/cm", false: "0.1 °C"}[i < 10]
	}
	for i := range 5 { // ports that no machine has
		out[fmt.Sprintf("i%d.bus", i)] = "/dev/ttyS991"
	}
	for i := 8; i < 12; i++ {
		out[fmt.Sprintf("i%d.bus", i)] = "/dev/ttyS992"
	}
	return out
}

func TestFromAnEmptyFolderToWork(t *testing.T) {
	t.Parallel()
	tab := webtest.Open(t, 8*time.Minute)
	state := t.TempDir()
	start := func() (*process, string) {
		p := startBoxd(t, "run", "-config", filepath.Join(state, "etc", "box.yaml"), "-state", state, "-listen", "127.0.0.1:0")
		return p, strings.TrimSuffix(p.await(t, `^page +(http://\S+)`), "/")
	}
	p, page := start()
	code := p.await(t, `with the code (\S+)`)
	tab.Do("first account", webtest.Screen(390, 844, "light"), webtest.Visit(page+"/"), webtest.BodyIs("page", "begin"), webtest.Type("#code", code), webtest.Type("#name", "Kim"),
		webtest.Type("#phrase", phrase), webtest.Leave("form[action='/begin'] button.main"), webtest.There(`body[data-page="setup"][data-step="name"]`))
	look(tab, "name")
	answer(tab, "name", map[string]string{"box.name": "south box", "box.units": "us", "box.timezone": "America/Chicago"})
	tab.Do("a name that won't do", webtest.Has(`[data-field="box.name"] .fault`))
	answer(tab, "name", map[string]string{"box.name": "south-box"})
	tab.Do("board", webtest.BodyIs("step", "board"))
	look(tab, "board")
	tab.Do("the board", webtest.Run(`document.querySelector('input[value="rail"]').click()`))
	answer(tab, "board", nil)
	tab.Do("channels", webtest.BodyIs("step", "channels"), webtest.Has("details[open]"))

	// Nobody loses what they said.
	p.interrupt(t)
	p, page = start()
	tab.Do("again", webtest.Visit(page+"/"), webtest.BodyIs("step", "channels"))
	for name, value := range labels() {
		tab.Do("label", put(name, value))
	}
	tab.Do("look", webtest.Leave(`button[value="stay"]`), webtest.BodyIs("live", "yes"),
		webtest.Until(`document.querySelector('[data-live="i0"]').textContent.includes("no such serial port")`))
	look(tab, "channels")
	answer(tab, "channels", nil)
	tab.Do("calibrate", webtest.BodyIs("step", "calibrate"))
	look(tab, "calibrate")
	tab.Do("a gauge without its bus", webtest.Leave(`a[href="/calibration/supply_kpa"]`), webtest.BodyIs("page", "calibration"), webtest.Leave(`button[value="vented"]`), webtest.Has("#refused"))
	if s := tab.Text("#refused"); !strings.Contains(s, "no such serial port") {
		t.Errorf("calibrating without a reading: %q", s)
	}
	tab.Do("back", webtest.Leave(`main > p > a.pad`), webtest.BodyIs("step", "calibrate"))
	answer(tab, "calibrate", map[string]string{"i0.calibrated": "2026-03-01"})
	tab.Do("backflow", webtest.BodyIs("step", "backflow"))
	if n := tab.Count(`[...document.querySelectorAll("#step input, #step select")].filter(e => e.value).length`); n != 0 {
		t.Errorf("%d answers on backflow protection stand there already", n)
	}
	answer(tab, "backflow", map[string]string{"backflow.said": "declared", "backflow.supply": "public", "backflow.device": "reduced-pressure-zone", "backflow.last_test": "2026-04-02", "backflow.next_due": "2099-04-02"})
	tab.Do("the class is demanded", webtest.Has(`[data-field="backflow.required"] .fault`))
	look(tab, "backflow")
	answer(tab, "backflow", map[string]string{"backflow.required": "reduced-pressure-zone"})
	tab.Do("injector", webtest.BodyIs("step", "injector"))
	look(tab, "injector")
	answer(tab, "injector", map[string]string{"injector.ratio": "1:50", "injector.convention": "stock-in-total", "injector.rated_flow": "6 L/min", "injector.meter": "water"})
	tab.Do("zone", webtest.BodyIs("step", "zone"))
	for name, value := range zoneAnswers() {
		tab.Do("zone", put(name, value))
	}
	tab.Do("work it out", webtest.Leave(`button[value="stay"]`), webtest.Has("#facts"))
	look(tab, "zone")
	answer(tab, "zone", nil)
	tab.Do("tell", webtest.BodyIs("step", "tell"))
	look(tab, "tell")
	answer(tab, "tell", nil)
	tab.Do("begin", webtest.BodyIs("step", "run"), webtest.Has("#begin"))
	look(tab, "run")
	nobodyElse(t, page)
	tab.Do("at work", webtest.Leave("#begin"), webtest.There(`body[data-page="run"][data-stream="open"]`))
	if s := tab.Text(".plate-name"); s != "south-box" {
		t.Errorf("the box is called %q", s)
	}
	tab.Do("its channels", webtest.Visit(page+"/box"), webtest.Until(`document.querySelector('[data-column="header_kpa"]').textContent.includes("no such serial port")`))
	tab.Do("which file rules", webtest.Visit(page+"/setup"), webtest.Has("#ruling"))
	look(tab, "ruling")
	if s := tab.Text("#ruling"); s != filepath.Join(state, "box.yaml") {
		t.Errorf("%q rules", s)
	}
	changeByTheGuide(t, tab, page, state)
	p.interrupt(t)
	anotherRules(t, tab, state)
}

// nobodyElse shows that who isn't signed in sees and writes nothing.
func nobodyElse(t *testing.T, page string) {
	t.Helper()
	for _, r := range []func() (*http.Response, error){
		func() (*http.Response, error) { return http.Get(page + "/setup/run") },
		func() (*http.Response, error) { return http.Get(page + "/setup/live") },
		func() (*http.Response, error) {
			return http.PostForm(page+"/setup/name", url.Values{"box.name": {"theirs"}})
		},
		func() (*http.Response, error) { return http.PostForm(page+"/setup/run", url.Values{}) },
	} {
		got, err := r()
		if err != nil {
			t.Fatal(err)
		}
		_ = got.Body.Close()
		if got.StatusCode != http.StatusUnauthorized {
			t.Errorf("a stranger is answered by %s", got.Status)
		}
	}
}

// changeByTheGuide takes the box out of operation, changes its name and begins
// again: the file before is kept.
func changeByTheGuide(t *testing.T, tab *webtest.Tab, page, state string) {
	t.Helper()
	before, err := os.ReadFile(filepath.Join(state, "box.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	tab.Do("to the guide", webtest.Leave(`form[action="/setup"] button`), webtest.There(`body[data-page="setup"][data-step="run"]`), webtest.Visit(page+"/setup/name"))
	answer(tab, "name", map[string]string{"box.name": "west-box"})
	tab.Do("begin again", webtest.BodyIs("step", "board"), webtest.Visit(page+"/setup/run"), webtest.Leave("#begin"), webtest.There(`body[data-page="run"][data-stream="open"]`))
	if s := tab.Text(".plate-name"); s != "west-box" {
		t.Errorf("the box is called %q", s)
	}
	kept, err := os.ReadFile(filepath.Join(state, "box.yaml.1"))
	if err != nil || string(kept) != string(before) {
		t.Errorf("the file before is not kept: %v", err)
	}
}

// anotherRules starts the box with the file that -config names, and then with one
// changed by hand: the guide only shows them.
func anotherRules(t *testing.T, tab *webtest.Tab, state string) {
	t.Helper()
	etc := filepath.Join(state, "etc", "box.yaml")
	own := filepath.Join(state, "box.yaml")
	text, err := os.ReadFile(own)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Mkdir(filepath.Dir(etc), 0o755); err != nil {
		t.Fatal(err)
	}
	for _, x := range []struct{ file, rules string }{{etc, etc}, {own, own}} {
		if err := os.WriteFile(x.file, append(text, "# by hand\n"...), 0o644); err != nil {
			t.Fatal(err)
		}
		p := startProcess(t, exec.Command("boxd", "run", "-config", etc, "-state", state, "-listen", "127.0.0.1:0"))
		page := p.await(t, `^page +(http://\S+)`)
		tab.Do("by hand", webtest.Visit(page+"setup"), webtest.Has("#ruling"))
		if s := tab.Text("#ruling"); s != x.rules {
			t.Errorf("%q rules, want %q", s, x.rules)
		}
		if n := tab.Count(`document.querySelectorAll("main form").length`); n != 0 {
			t.Errorf("%s can be changed by %d forms", x.rules, n)
		}
		p.interrupt(t)
		if x.file == etc {
			if err := os.Remove(etc); err != nil {
				t.Fatal(err)
			}
		}
	}
}
