package season

import (
	"math"
	"math/rand/v2"
	"slices"
)

// Readings are tested for change only where a chance result of one in a hundred
// is possible at all: four readings and four others stand apart by chance in 2 of
// 70 orders, five and five in 2 of 252.
const (
	LeastRuns = 10
	leastPart = 4    // readings on either side of a step
	alpha     = 0.01 // a change that chance makes more often is not told
	orders    = 999  // tried against the readings' own
	most      = 10   // of them may show as much: then chance will do
)

// step is a change of level.
type step struct {
	at        int     // first reading after it
	low, high int     // the first reading after it lies in between, with 90 %
	size      float64 // after less before, beside a common slope
	p         float64 // part of the orders of chance that show one as clear
}

// steps finds the changes of level of readings x at times t, in order, beside a
// slope common to both sides (X. L. Wang, 2003, Journal of Climate 16:3383–3385),
// by binary segmentation (Scott and Knott, 1974, Biometrics 30:507–512). How often
// chance shows one as clear is counted over orders of the residuals (Freedman and
// Lane, 1983, J. Bus. Econ. Stat. 1:292–298), drawn from a fixed sequence, so that
// the same readings give the same answer.
func steps(t, x []float64) (out []step) {
	n := len(x)
	if n < LeastRuns {
		return nil
	}
	s, ok := oneStep(t, x)
	if !ok {
		return nil
	}
	out = append(steps(t[:s.at], x[:s.at]), s)
	for _, r := range steps(t[s.at:], x[s.at:]) {
		r.at, r.low, r.high = r.at+s.at, r.low+s.at, r.high+s.at
		out = append(out, r)
	}
	return out
}

// splits are the ways to part a series in two: for each, the length of what a
// slope common to both sides leaves of the step (Frisch and Waugh, 1933).
type splits struct {
	norm  []float64
	spare []float64
}

func newSplits(t []float64) splits {
	n := len(t)
	s := splits{spare: make([]float64, n-2*leastPart+1)}
	for k := leastPart; k <= n-leastPart; k++ {
		d := make([]float64, n)
		for i := k; i < n; i++ {
			d[i] = 1
		}
		d = residuals(t, d)
		s.norm = append(s.norm, max(math.Sqrt(dot(d, d)), 1e-9))
	}
	return s
}

// parts are, for each split, the part of the residuals r along it. They bear
// neither constant nor slope, so the step itself will do for what is left of it.
func (s *splits) parts(r []float64) []float64 {
	sum := 0.0
	for k := len(r) - 1; k >= leastPart; k-- {
		if sum += r[k]; k-leastPart < len(s.spare) {
			s.spare[k-leastPart] = sum / s.norm[k-leastPart]
		}
	}
	return s.spare
}

// best is the split that explains most of the residuals r, and how much.
func (s *splits) best(r []float64) (k int, explained float64) {
	for i, c := range s.parts(r) {
		if c*c > explained {
			k, explained = i, c*c
		}
	}
	return k, explained
}

func oneStep(t, x []float64) (step, bool) {
	s := newSplits(t)
	r := residuals(t, x)
	all := dot(r, r)
	k, explained := s.best(r)
	if all <= 0 || explained <= 0 {
		return step{}, false
	}
	// The residuals' sum of squares hardly changes with their order, so the part
	// explained is the statistic.
	found := explained / all
	chance, done := 0, 0
	rng := rand.New(rand.NewPCG(uint64(len(x)), 1871)) // fixed: an answer must not change with the hour
	try := slices.Clone(r)
	for ; done < orders && chance < most; done++ {
		rng.Shuffle(len(try), func(i, j int) { try[i], try[j] = try[j], try[i] })
		u := residuals(t, try)
		if _, e := s.best(u); e >= found*dot(u, u) {
			chance++
		}
	}
	p := float64(chance+1) / float64(done+1)
	if p > alpha {
		return step{}, false
	}
	low, high := s.where(r, k)
	return step{at: k + leastPart, low: low + leastPart, high: high + leastPart, size: s.parts(r)[k] / s.norm[k], p: p}, true
}

