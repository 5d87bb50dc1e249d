package safety

import (
	"math"

	"boxd/internal/alarm"
	"boxd/internal/estimate"
	"boxd/internal/say"
	"boxd/internal/units"
)

// airLeaves is how fast the flow's ratio falls, a minute, while pockets of air
// leave the lines late. A hole gives a steady flow. Common practice, no source.
const airLeaves units.Ratio = 0.02

// condition tells whether the alarm's condition stands, and whether it can be
// judged at all. Unknown readings judge nothing: they are sensor faults.
func (g *Guard) condition(a *alarm.Alarm) (active, judged bool) {
	e, l, s, band, stood := g.in.e, &g.limits, g.in.s, &g.limits.Deadband, a.Active()
	wet := e.Filled == estimate.Yes && e.Flowing == estimate.Yes
	steady := e.Pressurised == estimate.Yes && e.Flowing == estimate.Yes
	switch a.Def.ID {
	case "backflow-protection-missing":
		return !g.papers().Empty(), true
	case "backflow-sign":
		return g.backflowSign()
	case "supply-pressure-low":
		open := s.open(e) // with the shutoff valve closed the supply is nobody's concern
		return open && below(e.Supply.V, l.SupplyLow, band.Pressure, stood), e.Supply.Known || !open
	case "header-pressure-low":
		return (wet || g.early()) && below(e.Header.V, l.HeaderLow, band.Pressure, stood), e.Header.Known
	case "header-pressure-high":
		return above(e.Header.V, l.HeaderHigh, band.Pressure, stood), e.Header.Known
	case "filter-clogging":
		x := g.filterLoad()
		return steady && x.Known && above(x.V, l.FilterWarn, band.Pressure, stood), !steady || x.Known
	case "filter-torn":
		clean := e.FilterDiff.V - e.FilterExcess.V
		return steady && e.FilterExcess.Known && clean > 5 && e.FilterDiff.V+e.FilterDoubt < clean*units.KPa(l.FilterTorn), !steady || e.FilterExcess.Known
	case "injector-not-cycling":
		return s.InjectorOn && steady && e.Drawing == estimate.No, e.Drawing != estimate.Unknown
	case "ratio-off":
		return e.BranchRatio.Known && above(units.Ratio(math.Abs(g.ratioError())), l.RatioWarn, band.Ratio, stood), true
	case "flow-above-expected":
		// A flow that still falls towards what is expected is the last air leaving.
		leaves := !stood && e.FlowTrend.Known && e.FlowTrend.V < -airLeaves
		return steady && !leaves && above(e.FlowRatio.V-1, l.FlowHigh, band.Flow, stood), !steady || e.FlowRatio.Known
	case "flow-below-expected":
		return steady && above(1-e.FlowRatio.V, l.FlowLow, band.Flow, stood), !steady || e.FlowRatio.Known
	case "ec-above-limit":
		return l.ECLimit > 0 && above(e.BoxEC.V, l.ECLimit, l.ECLimit*units.USPerCm(band.EC), stood), e.BoxEC.Known
	case "stock-empty":
		return s.InjectorOn && steady && e.Drawing == estimate.No && e.Branch.Known && e.Branch.V > leastBranch, e.Drawing != estimate.Unknown
	case "flush-incomplete":
		left := e.Delivery.Known && !e.Flush.Done && e.EverDrawn
		// Before water has run in this run, what an earlier one left is no news.
		before := e.Carried.Pending() && !e.EverDrawn && e.Filled != estimate.Yes
		return (left || e.Carried.Pending()) && e.Flowing == estimate.No, e.Flowing != estimate.Unknown && !before
	case "freeze-risk":
		return g.freeze()
	case "sensor-fault":
		return g.badChannels() != 0, true
	}
	return g.surroundings(a.Def.ID)
}

// grave reports whether the alarm's second limit is passed.
func (g *Guard) grave(id string) bool {
	return id == "ratio-off" && math.Abs(g.ratioError()) > float64(g.limits.RatioAlarm)
}

// early reports whether stock goes into lines that never came to pressure.
func (g *Guard) early() bool {
	e := g.in.e
	return e.Drawing == estimate.Yes && e.Flowing == estimate.Yes && e.Pressurised != estimate.Yes
}

