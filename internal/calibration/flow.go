package calibration

import (
	"math"
	"slices"

	"boxd/internal/box"
	"boxd/internal/say"
	"boxd/internal/units"
)

// Flow is a flow meter against buckets of water.
type Flow struct {
	// PerLitre is the meter's nameplate, pulses per litre, as in the configuration;
	// 0: the readings are litres.
	PerLitre float64  `json:"pulses_per_litre,omitempty"`
	Buckets  []Bucket `json:"buckets"`
}

// Bucket is one filling. The water is by its mark or by its weight.
type Bucket struct {
	Litres    float64 `json:"litres,omitempty"`
	Kilograms float64 `json:"kilograms,omitempty"` // of the water alone, as the scales show it in air
	Celsius   float64 `json:"celsius,omitempty"`   // of weighed water
	Seconds   float64 `json:"seconds"`             // by the stopwatch
	Pulses    float64 `json:"pulses,omitempty"`
	Meter     float64 `json:"meter_litres,omitempty"` // without PerLitre: what the meter counted
	Flow      float64 `json:"meter_lpm,omitempty"`    // or its mean flow over the seconds
}

// Least water and time of a bucket, and how far a meter may be off. A stock
// meter passes too little for as much.
const (
	leastLitres   = 20
	leastStock    = 1
	leastSeconds  = 60
	mostOff       = 0.10 // of the nameplate; what is further off is another size, or another number
	mostSpread    = 0.02 // between buckets
	bucketLimit   = 0.005
	mostBottle    = 0.10 // of a bucket, a bottle: a standard that may be further off is none
	meterStep     = 0.01 // L: a total is read to a hundredth
	stopwatchHand = 0.3  // s, of both presses of a hand
)

// Litres of water weighed in air: the density of Tanaka et al., Metrologia 38
// (2001) 301, and the buoyancy of air of 1.2 kg/m³ on water and on weights of
// 8000 kg/m³ (OIML R 111).
func litresOf(kg, celsius float64) float64 {
	const air, weights = 1.2, 8000.0
	rho := Density(celsius)
	return kg * (1 - air/weights) / (rho - air) * 1000
}

// Density of pure water at 101.325 kPa, kg/m³, 0 to 40 °C: Tanaka et al.,
// Metrologia 38 (2001) 301. Irrigation water is heavier by its salts, under
// 0.1 % at 1 g/L.
func Density(celsius float64) float64 {
	const a1, a2, a3, a4, a5 = -3.983035, 301.797, 522528.9, 69.34881, 999.974950
	t := celsius
	return a5 * (1 - float64((t+a1)*(t+a1)*(t+a2))/float64(a3*(t+a4)))
}

func (r *Request) flow(rec *Record, c box.Channel) error {
	rec.Kind = FlowKind
	f := r.Flow
	if c < box.MainFlow || c > box.StockDraw {
		return say.Refuse("it is no flow; name a flow's column")
	}
	if len(f.Buckets) == 0 || len(f.Buckets) > maxPoints {
		return say.Refuse("%d buckets; give 1 to %d", len(f.Buckets), maxPoints)
	}
	if !finite(f.PerLitre) || f.PerLitre < 0 {
		return say.Refuse("the pulses per litre are no number from 0 up")
	}
	var gains, worst []float64
	for i, b := range f.Buckets {
		true, meter, u, err := r.bucket(b, rec.Before, c)
		if err != nil {
			return say.Refuse("bucket %d: %v", i+1, say.Of(err))
		}
		if b.Kilograms > 0 {
			rec.Method = byWeight
		}
		gains, worst = append(gains, true/meter), append(worst, u)
		rec.Points = append(rec.Points, Point{Reference: true, Reading: meter})
	}
	gain, again := repeats(gains)
	if spread := (slices.Max(gains) - slices.Min(gains)) / gain; spread > mostSpread {
		return say.Refuse("the buckets differ by %.1f %%, more than %.0f %%; look for air in the line, a flow that changes, a misread bucket, and fill them again", 100*spread, 100*mostSpread)
	}
	if math.Abs(1/gain-1) > mostOff {
		return say.Refuse("the meter is off by %+.1f %% of its nameplate, more than %.0f %%; check its size, its pulses per litre in the configuration and that it is full of water", 100*(1/gain-1), 100*mostOff)
	}
	rec.After = Correction{Gain: gain}
	rec.Expanded = 2 * combined(slices.Max(worst), again/gain)
	if f.PerLitre > 0 {
		rec.PerLitre = f.PerLitre / gain
	}
	return nil
}

// bucket is one filling: litres by the bucket, litres by the meter without
// correction, and the relative standard uncertainty of their quotient.
func (r *Request) bucket(b Bucket, before Correction, c box.Channel) (litres, meter, u float64, err error) {
	if !finite(b.Litres, b.Kilograms, b.Celsius, b.Seconds, b.Pulses, b.Meter, b.Flow) {
		return 0, 0, 0, say.Refuse("a number is none")
	}
	litres = b.Litres
	switch {
	case (b.Litres > 0) == (b.Kilograms > 0):
		return 0, 0, 0, say.Refuse("give its litres or its kilograms")
	case b.Kilograms > 0 && !(b.Celsius >= 0 && b.Celsius <= 40):
		return 0, 0, 0, say.Refuse("weighed water at %v; its temperature must be 0 to 40 °C", units.Celsius(b.Celsius))
	case b.Kilograms > 0:
		litres = litresOf(b.Kilograms, b.Celsius)
	}
	least := float64(leastLitres)
	if c == box.StockDraw {
		least = leastStock
	}
	if litres < least {
		return 0, 0, 0, say.Refuse("%v is too little water to tell 1 %%; take %v or more", units.Litre(litres), units.Litre(least))
	}
	if b.Seconds < leastSeconds {
		return 0, 0, 0, say.Refuse("%.0f s is too short; let it run for %d s or more, with a larger bucket", b.Seconds, leastSeconds)
	}
	if err := r.Standard.trusted(mostBottle*litres, "L"); err != nil {
		return 0, 0, 0, err
	}
	meter = b.Meter
	switch {
	case r.Flow.PerLitre > 0 && b.Pulses > 0:
		meter, u = b.Pulses/r.Flow.PerLitre, rectangular(1/b.Pulses)
	case b.Flow > 0:
		meter = r.uncorrected(b.Flow, before) * b.Seconds / 60
		u = rectangular(stopwatchHand / b.Seconds)
	case b.Meter > 0:
		u = rectangular(meterStep / b.Meter)
	}
	if meter <= 0 {
		return 0, 0, 0, say.Refuse("the meter counted nothing; give its pulses, its litres or its mean flow, and check that it turns")
	}
	return litres, meter, combined(u, rectangular(r.Standard.limit(bucketLimit*litres)/litres)), nil
}
