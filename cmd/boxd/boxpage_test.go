package main

// A calibration at a running box, through its real pages with their door.

import (
	"bytes"
	"context"
	"crypto/tls"
	"io"
	"log"
	"math"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"boxd/config"
	"boxd/internal/access"
	"boxd/internal/access/accesstest"
	"boxd/internal/box"
	"boxd/internal/calibration"
	"boxd/internal/engine"
	"boxd/internal/journal"
	"boxd/internal/sensors/hwio"
	"boxd/internal/web"
)

const calPhrase = "wet gloves on a cold valve"

// calBox is a core that shows one view, and the archive behind its page.
type calBox struct {
	*service
	j *journal.Journal

	mu   sync.Mutex
	view engine.View
}

func (c *calBox) View() engine.View {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.view
}

func (c *calBox) show(column, quality string, v float64) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.view = engine.View{Step: "ready", Channels: []engine.ChannelView{{Column: column, Value: &v, Quality: quality, Why: "as shown"}}}
}

func (c *calBox) Subscribe() (<-chan engine.View, func())           { return make(chan engine.View), func() {} }
func (c *calBox) Trace() []web.Point                                { return nil }
func (c *calBox) Submit(context.Context, box.Action) (a web.Answer) { return a }

// serveCal serves the pages, with a book of accounts or open, and over TLS or not.
func serveCal(t *testing.T, keeper *access.Keeper, secure *tls.Config) (*calBox, string) {
	t.Helper()
	j, err := journal.Open(filepath.Join(t.TempDir(), "boxd.sqlite"))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = j.Close() })
	src, err := hwio.Open(nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(src.Close)
	c := &calBox{service: &service{source: src, cfg: &config.Config{}}, j: j}
	c.show("water_c", "good", 0.25)
	srv := httptest.NewUnstartedServer(web.New(c, nil, web.Options{Keeper: keeper, Calibrate: c.taker(j), Calibrations: c.inUse}))
	srv.Config.ErrorLog = log.New(io.Discard, "", 0)
	if srv.TLS = secure; secure != nil {
		srv.StartTLS()
	} else {
		srv.Start()
	}
	t.Cleanup(srv.Close)
	return c, srv.URL
}

// calibrateBy runs the command with answers typed on its terminal.
func calibrateBy(t *testing.T, answers string, args ...string) (out string, code int) {
	t.Helper()
	var b bytes.Buffer
	code = dispatch(&app{t.Context(), strings.NewReader(answers), &b, &b}, append([]string{"calibrate"}, args...))
	return b.String(), code
}