// where is the shortest stretch about the best split that holds 90 % of the
// posterior over the place of the change, every place being as likely beforehand
// (Smith, 1975, Biometrika 62:407–416; with a slope, Holbert and Broemeling, 1977,
// Comm. Stat. A 6:265–275).
func (s *splits) where(r []float64, best int) (low, high int) {
	all, n, parts := dot(r, r), float64(len(r)), s.parts(r)
	w := make([]float64, len(parts))
	sum := 0.0
	left := func(i int) float64 { return max(all-float64(parts[i]*parts[i]), 1e-12*all) }
	least := left(best)
	for i := range w {
		w[i] = math.Exp(-(n-3)/2*math.Log(left(i)/least)) / s.norm[i]
		sum += w[i]
	}
	low, high = best, best
	for held := w[best]; held < 0.9*sum; {
		switch {
		case high == len(w)-1 || low > 0 && w[low-1] > w[high+1]:
			low--
			held += w[low]
		default:
			high++
			held += w[high]
		}
	}
	return low, high
}

func dot(a, b []float64) float64 {
	s := 0.0
	for i := range a {
		s += float64(a[i] * b[i])
	}
	return s
}

// residuals are what a straight line leaves, by least squares.
func residuals(t, x []float64) []float64 {
	mt, mx := mean(t), mean(x)
	stt, stx := 0.0, 0.0
	for i := range t {
		stt += float64((t[i] - mt) * (t[i] - mt))
		stx += float64((t[i] - mt) * (x[i] - mx))
	}
	b := 0.0
	if stt > 0 {
		b = stx / stt
	}
	out := make([]float64, len(x))
	for i := range x {
		out[i] = x[i] - mx - float64(b*(t[i]-mt))
	}
	return out
}

func mean(x []float64) float64 {
	s := 0.0
	for _, v := range x {
		s += v
	}
	return s / float64(len(x))
}

// slope is the change per unit of t common to the stretches between steps, and
// what part of the orders of chance shows one as steep.
func slope(t, x []float64, changes []step) (b, p float64) {
	ct, cx := centred(t, changes), centred(x, changes)
	stt := dot(ct, ct)
	if stt <= 0 || len(x) < LeastRuns {
		return 0, 1
	}
	b = dot(ct, cx) / stt
	found, chance, done := math.Abs(dot(ct, cx)), 0, 0
	rng := rand.New(rand.NewPCG(uint64(len(x)), 1970))
	for ; done < orders && chance < most; done++ {
		rng.Shuffle(len(cx), func(i, j int) { cx[i], cx[j] = cx[j], cx[i] })
		if math.Abs(dot(ct, cx)) >= found {
			chance++
		}
	}
	return b, float64(chance+1) / float64(done+1)
}

func centred(x []float64, changes []step) []float64 {
	out := slices.Clone(x)
	from := 0
	for i := 0; i <= len(changes); i++ {
		to := len(x)
		if i < len(changes) {
			to = changes[i].at
		}
		m := mean(x[from:to])
		for k := from; k < to; k++ {
			out[k] -= m
		}
		from = to
	}
	return out
}

// level is the median and the robust standard deviation (1.4826 MAD).
func level(x []float64) (middle, spread float64) {
	middle = median(x)
	d := make([]float64, len(x))
	for i, v := range x {
		d[i] = math.Abs(v - middle)
	}
	return middle, 1.4826 * median(d)
}

func median(x []float64) float64 {
	s := slices.Sorted(slices.Values(x))
	n := len(s)
	if n == 0 {
		return 0
	}
	if n%2 == 1 {
		return s[n/2]
	}
	return (s[n/2-1] + s[n/2]) / 2
}
