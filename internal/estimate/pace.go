package estimate

import (
	"time"

	"boxd/internal/box"
	"boxd/internal/hydraulics"
	"boxd/internal/say"
	"boxd/internal/units"
)

// pace counts the volume that brings clean water on. With the lines whole that
// is the flow through the box. When far more flows than the emitters explain,
// water leaves somewhere unknown: then only the slowest pace that any place of
// the leak allows is counted.
func (e *Estimator) pace(dt time.Duration, r *box.Readings) {
	o, f := &e.out, &e.flush
	rate := units.LPerH(0)
	switch {
	case o.Flowing == No:
	case o.Main.Known && r.Main.Age <= heldFor:
		rate = units.LPerH(e.prevMain)
	case o.Expected.Known && o.Pressurised == Yes:
		// No flow reading: what the emitters pass at the pressure seen, less ten
		// per cent, is a floor (common practice, no source).
		rate = o.Expected.V.Scale(0.9)
		o.Flush.Degraded = say.T("no flow reading")
	}
	if o.Pressurised == Yes && o.Header.Known && !o.FlowRatio.Known {
		// With no pressure at the header the emitters take nothing, whatever the
		// meter says: it may be stuck.
		rate = min(rate, o.Expected.V)
	}
	e.leaking()
	if f.over && rate > 0 {
		rate = min(rate, e.slowest())
	} else {
		f.leak.forget()
	}
	o.Flush.Rate = rate
	f.advance += float64(rate.Over(dt))
	f.most += float64(e.fastest(rate).Over(dt))
}

// fastest is the most that the emitters can take now: beside a leak that is what
// they pass at the pressure seen.
func (e *Estimator) fastest(rate units.LPerH) units.LPerH {
	o := &e.out
	if o.Flowing == No || !o.Expected.Known {
		return rate
	}
	return max(rate, o.Expected.V)
}

func (e *Estimator) leaking() {
	o, f := &e.out, &e.flush
	if o.Pressurised != Yes || !o.FlowRatio.Known {
		return
	}
	if f.overH.stood(e.now, o.FlowRatio.V > 1.10, 10*time.Second) {
		if !f.over {
			f.leak = leak{}
		}
		f.over, f.wasOver = true, true
	}
	if f.overOff.stood(e.now, o.FlowRatio.V < 1.05, 60*time.Second) {
		f.over = false
	}
	if f.over {
		o.Flush.Degraded = say.T("more water leaves than the emitters explain")
	}
	e.shut()
}

// shutBelow is the part of the flow ratio before injecting under which a row
// may have been shut or kinked since. Common practice, no source.
const shutBelow = 0.93

// shut notices that the zone takes less than it did before injecting, at the
// pressure seen. What flows still reaches the other rows by volume, sooner
// rather than later; the row itself can't be judged.
func (e *Estimator) shut() {
	o, f := &e.out, &e.flush
	if !o.EverDrawn {
		f.usualSum, f.usualN = f.usualSum+float64(o.FlowRatio.V), f.usualN+1
		return
	}
	less := f.usualN >= 10 && float64(o.FlowRatio.V) < shutBelow*f.usualSum/float64(f.usualN)
	if f.shutH.stood(e.now, less, time.Minute) {
		f.shut = true
		o.Flush.Degraded = say.T("less water flows than before injecting: a row may have been shut")
	}
}

// leak is how the whole rows are flushed beside a leak, and what that was worked
// out for.
type leak struct {
	rows     hydraulics.WholeRows
	header   units.KPa // 0: for nothing yet
	expected units.LPerH
	part     units.Ratio // of the expected flow that leaks

	pace            units.LPerH   // 0: it can't be told
	next            time.Duration // when it is told anew
	headers, extras float64       // kPa and L/h: sums since it was told
	turns           float64
}

// The rows are worked out for a little more leak and a little less pressure than
// measured, and serve as long as both stay near. All flows go with the pressure nearly
// alike: within these bounds the pace scaled by the expected flow is at most 0.3 % too
// fast on the steepest of the reference plantings, 0.1 % elsewhere (TestWholeRowsScale).
const (
	moreLeak        = 0.01       // of the expected flow
	lessHeader      = 0.03       // of the pressure
	lowest, highest = 0.98, 1.08 // times the pressure they were worked out for
)

// slowest is the slowest pace at which the whole rows are flushed, told anew every
// half minute from the means of its readings: pressure and leak change slowly.
func (e *Estimator) slowest() units.LPerH {
	o, l := &e.out, &e.flush.leak
	if !o.Header.Known || !o.Main.Known {
		l.forget()
		return 0
	}
	l.headers += float64(o.Header.V)
	l.extras += max(0, float64(o.Main.V-o.Expected.V))
	l.turns++
	if e.now >= l.next {
		l.pace = e.besideLeak(units.KPa(l.headers/l.turns), units.LPerH(l.extras/l.turns))
		l.next = e.now + 30*time.Second
		l.forget()
	}
	return l.pace
}

// forget begins the means anew.
func (l *leak) forget() { l.headers, l.extras, l.turns = 0, 0, 0 }

// besideLeak is the pace at a pressure with a leak of extra L/h; the rows are worked
// out anew where the last ones don't serve any more. While lines fill, what they take
// looks like a leak: then those of before serve.
func (e *Estimator) besideLeak(header units.KPa, extra units.LPerH) units.LPerH {
	o, l, zone := &e.out, &e.flush.leak, e.cfg.Zone
	expected := zone.ExpectedFlow(header)
	if !(expected > 0) {
		return 0
	}
	part := units.Ratio(extra / expected)
	near := l.header*lowest <= header && header <= l.header*highest && l.part-2*moreLeak <= part && part <= l.part
	if !near && (o.Pressurised == Yes || l.header == 0) {
		l.header, l.part = header*(1-lessHeader), part+moreLeak
		l.expected = zone.ExpectedFlow(l.header)
		l.rows = zone.WholeRows(l.header, l.expected.Scale(l.part))
	}
	pace, ok := l.rows.Pace(e.cleanTo())
	if !ok {
		return 0
	}
	return pace.Scale(units.Ratio(expected / l.expected))
}

// cleanTo is how far the clean water has come by the count.
func (e *Estimator) cleanTo() units.Litre {
	switch {
	case e.out.CleanAtBox:
		return units.Litre(e.flush.advance - e.flush.cleanAt)
	case e.carriedOnly():
		return units.Litre(e.carry.tail)
	}
	return 0
}