func TestCalibrateRunningBox(t *testing.T) {
	dir := t.TempDir()
	book := accesstest.Book(t, dir)
	code := book.Code()
	secure, err := access.SelfMade(dir, []string{"127.0.0.1"}, nil)
	if err != nil {
		t.Fatal(err)
	}
	keeper, err := access.NewKeeper(dir, book, false, true)
	if err != nil {
		t.Fatal(err)
	}
	c, url := serveCal(t, keeper, secure)
	right, wrong := filepath.Join(dir, "right"), filepath.Join(dir, "wrong")
	for path, text := range map[string]string{right: calPhrase + "\n", wrong: strings.Repeat("x", 100)} {
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	ice := []string{"temperature", "-channel", "water_c", "-url", url}
	known := append(ice, "-fingerprint", access.Fingerprint(secure))
	refused := func(why string, args ...string) {
		t.Helper()
		if out, code := calibrateBy(t, "", args...); code != 1 || !strings.Contains(out, why) {
			t.Errorf("want %q, got code %d: %s", why, code, out)
		}
	}
	refused("-fingerprint and the SHA-256", ice...)
	refused("another fingerprint", append(ice, "-fingerprint", strings.Repeat("00", 32))...)
	refused("make the first one", known...)
	if err := book.Begin(code, "Kim", calPhrase); err != nil {
		t.Fatal(err)
	}
	if err := book.Add("Lee", calPhrase, access.Operate); err != nil {
		t.Fatal(err)
	}
	refused("with -by", known...)
	refused("-phrase-file", append(known, "-by", "Kim")...)
	refused("takes somebody who may administer", append(known, "-by", "Lee", "-phrase-file", right)...)
	refused("https://", append([]string{"temperature", "-channel", "water_c"}, "-url", strings.Replace(url, "https", "http", 1))...)

	out, got := calibrateBy(t, "ice\n\n\n\nslush\n0.25\nno\nyes\n", append(known, "-by", "Kim", "-phrase-file", right)...)
	if got != 0 || !strings.Contains(out, "kept at the box") {
		t.Fatalf("code %d: %s", got, out)
	}
	list, err := c.j.EveryCalibration(t.Context(), 9)
	if err != nil || len(list) != 1 || list[0].By != "Kim" || list[0].After.Offset != -0.25 || list[0].Note != "slush" || len(c.calibrations) != 1 {
		t.Errorf("kept %+v, %v", list, err)
	}
	// What can't be relied on is not taken, but may be said.
	c.show("water_c", "bad", 0.25)
	out, got = calibrateBy(t, "ice\n\n\n\n\n\n0.125\nno\nno\n", append(known, "-by", "Kim", "-phrase-file", right)...)
	if got != 0 || !strings.Contains(out, "water_c is bad: as shown") || !strings.Contains(out, "becomes ×1.0000 -0.375") || !strings.Contains(out, "nothing is kept") {
		t.Errorf("code %d: %s", got, out)
	}
	// Guessing is slowed down, and said so.
	for range 5 {
		refused("do not go together", append(known, "-by", "Kim", "-phrase-file", wrong)...)
	}
	refused("Too many tries", append(known, "-by", "Kim", "-phrase-file", right)...)
}

// TestCalibrateOpenBox: no sign-in; a record kept by somebody else in between is
// not written over, and a file of points goes the same way.
func TestCalibrateOpenBox(t *testing.T) {
	c, url := serveCal(t, nil, nil)
	points := filepath.Join(t.TempDir(), "points")
	if err := os.WriteFile(points, []byte(`{"channel": "water_c", "corrected": true, "temperature": {"readings": [0.125]}}`), 0o600); err != nil {
		t.Fatal(err)
	}
	a := &app{t.Context(), strings.NewReader(""), io.Discard, io.Discard}
	page, err := reachBox(a, url, "", "", nil)
	if err != nil {
		t.Fatal(err)
	}
	var out bytes.Buffer
	if out, code := calibrateBy(t, "", "-points", points, "-by", "Ada", "-url", url); code != 0 || !strings.Contains(out, "offset -0.125") {
		t.Fatalf("code %d: %s", code, out)
	}
	page.apart = time.Millisecond
	g := newGuide(&app{t.Context(), strings.NewReader("Lee\nice\n\n\n\n\n\nno\nyes\nno\n"), &out, &out}, page)
	g.live = page
	if err := g.run(ways()["temperature"], calibration.Request{Channel: "water_c"}); err != nil || !strings.Contains(out.String(), "0.25 °C, the mean") || !strings.Contains(out.String(), "another calibration was kept") {
		t.Errorf("%v: %s", err, &out)
	}
	if list, err := c.j.EveryCalibration(t.Context(), 9); err != nil || len(list) != 1 || list[0].By != "Ada" {
		t.Errorf("kept %+v, %v", list, err)
	}
	if out, code := calibrateBy(t, "", "temperature", "-channel", "water_c", "-url", "http://127.0.0.1:1"); code != 1 || !strings.Contains(out, "cannot reach the box") {
		t.Errorf("code %d: %s", code, out)
	}
}

// TestWatchedBucket: time and litres of a bucket come from the box, its water from
// the scales. By hand: 24.9 kg at 20 °C are 24.9·1.0029 = 24.972 L (ISO 8655-6,
// from memory) where the meter has 25.50 L.
func TestWatchedBucket(t *testing.T) {
	c, url := serveCal(t, nil, nil)
	var out bytes.Buffer
	a := &app{t.Context(), strings.NewReader("Lee\nscales\n\n0.05\n90\n\n\n\n24.9 stone\n24.9 kg\n20\nno\nyes\n"), &out, &out}
	page, err := reachBox(a, url, "", "", nil)
	if err != nil {
		t.Fatal(err)
	}
	g := newGuide(a, page)
	g.live = page
	begun := time.Now().Add(-time.Hour)
	totals := []float64{100, 125.5}
	g.now = func() time.Time { // asked as each of the bucket's ends is told
		begun = begun.Add(80 * time.Second)
		if len(totals) > 0 {
			c.showTotal(totals[0])
			totals = totals[1:]
		}
		return begun
	}
	c.showTotal(100)
	if err := g.run(ways()["flow"], calibration.Request{Channel: "main_flow_lpm"}); err != nil {
		t.Fatalf("%v: %s", err, &out)
	}
	if !strings.Contains(out.String(), "80 s, 25.50 L by the meter") || !strings.Contains(out.String(), "one of: L, kg") {
		t.Errorf("%s", &out)
	}
	list, err := c.j.EveryCalibration(t.Context(), 9)
	if err != nil || len(list) != 1 || math.Abs(list[0].After.Gain-24.972/25.5) > 1e-4 || list[0].Standard.Limit != 0.05 || list[0].Next.Sub(list[0].Wall) != 90*24*time.Hour {
		t.Errorf("kept %+v, %v", list, err)
	}
}

func (c *calBox) showTotal(litres float64) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.view = engine.View{Step: "ready", Board: []engine.BoardView{{Name: "main_flow_total_l", Unit: "L", Value: &litres}}}
}

