package simbox

// The plant is checked against a run of a block that EPANET solved (testdata),
// against balances that must close whatever the recipe, and against the
// numbers the instruments are specified with. Most tests run without noise and
// look at the truth; the tests of the instruments look at the samples.

import (
	"encoding/json"
	"math"
	"os"
	"reflect"
	"testing"
	"time"

	"boxd/internal/box"
	"boxd/internal/units"

	"pgregory.net/rapid"
)

type reference struct {
	TotalFlow  float64            `json:"total_flow_l_h"`
	Setpoint   float64            `json:"setpoint_kpa"`
	LineVolume float64            `json:"line_volume_l"`
	Travel     float64            `json:"travel_to_far_end_s"`
	Baseline   float64            `json:"baseline_us_cm"`
	Rise       float64            `json:"rise_at_box_us_cm"`
	Opened     int                `json:"main_valve_opened"`
	Full       int                `json:"lines_full"`
	On         int                `json:"injection_start"`
	Off        int                `json:"injection_end"`
	Half       int                `json:"far_end_reaches_50pct_of_rise"`
	Clear      int                `json:"far_end_within_5pct_for_good"`
	ProbeClear int                `json:"far_end_probe_within_5pct_for_good"`
	SD         map[string]float64 `json:"pressure_sd_kpa"`
}

func loadReference(t testing.TB) reference {
	t.Helper()
	raw, err := os.ReadFile("testdata/tunnel-6x30.json")
	if err != nil {
		t.Fatal(err)
	}
	var r reference
	if err := json.Unmarshal(raw, &r); err != nil {
		t.Fatal(err)
	}
	return r
}

// spec is the reference block as one far emitter and a near half, with the
// injection that made the reference's rise.
func (r reference) spec() Spec {
	far := units.Litre(r.TotalFlow * r.Travel / 3600)
	branch := r.TotalFlow * 0.4
	return Spec{
		Paths:      []Path{{Row: 0, Share: 1, Volume: far / 4}, {Row: 0, Share: 1, Volume: far / 2}, {Row: 5, Share: 2, Volume: far}},
		LineVolume: units.Litre(r.LineVolume),
		Flow:       func(p units.KPa) units.LPerH { return units.LPerH(r.TotalFlow * math.Sqrt(float64(p)/r.Setpoint)) },
		Inlet:      units.KPa(r.Setpoint),
		Baseline:   units.USPerCm(r.Baseline),
		StockRise:  units.USPerCm(r.Rise / (0.02 * 0.4)),
		Injector:   Injector{Ratio: 0.02, Branch: units.LPerH(branch)},
		Quiet:      true,
	}
}

func run(p *Plant, d time.Duration) {
	for ; d > 0; d -= time.Second {
		p.Step(time.Second)
	}
}

func running(t testing.TB) *Plant {
	t.Helper()
	s := loadReference(t).spec()
	s.LinesFull = true
	p := New(s, 1)
	p.Do(box.MainOpen)
	run(p, 3*time.Minute)
	return p
}

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if math.IsNaN(got) || math.Abs(got-want) > tol {
		t.Errorf("%s = %.6g, want %.6g ± %.3g", what, got, want, tol)
	}
}

func sampleOf(p *Plant, c box.Channel) (box.Sample, bool) {
	for _, s := range p.Samples(nil) {
		if s.Channel == c {
			return s, true
		}
	}
	return box.Sample{}, false
}

// TestReferenceRun does what the person of the EPANET run did, at the same
// times, and expects the same times at the far end (tolerance: that of the
// reference, 15 s).
func TestReferenceRun(t *testing.T) {
	r := loadReference(t)
	p := New(r.spec(), 1)
	full, half, clear, probe := 0, 0, 0, 0
	for s := 0; s < 3000; s++ {
		deedsAt(p, r, s)
		run(p, time.Second)
		tr := p.Truth()
		rise := float64(tr.EndEC) - r.Baseline
		if full == 0 && tr.Filled >= 1 {
			full = s
		}
		if half == 0 && rise > r.Rise/2 {
			half = s
		}
		if rise > 0.05*r.Rise {
			clear = s + 1
		}
		if v, _ := sampleOf(p, box.EndEC); v.Value-r.Baseline > 0.05*r.Rise {
			probe = s + 1
		}
	}
	t.Logf("full %d, half %d, clear %d, probe clear %d", full, half, clear, probe)
	near(t, "lines full, s", float64(full), float64(r.Full), 15)
	near(t, "half of the rise at the far end, s", float64(half), float64(r.Half), 15)
	near(t, "far end clear, s", float64(clear), float64(r.Clear), 15)
	near(t, "far-end probe clear, s", float64(probe), float64(r.ProbeClear), 15)
}

func deedsAt(p *Plant, r reference, s int) {
	switch s {
	case r.Opened:
		p.Do(box.MainOpen)
	case r.On - 14:
		p.Do(box.InjectorOn)
	case r.On:
		p.Do(box.LoopThrottled)
	case r.Off:
		p.Do(box.LoopOpened)
	case r.Off + 7:
		p.Do(box.InjectorOff)
	}
}

