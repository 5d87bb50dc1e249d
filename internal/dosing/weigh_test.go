package dosing

// The three weighings against one hand-worked run: 12.54 L of 75 g/L stock,
// 940.5 g of 15.5-0-0 in 627 L, rising EC by 1.74 mS/cm (Robinson and Stokes'
// formula), through a branch that carried 627 L at 2 %.

import (
	"math"
	"strings"
	"testing"

	"boxd/internal/say"
	"boxd/internal/units"

	"pgregory.net/rapid"
)

func ran() Evidence {
	return Evidence{Mix: Mix{{product(CalciumNitrateDouble), 1}}, Strength: 75,
		Drawn: Quantity[units.Litre]{Value: 12.54}, Rise: Quantity[units.USPerCm]{Value: 1740}, Passed: Quantity[units.Litre]{Value: 627},
		Branch: Quantity[units.Litre]{Value: 627}, Ratio: 0.02, Convention: StockInTotal}
}

func TestThreeWeighingsAgree(t *testing.T) {
	w := Weigh(ran())
	for _, x := range w.All {
		if !x.Known {
			t.Fatalf("by %v: %s", x.Method, x.Why)
		}
		within(t, x.Method.String(), x.Stock, 12.54, 0.005)
		within(t, x.Method.String()+" product", x.Product, 940.5, 0.005)
		within(t, x.Method.String()+" N", x.Gives.N, 145.78, 0.005)
		if x.StockStd <= 0 || x.ProductStd <= 0 {
			t.Errorf("by %v: no uncertainty", x.Method)
		}
	}
	if w.Verdict != AllAgree || len(w.Pairs) != 3 {
		t.Errorf("%v, %v", w.Verdict, w.Pairs)
	}
	within(t, "best", w.Best.Stock, 12.54, 0.005)
	for _, x := range w.All {
		if w.Best.StockStd > x.StockStd {
			t.Errorf("the best is less certain (%v) than by %v (%v)", w.Best.StockStd, x.Method, x.StockStd)
		}
	}
}

// GUM (JCGM 100:2008) 5.1: independent relative uncertainties add by squares.
func TestUncertaintiesCombine(t *testing.T) {
	w := Weigh(ran())
	within(t, "drawn", float64(w.All[0].StockStd), 12.54*0.03, 1e-9)
	within(t, "drawn, mass", float64(w.All[0].ProductStd), 940.5*math.Sqrt(0.03*0.03+0.01*0.01), 1e-9)
	within(t, "ratio", float64(w.All[2].StockStd), 12.54*math.Sqrt(0.03*0.03+0.029*0.029), 1e-9)
	within(t, "EC, mass", float64(w.All[1].ProductStd), float64(w.All[1].Product)*math.Sqrt(2*0.03*0.03+0.058*0.058), 1e-9)
	within(t, "a pair", float64(w.Pairs[1].Allowed), 2*math.Hypot(12.54*0.03, 12.54*math.Hypot(0.03, 0.029)), 1e-9)
}

