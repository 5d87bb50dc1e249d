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

// criterion is what an alarm is judged by. Unknown readings judge nothing: they
// are sensor faults.
type criterion struct {
	// stands tells whether the condition stands, stood being whether it did, and
	// whether it can be judged at all.
	stands func(g *Guard, stood bool) (active, judged bool)
	grave  func(*Guard) bool // its second limit is passed; nil: it has none
	grown  func(*Guard) bool // it stands for more than was said; nil: it stands for one thing
	// drains: suppressed by design. With the shutoff valve said closed the lines
	// drain, and what pressure and flow do then is nobody's fault.
	drains bool
}

// criteria are those of all alarms.
func criteria() map[string]criterion {
	return map[string]criterion{
		"backflow-protection-missing": {stands: func(g *Guard, _ bool) (active, judged bool) { return !g.declared, true }},
		"backflow-sign":               {stands: func(g *Guard, _ bool) (active, judged bool) { return g.backflowSign() }},
		"supply-pressure-low": {stands: func(g *Guard, stood bool) (active, judged bool) {
			e, open := g.in.e, g.in.s.open(g.in.e) // with the shutoff valve closed the supply is nobody's concern
			return open && below(e.Supply.V, g.limits.SupplyLow, g.limits.Deadband.Pressure, stood), e.Supply.Known || !open
		}},
		"header-pressure-low": {drains: true, stands: func(g *Guard, stood bool) (active, judged bool) {
			h := &g.in.e.Header
			return (g.wet() || g.early()) && below(h.V, g.limits.HeaderLow, g.limits.Deadband.Pressure, stood), h.Known
		}},
		"header-pressure-high": {stands: func(g *Guard, stood bool) (active, judged bool) {
			h := &g.in.e.Header
			return above(h.V, g.limits.HeaderHigh, g.limits.Deadband.Pressure, stood), h.Known
		}},
		"filter-clogging": {drains: true, stands: (*Guard).clogging},
		"filter-torn":     {drains: true, stands: (*Guard).torn},
		"injector-not-cycling": {drains: true, stands: func(g *Guard, _ bool) (active, judged bool) {
			return g.idle(), g.in.e.Drawing != estimate.Unknown
		}},
		"ratio-off": {stands: func(g *Guard, stood bool) (active, judged bool) {
			off := units.Ratio(math.Abs(g.ratioError()))
			known := g.in.e.BranchRatio.Known
			return known && above(off, g.limits.RatioWarn, g.limits.Deadband.Ratio, stood), known || g.in.e.Drawing == estimate.No
		}, grave: func(g *Guard) bool { return math.Abs(g.ratioError()) > float64(g.limits.RatioAlarm) }},
		"flow-above-expected": {drains: true, stands: (*Guard).flowAbove},
		"flow-below-expected": {drains: true, stands: func(g *Guard, stood bool) (active, judged bool) {
			steady, r := g.steady(), &g.in.e.FlowRatio
			return steady && above(1-r.V, g.limits.FlowLow, g.limits.Deadband.Flow, stood), !steady || r.Known && g.ratio()
		}},
		"ec-above-limit": {stands: func(g *Guard, stood bool) (active, judged bool) {
			ec, l := &g.in.e.BoxEC, &g.limits
			return l.ECLimit > 0 && above(ec.V, l.ECLimit, l.ECLimit*units.USPerCm(l.Deadband.EC), stood), ec.Known
		}},
		"stock-empty": {drains: true, stands: func(g *Guard, _ bool) (active, judged bool) {
			b := &g.in.e.Branch
			return g.idle() && b.Known && b.V > leastBranch, g.in.e.Drawing != estimate.Unknown
		}},
		"flush-incomplete": {stands: (*Guard).flushIncomplete},
		"freeze-risk":      {stands: func(g *Guard, _ bool) (active, judged bool) { return g.freeze() }},
		"sensor-fault":     {stands: func(g *Guard, _ bool) (active, judged bool) { return g.bad != 0, true }, grown: (*Guard).another},
		"archive-failing":  {stands: func(g *Guard, _ bool) (active, judged bool) { return failing(g.around.Archive) }},
		"link-down":        {stands: func(g *Guard, _ bool) (active, judged bool) { return failing(g.around.Link) }},
		"clock-jump": {stands: func(g *Guard, _ bool) (active, judged bool) {
			return g.around.ClockStep.Abs() > ClockJump, g.around.ClockKnown
		}},
	}
}

// criteriaOf are those of the alarms, in their order.
func criteriaOf(alarms []*alarm.Alarm) (out []criterion) {
	all := criteria()
	for _, a := range alarms {
		c, ok := all[a.Def.ID]
		if !ok {
			panic("safety: nothing judges the alarm " + a.Def.ID)
		}
		out = append(out, c)
	}
	return out
}

// wet: the lines are full and water runs.
func (g *Guard) wet() bool { return g.in.e.Filled == estimate.Yes && g.in.e.Flowing == estimate.Yes }

// steady: water runs, the lines at pressure.
func (g *Guard) steady() bool {
	return g.in.e.Pressurised == estimate.Yes && g.in.e.Flowing == estimate.Yes
}

// idle: the injector is meant to run and draws nothing.
func (g *Guard) idle() bool {
	return g.in.s.InjectorOn && g.steady() && g.in.e.Drawing == estimate.No
}

func (g *Guard) clogging(stood bool) (active, judged bool) {
	steady, x := g.steady(), g.filterLoad()
	return steady && x.Known && above(x.V, g.limits.FilterWarn, g.limits.Deadband.Pressure, stood), !steady || x.Known && g.across()
}

func (g *Guard) torn(stood bool) (active, judged bool) {
	e, steady := g.in.e, g.steady()
	clean := e.FilterDiff.V - e.FilterExcess.V
	return steady && e.FilterExcess.Known && clean > 5 && below(e.FilterDiff.V+e.FilterDoubt, clean*units.KPa(g.limits.FilterTorn), g.limits.Deadband.Pressure, stood),
		!steady || e.FilterExcess.Known && g.across()
}

func (g *Guard) flowAbove(stood bool) (active, judged bool) {
	e, steady := g.in.e, g.steady()
	// A flow that still falls towards what is expected is the last air leaving.
	leaves := !stood && e.FlowTrend.Known && e.FlowTrend.V < -airLeaves
	return steady && !leaves && above(e.FlowRatio.V-1, g.limits.FlowHigh, g.limits.Deadband.Flow, stood), !steady || e.FlowRatio.Known && g.ratio()
}

func (g *Guard) flushIncomplete(bool) (active, judged bool) {
	e := g.in.e
	left := e.Delivery.Known && !e.Flush.Done && e.EverDrawn
	// Before water has run in this run, what an earlier one left is no news.
	before := e.Carried.Pending() && !e.EverDrawn && e.Filled != estimate.Yes
	return (left || e.Carried.Pending()) && e.Flowing == estimate.No, e.Flowing != estimate.Unknown && !before
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
		return say.T("Backflow protection: %v.", g.papers.lack(g.in.wall))
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
