package estimate

// Errors are checked against closed forms and against trials by chance with a
// printed seed; ages and qualities against the readings they come from.

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"boxd/internal/box"
	"boxd/internal/units"
)

func within(t *testing.T, what string, got, want, by float64) {
	t.Helper()
	if math.Abs(got-want) > by {
		t.Errorf("%s is %.5g, want %.5g ± %.2g", what, got, want, by)
	}
}

// TestErrorsByTrial: differences and ratios scatter as said, by 200 000 draws.
func TestErrorsByTrial(t *testing.T) {
	const seed, draws = 11, 200_000
	rnd := rand.New(rand.NewPCG(seed, 0))
	a, b := known[units.LPerH](140, 3), known[units.LPerH](120, 2)
	diff, ratio := minus(a, b), over(a, b)
	var d, d2, r, r2 float64
	for range draws {
		x, y := 140+3*rnd.NormFloat64(), 120+2*rnd.NormFloat64()
		d, d2 = d+x-y, d2+(x-y)*(x-y)
		r, r2 = r+x/y, r2+x/y*x/y
	}
	within(t, "difference's error (seed 11)", float64(diff.Sigma), math.Sqrt(d2/draws-d/draws*d/draws), 0.03)
	within(t, "ratio's error (seed 11)", float64(ratio.Sigma), math.Sqrt(r2/draws-r/draws*r/draws), 0.0004)
}

// TestNoise: white noise of 2 is seen as 2, and through a first-order filter as
// what the filter really leaves of it. A ramp does not change that, and one spike
// in fifty by a tenth at most.
func TestNoise(t *testing.T) {
	const seed = 12
	rnd := rand.New(rand.NewPCG(seed, 0))
	g := gauge{lowpass: lowpass{tau: 5 * time.Second}}
	var seen, left, sum, sq, n float64
	for i := range 20_000 {
		x := 100 + 0.02*float64(i) + 2*rnd.NormFloat64()
		if i%50 == 0 {
			x += 400
		}
		g.noise.add(x)
		y := g.add(100+2*rnd.NormFloat64(), time.Second)
		if i > 100 {
			seen, left, n = seen+g.noise.sd(), left+g.smoothNoise(), n+1
			sum, sq = sum+y, sq+y*y
		}
	}
	within(t, "noise (seed 12)", seen/n, 2, 0.2)
	within(t, "noise left (seed 12)", left/n, math.Sqrt(sq/n-sum/n*sum/n), 0.06)
}

// TestStatedErrors: a quiet gauge of ±1 psi at 68.95 kPa has the standard
// deviation 6.895/√3 (JCGM 100:2008, 4.3.7); emitters of exponent 0.5 pass half
// of it as a part of the flow; the ratio adds the meter's 1.5 %/√3.
func TestStatedErrors(t *testing.T) {
	b := newBench(t)
	design := b.full()
	b.turn(60)
	o := b.e.Weighed()
	within(t, "header's error", float64(o.Header.Sigma), 6.895/math.Sqrt(3), 0.001)
	within(t, "difference's error", float64(o.FilterDiff.Sigma), 6.895*math.Sqrt2/math.Sqrt(3), 0.001)
	within(t, "main flow's error", o.Main.Sigma.Of(design).Percent(), 1.5/math.Sqrt(3), 0.001)
	part := 0.5 * 6.895 / math.Sqrt(3) / 68.95
	within(t, "expected flow's error", float64(o.Expected.Sigma.Of(design)), math.Hypot(part, 0.005/math.Sqrt(3)), 0.001)
	within(t, "flow ratio's error", float64(o.FlowRatio.Sigma), math.Hypot(float64(o.Expected.Sigma.Of(design)), 0.015/math.Sqrt(3)), 0.0005)
	// The same flow as when it was learnt: the offsets are in both.
	if !o.FilterExcess.Known || o.FilterExcess.Sigma > 0.1 {
		t.Errorf("excess %+v: the gauges' offsets should cancel", o.FilterExcess)
	}
	b.inject(300, design)
	o = b.e.Weighed()
	within(t, "ratio's error", float64(o.BranchRatio.Sigma/o.BranchRatio.V), math.Sqrt2*0.03/math.Sqrt(3), 0.0005)
	within(t, "rise's error", float64(o.Rise.Sigma/o.Rise.V), 0.02/math.Sqrt(3), 0.0005)
}

// TestBasis: what comes from a late or doubtful reading is doubtful and as old;
// what comes from a bad one is not known.
func TestBasis(t *testing.T) {
	b := newBench(t)
	b.full()
	b.turn(60)
	b.r.Header.Age, b.r.Header.Quality = 4*time.Second, box.Uncertain
	b.turn(1)
	o := b.o
	for name, v := range map[string]Basis{"header": o.Header.Basis, "expected": o.Expected.Basis, "flow ratio": o.FlowRatio.Basis, "at pressure": o.Standing.Pressurised.Basis} {
		if v.Age != 4*time.Second || v.Quality != box.Uncertain {
			t.Errorf("%s: %v old, %v; want 4 s, uncertain", name, v.Age, v.Quality)
		}
	}
	if o.FilterDiff.Quality != box.Good || o.FilterDiff.Age != 0 || o.Standing.Flowing.Quality != box.Good {
		t.Errorf("the filter and the flow have no part in it: %+v, %+v", o.FilterDiff, o.Standing.Flowing)
	}
	since := o.Standing.Pressurised.Since
	b.r.Header = bad[units.KPa]()
	b.turn(30)
	o = b.o
	if o.Expected.Known || o.FlowRatio.Known {
		t.Error("known from a bad header")
	}
	if s := o.Standing.Pressurised; s.Since != since || s.Age < 30*time.Second || s.Quality != box.Uncertain {
		t.Errorf("at pressure: said since %v (was %v), %v old, %v", s.Since, since, s.Age, s.Quality)
	}
}

// TestCleanAtEnd: nobody can tell before an injection; then no until the flush
// is done.
func TestCleanAtEnd(t *testing.T) {
	b := newBench(t)
	b.r.EndEC = bad[units.USPerCm]()
	design := b.full()
	if b.o.CleanAtEnd != Unknown {
		t.Errorf("before: %v", b.o.CleanAtEnd)
	}
	b.inject(120, design)
	if b.turn(60); b.o.CleanAtEnd != No {
		t.Errorf("in the flush: %v", b.o.CleanAtEnd)
	}
	for !b.o.Flush.Done {
		b.turn(1)
	}
	if b.o.CleanAtEnd != Yes || b.o.Standing.CleanAtEnd.Since != b.now {
		t.Errorf("after: %v since %v, now %v", b.o.CleanAtEnd, b.o.Standing.CleanAtEnd.Since, b.now)
	}
}