func TestVerdicts(t *testing.T) {
	for _, c := range []struct {
		name    string
		how     func(*Evidence)
		verdict Verdict
		odd     Method
	}{
		{"injector worn: drew a third less than dialled", func(e *Evidence) { e.Drawn.Value, e.Rise.Value = 8.4, 1185 }, OneStandsOut, ByRatio},
		{"stock meter stuck", func(e *Evidence) { e.Drawn.Value = 2 }, OneStandsOut, ByDrawn},
		{"EC probe fouled", func(e *Evidence) { e.Rise.Value = 700 }, OneStandsOut, ByEC},
		{"nothing fits", func(e *Evidence) { e.Drawn.Value, e.Rise.Value = 5, 3500 }, NoneAgree, UnknownMethod},
		{"a staircase", func(e *Evidence) { e.Drawn.Value, e.Rise.Value = 9.9, 1540 }, Unsettled, UnknownMethod},
		{"two that agree", func(e *Evidence) { e.Rise = Absent[units.USPerCm](say.T("the EC probe is out of order")) }, AllAgree, UnknownMethod},
		{"two that don't", func(e *Evidence) {
			e.Rise = Absent[units.USPerCm](say.T("the EC probe is out of order"))
			e.Drawn.Value = 5
		}, NoneAgree, UnknownMethod},
		{"one alone", func(e *Evidence) {
			e.Rise, e.Branch = Absent[units.USPerCm](say.T("no probe")), Absent[units.Litre](say.T("no branch meter"))
		}, NoVerdict, UnknownMethod},
	} {
		e := ran()
		c.how(&e)
		w := Weigh(e)
		if w.Verdict != c.verdict || w.Odd != c.odd {
			t.Errorf("%s: %v, odd %v; want %v, %v (%+v)", c.name, w.Verdict, w.Odd, c.verdict, c.odd, w.Pairs)
		}
		if w.Best.Known == (c.verdict == NoneAgree) {
			t.Errorf("%s: best known %v", c.name, w.Best.Known)
		}
		if w.Text.Empty() {
			t.Errorf("%s: nothing said", c.name)
		}
	}
	e := ran()
	e.Drawn.Value = 2
	within(t, "the odd one is left out of the best", Weigh(e).Best.Stock, 12.54, 0.005)
}

// Urea does not conduct: the weighing by EC can't be had and says so.
func TestUreaCannotBeWeighedByEC(t *testing.T) {
	e := ran()
	e.Mix = Mix{{product(Urea), 1}}
	w := Weigh(e)
	if w.All[1].Known || !strings.Contains(w.All[1].Why.String(), "urea") || !strings.Contains(w.Text.String(), "urea") {
		t.Errorf("%+v; %s", w.All[1], w.Text)
	}
	if w.Verdict != AllAgree {
		t.Errorf("drawn and ratio still agree: %v", w.Verdict)
	}
	e.Mix = Mix{{product(Urea), 0.5}, {product(PotassiumNitrate), 0.5}}
	if w := Weigh(e); !w.All[1].Known || !strings.Contains(w.All[1].Remark.String(), "urea") {
		t.Errorf("part urea: %+v", w.All[1])
	}
}

func TestWeighRefuses(t *testing.T) {
	for name, how := range map[string]func(*Evidence){
		"unreal readings": func(e *Evidence) {
			e.Drawn.Value, e.Rise.Value, e.Branch.Value = units.Litre(math.NaN()), -5, units.Litre(math.Inf(1))
		},
		"all absent": func(e *Evidence) {
			e.Drawn, e.Passed, e.Ratio = Absent[units.Litre](say.T("none")), Absent[units.Litre](say.T("none")), 0
		},
	} {
		e := ran()
		how(&e)
		w := Weigh(e)
		for _, x := range w.All {
			if x.Known || x.Why.Empty() {
				t.Errorf("%s, by %v: %+v", name, x.Method, x)
			}
		}
		if w.Best.Known || w.Best.Why.Empty() || w.Verdict != NoVerdict {
			t.Errorf("%s: best %+v, %v", name, w.Best, w.Verdict)
		}
	}
	e := ran()
	e.Rise.Value = 5e6
	if w := Weigh(e); w.All[1].Known {
		t.Errorf("an impossible rise was weighed: %+v", w.All[1])
	}
}

