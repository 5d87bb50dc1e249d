package estimate

import (
	"math"

	"boxd/internal/box"
	"boxd/internal/units"
)

// FilterState is how the screen filter stands to what it was when the lines came
// to pressure.
type FilterState uint8

// What the filter can be.
const (
	FilterUnknown FilterState = iota
	FilterClean
	FilterLoading // takes more than it did, by the first limit
	FilterLoaded  // by the second: it needs cleaning
	FilterTorn    // takes less than half of what it did
)

func (s FilterState) String() string {
	switch s {
	case FilterClean:
		return "clean"
	case FilterLoading:
		return "loading"
	case FilterLoaded:
		return "loaded"
	case FilterTorn:
		return "torn"
	case FilterUnknown:
	}
	return "unknown"
}

// FilterCleaned tells that the screen was taken out: air has come in, so the
// lines are to be brought to pressure again, and the clean difference is to be
// learnt again.
func (e *Estimator) FilterCleaned() {
	o := &e.out
	o.Filled, o.Pressurised = No, No
	e.fullH.on, e.freshFullH.on, e.atP.on, e.steadyH.on = false, false, false, false
	e.headerWin.reset()
	e.filterWin.reset()
	e.filterKnown = false
	e.cool.seenClear()
}

// filter learns the clean filter's difference per flow squared just after the
// lines came to pressure, and watches what comes on top of it (screens follow
// ΔP ∝ Q², common practice, no source).
func (e *Estimator) filter() {
	o := &e.out
	o.FilterExcess, o.FilterDoubt = Value[units.KPa]{}, 0
	if o.Flowing != Yes || o.Pressurised != Yes || !o.FilterDiff.Known || !o.Main.Known || o.Main.V <= 0 {
		return
	}
	q2 := float64(o.Main.V) * float64(o.Main.V)
	if !e.filterKnown {
		// A late gauge shows what was: while the supply moves, that is no difference.
		if o.FilterDiff.Quality == box.Good && e.sec-e.filterWin.newest() >= 0.99 {
			e.filterWin.add(e.sec, float64(o.FilterDiff.V)/q2)
		}
		if k, sd, n := e.filterWin.robust(e.sec); n >= 40 {
			e.filterClean, e.filterCleanSD, e.filterAt, e.filterKnown = k, sd/math.Sqrt(float64(n)), q2, true
			e.filterSupply = o.Supply.V
		}
		return
	}
	clean := units.KPa(e.filterClean * q2)
	// Two gauges whose spans are off make another difference at another pressure,
	// though the screen is the same.
	o.FilterDoubt = units.KPa(2 * spanError * math.Abs(float64(o.Supply.V-e.filterSupply)))
	o.FilterExcess.set(o.FilterDiff.V-clean, o.FilterDiff.Basis.with(o.Main.Basis))
}

// spanError is how far a gauge's span may be off, as a bound: gauges of the class
// 0.5 are usual on small boards (common practice, no source).
const spanError = 0.005

// FilterClean is the learnt clean difference at the present flow.
func (e *Estimator) FilterClean() Value[units.KPa] {
	o := &e.out
	if !e.filterKnown || !o.Main.Known {
		return Value[units.KPa]{}
	}
	q2 := float64(o.Main.V) * float64(o.Main.V)
	return known(units.KPa(e.filterClean*q2), units.KPa(e.filterCleanSD*q2)).on(o.Main.Basis)
}

// screen judges the filter by the limits given; without limits or without a
// clean difference to compare with it is unknown.
func (e *Estimator) screen() {
	o, c := &e.out, &e.cfg
	o.Filter = FilterUnknown
	if !o.FilterLoad.Known || c.FilterWarn <= 0 || c.FilterClean < c.FilterWarn {
		return
	}
	clean := o.FilterDiff.V - o.FilterExcess.V
	switch {
	case o.FilterExcess.Known && clean > 5 && o.FilterDiff.V+o.FilterDoubt < clean/2:
		o.Filter = FilterTorn
	case o.FilterLoad.V > c.FilterClean:
		o.Filter = FilterLoaded
	case o.FilterLoad.V > c.FilterWarn:
		o.Filter = FilterLoading
	default:
		o.Filter = FilterClean
	}
}
