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
}

func (f *lowpass) add(x float64, dt time.Duration) float64 {
	if !f.have {
		f.y, f.weight, f.have = x, 1, true
		return x
	}
	a := 1 - math.Exp(-dt.Seconds()/f.tau.Seconds())
	if dt > 0 {
		f.weight = a
	}
	f.y += float64(a * (x - f.y)) // rounded product: the same bits on every CPU
	return f.y
}

func (f *lowpass) reset() { f.have = false }

// window is a ring of the newest timed values, for robust statistics.
type window struct {
	t, y    [windowSize]float64 // seconds, value
	n, head int                 // head is where the next one goes
	scratch [windowSize]float64
}

const windowSize = 180

func (w *window) add(t, y float64) {
	w.t[w.head], w.y[w.head] = t, y
	w.head = (w.head + 1) % windowSize
	w.n = min(w.n+1, windowSize)
}

func (w *window) reset() { w.n, w.head = 0, 0 }

// newest is the time of the newest value; -Inf when empty.
func (w *window) newest() float64 {
	if w.n == 0 {
		return math.Inf(-1)
	}
	return w.t[(w.head+windowSize-1)%windowSize]
}

// at is the newest value taken no later than t.
func (w *window) at(t float64) (float64, bool) {
	for i := range w.n {
		if k := (w.head + windowSize - 1 - i) % windowSize; w.t[k] <= t {
			return w.y[k], true
		}
	}
	return 0, false
}

// robust is the median and 1.4826·MAD (the standard deviation of a normal
// distribution, Rousseeuw & Croux 1993, J. Am. Stat. Assoc. 88:1273) of the
// values taken no later than until.
func (w *window) robust(until float64) (median, sigma float64, n int) {
	s := w.scratch[:0]
	for i := range w.n {
		if k := (w.head + windowSize - 1 - i) % windowSize; w.t[k] <= until {
			s = append(s, w.y[k])
		}
	}
	if len(s) == 0 {
		return 0, 0, 0
	}
	slices.Sort(s)
	median = mid(s)
	for i, y := range s {
		s[i] = math.Abs(y - median)
	}
	slices.Sort(s)
	return median, 1.4826 * mid(s), len(s)
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
	var n, st, sy float64
	oldest := now
	for i := range w.n {
		k := (w.head + windowSize - 1 - i) % windowSize
		if w.t[k] < now-span {
			break
		}
		n, st, sy, oldest = n+1, st+w.t[k], sy+w.y[k], w.t[k]
	}
	if n < 3 || now-oldest < span/2 {
		return 0, 0, 0, false
	}
	centre, mean = st/n, sy/n
	var stt, sty float64
	for i := range int(n) {
		k := (w.head + windowSize - 1 - i) % windowSize
		d := w.t[k] - centre
		stt += float64(d * d)
		sty += float64(d * (w.y[k] - mean))
	}
	if stt == 0 {
		return 0, 0, 0, false
	}
	return mean, centre, sty / stt, true
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
