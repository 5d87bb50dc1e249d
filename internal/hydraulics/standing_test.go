package hydraulics

// What stands in the lines is checked against two things that know nothing of
// it: the volume of the pipes, and the balance of what went in and came out.

import (
	"math"
	"testing"

	"boxd/internal/units"

	"pgregory.net/rapid"
)

func standingZone(t *testing.T) *Model {
	t.Helper()
	pipe := func(l units.Metre, bore units.MM) Pipe { return Pipe{Length: l, Bore: bore, Roughness: 0.0015} }
	m, err := NewModel(Zone{
		Name: "unequal", Water: 20, Inlet: 68.95, Lead: pipe(8, 28),
		Header:   Header{Feed: FeedCentre, Beds: 4, BedSpacing: 1.25, FirstTee: 0.6, TapesPerBed: 1, Bore: 28, Roughness: 0.0015},
		Laterals: Laterals{Lengths: []units.Metre{30, 24, 18, 27}, LeadIn: 0.3, EmitterSpacing: 0.3, Bore: 15.9, Roughness: 0.0015},
		Emitters: Emitters{Flow: 0.98, At: 68.95, Exponent: 0.5},
	})
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// TestHeld: a slug that fills all lines holds the volume of the pipes, summed
// from lengths and bores; one of even strength holds what has not come out.
func TestHeld(t *testing.T) {
	m := standingZone(t)
	s := NewSlug(m)
	for range 400 {
		s.Pass(m.FlushVolume()/300, 2)
	}
	if got, want := s.Held(), m.LineVolume(); math.Abs(float64(got/want)-1) > 0.005 {
		t.Errorf("full of fertilizer the lines hold %v L, their pipes %v L", got, want)
	}
	for _, clean := range []units.Ratio{0.05, 0.2, 0.5, 0.9} {
		s := NewSlug(m)
		for range 100 {
			s.Pass(m.FlushVolume()/500, 3)
		}
		for range 100 {
			s.Pass(m.FlushVolume().Scale(clean/100), 0)
		}
		in := float64(s.Stop().Undelivered) * s.Total() / 3
		if got := float64(s.Held()); math.Abs(got-in) > 0.005*in+0.001 {
			t.Errorf("after %v of clean water %.3f L are held, %.3f L have not come out", clean, got, in)
		}
	}
}

// TestStandingGoesOn: taken out and put back, a slug gives each emitter what it
// would have had.
func TestStandingGoesOn(t *testing.T) {
	m := standingZone(t)
	rapid.Check(t, func(draw *rapid.T) {
		s := NewSlug(m)
		for range rapid.IntRange(1, 8).Draw(draw, "parts") {
			v := m.FlushVolume().Scale(units.Ratio(rapid.Float64Range(0.001, 0.5).Draw(draw, "part")) / 50)
			strength := rapid.SampledFrom([]float64{0, 0, 1, 5, 1000}).Draw(draw, "strength")
			for range 50 {
				s.Pass(v, strength)
			}
		}
		knots := s.Standing()
		gone, far := s.gone(m.FlushVolume()), m.paths[m.byVolume[len(m.byVolume)-1]]
		if len(knots) == 0 {
			if s.Stop().Undelivered > 1e-9 {
				draw.Fatalf("nothing stands, %v undelivered", s.Stop().Undelivered)
			}
			return
		}
		back, err := NewStanding(m, knots)
		if err != nil || len(knots) > MaxStanding {
			draw.Fatalf("%d knots: %v", len(knots), err)
		}
		all := s.total() - gone
		if math.Abs(back.Total()-all) > 1e-9*s.total() || back.Delivered(far) > 1e-9 {
			draw.Errorf("put back %v of %v, the last emitter has had %v", back.Total(), all, back.Delivered(far))
		}
		more := m.FlushVolume().Scale(units.Ratio(rapid.Float64Range(0, 1.2).Draw(draw, "on")))
		s.Pass(more, 0)
		back.Pass(more, 0)
		for _, e := range m.paths {
			// A profile keeps places to a fortieth of the flush volume.
			by := m.FlushVolume() / 40
			got, late, early := back.gone(e.Volume), s.gone(e.Volume+by)-gone, s.gone(e.Volume-by)-gone
			if got < max(late, 0)-1e-6*all || got > max(early, 0)+1e-6*all {
				draw.Fatalf("V_e %v: %v has come, want %v to %v of %v", e.Volume, got, late, early, all)
			}
		}
	})
}

func TestJoinStanding(t *testing.T) {
	far, near := []Knot{{30, 0}, {20, 5}}, []Knot{{10, 0}, {0, 7}}
	got := JoinStanding(far, near)
	want := []Knot{{30, 0}, {20, 5}, {10, 5}, {0, 12}}
	if len(got) != len(want) {
		t.Fatalf("%v", got)
	}
	for i := range want {
		if got[i] != want[i] {
			t.Errorf("%v, want %v", got, want)
		}
	}
	// What came in later never overtakes.
	if got := JoinStanding(far, []Knot{{25, 0}, {0, 7}}); got[2].At != 20 {
		t.Errorf("%v", got)
	}
	if len(JoinStanding(nil, near)) != 2 || len(JoinStanding(far, nil)) != 2 {
		t.Error("one alone is not left as it is")
	}
}

func TestNoStanding(t *testing.T) {
	m := standingZone(t)
	nan, inf := math.NaN(), math.Inf(1)
	for name, knots := range map[string][]Knot{
		"none": nil, "one": {{1, 0}}, "no mass": {{2, 0}, {1, 0}}, "begins with mass": {{2, 1}, {1, 2}}, "outwards": {{1, 0}, {2, 1}},
		"shrinks": {{3, 0}, {2, 2}, {1, 1}}, "before the box": {{2, 0}, {-1, 1}}, "no number": {{2, 0}, {1, nan}}, "no place": {{units.Litre(nan), 0}, {1, 1}},
		"endless": {{units.Litre(inf), 0}, {1, 1}}, "one place": {{1, 0}, {1, 1}}, "too many": make([]Knot, MaxStanding+1),
	} {
		if s, err := NewStanding(m, knots); err == nil {
			t.Errorf("%s: %+v", name, s.at)
		}
	}
}
