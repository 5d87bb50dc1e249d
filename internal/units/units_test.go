package units

// Arithmetic across quantities, by hand.

import (
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"
)

func TestArithmetic(t *testing.T) {
	for i, c := range []struct{ got, want float64 }{
		{float64(LPerMin(13.2)), 792},
		{LPerH(792).LPerMin(), 13.2},
		{float64(LPerH(120).Over(90 * time.Second)), 3},
		{float64(GPerL(75).Times(12)), 900},
		{float64(Litre(40).Scale(1.025)), 41},
		{float64(LPerH(144).Scale(0.4)), 57.6},
		{float64(LPerH(36).Of(144)), 0.25},
		{float64(LPerH(36).Of(0)), 0},
		{float64(LPerH(36).Of(LPerH(math.NaN()))), 0},
		{Ratio(0.02).Percent(), 2},
		{float64(Percent(1.5)), 0.015},
		{float64(MM(15.9).Area()), 1.98557e-4},     // π·0.00795²
		{float64(Metre(30).Bore(15.9)), 5.95671},   // a 30 m tape holds six litres
		{float64(Metre(100).Bore(28)), 61.5752160}, // 0.616 L a metre
	} {
		if math.Abs(c.got-c.want) > 1e-5*math.Max(1, math.Abs(c.want)) {
			t.Errorf("row %d: %v, want %v", i, c.got, c.want)
		}
	}
}

// TestAt: no flow never finishes, and what takes eleven years is no time to tell.
func TestAt(t *testing.T) {
	if d, ok := Litre(12).At(144); !ok || d != 5*time.Minute {
		t.Errorf("12 L at 144 L/h take %v, %v", d, ok)
	}
	for _, q := range []LPerH{0, -1, 1e-9, LPerH(math.NaN())} {
		if d, ok := Litre(12).At(q); ok {
			t.Errorf("at %v L/h it takes %v", q, d)
		}
	}
}

// TestOverAt: what a flow makes in a time takes it that time.
func TestOverAt(t *testing.T) {
	rapid.Check(t, func(draw *rapid.T) {
		q := LPerH(rapid.Float64Range(0.1, 1e5).Draw(draw, "flow"))
		d := time.Duration(rapid.Int64Range(1, int64(24*time.Hour)).Draw(draw, "time"))
		back, ok := q.Over(d).At(q)
		if !ok || math.Abs(float64(back-d)) > 1e-9*float64(d)+1 {
			draw.Fatalf("%v came back as %v, %v", d, back, ok)
		}
	})
}

func TestFinite(t *testing.T) {
	for x, want := range map[float64]bool{0: true, -1e300: true, math.Inf(1): false, math.Inf(-1): false} {
		if Finite(KPa(x)) != want {
			t.Errorf("%v", x)
		}
	}
	if Finite(KPa(math.NaN())) {
		t.Error("NaN is no number")
	}
}

func TestSystems(t *testing.T) {
	for _, s := range []System{Metric, US} {
		if got, ok := SystemByName(s.String()); !ok || got != s {
			t.Errorf("%v comes back as %v, %v", s, got, ok)
		}
	}
	if _, ok := SystemByName("imperial"); ok {
		t.Error("there is no such system")
	}
}

// TestEveryUnitReads: each unit's own spelling is read, and one of it is its
// factor and offset.
func TestEveryUnitReads(t *testing.T) {
	read := map[string]func(string) (float64, error){
		"a pressure":         func(s string) (float64, error) { v, err := ParseKPa(s); return float64(v), err },
		"a flow":             func(s string) (float64, error) { v, err := ParseLPerH(s); return float64(v), err },
		"a volume":           func(s string) (float64, error) { v, err := ParseLitre(s); return float64(v), err },
		"a temperature":      func(s string) (float64, error) { v, err := ParseCelsius(s); return float64(v), err },
		"a conductivity":     func(s string) (float64, error) { v, err := ParseUSPerCm(s); return float64(v), err },
		"a share":            func(s string) (float64, error) { v, err := ParseRatio(s); return float64(v), err },
		"a mass":             func(s string) (float64, error) { v, err := ParseGram(s); return float64(v), err },
		"an area":            func(s string) (float64, error) { v, err := ParseM2(s); return float64(v), err },
		"a voltage":          func(s string) (float64, error) { v, err := ParseVolt(s); return float64(v), err },
		"a resistance":       func(s string) (float64, error) { v, err := ParseOhm(s); return float64(v), err },
		"a mass in a volume": func(s string) (float64, error) { v, err := ParseGPerL(s); return float64(v), err },
	}
	for _, k := range []kind{pressures(), flows(), volumes(), temperatures(), conductivities(), ratios(), masses(), areas(), concentrations(), voltages(), resistances()} {
		for _, u := range k.units {
			got, err := read[k.name]("2 " + u.name)
			if want := 2*u.factor + u.offset; err != nil || math.Abs(got-want) > 1e-12*math.Abs(want) {
				t.Errorf("2 %s: %v, %v; want %v", u.name, got, err, want)
			}
		}
		if got, err := read[k.name](k.example); err != nil || got <= 0 {
			t.Errorf("the example %q of %s: %v, %v", k.example, k.name, got, err)
		}
	}
}
