// The manual's pictures are taken of the demo, in a run that a person walks through.
package main

import (
	"bytes"
	"cmp"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"maps"
	"math"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"boxd/internal/box"
	"boxd/internal/engine"
	"boxd/internal/web"
	"boxd/internal/web/webtest"
)

// TestManualsPictures takes them anew: go test ./cmd/boxd -run Pictures -rewrite. It
// needs Chromium and two minutes. That each is there, and shown, package manual checks.
func TestManualsPictures(t *testing.T) {
	if !*rewrite {
		t.Skip("the manual's pictures are taken anew with -rewrite")
	}
	tab := webtest.Open(t, 8*time.Minute)
	guidesPictures(t, tab)
	calibrationsPicture(t, tab)
	seasonsPicture(t, tab)
	dir := t.TempDir()
	p := startBoxd(t, "demo", "-person", "none", "-speed", "70", "-listen", "127.0.0.1:0", "-data", dir)
	page := p.await(t, `^page +(http://\S+)`)
	take := func(name, path string, wide, high int64, ready string) {
		t.Helper()
		tab.Do(name, webtest.Screen(wide, high, "light"), webtest.Visit(page+path), webtest.Has(ready), webtest.Until(`document.body.dataset.stream !== "none" && document.fonts.status === "loaded"`))
		keepPicture(t, tab, name)
	}
	home := webtest.Visit(page)
	tab.Do("open", webtest.Screen(1280, 900, "light"), home, webtest.BodyIs("stream", "open"), webtest.Type("#by", "Robin"))
	for _, deed := range []string{"run_start", "main_open", "injector_on"} {
		confirm(t, tab, deed)
	}
	take("valve", "valve", 390, 844, `#gauge[data-state="more"]`)
	press(t, tab, "loop_throttled")
	tab.Do("desk", webtest.Screen(1280, 900, "light"), home, webtest.BodyIs("stream", "open"))
	for _, deed := range []string{"loop_opened", "injector_off"} {
		confirm(t, tab, deed)
	}
	tab.Do("mid-flush", chromedp.WaitNotVisible(chromedp.CSS("#answer")), webtest.Until(`Number(document.querySelector('svg.rows [data-row="1"] .clean').getAttribute("width")) > 120`), webtest.Screen(1280, 1640, "light"))
	keepPicture(t, tab, "run")
	tab.Do("phone", webtest.Screen(390, 844, "light"))
	keepPicture(t, tab, "run-phone")
	tab.Do("stop early", webtest.Screen(1280, 900, "light"), home, webtest.BodyIs("stream", "open"), chromedp.Click(chromedp.CSS("#reports summary")), webtest.Press(`button[value="report:main_closed"]:enabled`),
		webtest.Has(`[data-alarm="flush-incomplete"]`))
	take("alarms", "alarms", 1280, 900, `[data-alarm="flush-incomplete"]`)
	take("box", "box", 1280, 900, "#part-estimates table")
	tab.Do("go on", home, webtest.BodyIs("stream", "open"), webtest.Press(`button[value="acknowledge:flush-incomplete"]`), chromedp.Click(chromedp.CSS("#reports summary")), webtest.Press(`button[value="report:main_open"]:enabled`), webtest.Gone(`[data-alarm="flush-incomplete"]`))
	for _, deed := range []string{"main_closed", "run_end"} {
		confirm(t, tab, deed)
	}
	run, err := endedRun(dir, patience)
	if err != nil {
		t.Fatal(err)
	}
	take("archive", "runs", 1280, 900, fmt.Sprintf("[data-run=%q]", run.ID))
	take("record", "runs/"+run.ID, 1280, 900, "#plot-record canvas")
	take("plan", "plan", 1280, 900, "#plan-rows .strip")
	p.interrupt(t)
}

// guidesPictures are of a box that is set up with a logger, and of its door.
func guidesPictures(t *testing.T, tab *webtest.Tab) {
	t.Helper()
	p, b := setUpLogger(t, t.TempDir())
	tab.Do("door", webtest.Screen(390, 500, "light"), webtest.Visit(b.page+"/sign-in"), webtest.Has("#phrase"), webtest.Type("#name", "Kim"))
	keepPicture(t, tab, "sign-in")
	tab.Do("in", webtest.Type("#phrase", phrase), webtest.Leave("form[action='/sign-in'] button.main"), webtest.BodyIs("page", "setup"), webtest.Visit(b.page+"/setup/channels"),
		webtest.Until(`document.querySelector('[data-live="header_kpa"]').textContent.includes("psi")`))
	keepPicture(t, tab, "setup")
	p.interrupt(t)
}

