package estimate

// The supply, the water and the filter in words, and the injector's strokes, on
// courses drawn by hand. The limits are common practice, no source, but for the
// 2 psi named in supply.go.

import (
	"math"
	"testing"
	"time"

	"boxd/internal/units"
)

func TestSupplyState(t *testing.T) {
	for _, c := range []struct {
		name   string
		course func(s float64) float64 // kPa
		after  int                     // seconds
		want   SupplyState
	}{
		{"level", func(float64) float64 { return 290 }, 300, SupplySteady},
		{"level, just begun", func(float64) float64 { return 290 }, 25, SupplyUnknown},
		{"pressure switch, 60 kPa in 90 s", func(s float64) float64 { return 290 - 60*math.Mod(s, 90)/90 }, 300, SupplyPulsing},
		{"pressure switch, 15 kPa in 90 s", func(s float64) float64 { return 290 - 15*math.Mod(s, 90)/90 }, 300, SupplySteady},
		{"down by a tenth", func(s float64) float64 { return 290 - 29*step(s, 200) }, 300, SupplySteady},
		{"down by a fifth", func(s float64) float64 { return 290 - 58*step(s, 200) }, 215, SupplySagging},
		{"down and back", func(s float64) float64 { return 290 - 58*step(s, 200) + 58*step(s, 240) }, 300, SupplySteady},
		{"slowly down", func(s float64) float64 { return 290 - 0.3*max(0, s-100) }, 300, SupplySagging},
		{"gone for two seconds", func(s float64) float64 { return 290 - 285*step(s, 298) }, 299, SupplySteady},
		{"gone", func(s float64) float64 { return 290 - 285*step(s, 280) }, 300, SupplyLost},
		{"gone and back", func(s float64) float64 { return 290 - 285*step(s, 280) + 285*step(s, 290) }, 400, SupplySteady},
	} {
		b := newBench(t)
		b.set(b.e.cfg.Zone.ExpectedFlow(68.95), 68.95)
		for s := range c.after {
			b.r.Supply.Value = units.KPa(c.course(float64(s)))
			b.turn(1)
		}
		if b.o.SupplyState != c.want {
			t.Errorf("%s: %v after %d s, want %v", c.name, b.o.SupplyState, c.after, c.want)
		}
	}
}

func step(s, at float64) float64 {
	if s >= at {
		return 1
	}
	return 0
}

// TestWater: no flow with pressure behind it is a closed valve; without, a lost
// supply; with no gauge, nobody knows why.
func TestWater(t *testing.T) {
	for _, c := range []struct {
		name string
		set  func(b *bench)
		want Water
	}{
		{"runs", func(*bench) {}, WaterRunning},
		{"closed", func(b *bench) { b.set(0, 60) }, WaterClosed},
		{"no supply", func(b *bench) { b.set(0, 60); b.r.Supply.Value = 8 }, WaterNoSupply},
		{"less supply than the line holds", func(b *bench) { b.set(0, 60); b.r.Supply.Value = 45 }, WaterNoSupply},
		{"no gauge", func(b *bench) { b.set(0, 60); b.r.Supply = bad[units.KPa]() }, WaterStopped},
		{"no meter", func(b *bench) { b.r.Main = bad[units.LPerH]() }, WaterUnknown},
	} {
		b := newBench(t)
		b.full()
		c.set(b)
		if b.turn(10); b.o.Water != c.want {
			t.Errorf("%s: %v, want %v", c.name, b.o.Water, c.want)
		}
	}
}

// TestFilterState: 3 and 5 psi over clean (University of California, Maintenance
// of Microirrigation Systems); a torn screen takes less than half.
func TestFilterState(t *testing.T) {
	b := newBench(t)
	b.e.cfg.FilterWarn, b.e.cfg.FilterClean = 3*units.KPaPerPsi, 5*units.KPaPerPsi
	b.full()
	if b.turn(10); b.o.Filter != FilterUnknown {
		t.Errorf("not learnt yet, and %v", b.o.Filter)
	}
	b.turn(50) // learns 290 − 250 kPa
	for _, c := range []struct {
		out  units.KPa
		want FilterState
	}{{250, FilterClean}, {230, FilterClean}, {229, FilterLoading}, {215, FilterLoaded}, {272, FilterTorn}} {
		b.r.FilterOut.Value = c.out
		if b.turn(30); b.o.Filter != c.want {
			t.Errorf("%v kPa after the filter: %v, want %v", float64(c.out), b.o.Filter, c.want)
		}
	}
	b.set(0, 60)
	if b.turn(10); b.o.Filter != FilterUnknown {
		t.Errorf("no flow, and the filter is %v", b.o.Filter)
	}
}

// TestStrokes: a draw that swings by half around its mean every 12.5 s is 4.8
// strokes a minute; sampled every 5 s it can't be counted, and a level draw has
// no strokes to see.
func TestStrokes(t *testing.T) {
	for _, c := range []struct {
		name  string
		swing float64
		every int
		want  float64 // 0: unknown
	}{{"seen", 0.5, 1, 4.8}, {"too slow", 0.5, 5, 0}, {"level", 0, 1, 0}} {
		b := newBench(t)
		design := b.full()
		b.r.Branch = good(design.Scale(0.4))
		for s := range 120 {
			b.r.Stock.Age = time.Duration(s%c.every) * time.Second
			if s%c.every == 0 {
				b.r.Stock.Value = design.Scale(units.Ratio(0.008 * (1 + c.swing*math.Sin(2*math.Pi*float64(s)/12.5))))
			}
			b.turn(1)
		}
		switch got := b.o.Cycling; {
		case got.Known != (c.want > 0):
			t.Errorf("%s: %+v", c.name, got)
		case got.Known && math.Abs(float64(got.V)-c.want) > 0.2:
			t.Errorf("%s: %v strokes a minute, want %v", c.name, got.V, c.want)
		}
	}
}

// Two gauges whose spans are 0.5 % off, one each way, read another difference at
// another supply pressure though the screen is the same: no torn screen.
func TestTheGaugesAloneTearNoScreen(t *testing.T) {
	b := newBench(t)
	b.e.cfg.FilterWarn, b.e.cfg.FilterClean = 3*units.KPaPerPsi, 5*units.KPaPerPsi
	gauges := func(supply, diff units.KPa) {
		b.r.Supply.Value, b.r.FilterOut.Value = supply*1.005, (supply-diff)*0.995
	}
	b.full()
	b.e.filterWin.reset() // what came before is not these gauges'
	gauges(290, 3)
	b.turn(60)
	gauges(40, 1.9)
	if b.turn(60); b.o.Filter == FilterTorn || b.o.FilterDoubt < 2 {
		t.Errorf("%v: %v instead of %v, doubt %v", b.o.Filter, b.o.FilterDiff.V, b.o.FilterDiff.V-b.o.FilterExcess.V, b.o.FilterDoubt)
	}
	gauges(290, -1)
	if b.turn(60); b.o.Filter != FilterTorn {
		t.Errorf("a torn screen is %v", b.o.Filter)
	}
}
