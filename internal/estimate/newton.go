package estimate

import (
	"math"
	"time"
)

// newton fits Newton's law of cooling, dT/dt = k·(Ta − T), to slow and noisy
// values of a body and of what surrounds it, which may change. Integrated,
// T = T₀ + k·∫(Ta − T)dt is a straight line in k: no difference of neighbours is
// taken, so noise and slow sampling do little, and T₀ is fitted too.
type newton struct {
	t, y, x [windowSize]float64 // s, °C, °C·s
	n, head int
	drive   float64 // at the newest value
	now     Tau     // the fit at the newest value; no basis: it can't be trusted
	last    Tau     // the last one that could be trusted
}

func (f *newton) reset() { f.n, f.head, f.now = 0, 0, Tau{} }

// add takes a value of the body, measured at t seconds, and its surrounding's.
func (f *newton) add(t, body, around float64) {
	x := 0.0
	if f.n > 0 {
		k := (f.head + windowSize - 1) % windowSize
		gap := t - f.t[k]
		switch {
		case gap < fitEvery.Seconds():
			return
		case gap > fitGap.Seconds():
			f.reset()
		default:
			x = f.x[k] + float64(gap*(f.drive+around-body)/2)
		}
	}
	f.t[f.head], f.y[f.head], f.x[f.head] = t, body, x
	f.head, f.n, f.drive = (f.head+1)%windowSize, min(f.n+1, windowSize), around-body
	if f.now = f.fit(t); f.now.Ground == Fitted {
		f.last = f.now
	}
}

// fit is the least-squares rate over the last two hours, with three times its
// standard error either way; without basis where it can't be trusted.
func (f *newton) fit(now float64) Tau {
	n, mx, my, oldest := 0, 0.0, 0.0, now
	for ; n < f.n; n++ {
		k := (f.head + windowSize - 1 - n) % windowSize
		if f.t[k] < now-fitSpan.Seconds() {
			break
		}
		mx, my, oldest = mx+f.x[k], my+f.y[k], f.t[k]
	}
	if n < fitLeast || now-oldest < fitCovers.Seconds() {
		return Tau{}
	}
	mx, my = mx/float64(n), my/float64(n)
	var sxx, sxy, syy float64
	for i := range n {
		k := (f.head + windowSize - 1 - i) % windowSize
		dx, dy := f.x[k]-mx, f.y[k]-my
		sxx += float64(dx * dx)
		sxy += float64(dx * dy)
		syy += float64(dy * dy)
	}
	if sxx <= 0 || sxy <= 0 {
		return Tau{}
	}
	k := sxy / sxx
	rest := max(syy-float64(k*sxy), 0) / float64(n-2)
	se := math.Sqrt(max(rest, fitNoise*fitNoise) / sxx)
	if se > fitTrust*k {
		return Tau{}
	}
	return Tau{span(1 / k), span(1 / (k + 3*se)), span(1 / (k - 3*se)), Fitted}
}

// tau is the fit of now, else the last one, widened, else what is assumed.
func (f *newton) tau(now float64, assumed Tau) Tau {
	if f.now.Ground == Fitted && f.newest() >= now-fitGap.Seconds() {
		return f.now
	}
	if t := f.last; t.V > 0 {
		r := float64(remembered)
		return Tau{t.V, span(t.Low.Seconds() * (1 - r)), span(t.High.Seconds() * (1 + r)), Remembered}
	}
	return assumed
}

func (f *newton) newest() float64 {
	if f.n == 0 {
		return math.Inf(-1)
	}
	return f.t[(f.head+windowSize-1)%windowSize]
}

// span makes seconds a duration, within a day: a body slower than that is held
// by something else than the air.
func span(s float64) time.Duration {
	return time.Duration(min(max(s, 60), 86400) * float64(time.Second))
}
