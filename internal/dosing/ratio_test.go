package dosing

// Ratio arithmetic against published conventions and checks.

import (
	"math"
	"testing"

	"boxd/internal/units"

	"pgregory.net/rapid"
)

// 1:50 is 2 %, 1:100 1 %, 1:200 0.5 % (New England greenhouse update). In
// total it is 1 + 49 (University of Maryland FS-1121); per water 1 + 50, which
// is 4.76, 3.85, 1.96 and 0.99 % less.
func TestConventionsDiffer(t *testing.T) {
	for n, less := range map[float64]float64{20: 4.76, 25: 3.85, 50: 1.96, 100: 0.99} {
		r := OneIn(n)
		near(t, "per cent", r.Percent(), 100/n, 1e-12)
		diff := 1 - float64(StockPerWater.InTotal(r)/StockInTotal.InTotal(r))
		near(t, "difference, %", 100*diff, less, 0.005)
		near(t, "back", StockPerWater.FromTotal(StockPerWater.InTotal(r)), r, 1e-15)
	}
}

// 20 gal collected at 1:50 takes 51.2 fl oz of stock, at 1:100 25.6.
func TestRatioFromVolumes(t *testing.T) {
	for oz, want := range map[float64]units.Ratio{51.2: 0.02, 25.6: 0.01} {
		got := must(RatioFromVolumes(20*units.LitrePerUSGallon, units.Litre(oz*units.MLPerUSFluidOunce/1000)))(t)
		within(t, "ratio", got, want, 0.001)
	}
	for _, c := range [][2]units.Litre{{20, 0}, {1, 2}, {20, -1}, {units.Litre(math.Inf(1)), 1}, {20, units.Litre(math.NaN())}} {
		if r, err := RatioFromVolumes(c[0], c[1]); err == nil {
			t.Errorf("%v of %v: %v, want an error", c[1], c[0], r)
		}
	}
}

// Extension's jar check: water 0.35, jar at 2 % 2.05, line 1.88 mS/cm → 1.80 %.
func TestRatioFromEC(t *testing.T) {
	r := must(RatioFromEC(0.02, 350, 2050, 1880))(t)
	near(t, "per cent", r.Percent(), 1.80, 0.01)
	if JudgeRatio(r, 0.02) != RatioService {
		t.Errorf("10 %% low is %v", JudgeRatio(r, 0.02))
	}
	for _, c := range [][3]units.USPerCm{{350, 350, 400}, {350, 449, 400}, {-1, 2000, 1000}, {350, units.USPerCm(math.NaN()), 400}, {350, 2000, units.USPerCm(math.NaN())}} {
		if r, err := RatioFromEC(0.02, c[0], c[1], c[2]); err == nil {
			t.Errorf("%v: %v, want an error", c, r)
		}
	}
}

// More than 5 % off is for service (University of Georgia B1237); the others
// are common practice, no source.
func TestJudgeRatio(t *testing.T) {
	for _, c := range []struct {
		measured units.Ratio
		want     RatioVerdict
	}{
		{0.0200, RatioGood}, {0.0191, RatioGood}, {0.0189, RatioService}, {0.0211, RatioService}, {0.0179, RatioWarn}, {0.0221, RatioWarn},
		{0.0149, RatioAlarm}, {0.0251, RatioAlarm}, {0.0039, RatioNotDrawing}, {0, RatioNotDrawing}, {0.031, RatioFar},
		{-1, RatioUnknown}, {units.Ratio(math.NaN()), RatioUnknown},
	} {
		if got := JudgeRatio(c.measured, 0.02); got != c.want {
			t.Errorf("%v of 0.02 is %v, want %v", c.measured, got, c.want)
		}
	}
	if JudgeRatio(0.02, 0) != RatioUnknown {
		t.Error("without a nominal ratio there is no verdict")
	}
}

// A branch of a third of the flow at 2 % is 0.667 % in the field; all the flow
// through the injector is the dial's own ratio (mass balance).
func TestBypassDilutes(t *testing.T) {
	near(t, "a third", FieldRatio(0.02, 500, 1500), 0.02/3, 1e-15)
	s := Injector{Ratio: 0.02, Convention: StockInTotal, RatedFlow: 500}.Split(1500)
	near(t, "stock", s.Stock, 10, 1e-12)
	near(t, "water", s.Water, 1490, 1e-12)
	near(t, "bypass: what the branch mixture leaves", s.Bypass, 1000, 1e-12)
	near(t, "field", s.Field, 0.02/3, 1e-15)
	s = Injector{Ratio: 0.02, Convention: StockPerWater, RatedFlow: 500}.Split(1500)
	near(t, "stock per water", s.Stock, 10, 1e-12)
	near(t, "bypass", s.Bypass, 990, 1e-12)
	near(t, "field per water", s.Field, 10.0/1490, 1e-15)
	if r, err := BranchRatio(0.01, 0, 100); err == nil {
		t.Errorf("no branch flow: %v, want an error", r)
	}
	if r, err := BranchRatio(0.01, 200, 100); err == nil {
		t.Errorf("more branch than block: %v, want an error", r)
	}
}

func TestSplitIdentities(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		i := Injector{Ratio: units.Ratio(rapid.Float64Range(0.001, 0.2).Draw(t, "r")), RatedFlow: units.LPerH(rapid.Float64Range(1, 5000).Draw(t, "rated")),
			Convention: rapid.SampledFrom([]Convention{StockInTotal, StockPerWater}).Draw(t, "convention")}
		total := units.LPerH(rapid.Float64Range(1, 8000).Draw(t, "total"))
		s := i.Split(total)
		same := func(what string, a, b float64) {
			if math.Abs(a-b) > 1e-9*math.Max(math.Abs(a), math.Abs(b))+1e-9 {
				t.Fatalf("%s: %v and %v", what, a, b)
			}
		}
		denominator := s.Total
		if i.Convention == StockPerWater {
			denominator = s.Water
		}
		same("field ratio is r·Q_branch/Q_total", float64(s.Field), float64(FieldRatio(i.Ratio, s.Branch, denominator)))
		back, err := BranchRatio(s.Field, s.Branch, denominator*(1+1e-12))
		if err != nil {
			t.Fatal(err)
		}
		same("and back", float64(back), float64(i.Ratio))
		same("water and stock", float64(s.Water+s.Stock), float64(total))
		same("stock in total", float64(s.FieldInTotal), float64(s.Stock/total))
		if s.Branch > i.RatedFlow {
			t.Fatalf("branch %v above rated %v", s.Branch, i.RatedFlow)
		}
		if s.Bypass < 0 || s.Field > i.Ratio*(1+1e-12) {
			t.Fatalf("%+v", s)
		}
		if s.Bypass == 0 {
			same("all through the injector", float64(s.Field), float64(i.Ratio))
		}
	})
}
