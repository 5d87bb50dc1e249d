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
	fitted  fit
}

// fit is the line through a window's newest values, kept until one comes or falls
// out of the span: turns come ten times as often as values.
type fit struct {
	valid               bool
	span, now, oldest   float64
	n                   int
	mean, centre, slope float64
	flat                bool // all at one time
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
	}
	w.t[w.from+w.n], w.y[w.from+w.n] = t, y
	w.n++
	w.fitted.valid = false
}

func (w *window) reset() { w.n, w.from, w.fitted.valid = 0, 0, false }

// values are all there are, the oldest first.
func (w *window) values() (t, y []float64) { return w.t[w.from : w.from+w.n], w.y[w.from : w.from+w.n] }

// since is the index of the oldest value not older than from, in t.
func since(t []float64, from float64) int {
	i := len(t)
	for i > 0 && t[i-1] >= from {
		i--
	}
	return i
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
	i, _ := slices.BinarySearch(s[:len(s)-1], v)
	copy(s[i+1:], s[i:])
	s[i] = v
}

// replace puts v in the place of was, which is there, and keeps s sorted.
func replace(s []float64, was, v float64) {
	i, _ := slices.BinarySearch(s, was)
	for ; i+1 < len(s) && s[i+1] < v; i++ {
		s[i] = s[i+1]
	}
	for ; i > 0 && s[i-1] > v; i-- {
		s[i] = s[i-1]
	}
	s[i] = v
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
	for i := w.from + w.n - 1; i >= w.from; i-- {
		if w.t[i] <= t {
			return w.y[i], true
		}
	}
	return 0, false
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
	low, high := 0, len(s)-k
	for low < high {
		if m := (low + high) / 2; x-s[m] > s[m+k]-x {
			low = m + 1
		} else {
			high = m
		}
	}
	return max(math.Abs(s[low]-x), math.Abs(s[low+k-1]-x))
}

func mid(s []float64) float64 {
	h := len(s) / 2
	if len(s)%2 == 1 {
		return s[h]
	}
	return (s[h-1] + s[h]) / 2
}

// line is the least-squares line through the values not older than span
// seconds: the mean, taken at time centre, and the slope per second. It needs
// three values that cover half the span.
func (w *window) line(now, span float64) (mean, centre, slope float64, ok bool) {
	f := &w.fitted
	if !f.valid || f.span != span || now < f.now || f.oldest < now-span {
		w.fit(now, span)
	}
	f.now = now
	if f.n < 3 || now-f.oldest < span/2 || f.flat {
		return 0, 0, 0, false
	}
	return f.mean, f.centre, f.slope, true
}

// fit goes over the values once. They are counted from the newest, which keeps
// the sums small and what is lost of them by rounding with it.
func (w *window) fit(now, span float64) {
	f := &w.fitted
	*f = fit{valid: true, span: span, now: now, oldest: now}
	t, y := w.values()
	oldest := since(t, now-span)
	if t, y = t[oldest:], y[oldest:]; len(t) == 0 {
		return
	}
	if f.n, f.oldest = len(t), t[0]; f.n < 3 {
		return
	}
	t0, y0, n := t[f.n-1], y[f.n-1], float64(f.n)
	var st, sy, stt, sty float64
	for i := range t {
		dt, dy := t[i]-t0, y[i]-y0
		st, sy = st+dt, sy+dy
		stt += float64(dt * dt)
		sty += float64(dt * dy)
	}
	f.centre, f.mean = t0+st/n, y0+sy/n
	stt -= float64(st*st) / n
	if f.flat = stt <= 0; !f.flat {
		f.slope = (sty - float64(st*sy)/n) / stt
	}
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
