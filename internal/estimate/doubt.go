package estimate

import (
	"math"

	"boxd/internal/units"
)

// Weighed is the estimates with every standard deviation. Those of instruments
// and of what is reckoned from them take longer than the values and decide
// nothing, so they are worked out where somebody looks.
func (e *Estimator) Weighed() Estimates {
	o := e.out
	o.Supply.weigh(units.KPa(e.supply.sigma(float64(o.Supply.V))))
	o.FilterOut.weigh(units.KPa(e.filterOut.sigma(float64(o.FilterOut.V))))
	o.InjectorIn.weigh(units.KPa(e.injIn.sigma(float64(o.InjectorIn.V))))
	o.InjectorOut.weigh(units.KPa(e.injOut.sigma(float64(o.InjectorOut.V))))
	o.Header.weigh(units.KPa(e.header.sigma(float64(o.Header.V))))
	o.Main.weigh(units.LPerH(e.main.sigma(float64(o.Main.V))))
	o.Branch.weigh(units.LPerH(e.branch.sigma(float64(o.Branch.V))))
	o.Stock.weigh(units.LPerH(e.stock.sigma(float64(o.Stock.V))))
	o.BoxEC.weigh(units.USPerCm(e.boxEC.rawSigma(float64(o.BoxEC.V))))
	o.EndEC.weigh(units.USPerCm(e.endEC.rawSigma(float64(o.EndEC.V))))
	o.FilterDiff, o.InjectorDiff = minus(o.Supply, o.FilterOut), minus(o.InjectorIn, o.InjectorOut)
	e.weighFilter(&o)
	e.weighFlow(&o)
	l := &o.Loop
	l.Diff.weigh(o.InjectorDiff.Sigma)
	l.Most.weigh(o.InjectorDiff.Sigma)
	l.Branch.weigh(o.Branch.Sigma)
	return o
}

func (v *Value[T]) weigh(sigma T) {
	if v.Known {
		v.Sigma = sigma
	}
}

// weighFlow: the error of the expected flow is the gauge's through the slope of
// the curve, and that of the zone as described.
func (e *Estimator) weighFlow(o *Estimates) {
	if h := &o.Header; o.Expected.Known {
		slope := (e.expected(h.V+h.Sigma) - e.expected(h.V-h.Sigma)) / 2
		o.Expected.Sigma = hypot(slope, o.Expected.V.Scale(standard(e.cfg.GeometryError)))
	}
	if o.FlowRatio.Known {
		o.FlowRatio = over(o.Main, o.Expected)
	}
	if o.FieldRatio.Known {
		o.FieldRatio = over(o.Stock, o.Main)
	}
	if o.BranchRatio.Known {
		o.BranchRatio = over(o.Stock, o.Branch)
	}
	if line := e.cfg.Zone.LineVolume(); o.FilledPct.Known && o.Filled != Yes && line > 0 {
		o.FilledPct.Sigma = units.Ratio(o.Volume/line) * standard(hypot(e.cfg.Accuracy.Main, e.cfg.GeometryError))
	}
}

func (e *Estimator) weighFilter(o *Estimates) {
	past := o.FilterLoad != o.FilterExcess
	if o.FilterExcess.Known {
		o.FilterExcess.Sigma = e.excessSigma(float64(o.Main.V) * float64(o.Main.V))
	}
	if o.FilterLoad.Sigma = o.FilterExcess.Sigma; past {
		o.FilterLoad.Sigma = o.FilterDiff.Sigma
	}
}

// excessSigma: the gauges' offsets are in the learnt difference too and cancel,
// so far as the flow is the same; their noise does not.
func (e *Estimator) excessSigma(q2 float64) units.KPa {
	offsets := math.Sqrt2 * standard(float64(e.cfg.Accuracy.Pressure)) * math.Abs(1-q2/e.filterAt)
	noise := math.Hypot(e.supply.smoothNoise(), e.filterOut.smoothNoise())
	return units.KPa(math.Hypot(math.Hypot(offsets, noise), e.filterCleanSD*q2))
}
