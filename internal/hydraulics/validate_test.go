package hydraulics

// Every fault must be found, all at once, at its place, with a value that would
// do. The bounds are ours; what is checked is that nothing wrong gets through.

import (
	"errors"
	"math"
	"slices"
	"strings"
	"testing"

	"boxd/internal/units"
)

func good(t testing.TB) Zone { return references(t)["tunnel-6x30"].Scenario.zone("tunnel") }

func TestReferenceZonesAreValid(t *testing.T) {
	for name, c := range references(t) {
		if f := c.Scenario.zone(name).Validate(); f != nil {
			t.Errorf("%s: %v", name, f)
		}
	}
}

func TestFaultsAreFound(t *testing.T) {
	nan := math.NaN()
	for _, c := range []struct {
		name   string
		spoil  func(*Zone)
		fields []string
	}{
		{"no pressure", func(z *Zone) { z.Inlet = 0 }, []string{"inlet"}},
		{"pressure in Pa", func(z *Zone) { z.Inlet = 68950 }, []string{"inlet"}},
		{"pressure no number", func(z *Zone) { z.Inlet = units.KPa(nan) }, []string{"inlet"}},
		{"ice", func(z *Zone) { z.Water = -3 }, []string{"water"}},
		{"no lead", func(z *Zone) { z.Lead.Length = 0 }, []string{"lead.length"}},
		{"lead without bore", func(z *Zone) { z.Lead.Bore = 0 }, []string{"lead.inside_diameter"}},
		{"bore in µm", func(z *Zone) { z.Lead.Bore = 28000 }, []string{"lead.inside_diameter"}},
		{"roughness in m", func(z *Zone) { z.Header.Roughness = 15 }, []string{"header.roughness"}},
		{"negative roughness", func(z *Zone) { z.Laterals.Roughness = -1 }, []string{"laterals.roughness"}},
		{"slope in per cent", func(z *Zone) { z.Lead.Slope = 2 }, []string{"lead.slope"}},
		{"no feed", func(z *Zone) { z.Header.Feed = FeedUnknown }, []string{"header.feed"}},
		{"no beds", func(z *Zone) { z.Header.Beds = 0 }, []string{"header.beds"}},
		{"negative beds", func(z *Zone) { z.Header.Beds = -4 }, []string{"header.beds"}},
		{"no tapes", func(z *Zone) { z.Header.TapesPerBed = 0 }, []string{"header.tapes_per_bed"}},
		{"beds on each other", func(z *Zone) { z.Header.BedSpacing = 0 }, []string{"header.bed_spacing"}},
		{"tapes over the next bed", func(z *Zone) { z.Header.TapesPerBed, z.Header.TapeGap = 3, 0.8 }, []string{"header.tape_gap"}},
		{"tape without length", func(z *Zone) { z.Laterals.Lengths[0] = 0 }, []string{"laterals.length"}},
		{"tape shorter than its lead-in", func(z *Zone) { z.Laterals.Lengths[0] = 0.2 }, []string{"laterals.length"}},
		{"one bed's tape without length", func(z *Zone) { z.Laterals.Lengths = []units.Metre{30, 30, 0, 30, 30, -1} },
			[]string{"laterals.lengths[2]", "laterals.lengths[5]"}},
		{"too few lengths", func(z *Zone) { z.Laterals.Lengths = []units.Metre{30, 25} }, []string{"laterals.lengths"}},
		{"no lengths", func(z *Zone) { z.Laterals.Lengths = nil }, []string{"laterals.lengths"}},
		{"no spacing", func(z *Zone) { z.Laterals.EmitterSpacing = 0 }, []string{"laterals.emitter_spacing"}},
		{"spacing in km", func(z *Zone) { z.Laterals.EmitterSpacing = 0.0003 }, []string{"laterals.emitter_spacing"}},
		{"no flow", func(z *Zone) { z.Emitters.Flow = 0 }, []string{"emitters.flow"}},
		{"no nominal pressure", func(z *Zone) { z.Emitters.At = 0 }, []string{"emitters.at"}},
		{"negative exponent", func(z *Zone) { z.Emitters.Exponent = -0.5 }, []string{"emitters.exponent"}},
		{"variation in per cent", func(z *Zone) { z.Emitters.CV = 3 }, []string{"emitters.cv"}},
		{"unknown law", func(z *Zone) { z.Formula = 9 }, []string{"formula"}},
		{"rows above the water", func(z *Zone) { z.Laterals.Slope = 0.3 }, []string{"laterals.slope"}},
		{"lead above the water", func(z *Zone) { z.Lead.Slope = 1 }, []string{"lead.slope"}},
		{"header above the water", func(z *Zone) { z.Header.Slope, z.Inlet = 1, 50 }, []string{"header.slope"}},
		{"leak on no lateral", func(z *Zone) { z.Leaks = []Leak{{6, 3, 60}} }, []string{"leaks[0].lateral"}},
		{"leak beyond the end", func(z *Zone) { z.Leaks = []Leak{{0, 3, 60}, {0, 31, 60}} }, []string{"leaks[1].at"}},
		{"factors of another zone", func(z *Zone) { z.Factors = [][]float64{{1}} }, []string{"factors"}},
		{"factors too few", func(z *Zone) {
			z.Factors = slices.Repeat([][]float64{slices.Repeat([]float64{1}, 100)}, 6)
			z.Factors[3] = []float64{1}
		},
			[]string{"factors[3]"}},
		{"weak supply", func(z *Zone) { z.Regulator = &Regulator{Setpoint: 70, PipeBore: 25} }, []string{"regulator.supply"}},
		{"everything", func(z *Zone) {
			z.Inlet, z.Lead.Length, z.Header.Beds, z.Laterals.EmitterSpacing, z.Emitters.Flow = -5, 0, 0, 0, 0
		}, []string{"inlet", "lead.length", "header.beds", "laterals.emitter_spacing", "emitters.flow"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			z := good(t)
			c.spoil(&z)
			var fields []string
			for _, f := range z.Validate() {
				fields = append(fields, f.Field)
				if f.Problem == "" || f.Plausible == "" {
					t.Errorf("%s: a fault without words: %+v", f.Field, f)
				}
			}
			for _, want := range c.fields {
				if !slices.Contains(fields, want) {
					t.Errorf("faults at %v, want one at %s", fields, want)
				}
			}
			var faults Faults
			if _, err := NewNetwork(z); !errors.As(err, &faults) {
				t.Errorf("NewNetwork gives %v", err)
			}
			if _, err := NewModel(z); !errors.As(err, &faults) {
				t.Errorf("NewModel gives %v", err)
			}
		})
	}
}