// TestGuideTakesAll: a bottle's own table, and a ratio by EC, on the terminal. By
// hand: the bottle has 1345.5 µS/cm midway between its rows, and the injector
// 0.02·1580/1600.
func TestGuideTakesAll(t *testing.T) {
	for _, x := range []struct{ way, channel, answers, want string }{
		{"ec", "ec_box_us_cm", "KCl\n7\n2\n\n\nnobody\n1413\n20 1278\n25\n25 1413\n\n22.5\n1345.5\nno\nno\n", "gain 1.0000, offset +0.0 µS/cm"},
		{"ec", "ec_box_us_cm", "KCl\n7\n\n\n\nnobody\n1413\n20 1728\n25 1413\n\n22.5\n1345.5\nno\n", "check it for a misprint"},
		{"injector", calibration.Injector, "EC meter\n\n1\n\n\n2\nec\n400\n1980\n2000\n2\nno\n", "gives 1.975 %"},
		{"flow", "main_flow_lpm", "bucket\n\n0.1\n\n\n80\n11475\n450\n25\nno\nno\n", "459 pulses per litre"},
		{"pressure", "header_kpa", "gauge\n\n1\n\n\n0\n1.5\nyes\n100\n101.5\nno\nno\n", "gain 1.0000, offset -1.50 kPa, ± 1.15 kPa from 2 points"},
	} {
		var out bytes.Buffer
		a := &app{t.Context(), strings.NewReader("Lee\n" + x.answers), &out, &out}
		g := newGuide(a, nothingKept{})
		_ = g.run(ways()[x.way], calibration.Request{Channel: x.channel}) // the refused one ends with its answers
		if !strings.Contains(out.String(), x.want) {
			t.Errorf("%s: want %q in %s", x.way, x.want, &out)
		}
	}
}

type nothingKept struct{}

func (nothingKept) inForce(string) (calibration.Correction, error) { return calibration.None(), nil }
func (nothingKept) keep(calibration.Request) error                 { return nil }
