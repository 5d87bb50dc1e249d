package dosing

import (
	"strings"

	"boxd/internal/units"
)

// figure is a quantity in a plan's sentence, in metric units with the decimals
// that plans are written in.
type figure struct {
	metric, us units.Shown
	bare       bool // the sentence has the unit already
}

// In writes it.
func (f figure) In(u units.System) string {
	shown := f.metric
	if u == units.US {
		shown = f.us
	}
	if f.bare {
		number, _, _ := strings.Cut(shown.String(), " ")
		return number
	}
	return shown.String()
}

// number leaves the unit away.
func (f figure) number() figure { f.bare = true; return f }

func hourly(q units.LPerH) figure {
	return figure{metric: units.Shown{Value: float64(q), Unit: "L/h"}, us: units.US.Flow(q)}
}

func metres(l units.Metre, decimals int) figure {
	return figure{metric: units.Shown{Value: float64(l), Unit: "m", Decimals: decimals}, us: units.US.Length(l)}
}

func strong(c units.GPerL, decimals int) figure {
	return figure{metric: units.Shown{Value: float64(c), Unit: "g/L", Decimals: decimals}, us: units.US.Concentration(c)}
}

// degrees is a temperature to the degree.
func degrees(t units.Celsius) figure {
	f := figure{metric: units.Metric.Temperature(t), us: units.US.Temperature(t)}
	f.metric.Decimals, f.us.Decimals = 0, 0
	return f
}

// micro is an EC in µS/cm, in either system.
func micro(e units.USPerCm) units.Shown { return units.Shown{Value: float64(e), Unit: "µS/cm"} }
