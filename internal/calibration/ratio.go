package calibration

import (
	"math"

	"boxd/internal/say"
	"boxd/internal/units"
)

// Ratio is what the injector gives, by volume or by EC. It corrects no channel.
type Ratio struct {
	Dialled float64 `json:"dialled"` // stock in total

	Stock float64 `json:"stock_litres,omitempty"` // drawn
	Total float64 `json:"total_litres,omitempty"` // of mixture that left the injector

	// By EC: of the water, of the mixture after the injector, and of a mixture made
	// by hand of the same water and stock at HandRatio.
	WaterEC   float64 `json:"water_us_cm,omitempty"`
	MixEC     float64 `json:"mix_us_cm,omitempty"`
	HandEC    float64 `json:"hand_us_cm,omitempty"`
	HandRatio float64 `json:"hand_ratio,omitempty"`
}

const (
	mostRatioOff  = 0.25
	leastDrawn    = 0.2  // L
	drawnLimit    = 0.02 // of the stock, read at a cylinder
	ecLimit       = 0.02 // of a rise in EC
	leastRise     = 200  // µS/cm
	mostHandApart = 2    // quotient of the two mixtures' rises: EC is no straight line over more
)

func (r *Request) ratio(rec *Record) error {
	rec.Kind = RatioKind
	q := r.Ratio
	if !finite(q.Dialled, q.Stock, q.Total, q.WaterEC, q.MixEC, q.HandEC, q.HandRatio) || !(q.Dialled > 0 && q.Dialled < 0.5) {
		return say.Refuse("the dialled ratio must be above 0 and below 50 %, and all else numbers")
	}
	found, u, how, err := q.byVolume(r.Standard)
	if q.MixEC > 0 {
		found, u, how, err = q.byEC(r.Standard)
	}
	if err != nil {
		return err
	}
	if off := found/q.Dialled - 1; math.Abs(off) > mostRatioOff {
		return say.Refuse("it gives %.3g %% where %.3g %% is dialled, %+.0f %%; look for air in the suction hose, a clogged screen, worn seals, another convention of the ratio", 100*found, 100*q.Dialled, 100*off)
	}
	rec.Points = []Point{{Reference: found, Reading: q.Dialled}}
	rec.After = Correction{Gain: found / q.Dialled}
	rec.Method, rec.Ratio, rec.Expanded = how, found, 2*u
	return nil
}

func (q *Ratio) byVolume(s Standard) (ratio, u float64, how string, err error) {
	switch {
	case q.Stock < leastDrawn:
		return 0, 0, "", say.Refuse("%.2f L of stock drawn is too little; take %.1f L or more", q.Stock, leastDrawn)
	case q.Total < leastLitres || q.Total <= q.Stock:
		return 0, 0, "", say.Refuse("%v in total is too little; take %v or more", units.Litre(q.Total), units.Litre(leastLitres))
	}
	return q.Stock / q.Total, combined(rectangular(s.limit(drawnLimit)), rectangular(bucketLimit)), byVolume, nil
}

func (q *Ratio) byEC(s Standard) (ratio, u float64, how string, err error) {
	mix, hand := q.MixEC-q.WaterEC, q.HandEC-q.WaterEC
	switch {
	case q.WaterEC < 0 || mix < leastRise || hand < leastRise || !(q.HandRatio > 0 && q.HandRatio < 0.5):
		return 0, 0, "", say.Refuse("the EC must rise by %d µS/cm or more in both mixtures, and the ratio of the one made by hand be said; urea can't be seen by EC", leastRise)
	case max(mix, hand)/min(mix, hand) > mostHandApart:
		return 0, 0, "", say.Refuse("the two mixtures are too far apart (rises of %.0f and %.0f µS/cm); make one by hand near the dialled ratio", mix, hand)
	}
	return q.HandRatio * mix / hand, combined(rectangular(s.limit(ecLimit)), rectangular(s.limit(ecLimit)), rectangular(drawnLimit)), byEC, nil
}
