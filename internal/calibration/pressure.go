package calibration

import (
	"math"
	"slices"

	"boxd/internal/box"
	"boxd/internal/say"
	"boxd/internal/units"
)

// Pressure is a transmitter vented to the air (all gauges 0), or against a gauge.
type Pressure struct {
	Points []Compared `json:"points"`
}

// Compared is a reading beside its reference.
type Compared struct {
	Reference float64 `json:"reference"`
	Reading   float64 `json:"reading"`
}

// Limits of a pressure calibration, kPa.
const (
	mostZero   = 20  // a vented transmitter may read
	leastSpan  = 50  // between the lowest and the highest gauge
	mostGain   = 0.1 // off 1
	mostGauge  = 20
	ventLimit  = 0.3 // of the air's pressure at a vent, in a breeze
	gaugeLimit = 2   // of a gauge of class 0.6 and 400 kPa, read to a tenth of its smallest mark
)

func (r *Request) pressure(rec *Record, c box.Channel) error {
	rec.Kind = PressureKind
	ps := r.Pressure.Points
	if c < box.SupplyPressure || c > box.HeaderPressure {
		return say.Refuse("it is no pressure; name a pressure's column")
	}
	refs, raws, err := r.split(ps, rec)
	if err != nil {
		return err
	}
	if slices.Max(refs) == 0 && slices.Min(refs) == 0 {
		return r.zero(rec, raws)
	}
	return r.span(rec, refs, raws)
}

// split takes points apart and puts them into the record.
func (r *Request) split(ps []Compared, rec *Record) (refs, raws []float64, err error) {
	if len(ps) == 0 || len(ps) > maxPoints {
		return nil, nil, say.Refuse("%d points; give 1 to %d", len(ps), maxPoints)
	}
	for i, p := range ps {
		if !finite(p.Reference, p.Reading) {
			return nil, nil, say.Refuse("point %d is no number", i+1)
		}
		raw := r.uncorrected(p.Reading, rec.Before)
		refs, raws = append(refs, p.Reference), append(raws, raw)
		rec.Points = append(rec.Points, Point{Reference: p.Reference, Reading: raw})
	}
	return refs, raws, nil
}

// zero leaves the gain as it is.
func (r *Request) zero(rec *Record, raws []float64) error {
	mean, u := repeats(raws)
	if math.Abs(mean) > mostZero {
		return say.Refuse("open to the air it reads %v, more than %v off; check that it is open to the air, its wiring and its span in the configuration", units.KPa(mean), units.KPa(mostZero))
	}
	rec.After = Correction{Gain: rec.Before.Gain, Offset: -rec.Before.Gain * mean}
	rec.Expanded = 2 * combined(u, rectangular(r.Standard.limit(ventLimit)))
	return nil
}

func (r *Request) span(rec *Record, refs, raws []float64) error {
	if d := slices.Max(refs) - slices.Min(refs); d < leastSpan {
		return say.Refuse("the points lie within %v: too near together for a span; let the gauge show %v or more between the lowest and the highest", units.KPa(d), units.KPa(leastSpan))
	}
	mid, _ := repeats(raws)
	l, err := Fit(raws, refs, mid)
	if err != nil {
		return say.Refuse("the readings stay the same under another pressure; check the transmitter and its impulse line")
	}
	if math.Abs(l.Slope-1) > mostGain {
		return say.Refuse("the gain would be %.3f, more than %.0f %% off; check the span in the configuration, the shunt and the gauge's unit", l.Slope, 100*mostGain)
	}
	limit := r.Standard.limit(gaugeLimit)
	for i, x := range raws {
		if e := refs[i] - l.Value(x); math.Abs(e) > 2*limit {
			return say.Refuse("point %d lies %v off the line of the others, more than the gauge explains (%v); read it again, at rest", i+1, units.KPa(e), units.KPa(2*limit))
		}
	}
	rec.After = Correction{Gain: l.Slope, Offset: l.Value(0)}
	rec.Expanded = 2 * combined(max(l.U(slices.Max(raws)), l.U(slices.Min(raws))), rectangular(limit))
	return nil
}
