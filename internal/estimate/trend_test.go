package estimate

import (
	"math"
	"math/rand/v2"
	"testing"
)

// TestTrendByHistory: a line that is kept up value by value is the least-squares line
// through the values of the span, by the definition's sums about the means, whatever
// came and went before: gaps, resets, windows that overflow, questions left out.
func TestTrendByHistory(t *testing.T) {
	const seed = 41
	for _, span := range []float64{5, 40, 200} {
		r := rand.New(rand.NewPCG(seed, uint64(span)))
		var w window
		now, level, lines := 0.0, 3000.0, 0
		for i := range 20 * windowSize {
			now += 1 + math.Floor(r.Float64()*1.2)
			level += r.NormFloat64() * 20
			switch {
			case r.IntN(300) == 0:
				w.reset()
			case r.IntN(100) == 0:
				now += 30
			}
			w.add(now, level)
			if r.IntN(4) == 0 {
				continue
			}
			late := now + r.Float64()
			mean, centre, slope, ok := w.line(late, span)
			wantMean, wantCentre, wantSlope, n, oldest := leastSquares(&w, late-span)
			if want := n >= 3 && late-oldest >= span/2; ok != want {
				t.Fatalf("seed %d, span %g, value %d: a line: %v, of %d values since %g at %g", seed, span, i, ok, n, oldest, late)
			}
			if !ok {
				continue
			}
			lines++
			if !near(mean, wantMean, 1e-8) || !near(centre, wantCentre, 1e-8) || !near(slope, wantSlope, 1e-8*math.Max(1, math.Abs(wantSlope))) {
				t.Fatalf("seed %d, span %g, value %d: %g at %g, slope %g; want %g at %g, slope %g", seed, span, i, mean, centre, slope, wantMean, wantCentre, wantSlope)
			}
		}
		if lines < 1000 {
			t.Errorf("span %g: only %d lines were compared", span, lines)
		}
	}
}

// leastSquares is the line by its definition, of the values not older than since.
func leastSquares(w *window, since float64) (mean, centre, slope float64, n int, oldest float64) {
	ts, ys := w.values()
	for len(ts) > 0 && ts[0] < since {
		ts, ys = ts[1:], ys[1:]
	}
	if len(ts) == 0 {
		return 0, 0, 0, 0, 0
	}
	for i := range ts {
		mean, centre = mean+ys[i]/float64(len(ys)), centre+ts[i]/float64(len(ts))
	}
	var tt, ty float64
	for i := range ts {
		tt += (ts[i] - centre) * (ts[i] - centre)
		ty += (ts[i] - centre) * (ys[i] - mean)
	}
	return mean, centre, ty / tt, len(ts), ts[0]
}
