package safety

import (
	"math"
	"time"

	"boxd/internal/alarm"
	"boxd/internal/estimate"
	"boxd/internal/say"
	"boxd/internal/units"
)

// Definitions are the alarms of the box. Delays follow the starting points of
// ISA-18.2 and EEMUA 191 (15 s for flow and pressure; from memory), shorter for
// what can hurt: backflow signs within five seconds (common practice, no source).
func Definitions() []alarm.Definition {
	s := time.Second
	return withLives([]alarm.Definition{
		{ID: "backflow-protection-missing", Priority: alarm.Critical, Consequence: say.T("fertilizer could reach drinking water"), Do: say.T("Do not inject. Have the protection tested by a licensed tester; local codes decide.")},
		{ID: "backflow-sign", Priority: alarm.Critical, OnDelay: 5 * s, OffDelay: 10 * s, Latches: true, Consequence: say.T("line water may be flowing back to the supply"), Do: say.T("Close the shutoff valve now. Do not use the supply for drinking until it has been checked.")},
		{ID: "supply-pressure-low", Priority: alarm.Critical, OnDelay: 5 * s, OffDelay: 15 * s, Consequence: say.T("the line can siphon back and the rows are not fed"), Do: say.T("Close the shutoff valve, find out why the supply sags.")},
		{ID: "header-pressure-low", Priority: alarm.High, OnDelay: 20 * s, OffDelay: 15 * s, Consequence: say.T("rows are fed unevenly"), Do: say.T("Look for a burst, a clogged filter, a weak supply or a wrong regulator.")},
		{ID: "header-pressure-high", Priority: alarm.High, OnDelay: 10 * s, OffDelay: 15 * s, Consequence: say.T("tape can burst"), Do: say.T("Close the shutoff valve a little; check the regulator.")},
		{ID: "filter-clogging", Priority: alarm.High, OnDelay: 30 * s, OffDelay: 60 * s, Consequence: say.T("flow and header pressure will fall"), Do: say.T("Clean the filter soon: close, relieve the pressure, then open it.")},
		{ID: "filter-torn", Priority: alarm.High, OnDelay: 60 * s, OffDelay: 60 * s, Consequence: say.T("dirt reaches the emitters"), Do: say.T("Stop and look at the screen; replace it if torn.")},
		{ID: "injector-not-cycling", Priority: alarm.High, OnDelay: 30 * s, OffDelay: 10 * s, Consequence: say.T("no fertilizer goes in"), Do: say.T("Check the suction hose for air, the stock level, both injector valves and the pressure difference.")},
		{ID: "ratio-off", Priority: alarm.Low, OnDelay: 180 * s, OffDelay: 60 * s, Consequence: say.T("the dose is off"), Do: say.T("Check the dial, the suction screen and the injector's seals.")},
		{ID: "flow-above-expected", Priority: alarm.High, OnDelay: 15 * s, OffDelay: 30 * s, Consequence: say.T("water and fertilizer leave where no plant gets them"), Do: say.T("Walk the rows: look for a burst tape, an open end or a leaking connector.")},
		{ID: "flow-below-expected", Priority: alarm.Low, OnDelay: 60 * s, OffDelay: 30 * s, Consequence: say.T("some plants get less"), Do: say.T("Look for a closed or kinked row and clogged emitters.")},
		{ID: "ec-above-limit", Priority: alarm.High, OnDelay: 30 * s, OffDelay: 30 * s, Consequence: say.T("roots can be burnt"), Do: say.T("Open the loop valve a little or stop injecting; check stock strength and dial.")},
		{ID: "stock-empty", Priority: alarm.High, OnDelay: 15 * s, OffDelay: 10 * s, Consequence: say.T("the injector runs on air"), Do: say.T("Shut the injector off, or fill the stock tank.")},
		{ID: "flush-incomplete", Priority: alarm.High, OnDelay: 30 * s, OffDelay: 10 * s, Consequence: say.T("fertilizer stays in the lines and the last plants miss their share"), Do: say.T("Open the shutoff valve again and flush until the box says it is done.")},
		{ID: "freeze-risk", Priority: alarm.High, OnDelay: 60 * s, OffDelay: 600 * s, Consequence: say.T("filter bowl, injector and backflow device can burst"), Do: say.T("Drain or heat the box; the backflow device and the filter bowl freeze first.")},
		{ID: "sensor-fault", Priority: alarm.High, OffDelay: 5 * s, Consequence: say.T("the box is blind there"), Do: say.T("Check the sensor, its wiring and power.")},
	})
}

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
		// With the shutoff valve closed the supply is nobody's concern. Where nobody
		// says so, full lines in a run tell that it was opened.
		open := s.MainOpen || s.Running && !s.MainClosed && e.Filled == estimate.Yes
		return open && below(e.Supply.V, l.SupplyLow, band.Pressure, stood), e.Supply.Known || !open
	case "header-pressure-low":
		return wet && below(e.Header.V, l.HeaderLow, band.Pressure, stood), e.Header.Known
	case "header-pressure-high":
		return above(e.Header.V, l.HeaderHigh, band.Pressure, stood), e.Header.Known
	case "filter-clogging":
		x := g.filterLoad()
		return steady && x.Known && above(x.V, l.FilterWarn, band.Pressure, stood), !steady || x.Known
	case "filter-torn":
		clean := e.FilterDiff.V - e.FilterExcess.V
		return steady && e.FilterExcess.Known && clean > 5 && e.FilterDiff.V < clean*units.KPa(l.FilterTorn), !steady || e.FilterExcess.Known
	case "injector-not-cycling":
		return s.InjectorOn && steady && e.Drawing == estimate.No, e.Drawing != estimate.Unknown
	case "ratio-off":
		return e.BranchRatio.Known && above(units.Ratio(math.Abs(g.ratioError())), l.RatioWarn, band.Ratio, stood), true
	case "flow-above-expected":
		return steady && above(e.FlowRatio.V-1, l.FlowHigh, band.Flow, stood), !steady || e.FlowRatio.Known
	case "flow-below-expected":
		return steady && above(1-e.FlowRatio.V, l.FlowLow, band.Flow, stood), !steady || e.FlowRatio.Known
	case "ec-above-limit":
		return l.ECLimit > 0 && above(e.BoxEC.V, l.ECLimit, l.ECLimit*units.USPerCm(band.EC), stood), e.BoxEC.Known
	case "stock-empty":
		return s.InjectorOn && steady && e.Drawing == estimate.No && e.Branch.Known && e.Branch.V > units.LPerMin(0.15), e.Drawing != estimate.Unknown
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
		return say.T("Header pressure is %v, below %v.", e.Header.V, g.limits.HeaderLow)
	case "header-pressure-high":
		return say.T("Header pressure is %v, above %v.", e.Header.V, g.limits.HeaderHigh)
	case "filter-clogging":
		return say.T("The filter takes %v more than when clean at this flow.", g.filterLoad().V)
	case "filter-torn":
		return say.T("The filter takes only %v, less than half of what it took when clean.", e.FilterDiff.V)
	case "injector-not-cycling":
		return say.T("The injector is said to run, but no stock is drawn.")
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

func (g *Guard) temperature(ok bool, t units.Celsius) say.Text {
	if !ok {
		return say.T("unknown")
	}
	return say.T("%v", t)
}
