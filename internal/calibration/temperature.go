package calibration

import (
	"math"
	"slices"

	"boxd/internal/box"
	"boxd/internal/say"
)

// Temperature is a thermometer in melting ice: crushed, of clean water, wetted,
// stirred, with the probe in the middle for ten minutes.
type Temperature struct {
	Readings []float64 `json:"readings"` // °C
}

const (
	mostIce   = 1.0    // °C: what reads further off is broken
	iceSpread = 0.3    // °C: the readings don't rest
	slush     = 0.1    // °C: what slush of tap water in a bucket allows
	mostSlush = 0.5    // °C
	step      = 0.0625 // °C: the step of a DS18B20
	halfStep  = step / 2
)

func (r *Request) temperature(rec *Record, c box.Channel) error {
	rec.Kind = TemperatureKind
	if c < box.WaterTemp || c > box.OutsideAirTemp {
		return say.Refuse("it is no temperature; name a temperature's column")
	}
	var ps []Compared
	for _, v := range r.Temperature.Readings {
		ps = append(ps, Compared{Reading: v})
	}
	_, raws, err := r.split(ps, rec)
	if err != nil {
		return err
	}
	mean, u := repeats(raws)
	if math.Abs(mean) > mostIce {
		return say.Refuse("in melting ice it reads %+.2f °C, more than %.0f off: check the probe, its wire and that the ice melts all around it; this is not for calibrating away", mean, mostIce)
	}
	if d := slices.Max(raws) - slices.Min(raws); d > iceSpread {
		return say.Refuse("the readings differ by %.2f °C: stir and wait until they rest", d)
	}
	rec.After = Correction{Gain: 1, Offset: -mean}
	rec.Expanded = 2 * combined(u, rectangular(r.Standard.limit(slush)), rectangular(halfStep))
	return nil
}
