package hydraulics

// The fertilizer a slug accounts for is balanced against the pipes themselves:
// what the emitters have had, and what stands in lead, header and tape by their
// bores and lengths, are together what passed the box.

import (
	"math"
	"testing"

	"boxd/internal/units"

	"pgregory.net/rapid"
)

// oneRow is a zone of a single lateral.
func oneRow(t *rapid.T) *Model {
	tape := Laterals{Lengths: []units.Metre{units.Metre(rapid.Float64Range(5, 40).Draw(t, "length"))}, LeadIn: units.Metre(rapid.Float64Range(0.1, 1).Draw(t, "lead-in")),
		EmitterSpacing: units.Metre(rapid.Float64Range(0.2, 0.5).Draw(t, "spacing")), Bore: 15.9, Roughness: 0.0015}
	m, err := NewModel(Zone{
		Name: "one-row", Water: 20, Inlet: 68.95,
		Lead:     Pipe{Length: units.Metre(rapid.Float64Range(1, 20).Draw(t, "lead")), Bore: 20.4, Roughness: 0.0015},
		Header:   Header{Feed: FeedEnd, Beds: 1, BedSpacing: 1.2, FirstTee: units.Metre(rapid.Float64Range(0.2, 3).Draw(t, "tee")), TapesPerBed: 1, Bore: 20.4, Roughness: 0.0015},
		Laterals: tape, Emitters: Emitters{Flow: 1, At: 68.95, Exponent: 0.5},
	})
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// meanStrength is that of the water between two places on the scale of V_e.
func meanStrength(s *Slug, from, to units.Litre) float64 {
	n := 1 + math.Ceil(float64(to-from)/float64(s.model.FlushVolume())*20000)
	sum := 0.0
	for i := range int(n) {
		sum += s.Strength(EmitterPath{Volume: from + (to-from)*units.Litre((float64(i)+0.5)/n)})
	}
	return sum / n
}

// inPipes is the fertilizer that stands in the pipes, by their bores.
func inPipes(m *Model, s *Slug) float64 {
	z, at := m.Zone(), units.Litre(0)
	fill := func(v, to units.Litre) (mass float64) {
		mass = float64(v) * meanStrength(s, at, to)
		at = to
		return mass
	}
	trunk := z.Lead.Length.Bore(z.Lead.Bore) + z.Header.FirstTee.Bore(z.Header.Bore)
	sum, x := fill(trunk, trunk), units.Metre(0)
	for _, e := range m.Emitters() {
		sum += fill((e.X - x).Bore(z.Laterals.Bore), e.Volume)
		x = e.X
	}
	return sum
}

func TestMassIsConserved(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := oneRow(t)
		s := NewSlug(m)
		part := m.FlushVolume() / 20
		for i := range rapid.IntRange(4, 40).Draw(t, "stretches") {
			strength := 0.0
			if rapid.Bool().Draw(t, "fed") || i == 0 {
				strength = rapid.Float64Range(100, 2000).Draw(t, "strength")
			}
			for range 50 {
				s.Pass(part/50, strength)
			}
		}
		out := 0.0
		for _, e := range m.Emitters() {
			out += e.Share * float64(s.Delivered(e)) * s.Total()
		}
		stop := s.Stop()
		if d := math.Abs(float64(stop.Undelivered)*s.Total() - (s.Total() - out)); d > 1e-9*s.Total() {
			t.Fatalf("undelivered %v, by the emitters %v", stop.Undelivered, 1-out/s.Total())
		}
		if in := inPipes(m, s); math.Abs(in+out-s.Total()) > 0.01*s.Total() {
			t.Fatalf("%.4g out of the emitters and %.4g in the pipes, of %.4g", out, in, s.Total())
		}
	})
}

// TestShort: the part of a row that is short is found where its emitters say so.
func TestShort(t *testing.T) {
	m := model(t, "tunnel-6x30")
	s := NewSlug(m)
	if p := s.Short(0); p.From != m.Rows()[0].Emitters || p.Lack != 0 {
		t.Errorf("short before anything was injected: %+v", p)
	}
	s.Pass(m.FlushVolume()/2, 1000)
	s.Pass(m.FlushVolume()*6/10, 0)
	for row, r := range m.Rows() {
		p, n, lack, due := s.Short(row), 0, 0.0, 0.0
		for _, e := range m.Emitters()[r.First : r.First+r.Emitters] {
			if had := float64(s.Delivered(e)); had < 0.9 {
				n, lack, due = n+1, lack+e.Share*(1-had), due+e.Share
			}
		}
		if n == 0 || p.From != r.Emitters-n || math.Abs(float64(p.Lack)-lack/due) > 1e-9 {
			t.Errorf("row %d: %+v, want the last %d to lack %.4f", row+1, p, n, lack/due)
		}
	}
	// Farther pipes than reckoned leave more behind.
	if near, far := s.StopIf(0.99).Undelivered, s.StopIf(1.01).Undelivered; !(near < s.Stop().Undelivered && s.Stop().Undelivered < far) {
		t.Errorf("undelivered %v, %v, %v", near, s.Stop().Undelivered, far)
	}
}
