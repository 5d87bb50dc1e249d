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
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"boxd/internal/web/webtest"
)

// TestManualsPictures takes them anew: go test ./cmd/boxd -run Pictures -rewrite. It
// needs Chromium and two minutes. That each is there, and shown, package manual checks.
func TestManualsPictures(t *testing.T) {
	if !*rewrite {
		t.Skip("the manual's pictures are taken anew with -rewrite")
	}
	tab := webtest.Open(t, 8*time.Minute)
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

// keepPicture writes what the tab shows into the manual, in the 47 commonest colours
// and to a height that tells the story: a page has few, and letters' edges find a near one.
func keepPicture(t *testing.T, tab *webtest.Tab, name string) {
	t.Helper()
	full, err := png.Decode(bytes.NewReader(tab.Picture()))
	if err != nil {
		t.Fatal(err)
	}
	r := full.Bounds()
	r.Max.Y = min(r.Max.Y, map[bool]int{true: 1240, false: 1640}[r.Dx() < 600])
	count := map[color.Color]int{}
	for y := r.Min.Y; y < r.Max.Y; y++ {
		for x := r.Min.X; x < r.Max.X; x++ {
			count[color.RGBAModel.Convert(full.At(x, y))]++
		}
	}
	common := slices.SortedFunc(maps.Keys(count), func(a, b color.Color) int { return cmp.Compare(count[b], count[a]) })
	few := image.NewPaletted(r, common[:min(len(common), 47)])
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
