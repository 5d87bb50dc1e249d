package estimate

import (
	"math"
	"slices"
	"time"
)

// lowpass is a first-order filter that works at any sample spacing.
type lowpass struct {
	tau    time.Duration
	y      float64
	weight float64 // of the newest sample
	have   bool

	dt time.Duration // the spacing last met
	a  float64       // and what it makes of a sample's weight; samples come at a beat
}

func (f *lowpass) add(x float64, dt time.Duration) float64 {
	if !f.have {
		f.y, f.weight, f.have = x, 1, true
		return x
	}
	if dt != f.dt {
		f.dt, f.a = dt, 1-math.Exp(-dt.Seconds()/f.tau.Seconds())
	}
	if dt > 0 {
		f.weight = f.a
	}
	f.y += float64(f.a * (x - f.y)) // rounded product: the same bits on every CPU
	return f.y
}

func (f *lowpass) reset() { f.have = false }

// window is the newest timed values, the oldest first and side by side: what
// looks at them runs along a plain slice.
type window struct {
	t, y    [2 * windowSize]float64 // seconds, value
	from, n int                     // where the oldest is; how many there are
	moved   uint                    // how often the values have changed their places
	trend   trend                   // through the newest
}

const windowSize = 180

func (w *window) add(t, y float64) {
	if w.n == windowSize {
		w.from, w.n = w.from+1, w.n-1
	}
	if w.from+w.n == len(w.t) {
		copy(w.t[:], w.t[w.from:])
		copy(w.y[:], w.y[w.from:])
		w.from = 0
		w.moved++
	}
	w.t[w.from+w.n], w.y[w.from+w.n] = t, y
	w.n++
}

func (w *window) reset() {
	w.n, w.from = 0, 0
	w.moved++
}

// values are all there are, the oldest first.
func (w *window) values() (t, y []float64) { return w.t[w.from : w.from+w.n], w.y[w.from : w.from+w.n] }

// below is how many of sorted values are below v. The half to go on in is reckoned: a
// jump to it would be guessed wrongly every other time, which takes longer than all
// the rest.
func below(s []float64, v float64) int {
	i := 0
	for n := len(s); n > 0; n /= 2 {
		i += (n - n/2) * one(s[i+n/2] < v)
	}
	return i
}

// one is 1 for true and 0 for false.
func one(b bool) int {
	if b {
		return 1
	}
	return 0
}

// ranked is a window that keeps its values by size too, for robust statistics:
// what changes in a turn is one value, which is cheaper put in its place than all
// of them sorted.
type ranked struct {
	window
	sorted        [windowSize]float64
	scratch       [windowSize]float64
	median, sigma float64 // of all values
	judged        bool    // median and sigma are of these
}

func (w *ranked) add(t, y float64) {
	if w.n == windowSize {
		replace(w.sorted[:], w.y[w.from], y)
	} else {
		insert(w.sorted[:w.n+1], y)
	}
	w.window.add(t, y)
	w.judged = false
}

// insert puts v into s, whose values but the last are sorted and whose last is
// free.
func insert(s []float64, v float64) {
	i := below(s[:len(s)-1], v)
	copy(s[i+1:], s[i:])
	s[i] = v
}

// replace puts v in the place of was, which is there, and keeps s sorted.
func replace(s []float64, was, v float64) {
	i, j := below(s, was), below(s, v)
	if j > i {
		j--
		copy(s[i:j], s[i+1:])
	} else {
		copy(s[j+1:i+1], s[j:])
	}
	s[j] = v
}

func (w *ranked) reset() {
	w.window.reset()
	w.judged = false
}

// newest is the time of the newest value; -Inf when empty.
func (w *window) newest() float64 {
	if w.n == 0 {
		return math.Inf(-1)
	}
	return w.t[w.from+w.n-1]
}

// at is the newest value taken no later than t.
func (w *window) at(t float64) (float64, bool) {
	ts, ys := w.values()
	i := len(ts)
	if i > 0 && ts[i-1] > t {
		for i = below(ts, t); ts[i] == t; i++ {
		}
	}
	if i == 0 {
		return 0, false
	}
	return ys[i-1], true
}

// robust is the median and 1.4826·MAD (the standard deviation of a normal
// distribution, Rousseeuw & Croux 1993, J. Am. Stat. Assoc. 88:1273) of the
// values taken no later than until.
func (w *ranked) robust(until float64) (median, sigma float64, n int) {
	if w.n == 0 {
		return 0, 0, 0
	}
	if w.newest() <= until {
		if !w.judged {
			w.median, w.sigma = spread(w.sorted[:w.n])
			w.judged = true
		}
		return w.median, w.sigma, w.n
	}
	s := w.scratch[:0]
	ts, ys := w.values()
	for i := len(ts) - 1; i >= 0; i-- {
		if ts[i] <= until {
			s = append(s, ys[i])
		}
	}
	if len(s) == 0 {
		return 0, 0, 0
	}
	slices.Sort(s)
	median, sigma = spread(s)
	return median, sigma, len(s)
}

// spread is the median and 1.4826·MAD of sorted values.
func spread(s []float64) (median, sigma float64) {
	median, h := mid(s), len(s)/2
	mad := nearest(s, median, h+1)
	if len(s)%2 == 0 {
		mad = (nearest(s, median, h) + mad) / 2
	}
	return median, 1.4826 * mad
}

// nearest is how far the kth nearest of sorted values is from x. The k nearest
// stand side by side: their begin is found by halving.
func nearest(s []float64, x float64, k int) float64 {
	i := 0
	for n := len(s) - k; n > 0; n /= 2 { // as below does
		m := i + n/2
		i += (n - n/2) * one(x-s[m] > s[m+k]-x)
	}
	return max(math.Abs(s[i]-x), math.Abs(s[i+k-1]-x))
}

func mid(s []float64) float64 {
	h := len(s) / 2
	if len(s)%2 == 1 {
		return s[h]
	}
	return (s[h-1] + s[h]) / 2
}

// holder tells how long a condition has stood without a break.
type holder struct {
	on    bool
	since time.Duration
}

// stood reports whether cond has held for at least d at time now.
func (h *holder) stood(now time.Duration, cond bool, d time.Duration) bool {
	if !cond {
		h.on = false
		return false
	}
	if !h.on {
		h.on, h.since = true, now
	}
	return now-h.since >= d
}