// Three published examples, each weighed as if it had been a run.
func TestPublishedWeighings(t *testing.T) {
	label := func(n, ec float64) Mix {
		return Mix{{Product{Name: "blend", Form: Solid, Analysis: Analysis{N: units.Ratio(n)}, ECPerGPerL: units.USPerCm(ec)}, 1}}
	}
	// Texas A&M, greenhouse fertilizer arithmetic (ppm = oz per 100 gal × % × 75,
	// the factor rounded from 74.89): 13.33 oz/gal of a 20 % N product injected
	// 1:100 is 200 ppm N. 1000 L through the injector at stock in total.
	e := Evidence{Mix: label(0.20, 0), Strength: OuncesPerGallons(13.33, 1), Branch: Quantity[units.Litre]{Value: 1000}, Ratio: OneIn(100), Convention: StockInTotal}
	within(t, "200 ppm N in 1000 L", Weigh(e).All[2].Gives.N, 200, 0.002)

	// A university greenhouse extension note: 200 ppm N of 15-4-15 reads 1.52
	// mS/cm over the clear water. 500 L that stood 1.52 above it hold 100 g of N.
	e = Evidence{Mix: label(0.15, 1520/(0.2/0.15)), Strength: 100, Rise: Quantity[units.USPerCm]{Value: 1520}, Passed: Quantity[units.Litre]{Value: 500}}
	within(t, "100 g N by EC", Weigh(e).All[1].Gives.N, 100, 1e-6)

	// University of Maryland FS-1121: 1:50 is 1 part of stock and 49 of water. A
	// meter in the water before the injector sees the 49.
	e = Evidence{Branch: Quantity[units.Litre]{Value: 49}, Meter: MeterWater, Ratio: OneIn(50), Convention: StockInTotal}
	within(t, "1 part in 50", Weigh(e).All[2].Stock, 1, 1e-9)
}

// Without a strength litres still compare, but nothing has a mass and EC, which
// sees mass, tells no litres.
func TestLitresWithoutStrength(t *testing.T) {
	for _, strength := range []units.GPerL{0, units.GPerL(math.NaN())} {
		e := ran()
		e.Strength = strength
		w := Weigh(e)
		if !w.All[0].Known || w.All[1].Known || !w.All[2].Known || w.Verdict != AllAgree || w.Best.Massed || w.All[0].Massed {
			t.Errorf("strength %v: %+v", strength, w)
		}
		within(t, "best", w.Best.Stock, 12.54, 0.005)
	}
}

// What the branch meter counts changes the stock by the ratio: 2 % at 1:50.
func TestBranchMeterPlace(t *testing.T) {
	for _, c := range []struct {
		conv  Convention
		meter BranchMeter
		want  units.Litre
	}{
		{StockInTotal, MeterByConvention, 12.54}, {StockInTotal, MeterMixture, 12.54}, {StockInTotal, MeterWater, 12.54 / 0.98},
		{StockPerWater, MeterByConvention, 12.54}, {StockPerWater, MeterWater, 12.54}, {StockPerWater, MeterMixture, 12.54 / 1.02},
	} {
		e := ran()
		e.Convention, e.Meter = c.conv, c.meter
		within(t, c.conv.String(), Weigh(e).All[2].Stock, c.want, 1e-9)
	}
}

// ConcFor undoes ECRise for any mix that conducts.
func TestConcForUndoesECRise(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := Salt(rapid.IntRange(1, int(numSalts)-1).Draw(t, "a"))
		b := Salt(rapid.IntRange(1, int(numSalts)-1).Draw(t, "b"))
		share := units.Ratio(rapid.Float64Range(0.05, 0.95).Draw(t, "share"))
		m := Mix{{product(a), share}, {product(b), 1 - share}}
		c := units.GPerL(rapid.Float64Range(0.01, 8).Draw(t, "c"))
		r := m.ECRise(c)
		if a == Urea && b == Urea {
			if r.Known {
				t.Fatal("urea conducts")
			}
			return
		}
		if more := m.ECRise(c * 1.01); more.Rise <= r.Rise {
			t.Fatalf("more salt, less EC: %v at %v g/L, %v at 1 %% more", r.Rise, c, more.Rise)
		}
		back, ok := m.ConcFor(r.Rise)
		if !ok || math.Abs(float64(back-c)) > 1e-6*float64(c) {
			t.Fatalf("%v g/L came back as %v (%v)", c, back, ok)
		}
	})
}
