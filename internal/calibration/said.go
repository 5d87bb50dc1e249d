package calibration

import (
	"fmt"
	"slices"

	"boxd/internal/say"
	"boxd/internal/units"
)

// The ways to measure that a kind can be done by, as records have them.
const (
	byVolume = "volume"
	byEC     = "EC"
	byWeight = "weight"
)

// amount is a difference in a record's unit, as a reader has it: 1 °C is 1.8 °F.
type amount struct {
	v      float64
	unit   string
	format string // of the number in metric; sign and digits
}

// In is of say.Quantity.
func (a amount) In(u units.System) string {
	v, unit := a.v, a.unit
	if u == units.US && unit == "°C" {
		v, unit = v*1.8, "°F"
	} else if u == units.US && unit == "kPa" {
		v, unit = v/6.894757, "psi"
	}
	return fmt.Sprintf(a.format, v) + " " + unit
}

// Said is what was found, for a person. A record of a kind that this version
// doesn't know is said in its own words.
func (r *Record) Said() say.Text {
	in := func(v float64, format string) amount { return amount{v, r.Unit, format} }
	n, gain, part := len(r.Points), r.After.Gain, 100*r.Expanded
	switch r.Kind {
	case FlowKind:
		if r.PerLitre > 0 {
			return say.T("gain %.4f ± %.2f %% from %d buckets, %.5g pulses per litre", gain, part, n, r.PerLitre)
		}
		return say.T("gain %.4f ± %.2f %% from %d buckets", gain, part, n)
	case PressureKind:
		if !slices.ContainsFunc(r.Points, func(p Point) bool { return p.Reference != 0 }) {
			return say.T("zero moved by %v ± %v, gain as it was (%.4f)", in(r.After.Offset-r.Before.Offset, "%+.2f"), in(r.Expanded, "%.2f"), gain)
		}
		return say.T("gain %.4f, offset %v, ± %v from %d points", gain, in(r.After.Offset, "%+.2f"), in(r.Expanded, "%.2f"), n)
	case ECKind:
		return say.T("gain %.4f, offset %v, ± %v from %d standards", gain, in(r.After.Offset, "%+.1f"), in(r.Expanded, "%.0f"), n)
	case TemperatureKind:
		return say.T("offset %v ± %v from %d readings in melting ice", in(r.After.Offset, "%+.3f"), in(r.Expanded, "%.2f"), n)
	case RatioKind:
		if n == 1 && r.Method == byEC {
			return say.T("gives %.4g %% ± %.1f %% of it by EC where %.4g %% is dialled", 100*r.Ratio, part, 100*r.Points[0].Reading)
		}
		if n == 1 && r.Method == byVolume {
			return say.T("gives %.4g %% ± %.1f %% of it by volume where %.4g %% is dialled", 100*r.Ratio, part, 100*r.Points[0].Reading)
		}
	case Unmeasured:
	}
	return say.Verbatim(r.Text)
}
