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

// read smooths a reading; one that can't be used resets.
func read[T ~float64](g *gauge, r box.Reading[T], dt time.Duration) Value[T] {
	if !r.Usable() {
		g.reset()
		return Value[T]{}
	}
	if r.Age == 0 {
		g.noise.add(float64(r.Value))
	}
	y := g.add(float64(r.Value), dt)
	return known(T(y), T(g.sigma(y))).on(basisOf(r))
}

// raw is a reading as it is, with how far it can be off.
func raw[T ~float64](g *gauge, r box.Reading[T]) Value[T] {
	if !r.Usable() {
		return Value[T]{}
	}
	if r.Age == 0 {
		g.noise.add(float64(r.Value))
	}
	y := float64(r.Value)
	return known(r.Value, T(math.Hypot(g.stated(y), g.noise.sd()))).on(basisOf(r))
}

// stated is the standard deviation of the instrument's stated error at y.
func (g *gauge) stated(y float64) float64 { return standard(g.offset + float64(g.gain*math.Abs(y))) }

func (g *gauge) sigma(y float64) float64 { return math.Hypot(g.stated(y), g.smoothNoise()) }

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
	d       [16]float64 // in the order they came
	sorted  [16]float64 // the same by size
	n, head int
}

func (n *noise) add(x float64) {
	if n.have {
		d, was := math.Abs(x-n.last), n.d[n.head]
		if n.n == len(n.d) {
			remove(n.sorted[:n.n], was)
			n.n--
		}
		insert(n.sorted[:n.n+1], d)
		n.d[n.head] = d
		n.head = (n.head + 1) % len(n.d)
		n.n++
	}
	n.last, n.have = x, true
}

// sd is 0 before there are differences.
func (n *noise) sd() float64 {
	if n.n == 0 {
		return 0
	}
	return 1.4826 / math.Sqrt2 * mid(n.sorted[:n.n])
}

// insert puts v into s, whose values but the last are sorted and whose last is
// free.
func insert(s []float64, v float64) {
	i, _ := slices.BinarySearch(s[:len(s)-1], v)
	copy(s[i+1:], s[i:])
	s[i] = v
}

// remove takes v, which is there, out of the sorted s; the last place is free then.
func remove(s []float64, v float64) {
	i, _ := slices.BinarySearch(s, v)
	copy(s[i:], s[i+1:])
}
