package estimate

// Statistics and filters against values worked by hand, closed forms and
// published examples.

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"
)

func fill(w interface{ add(t, y float64) }, ys ...float64) {
	for i, y := range ys {
		w.add(float64(i), y)
	}
}

func near(got, want, tol float64) bool { return math.Abs(got-want) <= tol }

// TestRobust: the worked example of the median absolute deviation is 1, 1, 2,
// 2, 4, 6, 9: median 2, deviations 1, 1, 0, 0, 2, 4, 7, their median 1 (a common
// textbook example, from memory). 1.4826 is 1/Φ⁻¹(3/4).
func TestRobust(t *testing.T) {
	if k := 1 / (math.Sqrt2 * math.Erfinv(0.5)); !near(k, 1.4826, 5e-5) {
		t.Fatalf("1/Φ⁻¹(3/4) is %v", k)
	}
	for _, c := range []struct {
		name          string
		y             []float64
		until         float64
		median, sigma float64
		n             int
	}{
		{"worked example", []float64{1, 1, 2, 2, 4, 6, 9}, 99, 2, 1.4826, 7},
		{"in another order", []float64{9, 2, 1, 6, 2, 1, 4}, 99, 2, 1.4826, 7},
		{"even number", []float64{1, 2, 3, 10}, 99, 2.5, 1.4826, 4}, // deviations 0.5 0.5 1.5 7.5
		{"one wild value", []float64{420, 421, 419, 420, 30000}, 99, 420, 1.4826, 5},
		{"one value", []float64{420}, 99, 420, 0, 1},
		{"none", nil, 99, 0, 0, 0},
		{"only the early ones", []float64{1, 1, 2, 2, 4, 6, 9}, 2, 1, 0, 3},
		{"too early", []float64{1, 2}, -1, 0, 0, 0},
	} {
		var w ranked
		fill(&w, c.y...)
		m, s, n := w.robust(c.until)
		if !near(m, c.median, 1e-12) || !near(s, c.sigma, 1e-12) || n != c.n {
			t.Errorf("%s: %v ± %v of %d, want %v ± %v of %d", c.name, m, s, n, c.median, c.sigma, c.n)
		}
	}
}

// TestRobustNormal: for normally distributed values 1.4826·MAD is near the
// standard deviation; quantiles of the normal distribution stand for a sample.
func TestRobustNormal(t *testing.T) {
	var w ranked
	const n = 179
	for i := range n {
		p := (float64(i) + 0.5) / n
		w.add(float64(i), 420+4*math.Sqrt2*math.Erfinv(2*p-1))
	}
	m, s, _ := w.robust(n)
	if !near(m, 420, 1e-9) || !near(s, 4, 0.08) {
		t.Errorf("%v ± %v, want 420 ± 4", m, s)
	}
}

// TestLine: 1, 2, 2, 3 at 0, 1, 2, 3 s has the least-squares slope 0.6 and the
// mean 2 (by hand: Σdt·dy = 3, Σdt² = 5).
func TestLine(t *testing.T) {
	var w ranked
	fill(&w, 1, 2, 2, 3)
	if _, _, _, ok := w.line(3, 10); ok {
		t.Error("three seconds do not cover half of ten")
	}
	mean, centre, slope, ok := w.line(3, 6)
	if !ok || !near(mean, 2, 1e-12) || !near(centre, 1.5, 1e-12) || !near(slope, 0.6, 1e-12) {
		t.Errorf("mean %v at %v, slope %v, %v", mean, centre, slope, ok)
	}
	// Only the newest three: 2, 2, 3.
	mean, centre, slope, ok = w.line(3, 2)
	if !ok || !near(mean, 7.0/3, 1e-12) || centre != 2 || !near(slope, 0.5, 1e-12) {
		t.Errorf("mean %v at %v, slope %v, %v", mean, centre, slope, ok)
	}
	if _, _, _, ok := w.line(3, 1); ok {
		t.Error("two values make no line")
	}
	var same window
	for range 5 {
		same.add(7, 1)
	}
	if _, _, _, ok := same.line(7, 0); ok {
		t.Error("values of one moment have no slope")
	}
}

// TestWindowWraps: a full window keeps the newest.
func TestWindowWraps(t *testing.T) {
	var w ranked
	for i := range windowSize + 10 {
		w.add(float64(i), float64(i))
	}
	if m, _, n := w.robust(1e9); n != windowSize || m != 10+float64(windowSize-1)/2 {
		t.Errorf("median %v of %d", m, n)
	}
	if w.newest() != windowSize+9 {
		t.Errorf("newest %v", w.newest())
	}
	if y, ok := w.at(100.5); !ok || y != 100 {
		t.Errorf("at 100.5: %v, %v", y, ok)
	}
	if _, ok := w.at(9); ok {
		t.Error("what was pushed out is still there")
	}
	w.reset()
	if _, _, n := w.robust(1e9); n != 0 || !math.IsInf(w.newest(), -1) {
		t.Error("reset left something")
	}
}

