package estimate

import (
	"math"
	"time"

	"boxd/internal/box"
	"boxd/internal/units"
)

// expected is what the zone takes at a header pressure.
func (e *Estimator) expected(header units.KPa) units.LPerH {
	return e.cfg.Zone.ExpectedFlow(max(header, 0))
}

// filling tells when the lines are full and at pressure. While air leaves, the
// block takes far more water than its emitters pass at the pressure seen; when
// the two agree, the lines are full. Volume passed against volume held guards
// against a start with a closed row.
func (e *Estimator) filling() {
	o := &e.out
	if line := e.cfg.Zone.LineVolume(); o.Filled == Yes {
		o.FilledPct.set(1, Basis{Quality: box.Good})
	} else if line > 0 {
		o.FilledPct.set(min(units.Ratio(o.Volume/line), 1), o.Main.Basis)
	} else {
		o.FilledPct = Value[units.Ratio]{}
	}
	e.resting()
	if o.Flowing != Yes || !o.Header.Known || !o.FlowRatio.Known {
		e.fullH.on, e.freshFullH.on, e.atP.on, e.steadyH.on, e.tornH.on = false, false, false, false, false
		e.ratioWin.reset()
		o.FlowTrend = Value[units.Ratio]{}
		return
	}
	if e.sec-e.headerWin.newest() >= 0.99 {
		e.headerWin.add(e.sec, float64(o.Header.V))
	}
	e.trend()
	explained := o.FlowRatio.V < 1.2
	usual := e.fullH.stood(e.now, explained && o.Header.V > e.cfg.Target*3/10 && o.FilledPct.V >= 0.5, 4*time.Second)
	already := e.freshFullH.stood(e.now, explained && o.Header.V > e.cfg.Target*8/10, 20*time.Second)
	// Water that leaves by a torn row is never explained; but once it no longer
	// grows less, no air is left to make way.
	torn := e.tornH.stood(e.now, !explained && o.FlowTrend.Known && math.Abs(float64(o.FlowTrend.V)) < steadyFlow &&
		o.Header.V > e.cfg.Target*8/10 && o.FilledPct.V >= 0.5, 15*time.Second)
	if usual || already || torn {
		o.Filled = Yes
	}
	if o.Pressurised == Yes {
		return
	}
	reached := e.atP.stood(e.now, o.Header.V >= e.cfg.Target*945/1000, 5*time.Second)
	settled := false
	if mean, _, slope, ok := e.headerWin.line(e.sec, 20); ok {
		still := mean >= float64(e.cfg.Low) && slope < mean*0.0005 && slope > -mean*0.0005
		settled = e.steadyH.stood(e.now, still, 30*time.Second)
	}
	if o.Filled == Yes && (reached || settled) {
		o.Pressurised = Yes
	}
}

// steadyFlow is the change of the flow's ratio a minute below which it is steady.
// Common practice, no source.
const steadyFlow = 0.03

// trend is how the flow's ratio to the expected one changes, a minute, over the
// last 40 seconds.
func (e *Estimator) trend() {
	o := &e.out
	if e.sec-e.ratioWin.newest() >= 0.99 {
		e.ratioWin.add(e.sec, float64(o.FlowRatio.V))
	}
	o.FlowTrend = Value[units.Ratio]{}
	if _, _, slope, ok := e.ratioWin.line(e.sec, e.ratioWin.reach(40, 120)); ok {
		o.FlowTrend.set(units.Ratio(60*slope), Basis{Quality: box.Good})
	}
}

// resting takes back what standing water ends: no line is at pressure ten
// seconds after the flow has stopped, and behind a closed valve with the
// pressure gone the lines may drain.
func (e *Estimator) resting() {
	o := &e.out
	if !e.restH.stood(e.now, o.Flowing == No, 10*time.Second) {
		return
	}
	o.Pressurised = No
	e.headerWin.reset()
	if o.Water == WaterClosed && o.Header.Known && o.Header.V < e.cfg.Target/10 {
		o.Filled = No
	}
}
