package estimate

import (
	"time"

	"boxd/internal/box"
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
	if f.over {
		rate = min(rate, e.slowest())
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

// slowest asks the hydraulics for the slowest pace at which the whole rows are
// flushed, anew every half minute: pressure and excess change slowly.
func (e *Estimator) slowest() units.LPerH {
	o, f := &e.out, &e.flush
	if !o.Header.Known || !o.Main.Known {
		return 0
	}
	if f.worstAt == 0 || e.now-f.worstAt >= 30*time.Second {
		f.worstAt = e.now
		from := units.Litre(0)
		if o.CleanAtBox {
			from = units.Litre(f.advance - f.cleanAt)
		} else if e.carriedOnly() {
			from = units.Litre(e.carry.tail)
		}
		f.worst, f.worstOK = e.cfg.Zone.WholeRowsPace(o.Header.V, max(o.Main.V-o.Expected.V, 0), from)
	}
	if !f.worstOK {
		return 0
	}
	return f.worst
}
