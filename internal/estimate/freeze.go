package estimate

import (
	"math"
	"time"

	"boxd/internal/box"
	"boxd/internal/units"
)

// night is the air outside as it is expected: now, its present fall, and where
// a forecast says it goes. Hours and °C.
type night struct {
	now    float64
	fall   float64 // °C an hour, negative; 0: it stays
	low    float64
	hours  float64 // until low
	posted bool
	early  bool // the cautious course
}

// at is the temperature h hours from now. The cautious course falls to the
// forecast's low as the square root of time, fast at first, which is how a
// clear night cools (Brunt 1932, from memory); and not more slowly than the
// outside falls now. The likely one falls evenly.
func (n *night) at(h float64) float64 {
	t := n.now + float64(n.fall*min(h, trendFor.Hours()))
	if !n.posted {
		return t
	}
	low := min(n.low, n.now)
	if h >= n.hours {
		return low
	}
	part := h / n.hours
	if n.early {
		part = math.Sqrt(part)
	}
	return min(n.now+float64(part*(low-n.now)), max(t, low))
}

// freeze works out when the first body comes to 0 °C.
func (e *Estimator) freeze(r *box.Readings) Freeze {
	c := &e.cool
	f := Freeze{Left: FreezeHorizon, Early: FreezeHorizon,
		Air: c.air.tau(e.sec, assumedAir()), Water: c.water.tau(e.sec, assumedWater())}
	if r.OutsideAir.Usable() {
		f.Outside = known(r.OutsideAir.Value, probeError).on(basisOf(&r.OutsideAir))
	}
	if c.forecast.on {
		f.Forecast = known(c.forecast.low, forecastError)
	}
	if !c.known {
		return f
	}
	f.Ice = c.frozen()
	switch {
	case r.OutsideAir.Usable():
		f.know(e.course(r, &f, r.OutsideAir.Value, false), e.course(r, &f, r.OutsideAir.Value, true))
	case c.forecast.on && r.BoxAir.Usable():
		f.know(e.course(r, &f, e.inferred(r, f.Air.V), false), e.course(r, &f, e.inferred(r, f.Air.Low), true))
		f.sooner(e.steepest(r, &f))
	default:
		e.straight(r, &f)
	}
	return f
}

// frozen reports whether a body has likely begun to freeze.
func (c *cooling) frozen() bool {
	for _, w := range c.bodies {
		if w.ice > 0 {
			return true
		}
	}
	return c.bodies[MeasuredWater].mid < 0
}

// know takes over what the likely and the cautious course lead to.
func (f *Freeze) know(likely, cautious course) {
	f.Known, f.Ground = true, max(f.Air.Ground, f.Water.Ground)
	f.Left, _ = likely.first()
	f.Early, f.Body = cautious.first()
	f.Left = max(f.Left, f.Early)
}

// sooner takes another cautious course over where it is the earlier one.
func (f *Freeze) sooner(c course) {
	if d, body := c.first(); d < f.Early {
		f.Early, f.Body = d, body
	}
}

// inferred is the air outside as the box's own cooling shows it, T + τ·dT/dt,
// where only a forecast tells of it.
func (e *Estimator) inferred(r *box.Readings, tau time.Duration) units.Celsius {
	t := r.BoxAir.Value
	if s := e.out.BoxAirFall; s.Known && s.V < 0 {
		t += units.Celsius(float64(s.V) * tau.Hours())
	}
	return max(t, min(e.cool.forecast.low, r.BoxAir.Value))
}

// steepest is the other end of what the box's fall may mean: a slow box, and
// outside already the lowest that the forecast may have missed.
func (e *Estimator) steepest(r *box.Readings, f *Freeze) course {
	low := min(e.cool.forecast.low-forecastError, r.BoxAir.Value)
	w := e.course(r, f, low, true)
	w.night.low, w.night.posted, w.night.now = float64(low), false, float64(low)
	w.part = 0
	if s := e.out.BoxAirFall; s.Known && s.V < 0 && r.BoxAir.Value > low {
		w.part = stepPart(time.Duration(float64(low-r.BoxAir.Value) / float64(s.V) * float64(time.Hour)))
	}
	return w
}