// filterLoad is what the filter takes over its clean difference, by this run's
// start or by past runs, whichever says more: what was learned can only add.
func (g *Guard) filterLoad() estimate.Value[units.KPa] {
	e := g.in.e
	if e.FilterLoad.Known && (!e.FilterExcess.Known || e.FilterLoad.V > e.FilterExcess.V) {
		return e.FilterLoad
	}
	return e.FilterExcess
}

// ratioError is how far the injector's ratio is off its nominal one, as a
// fraction; 0 where it can't be told.
func (g *Guard) ratioError() float64 {
	if g.limits.Ratio <= 0 || !g.in.e.BranchRatio.Known {
		return 0
	}
	return float64(g.in.e.BranchRatio.V/g.limits.Ratio) - 1
}

// seen is what an alarm says at the moment it is raised, with the numbers.
func (g *Guard) seen(id string) say.Text {
	e, r := g.in.e, g.in.r
	switch id {
	case "backflow-protection-missing":
		return say.T("Backflow protection: %v.", g.papers())
	case "backflow-sign":
		return g.seenSign()
	case "supply-pressure-low":
		return say.T("Supply pressure is %v, below %v.", e.Supply.V, g.limits.SupplyLow)
	case "header-pressure-low":
		if g.early() {
			return say.T("Stock goes in before the lines are at pressure: the header stands at %v, below %v, and the near plants get the most of it.", e.Header.V, g.limits.HeaderLow)
		}
		return say.T("Header pressure is %v, below %v.", e.Header.V, g.limits.HeaderLow)
	case "header-pressure-high":
		return say.T("Header pressure is %v, above %v.", e.Header.V, g.limits.HeaderHigh)
	case "filter-clogging":
		if g.filterLoad().V > g.limits.FilterClean {
			return say.T("The filter takes %v more than when clean at this flow: clean it now.", g.filterLoad().V)
		}
		return say.T("The filter takes %v more than when clean at this flow: clean it soon.", g.filterLoad().V)
	case "filter-torn":
		return say.T("The filter takes only %v, less than %v of what it took when clean.", e.FilterDiff.V, g.limits.FilterTorn)
	case "injector-not-cycling":
		return g.seenIdle()
	case "ratio-off":
		return say.T("The injector draws %.2f %% of its branch flow instead of %.2f %%.", e.BranchRatio.V.Percent(), g.limits.Ratio.Percent())
	case "flow-above-expected", "flow-below-expected":
		return g.seenFlow(id)
	case "ec-above-limit":
		return say.T("EC at the box is %v, above %v.", e.BoxEC.V, g.limits.ECLimit)
	case "stock-empty":
		return say.T("Water passes the injector but no stock is drawn: tank empty or air in the suction hose.")
	case "flush-incomplete":
		if !e.EverDrawn {
			return say.T("Water stopped before fertilizer of an earlier run was flushed out of the lines.")
		}
		return say.T("Water stopped before the flush was done: the last emitter has %.0f %% of its share.", e.Delivery.LastEmitter.Percent())
	case "freeze-risk":
		if f := &e.Freeze; f.Known && f.Early <= g.limits.FreezeLead {
			return g.frostSoon()
		}
		return say.T("Freezing near: water %v, air in the box %v.", g.temperature(r.Water.Usable(), r.Water.Value), g.temperature(r.BoxAir.Usable(), r.BoxAir.Value))
	case "sensor-fault":
		return say.T("No trustworthy reading: %v.", g.FaultText())
	}
	return g.seenAround(id)
}

// seenIdle is why the injector may draw nothing.
func (g *Guard) seenIdle() say.Text {
	e, l := g.in.e, &g.limits
	switch {
	case e.InjectorDiff.Known && e.InjectorDiff.V < l.InjectorStart:
		return say.T("The injector is said to run, but no stock is drawn: only %v stand across it, and it needs about %v. Throttle the loop valve further.", max(e.InjectorDiff.V, 0), l.InjectorStart)
	case e.Branch.Known && e.Branch.V < leastBranch:
		return say.T("The injector is said to run, but no water passes it: a valve of its branch is shut, or it is blocked.")
	case e.Branch.Known:
		return say.T("The injector is said to run and water passes it, but no stock is drawn: look at the suction side.")
	}
	return say.T("The injector is said to run, but no stock is drawn.")
}

// leastBranch is the least branch flow that is water, L/h.
const leastBranch units.LPerH = 9

func (g *Guard) temperature(ok bool, t units.Celsius) say.Text {
	if !ok {
		return say.T("unknown")
	}
	return say.T("%v", t)
}