func TestFaultsAreTold(t *testing.T) {
	z := good(t)
	z.Inlet, z.Laterals.Lengths = 0, []units.Metre{30, 30}
	got := z.Validate().Error()
	want := "inlet is 0 kPa; it must be above 0 and at most 1600 kPa; plausible: 68.95 kPa (10 psi)\n" +
		"laterals.lengths has 2 lengths for 6 beds; plausible: 6 lengths, or laterals.length once for all beds"
	if got != want {
		t.Errorf("got:\n%s\nwant:\n%s", got, want)
	}
	z = good(t)
	z.Laterals.Slope = 0.3
	if got := z.Validate().Error(); !strings.Contains(got, "9 m above the box outlet; 68.95 kPa there lifts water only 7.03 m") {
		t.Error(got)
	}
}

// Water in a hose climbs the height its pressure gives, less what friction
// takes: rows that still water reaches may yet get none.
func TestModelRefusesUnfedEmitters(t *testing.T) {
	z := references(t)["long-150-poor"].Scenario.zone("steep")
	z.Laterals.Slope, z.Laterals.Bore = 0.046, 12
	if f := z.Validate(); f != nil {
		t.Fatal(f)
	}
	_, err := NewModel(z)
	var faults Faults
	if !errors.As(err, &faults) || !strings.Contains(err.Error(), "emitters get no water") {
		t.Errorf("err = %v", err)
	}
}

func TestModelRefusesClosedZone(t *testing.T) {
	z := good(t)
	for range z.laterals() {
		z.Factors = append(z.Factors, make([]float64, 100))
	}
	if _, err := NewModel(z); err == nil {
		t.Error("a zone without flow has a model")
	}
}
