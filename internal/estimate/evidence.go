package estimate

import (
	"math"
	"time"

	"boxd/internal/box"
	"boxd/internal/dosing"
	"boxd/internal/say"
	"boxd/internal/units"
)

// evidence is what the meters counted of the stock that went out.
type evidence struct {
	stock, branch tally   // while stock was drawn
	water         tally   // through the box while it carried stock
	rise          float64 // ∫(EC − baseline)dV over the water counted, µS/cm·L
}

// tally is what one meter counted while there was something to count. What it
// could not read is never filled in: it goes into the doubt.
type tally struct {
	sum   units.Litre
	span  float64 // what there was to count, s or L
	blind float64 // the part of it that could not be read
}

func (t *tally) add(v units.Litre, span float64, seen bool) {
	t.span += span
	if !seen {
		t.blind += span
		return
	}
	t.sum += v
}

// missed is the part that could not be read.
func (t *tally) missed() units.Ratio {
	if t.span <= 0 {
		return 0
	}
	return units.Ratio(t.blind / t.span)
}

// mostMissed is the part of an injection a meter may miss and still be believed.
// Common practice, no source.
const mostMissed units.Ratio = 0.05

// litres is the tally with the meter's bound and what it missed as doubt; gone is
// the part of the injection that nobody watched.
func (t *tally) litres(meter say.Text, bound, gone units.Ratio) dosing.Quantity[units.Litre] {
	missed := max(t.missed(), gone)
	switch {
	case t.blind > 0 && t.blind >= t.span:
		return dosing.Absent[units.Litre](say.T("%v was not read", meter))
	case missed > mostMissed:
		return dosing.Absent[units.Litre](say.T("%v could not be read for %v of the injection", meter, missed))
	}
	rel := math.Hypot(float64(standard(bound)), float64(missed))
	return dosing.Quantity[units.Litre]{Value: t.sum, Std: units.Litre(float64(t.sum) * rel)}
}

// gone is the part of the injection in which boxd itself was not there to see.
func (e *Estimator) gone() units.Ratio {
	o := &e.out
	if o.Unwatched <= 0 {
		return 0
	}
	return units.Ratio(o.Unwatched.Seconds() / (o.Unwatched + o.InjectedFor).Seconds())
}

// count adds up this turn's evidence. The flow counted is the meter's own, not
// the careful pace of the flush: what passed the box did so wherever it went.
func (e *Estimator) count(dt time.Duration, r *box.Readings, over float64) {
	o, w := &e.out, &e.evidence
	if o.Drawing == Yes {
		w.stock.add(r.Stock.Value.Over(dt), dt.Seconds(), r.Stock.Usable())
		w.branch.add(r.Branch.Value.Over(dt), dt.Seconds(), r.Branch.Usable())
	}
	if !o.EverDrawn || o.CleanAtBox {
		return
	}
	metered := r.Main.Usable() && r.Main.Age <= heldFor
	q := o.Flush.Rate
	if metered {
		q = r.Main.Value
	}
	seen := metered && o.BoxEC.Known && o.Baseline.Known
	if dv := q.Over(dt); over > 0 || !seen {
		w.water.add(dv, float64(dv), seen)
		if seen {
			w.rise += float64(over * float64(dv))
		}
	}
}

// Evidence is what the readings of this run tell of the dose. What the stock
// holds and how the injector is set is for the caller to add.
//
// The rise is the mean over the water that carried stock, weighted by volume.
// The ends, where the box mixes, are in it: as EC goes nearly straight with
// concentration there, they move the dose by a thousandth at most.
func (e *Estimator) Evidence() dosing.Evidence {
	w, acc, base, gone := &e.evidence, e.cfg.Accuracy, e.out.Baseline, e.gone()
	out := dosing.Evidence{
		Drawn:  w.stock.litres(say.T("the stock meter"), acc.Stock, gone),
		Branch: w.branch.litres(say.T("the injector's flow meter"), acc.Branch, gone),
	}
	if !base.Known {
		why := say.T("no clean water was seen before the injection")
		out.Rise, out.Passed = dosing.Absent[units.USPerCm](why), dosing.Absent[units.Litre](why)
		return out
	}
	out.Passed = w.water.litres(say.T("the main flow or the EC at the box"), acc.Main, gone)
	mean := 0.0
	if w.water.sum > 0 {
		mean = w.rise / float64(w.water.sum)
	}
	out.Rise.Value = units.USPerCm(mean)
	out.Rise.Std = hypot(units.USPerCm(mean*float64(standard(acc.EC))), base.Sigma)
	return out
}