// calibrationsPicture is of a gauge that was open to the air.
func calibrationsPicture(t *testing.T, tab *webtest.Tab) {
	t.Helper()
	c, _ := serveCal(t, nil, nil)
	v, info := 3.6, box.SupplyPressure.Info()
	c.view = engine.View{Box: "north-box", Seq: 1, Step: "ready", Channels: []engine.ChannelView{{Column: info.Column, Tag: info.Tag, Name: info.Name, Unit: info.Unit, Value: &v, Quality: "good"}}}
	srv := httptest.NewServer(web.New(fresh{c}, nil, web.Options{Box: "north-box", Units: "us", Calibrate: c.taker(c.j), Calibrations: c.inUse, About: web.About{Sources: map[string]string{info.Column: "wired"}}}))
	t.Cleanup(srv.Close)
	tab.Do("gauge", webtest.Screen(390, 844, "light"), webtest.Visit(srv.URL+"/calibration/"+info.Column), webtest.Leave(`button[value="vented"]`), webtest.Has("#found"),
		webtest.Until(`document.querySelector('[data-live="now"]').textContent.includes("psi")`))
	keepPicture(t, tab, "calibrate")
}

// fresh is a core whose view is never old.
type fresh struct{ web.Core }

// Age is of web.Ager.
func (fresh) Age() time.Duration { return 0 }

// seasonsPicture is of a season in which the flow falls.
func seasonsPicture(t *testing.T, tab *webtest.Tab) {
	t.Helper()
	srv := httptest.NewServer(web.New(fresh{still{}}, archive{manyRuns(t, 260)}, web.Options{Box: "north-box", Units: "us"}))
	t.Cleanup(srv.Close)
	tab.Do("season", webtest.Screen(700, 900, "light"), webtest.Visit(srv.URL+"/season"), webtest.Has("[data-series]"))
	keepPicture(t, tab, "season")
}

// colours are enough for a page: letters' edges find a near one.
const colours = 14

// fewColours are the commonest that are far from each other.
func fewColours(count map[color.Color]int) color.Palette {
	var out color.Palette
	apart := map[color.Color]float64{} // from the nearest chosen
	all := slices.SortedFunc(maps.Keys(count), func(a, b color.Color) int { return cmp.Compare(rgbOf(a), rgbOf(b)) })
	for len(out) < min(colours, len(all)) {
		best, most := all[0], -1.0
		for _, c := range all {
			d, ok := apart[c]
			if !ok {
				d = math.Inf(1)
			}
			if worth := float64(count[c]) * min(d, 1e6); worth > most {
				best, most = c, worth
			}
		}
		out = append(out, best)
		for _, c := range all {
			d := distance(c, best)
			if was, ok := apart[c]; ok {
				d = min(d, was)
			}
			apart[c] = d
		}
	}
	return out
}

func rgbOf(c color.Color) uint32 {
	r, g, b, _ := c.RGBA()
	return r>>8<<16 | g>>8<<8 | b>>8
}

// distance is the square of that in the cube of colours.
func distance(a, b color.Color) float64 {
	sum := 0.0
	for shift := range 3 {
		d := float64(int(rgbOf(a)>>(8*shift)&255) - int(rgbOf(b)>>(8*shift)&255))
		sum += d * d
	}
	return sum
}

// keepPicture writes what the tab shows into the manual, in few colours and to a height
// that tells the story.
func keepPicture(t *testing.T, tab *webtest.Tab, name string) {
	t.Helper()
	full, err := png.Decode(bytes.NewReader(tab.Picture()))
	if err != nil {
		t.Fatal(err)
	}
	r := full.Bounds()
	tall := map[string]int{"season": 840, "box": 1000, "run": 1400, "plan": 1240, "record": 1400, "run-phone": 1240, "valve": 1240, "calibrate": 1560}
	r.Max.Y = min(r.Max.Y, cmp.Or(tall[name], 1640))
	count := map[color.Color]int{}
	for y := r.Min.Y; y < r.Max.Y; y++ {
		for x := r.Min.X; x < r.Max.X; x++ {
			count[color.RGBAModel.Convert(full.At(x, y))]++
		}
	}
	few := image.NewPaletted(r, fewColours(count))
	near := map[color.Color]uint8{}
	for c := range count {
		near[c] = uint8(few.Palette.Index(c))
	}
	for y := r.Min.Y; y < r.Max.Y; y++ {
		for x := r.Min.X; x < r.Max.X; x++ {
			few.SetColorIndex(x, y, near[color.RGBAModel.Convert(full.At(x, y))])
		}
	}
	var b bytes.Buffer
	if err := (&png.Encoder{CompressionLevel: png.BestCompression}).Encode(&b, few); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join("../../docs", name+".png"), b.Bytes(), 0o644); err != nil {
		t.Fatal(err)
	}
}