// TestSteadyWater: V_e over the flow is the travel time, and the rise at the
// box is the stock's over the water's share (plain arithmetic).
func TestSteadyWater(t *testing.T) {
	r := loadReference(t)
	p := running(t)
	near(t, "header, kPa", float64(p.Truth().Header), r.Setpoint, 0.1)
	near(t, "main flow, L/h", float64(p.Truth().Main), r.TotalFlow, 0.001*r.TotalFlow)
	p.Do(box.InjectorOn)
	run(p, time.Minute)
	if b := p.Truth().Branch; b != 0 {
		t.Fatalf("branch %v with the loop valve open: nothing drives it", b)
	}
	p.Do(box.LoopThrottled)
	run(p, 2*time.Minute)
	tr := p.Truth()
	near(t, "differential, kPa", float64(tr.InjectorIn-tr.InjectorOut), 38, 0.2)
	near(t, "rise at the box", float64(tr.BoxEC)-r.Baseline, r.Rise, 0.005*r.Rise)
	near(t, "field ratio", float64(tr.FieldRatio), 0.008, 0.0001)
}

// TestMassBalance: stock drawn is stock in the lines, delivered, lost and at
// the injection point, whatever is done at the box.
func TestMassBalance(t *testing.T) {
	s := loadReference(t).spec()
	deeds := []box.Deed{box.MainOpen, box.MainClosed, box.InjectorOn, box.InjectorOff, box.LoopThrottled, box.LoopOpened, box.StockOut, box.StockIn}
	rapid.Check(t, func(t *rapid.T) {
		p := New(s, rapid.Uint64().Draw(t, "seed"))
		p.Do(box.MainOpen)
		p.Do(box.InjectorOn)
		p.Do(box.LoopThrottled)
		for range rapid.IntRange(1, 20).Draw(t, "turns") {
			p.Do(rapid.SampledFrom(deeds).Draw(t, "deed"))
			p.Burst(units.LPerH(rapid.SampledFrom([]float64{0, 0, 100, 900}).Draw(t, "burst")))
			p.Step(time.Duration(rapid.IntRange(1, 600).Draw(t, "s")) * time.Second)
		}
		tr := p.Truth()
		sum := p.InLines() + tr.Lost + tr.Mixing
		for _, d := range p.Delivered() {
			if d < 0 {
				t.Fatalf("delivered %v", d)
			}
			sum += d
		}
		if math.Abs(float64(sum-tr.Drawn)) > 1e-9*(1+float64(tr.Drawn)) || math.Abs(float64(tr.Tank+tr.Drawn)-20) > 1e-6 {
			t.Fatalf("drawn %v, accounted for %v, tank %v", tr.Drawn, sum, tr.Tank)
		}
		if p.InLines() < -1e-9 {
			t.Fatalf("in lines %v", p.InLines())
		}
	})
}

// TestFlushedDelivery: after a full flush every path has had its share.
func TestFlushedDelivery(t *testing.T) {
	p := running(t)
	p.Do(box.InjectorOn)
	p.Do(box.LoopThrottled)
	run(p, 10*time.Minute)
	if p.ClearAt(70) != true {
		t.Fatal("far end fertilised before its water came")
	}
	p.Do(box.LoopOpened)
	run(p, 15*time.Minute)
	if p.ClearAt(70) {
		t.Fatal("far end clear while the slug passes")
	}
	run(p, 30*time.Minute)
	if !p.ClearAt(70) {
		t.Fatal("far end not clear after the flush")
	}
	got, drawn := p.Delivered(), float64(p.Truth().Drawn)
	near(t, "far half's delivery", float64(got[2])/drawn, 0.5, 1e-6)
	near(t, "left in lines", float64(p.InLines())/drawn, 0, 1e-6)
}

// TestVolumeNotMinutes: a pause stops the water; the volume to arrival is the
// same.
func TestVolumeNotMinutes(t *testing.T) {
	arrive := func(pause time.Duration) float64 {
		p := running(t)
		v0 := float64(p.Truth().Passed)
		p.Do(box.InjectorOn)
		p.Do(box.LoopThrottled)
		run(p, 5*time.Minute)
		p.Do(box.MainClosed)
		run(p, pause)
		p.Do(box.MainOpen)
		for range 3600 {
			if p.ec(p.line.concAt(p.line.farthest)) > 420+700 {
				break
			}
			run(p, time.Second)
		}
		return float64(p.Truth().Passed) - v0
	}
	near(t, "volume to arrival after a pause, L", arrive(20*time.Minute), arrive(0), 0.4)
}

func TestStepLengthDoesNotMatter(t *testing.T) {
	course := func(dt time.Duration) []box.Sample {
		s := loadReference(t).spec()
		s.Quiet, s.PumpBand = false, 40
		p := New(s, 9)
		p.Do(box.MainOpen)
		for range 20 * time.Minute / dt {
			p.Step(dt)
		}
		return p.Samples(nil)
	}
	want := course(time.Second)
	for _, dt := range []time.Duration{Tick, 250 * time.Millisecond, 5 * time.Second} {
		if got := course(dt); !reflect.DeepEqual(got, want) {
			t.Errorf("steps of %v: %v, want %v", dt, got, want)
		}
	}
}

func TestSeedRepeats(t *testing.T) {
	log := func(seed uint64, drop bool) (out []box.Sample) {
		s := loadReference(t).spec()
		s.Quiet = false
		p := New(s, seed)
		p.Do(box.MainOpen)
		if drop {
			p.Drop(box.BoxEC)
		}
		for range 600 {
			p.Step(time.Second)
			for _, v := range p.Samples(nil) {
				if v.Channel != box.BoxEC {
					out = append(out, v)
				}
			}
		}
		return out
	}
	if !reflect.DeepEqual(log(5, false), log(5, false)) {
		t.Error("same seed, different samples")
	}
	if !reflect.DeepEqual(log(5, false), log(5, true)) {
		t.Error("a dropped channel changed the others")
	}
	if reflect.DeepEqual(log(5, false), log(6, false)) {
		t.Error("different seeds, same samples")
	}
}
