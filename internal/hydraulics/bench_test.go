package hydraulics

import (
	"testing"

	"boxd/internal/units"
)

// pressures are a run's ups and downs about the field block's inlet.
var pressures = [...]units.KPa{68.95, 66, 70.2, 69, 55, 68.95, 40, 69.5}

func benchmarkSolve(b *testing.B, name string) {
	n, err := NewNetwork(references(b)[name].Scenario.zone(name))
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	b.ReportMetric(float64(n.Emitters()), "emitters")
	for i := 0; b.Loop(); i++ {
		if _, err := n.Solve(pressures[i%len(pressures)]); err != nil {
			b.Fatal(err)
		}
	}
}

// Every solve is at another pressure, so each balances the zone anew.
func BenchmarkSolveField20x100(b *testing.B) { benchmarkSolve(b, "field-20x100") }

func BenchmarkSolve(b *testing.B) {
	for _, name := range []string{"tunnel-2x20", "tunnel-6x30", "upslope-10x80"} {
		b.Run(name, func(b *testing.B) { benchmarkSolve(b, name) })
	}
}

func BenchmarkSolveFirst(b *testing.B) {
	l := newLayout(references(b)["field-20x100"].Scenario.zone("field"))
	for b.Loop() {
		if _, err := newNetwork(l).Solve(68.95); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkNewModel(b *testing.B) {
	for _, name := range []string{"tunnel-6x30", "field-20x100"} {
		z := references(b)[name].Scenario.zone(name)
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				if _, err := NewModel(z); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

func BenchmarkExpectedFlow(b *testing.B) {
	m, err := NewModel(references(b)["tunnel-6x30"].Scenario.zone("tunnel"))
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		m.ExpectedFlow(63)
	}
}

func BenchmarkWholeRows(b *testing.B) {
	for _, name := range []string{"tunnel-6x30", "field-20x100"} {
		m, err := NewModel(references(b)[name].Scenario.zone(name))
		if err != nil {
			b.Fatal(err)
		}
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				m.WholeRows(63, 300)
			}
		})
	}
}