// course is one way the night can go.
type course struct {
	night  night
	inside float64 // air in the box, °C
	part   float64 // of its difference to the outside that goes in one step
	bodies [NumBodies]cooler
}

// cooler is a body on its course; part is 0 where there is none.
type cooler struct {
	at, part float64
	exposed  bool
}

// course sets out from now. The cautious one starts from temperatures that are
// low by the probes' error and takes each time constant at the short end of its
// range.
func (e *Estimator) course(r *box.Readings, f *Freeze, out units.Celsius, early bool) course {
	c := &e.cool
	n := night{now: float64(out), early: early, posted: c.forecast.on, low: float64(c.forecast.low),
		hours: max((c.forecast.at - e.now).Hours(), 0)}
	w := course{inside: float64(out), part: 1}
	off, tau := 0.0, f.Air.V
	if early {
		off, tau = float64(probeError), f.Air.Low
		n.now, n.low = n.now-off, n.low-float64(forecastError)
		var s Value[units.Celsius]
		if fall(&s, &c.outWin, e.sec, time.Hour); s.Known && r.OutsideAir.Usable() {
			n.fall = min(float64(s.V), 0)
		}
	}
	if r.BoxAir.Usable() {
		w.inside, w.part = float64(r.BoxAir.Value), stepPart(tau)
	}
	w.inside -= off
	w.night = n
	for b := MeasuredWater; b < NumBodies; b++ {
		v := e.cfg.Cooling.volume(b)
		if v.Ratio <= 0 || b == MeasuredWater && !r.Water.Usable() {
			continue
		}
		k := cooler{c.bodies[b].mid, stepPart(f.Water.scale(v.Ratio).V), v.Exposed}
		if early {
			k.at, k.part = c.bodies[b].low-off, stepPart(f.Water.scale(v.Ratio).Low)
		}
		w.bodies[b] = k
	}
	return w
}

// stepPart is the part of a difference that goes in one step.
func stepPart(tau time.Duration) float64 {
	return -math.Expm1(-predictStep.Seconds() / tau.Seconds())
}

// first steps on until a body is at 0 °C and tells which and when, the time
// between two steps taken as even; FreezeHorizon and NoBody when none is.
func (c *course) first() (time.Duration, Body) {
	for d := time.Duration(0); d < FreezeHorizon; d += predictStep {
		out := c.night.at((d + predictStep/2).Hours())
		was := c.inside
		c.inside += float64(c.part * (out - c.inside))
		best, body := 2.0, NoBody
		for b := MeasuredWater; b < NumBodies; b++ {
			k := &c.bodies[b]
			if k.part == 0 {
				continue
			}
			to := (was + c.inside) / 2
			if k.exposed {
				to = out
			}
			before := k.at
			k.at += float64(k.part * (to - before))
			if part := crossed(before, k.at); part < best {
				best, body = part, b
			}
		}
		if body != NoBody {
			return d + time.Duration(best*float64(predictStep)), body
		}
	}
	return FreezeHorizon, NoBody
}

// crossed is the part of a step after which 0 °C is reached; above 1: not in it.
func crossed(before, after float64) float64 {
	switch {
	case before <= 0:
		return 0
	case after <= 0:
		return before / (before - after)
	}
	return 2
}

// straight takes the fall of the air in the box on in a straight line, where
// nothing tells of the outside. It comes early: cooling slows down, and no water
// in the box is as quick as the air. So it is told only of a box that is cool
// already.
func (e *Estimator) straight(r *box.Readings, f *Freeze) {
	s, t := e.out.BoxAirFall, r.BoxAir.Value
	if !r.BoxAir.Usable() || !s.Known || s.V > -lineFall || t > lineBelow {
		return // it may stay so, or not: without the outside nobody can tell
	}
	f.Known, f.Ground, f.Body = true, StraightLine, e.cfg.Cooling.smallest()
	f.Early = time.Duration(max(float64(t), 0) / -float64(s.V) * float64(time.Hour))
	f.Left = f.Early
}

// smallest is the body that follows the air fastest.
func (c Cooling) smallest() Body {
	best := MeasuredWater
	for b := FilterBowl; b < NumBodies; b++ {
		if v := c.volume(b); v.Ratio > 0 && v.Ratio < c.volume(best).Ratio {
			best = b
		}
	}
	return best
}
