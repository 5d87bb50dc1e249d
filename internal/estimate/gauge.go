package estimate

import (
	"math"
	"slices"
	"time"

	"boxd/internal/box"
	"boxd/internal/units"
)

// Accuracy are the instruments' stated errors, as bounds either way: of the
// gauges as an offset, of the others as a part of the reading.
type Accuracy struct {
	Pressure                units.KPa
	Main, Branch, Stock, EC units.Ratio
}

// DefaultAccuracy is that of ordinary parts: gauges of 1 % of 100 psi, meters of
// 1.5 % (main) and 3 %, EC probes of 2 %. Common practice, no source.
func DefaultAccuracy() Accuracy {
	return Accuracy{Pressure: units.KPaPerPsi, Main: 0.015, Branch: 0.03, Stock: 0.03, EC: 0.02}
}

// standard is the standard deviation behind a bound within which every error is
// as likely (JCGM 100:2008, 4.3.7).
func standard[T ~float64](bound T) T { return bound / T(math.Sqrt(3)) }

// gauge smooths one channel and knows how far it can be off.
type gauge struct {
	lowpass
	noise        noise
	offset, gain float64 // bounds
}

// read smooths a reading into v; one that can't be used resets.
func read[T ~float64](v *Value[T], g *gauge, r *box.Reading[T], dt time.Duration) {
	if !r.Usable() {
		g.reset()
		*v = Value[T]{}
		return
	}
	x := float64(r.Value)
	if r.Age == 0 {
		g.noise.add(x)
	}
	v.set(T(g.add(x, dt)), basisOf(r))
}

// raw takes a reading into v as it is.
func raw[T ~float64](v *Value[T], g *gauge, r *box.Reading[T]) {
	if !r.Usable() {
		*v = Value[T]{}
		return
	}
	if r.Age == 0 {
		g.noise.add(float64(r.Value))
	}
	v.set(r.Value, basisOf(r))
}

// late: the newest value is older than the channel's own rhythm explains.
func late[T ~float64](r *box.Reading[T]) bool {
	return r.Quality == box.Uncertain && r.Cause == box.CheckFunction
}

// stated is the standard deviation of the instrument's stated error at y.
func (g *gauge) stated(y float64) float64 { return standard(g.offset + float64(g.gain*math.Abs(y))) }

// sigma is that of a smoothed reading.
func (g *gauge) sigma(y float64) float64 { return hypot(g.stated(y), g.smoothNoise()) }

func (g *gauge) rawSigma(y float64) float64 { return hypot(g.stated(y), g.noise.sd()) }

// smoothNoise is the noise a first-order filter leaves of white noise,
// σ·√(a/(2−a)) with a the weight of the newest sample.
func (g *gauge) smoothNoise() float64 {
	return g.noise.sd() * math.Sqrt(g.weight/(2-g.weight))
}

func (g *gauge) reset() {
	g.lowpass.reset()
	g.noise = noise{}
}

// noise is a robust standard deviation from the newest successive differences
// (von Neumann 1941, Ann. Math. Statist. 12:367; the median of their sizes in
// place of the mean of their squares), which neither a slow change nor a single
// spike moves.
type noise struct {
	last    float64
	have    bool
	d       [16]float64 // a ring
	n, head uint
}

func (n *noise) add(x float64) {
	if n.have {
		n.d[n.head] = math.Abs(x - n.last)
		n.head = (n.head + 1) % uint(len(n.d))
		n.n = min(n.n+1, uint(len(n.d)))
	}
	n.last, n.have = x, true
}

// sd is 0 before there are differences.
func (n *noise) sd() float64 {
	if n.n == 0 {
		return 0
	}
	d := n.d
	slices.Sort(d[:n.n])
	return 1.4826 / math.Sqrt2 * mid(d[:n.n])
}