// TestLowpass: after a step from 0 to 1 a first-order filter stands at
// 1 − e^(−t/τ), whatever the spacing of its samples (closed form).
func TestLowpass(t *testing.T) {
	for _, every := range []time.Duration{100 * time.Millisecond, time.Second, 3 * time.Second} {
		f := lowpass{tau: 2 * time.Second}
		f.add(0, 0)
		var y float64
		for d := time.Duration(0); d < 6*time.Second; d += every {
			y = f.add(1, every)
		}
		if want := 1 - math.Exp(-3); !near(y, want, 1e-12) {
			t.Errorf("every %v: %v, want %v", every, y, want)
		}
	}
	f := lowpass{tau: time.Second}
	if f.add(7, time.Hour) != 7 {
		t.Error("the first value counts at once")
	}
	f.reset()
	if f.add(3, time.Millisecond) != 3 {
		t.Error("after a reset too")
	}
}

func TestHolder(t *testing.T) {
	var h holder
	s := func(n int) time.Duration { return time.Duration(n) * time.Second }
	for _, c := range []struct {
		at         int
		cond, want bool
	}{{0, true, false}, {9, true, false}, {10, true, true}, {11, false, false}, {12, true, false}, {21, true, false}, {22, true, true}} {
		if h.stood(s(c.at), c.cond, s(10)) != c.want {
			t.Errorf("%d s: want %v", c.at, c.want)
		}
	}
}

// TestRankedAsSorted: what is kept in order value by value is what sorting gives,
// to the bit, around the ring, with equal values and after a reset.
func TestRankedAsSorted(t *testing.T) {
	const seed = 20260401
	r := rand.New(rand.NewPCG(seed, 1))
	var w ranked
	var g noise
	var ys, ds []float64
	for i := range 3 * windowSize {
		if i == windowSize+7 {
			w.reset()
			ys = nil
		}
		y := math.Round(r.NormFloat64()*20) / 4
		w.add(float64(i), y)
		ys = append(ys, y)
		ys = ys[max(0, len(ys)-windowSize):]
		s := slices.Sorted(slices.Values(ys))
		var off []float64
		for _, v := range s {
			off = append(off, math.Abs(v-mid(s)))
		}
		slices.Sort(off)
		if m, sd, n := w.robust(float64(i)); m != mid(s) || sd != 1.4826*mid(off) || n != len(s) {
			t.Fatalf("seed %d, value %d: %g %g of %d, by sorting %g %g of %d", seed, i, m, sd, n, mid(s), 1.4826*mid(off), len(s))
		}
		if h, _ := w.high(); h != s[len(s)-1-len(s)/10] {
			t.Fatalf("seed %d, value %d: high %g", seed, i, h)
		}
		if g.have {
			ds = append(ds, math.Abs(y-g.last))
			ds = ds[max(0, len(ds)-len(g.d)):]
		}
		g.add(y)
		if len(ds) > 0 && g.sd() != 1.4826/math.Sqrt2*mid(slices.Sorted(slices.Values(ds))) {
			t.Fatalf("seed %d, value %d: noise %g", seed, i, g.sd())
		}
	}
}

// TestAbout: noise on a slope is told as without it. Of −5 to 5, each as often, half
// lie within 3 of the middle.
func TestAbout(t *testing.T) {
	for _, slope := range []float64{0, -3, 10} {
		var w leaning
		if got := w.about(); got != 0 {
			t.Errorf("nothing spreads by %g", got)
		}
		for i := range 3 * windowSize / 2 {
			w.add(float64(i), 400+slope*float64(i)+float64(i*37%11)-5) // −5 to 5, each as often
		}
		if got, want := w.about(), 1.4826*3; math.Abs(got-want) > 0.3 {
			t.Errorf("slope %g a second: %g, want %g", slope, got, want)
		}
	}
}

// TestAboutByHistory: the spread about the line is that of the values, whenever it
// was asked before and through whatever they went.
func TestAboutByHistory(t *testing.T) {
	const seed = 21
	rnd := rand.New(rand.NewPCG(seed, 0))
	var w leaning
	level := 400.0
	for i := range 5 * windowSize {
		level += float64(rnd.IntN(9) - 4)
		w.add(float64(i), level)
		switch {
		case rnd.IntN(300) == 0:
			w.reset()
		case rnd.IntN(3) == 0:
			continue
		}
		var anew leaning
		ts, ys := w.values()
		for k := range ts {
			anew.add(ts[k], ys[k])
		}
		if got, want := w.about(), anew.about(); got != want {
			t.Fatalf("seed %d, value %d: %g, anew %g", seed, i, got, want)
		}
	}
}
