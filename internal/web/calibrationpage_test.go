package web

// Calibrations measured on the pages, by plain forms: what is kept is what package
// calibration makes of the numbers typed and read, and nothing typed is lost.

import (
	"context"
	"encoding/json"
	"math"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	"boxd/internal/access"
	"boxd/internal/box"
	"boxd/internal/calibration"
	"boxd/internal/engine"
)

// records are calibrations as an archive keeps them.
type records struct {
	mu   sync.Mutex
	list []calibration.Record
}

func (r *records) keep(_ context.Context, points []byte, by string) (string, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	var q calibration.Request
	if err := json.Unmarshal(points, &q); err != nil {
		return "", err
	}
	q.By = by
	rec, err := calibration.Make(q, calibration.InForce(r.list, q.Channel), time.Now())
	if err == nil {
		r.list = append(r.list, rec)
	}
	return rec.Text, err
}

func (r *records) inForce() ([]byte, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	return json.Marshal(append([]calibration.Record{}, r.list...))
}

func (r *records) last(t *testing.T, n int) calibration.Record {
	t.Helper()
	if len(r.list) != n {
		t.Fatalf("%d records kept, want %d", len(r.list), n)
	}
	return r.list[n-1]
}

// calibrated is a box whose instruments can be calibrated, between runs, with Kim.
func calibrated(t *testing.T) (*server, *fakeCore, *records, person) {
	t.Helper()
	core, kept := newFakeCore(viewAt("ready")), &records{}
	core.publish(func(v *engine.View) { v.Run = "" })
	sources := map[string]string{}
	for c := box.UnknownChannel + 1; c < box.NumChannels; c++ {
		sources[c.Info().Column] = "wired"
	}
	s := newServer(core, nil, Options{Box: "north-box", Units: "us", Keeper: kimAnd(t, "Lee", access.Operate), Calibrate: kept.keep, Calibrations: kept.inForce,
		About: About{Sources: sources}})
	s.apart = time.Millisecond
	srv := httptest.NewServer(s.handler())
	t.Cleanup(srv.Close)
	return s, core, kept, newPerson(t, srv, "Kim")
}

// shows has the core show a channel so.
func shows(core *fakeCore, c box.Channel, v float64, quality string) {
	core.publish(func(view *engine.View) {
		for i := range view.Channels {
			if view.Channels[i].Column == c.Info().Column {
				view.Channels[i].Value, view.Channels[i].Quality, view.Channels[i].Why = &v, quality, "as shown"
			}
		}
	})
}

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s is %v, want %v", what, got, want)
	}
}

func TestAGaugeIsCalibratedOnThePage(t *testing.T) {
	_, core, kept, kim := calibrated(t)
	const at = "/calibration/supply_kpa"
	post := func(want int, fields ...string) string {
		t.Helper()
		code, to := kim.post(at, fields...)
		if code != want {
			t.Fatalf("%v: %d %s", fields, code, to)
		}
		return to
	}
	shows(core, box.SupplyPressure, 3.5, "good")
	post(http.StatusSeeOther, "do", "vented")
	// Nothing to be relied on is not taken, and what was typed stays.
	shows(core, box.SupplyPressure, 3.5, "bad")
	if body := post(http.StatusConflict, "do", "point", "gauge", "31 psi"); !strings.Contains(body, "as shown") || !strings.Contains(body, `value="31 psi"`) {
		t.Errorf("a bad reading: %s", body)
	}
	shows(core, box.SupplyPressure, 208, "good")
	if body := post(http.StatusConflict, "do", "point", "gauge", "thirty"); !strings.Contains(body, "is no pressure") || !strings.Contains(body, `value="thirty"`) {
		t.Errorf("no pressure: %s", body)
	}
	post(http.StatusSeeOther, "do", "point", "gauge", "30 psi")
	post(http.StatusSeeOther, "do", "point", "gauge", "5 psi") // misread
	if _, _, body := kim.get(at); !strings.Contains(body, `id="not-yet"`) {
		t.Errorf("a point off the line makes a result: %s", body)
	}
	post(http.StatusSeeOther, "do", "drop:2")
	_, _, body := kim.get(at)
	if !strings.Contains(body, `id="found"`) || strings.Contains(body, `data-point="2"`) {
		t.Errorf("no result: %s", body)
	}
	// In a run the baselines stand on the readings as they are.
	core.publish(func(v *engine.View) { v.Run = "run-0007" })
	if body := post(http.StatusConflict, "do", "keep", "standard", "test gauge"); !strings.Contains(body, "A run is under way") || !strings.Contains(body, `data-point="1"`) || !strings.Contains(body, `value="test gauge"`) {
		t.Errorf("kept in a run: %s", body)
	}
	core.publish(func(v *engine.View) { v.Run = "" })
	post(http.StatusConflict, "do", "keep", "days", "soon")
	post(http.StatusSeeOther, "do", "keep", "standard", "test gauge", "limit", "0.25 psi", "days", "90")
	// By hand: 30 psi are 206.8427 kPa (NIST SP 811), 0 and 206.8427 over 3.5 and 208.
	r := kept.last(t, 1)
	near(t, "gain", r.After.Gain, 206.8427/204.5, 1e-5)
	near(t, "offset", r.After.Offset, -3.5*206.8427/204.5, 1e-3)
	near(t, "limit", r.Standard.Limit, 0.25*6.894757, 1e-5)
	if r.By != "Kim" || r.Standard.Name != "test gauge" || r.Next.Sub(r.Wall).Round(24*time.Hour) != 90*24*time.Hour {
		t.Errorf("kept %+v", r)
	}
	if _, _, body := kim.get(at + "?kept"); !strings.Contains(body, `id="kept"`) || strings.Contains(body, `id="points"`) || !strings.Contains(body, "by Kim") {
		t.Errorf("after keeping: %s", body)
	}
	// What is measured next is measured through it.
	shows(core, box.SupplyPressure, 1, "good")
	post(http.StatusSeeOther, "do", "vented")
	post(http.StatusSeeOther, "do", "keep")
	near(t, "the second offset", kept.last(t, 2).After.Offset, r.After.Offset-1, 1e-9)
}

