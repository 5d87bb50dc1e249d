// Package units holds the physical quantities of the job as types, one type
// per quantity, named by its unit, so that the compiler refuses a pressure
// where a flow is wanted.
//
// Inside boxd a quantity has one unit: kPa gauge, L/h, L, m, mm, °C, µS/cm at
// 25 °C, g, g/L and plain fractions. Other units (psi, US gallons, feet, °F …)
// live at the edges only: Parse functions read them, a System writes them. The
// package refuses to guess: a quantity in text without a unit is an error.
//
// Cross-quantity arithmetic is here as named functions; elsewhere float64(x)
// is for filters and for outputs.
package units

import (
	"math"
	"time"
)

// Quantities. Each is a plain float64 in the unit its name says.
type (
	KPa     float64 // gauge pressure, kilopascal
	LPerH   float64 // volume flow, litres per hour
	Litre   float64 // volume, litres
	Metre   float64 // length, metres
	MM      float64 // short length (bores, roughness), millimetres
	Celsius float64 // temperature, degrees Celsius
	USPerCm float64 // electrical conductivity at 25 °C, microsiemens per centimetre
	Ratio   float64 // a fraction: 0.02 is 2 %
	GPerL   float64 // mass concentration, grams per litre
	Gram    float64 // mass, grams
	M2      float64 // area, square metres
	PerMin  float64 // frequency, times a minute
	Volt    float64 // voltage, volts
	Ohm     float64 // resistance, ohms
)

// Exact or conventional conversion constants. Sources: NIST SP 811 (2008)
// appendix B: psi, US gallon, foot, inch, acre, avoirdupois pound and ounce;
// 9.80665 m/s² (standard gravity) with water of 1000 kg/m³ for metres of water.
const (
	KPaPerPsi         = 6.894757293168
	KPaPerMetreWater  = 9.80665
	LitrePerUSGallon  = 3.785411784
	MetrePerFoot      = 0.3048
	MMPerInch         = 25.4
	GramPerPound      = 453.59237
	GramPerOunce      = 28.349523125
	M2PerAcre         = 4046.8564224
	M2PerSquareFoot   = 0.09290304
	MLPerUSFluidOunce = 29.5735295625
)

// LPerMin makes a flow from litres per minute.
func LPerMin(v float64) LPerH { return LPerH(v * 60) }

// LPerMin is the flow in litres per minute.
func (q LPerH) LPerMin() float64 { return float64(q) / 60 }

// Over is the volume the flow makes in d.
func (q LPerH) Over(d time.Duration) Litre {
	return Litre(float64(q) * (float64(d) / float64(time.Hour)))
}

// At is the time the volume takes at flow q. It is 0, false where no flow
// would ever finish it.
func (v Litre) At(q LPerH) (time.Duration, bool) {
	if !(q > 0) {
		return 0, false
	}
	h := float64(v) / float64(q)
	if h > 1e5 {
		return 0, false
	}
	return time.Duration(h * float64(time.Hour)), true
}

// Times is the mass in v litres at concentration c.
func (c GPerL) Times(v Litre) Gram { return Gram(float64(c) * float64(v)) }

// Scale is k·v.
func (v Litre) Scale(k Ratio) Litre { return Litre(float64(v) * float64(k)) }

// Scale is k·q.
func (q LPerH) Scale(k Ratio) LPerH { return LPerH(float64(q) * float64(k)) }

// Of is the fraction q/whole; 0 when whole is not positive.
func (q LPerH) Of(whole LPerH) Ratio {
	if !(whole > 0) {
		return 0
	}
	return Ratio(float64(q) / float64(whole))
}

// Percent is the fraction in per cent.
func (r Ratio) Percent() float64 { return float64(r) * 100 }

// Percent makes a fraction from per cent.
func Percent(p float64) Ratio { return Ratio(p / 100) }

// Area is the cross-section of a round bore of diameter d.
func (d MM) Area() M2 {
	m := float64(d) / 1000
	return M2(math.Pi * m * m / 4)
}

// Bore is the volume of a round pipe of this length and inside diameter.
func (l Metre) Bore(d MM) Litre { return Litre(float64(l) * float64(d.Area()) * 1000) }

// Finite reports whether x is an ordinary number.
func Finite[T ~float64](x T) bool {
	f := float64(x)
	return !math.IsNaN(f) && !math.IsInf(f, 0)
}
