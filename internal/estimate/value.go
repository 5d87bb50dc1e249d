package estimate

import (
	"math"
	"time"

	"boxd/internal/box"
	"boxd/internal/units"
)

// Tri is yes, no or unknown. The zero value is Unknown.
type Tri uint8

// The three answers.
const (
	Unknown Tri = iota
	No
	Yes
)

func (t Tri) String() string {
	switch t {
	case Yes:
		return "yes"
	case No:
		return "no"
	case Unknown:
	}
	return "unknown"
}

func tri(b bool) Tri {
	if b {
		return Yes
	}
	return No
}

// Basis is what an estimate stands on: the age of the oldest reading behind it
// and the worst quality among them.
type Basis struct {
	Age     time.Duration
	Quality box.Quality
}

func basisOf[T ~float64](r *box.Reading[T]) Basis { return Basis{r.Age, r.Quality} }

// with is what stands on both.
func (b Basis) with(c Basis) Basis {
	return Basis{max(b.Age, c.Age), max(b.Quality, c.Quality)} // Good < Uncertain < Bad
}

// Value is a derived number with its standard deviation: of the instruments'
// stated errors and of the noise seen, by the propagation of uncertainty
// (JCGM 100:2008, 5.1.2), where that has been weighed. It means something only
// when Known.
type Value[T ~float64] struct {
	V, Sigma T
	Known    bool
	Basis
}

// known is a value of good quality, from readings of now.
func known[T ~float64](v, sigma T) Value[T] {
	return Value[T]{v, sigma, true, Basis{Quality: box.Good}}
}

// on puts a value on what it was made from. What is made from something unknown
// is unknown.
func (v Value[T]) on(of ...Basis) Value[T] {
	for _, b := range of {
		if b.Quality != box.Good && b.Quality != box.Uncertain {
			return Value[T]{}
		}
		v.Basis = v.with(b)
	}
	return v
}

// set makes v the number x on what it was made from, its Sigma left to Weighed. In
// place, for a turn sets dozens. What is made from something unknown is unknown.
func (v *Value[T]) set(x T, of Basis) {
	if of.Quality != box.Good && of.Quality != box.Uncertain {
		*v = Value[T]{}
		return
	}
	v.V, v.Sigma, v.Known, v.Age, v.Quality = x, 0, true, of.Age, of.Quality
}

// less sets v to a − b.
func (v *Value[T]) less(a, b *Value[T]) {
	if !a.Known || !b.Known {
		*v = Value[T]{}
		return
	}
	v.set(a.V-b.V, a.Basis.with(b.Basis))
}

// quotient sets v to a ÷ b; unknown where b is not above 0.
func quotient[T ~float64](v *Value[units.Ratio], a, b *Value[T]) {
	if !a.Known || !b.Known || b.V <= 0 {
		*v = Value[units.Ratio]{}
		return
	}
	v.set(units.Ratio(a.V/b.V), a.Basis.with(b.Basis))
}

// minus is a − b, their errors independent.
func minus[T ~float64](a, b Value[T]) Value[T] {
	if !a.Known || !b.Known {
		return Value[T]{}
	}
	return Value[T]{a.V - b.V, hypot(a.Sigma, b.Sigma), true, a.Basis.with(b.Basis)}
}

// over is a ÷ b, their errors independent; unknown where b is not above 0.
func over[T ~float64](a, b Value[T]) Value[units.Ratio] {
	if !a.Known || !b.Known || b.V <= 0 {
		return Value[units.Ratio]{}
	}
	r := units.Ratio(a.V / b.V)
	s := hypot(units.Ratio(a.Sigma/b.V), r*units.Ratio(b.Sigma/b.V))
	return Value[units.Ratio]{r, s, true, a.Basis.with(b.Basis)}
}

// hypot is the root of the sum of squares, of numbers that no square of
// overflows.
func hypot[T ~float64](a, b T) T { return T(math.Sqrt(float64(a*a) + float64(b*b))) }

// Standing is what a yes or no stands on, and since when it has been said.
type Standing struct {
	Since time.Duration
	Basis
	seen time.Duration // when the oldest reading behind it was taken
}

// hear takes this turn's readings for it. A judgement that nothing speaks to any
// more grows old.
func (s *Standing) hear(now time.Duration, changed bool, of Basis) {
	if changed {
		s.Since = now
	}
	if of.Quality == box.Good || of.Quality == box.Uncertain {
		s.seen, s.Quality = now-of.Age, of.Quality
	} else {
		s.Quality = box.Uncertain
	}
	s.Age = now - s.seen
}