func TestAProbeIsCalibratedOnThePage(t *testing.T) {
	_, core, kept, kim := calibrated(t)
	const at = "/calibration/ec_box_us_cm"
	shows(core, box.BoxEC, 1400, "good")
	for _, bad := range [][]string{{"at25", "1413"}, {"at25", "1413 µS/cm", "celsius", "warm"}, {"at25", "1413 µS/cm", "celsius", "77 °F", "table", "20"}} {
		if code, body := kim.post(at, append(bad, "do", "point")...); code != http.StatusConflict || !strings.Contains(body, `value="`+bad[1]+`"`) {
			t.Errorf("%v: %d", bad, code)
		}
	}
	kim.post(at, "do", "point", "at25", "1413 µS/cm", "celsius", "77 °F", "table", "")
	shows(core, box.BoxEC, 2700, "good")
	kim.post(at, "do", "point", "at25", "2.77 mS/cm", "celsius", "25 °C")
	if code, to := kim.post(at, "do", "keep"); code != http.StatusSeeOther {
		t.Fatal(code, to)
	}
	r := kept.last(t, 1) // by hand: (2770 - 1413)/(2700 - 1400)
	near(t, "gain", r.After.Gain, 1357.0/1300, 1e-9)
	near(t, "offset", r.After.Offset, 1413-1400*1357.0/1300, 1e-6)
}

func TestAMeterIsCalibratedOnThePage(t *testing.T) {
	s, core, kept, kim := calibrated(t)
	const at = "/calibration/main_flow_lpm"
	count := func(litres float64) {
		core.publish(func(v *engine.View) {
			v.Board = []engine.BoardView{{Name: "main_flow_total_l", Unit: "L", Value: &litres}}
		})
	}
	count(100)
	kim.post(at, "do", "fill")
	count(99)
	if code, body := kim.post(at, "do", "full"); code != http.StatusConflict || !strings.Contains(body, "not watched") {
		t.Errorf("a count that fell: %d", code)
	}
	count(100)
	kim.post(at, "do", "fill")
	s.desk.job("Kim", box.MainFlow).filling.began = time.Now().Add(-80 * time.Second)
	count(125.5)
	kim.post(at, "do", "full")
	if code, body := kim.post(at, "do", "point", "water", "a lot"); code != http.StatusConflict || !strings.Contains(body, `id="filled"`) || !strings.Contains(body, `value="a lot"`) {
		t.Errorf("no volume: %d %s", code, body)
	}
	kim.post(at, "do", "point", "water", "6.6043 gal") // 25.000 L (NIST SP 811: 3.785412 L)
	if code, to := kim.post(at, "do", "keep"); code != http.StatusSeeOther {
		t.Fatal(code, to)
	}
	near(t, "gain", kept.last(t, 1).After.Gain, 25/25.5, 1e-5)
}

func TestOnlyInstrumentsAreCalibrated(t *testing.T) {
	s, core, _, kim := calibrated(t)
	delete(s.opts.About.Sources, "header_kpa")
	for _, path := range []string{"/calibration/header_kpa", "/calibration/nothing", "/calibration/header_kpa/now"} {
		if code, _, _ := kim.get(path); code != http.StatusNotFound {
			t.Errorf("%s: %d", path, code)
		}
	}
	core.setAge(time.Minute)
	if _, _, body := kim.get("/calibration/supply_kpa/now"); !strings.Contains(body, "do not rely") {
		t.Errorf("a core that is silent: %s", body)
	}
	if code, body := kim.post("/calibration/supply_kpa", "do", "vented"); code != http.StatusConflict {
		t.Errorf("taken from a silent core: %d %s", code, body)
	}
}
