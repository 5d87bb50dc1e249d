package estimate

import (
	"math"
	"time"

	"boxd/internal/box"
	"boxd/internal/units"
)

// Body is water in or at the box that can freeze.
type Body uint8

// The bodies. The measured water stands in the box's pipes; the small ones
// bear no probe and are worked out.
const (
	NoBody Body = iota
	MeasuredWater
	FilterBowl
	InjectorBody
	BackflowDevice
	NumBodies
)

func (b Body) String() string {
	switch b {
	case MeasuredWater:
		return "water"
	case FilterBowl:
		return "filter-bowl"
	case InjectorBody:
		return "injector"
	case BackflowDevice:
		return "backflow-device"
	case NoBody, NumBodies:
	}
	return ""
}

// Volume is a small body. Ratio is its time constant as a part of that of the
// water measured: about the ratio of volume to surface of the two. Zero means
// that there is no such body. Exposed: it stands in the open, not in the box.
type Volume struct {
	Ratio   units.Ratio
	Exposed bool
}

// Cooling are the small bodies of a box; the zero one is DefaultCooling.
type Cooling struct{ FilterBowl, Injector, BackflowDevice Volume }

// DefaultCooling: common practice, no source. A bowl or an injector body has a
// third of the volume to surface of the pipes with their fittings, a backflow
// device with its metal more.
func DefaultCooling() Cooling {
	return Cooling{FilterBowl: Volume{Ratio: 0.3}, Injector: Volume{Ratio: 0.4}, BackflowDevice: Volume{Ratio: 0.5}}
}

func (c Cooling) volume(b Body) Volume {
	if c == (Cooling{}) {
		c = DefaultCooling()
	}
	switch b {
	case MeasuredWater:
		return Volume{Ratio: 1}
	case FilterBowl:
		return c.FilterBowl
	case InjectorBody:
		return c.Injector
	case BackflowDevice:
		return c.BackflowDevice
	case NoBody, NumBodies:
	}
	return Volume{}
}

// Ground is what a time constant, or the whole forecast, rests on.
type Ground uint8

// Worst last.
const (
	NoGround     Ground = iota
	Fitted              // to the last two hours
	Remembered          // from the last cooling that could be fitted
	Assumed             // a range that boxes commonly lie in
	StraightLine        // the outside isn't known: the fall goes on as it is
)

func (b Ground) String() string {
	switch b {
	case Fitted:
		return "fitted"
	case Remembered:
		return "remembered"
	case Assumed:
		return "assumed"
	case StraightLine:
		return "straight line"
	case NoGround:
	}
	return "none"
}

// Tau is a time constant and the range it lies in. Low ≤ V ≤ High.
type Tau struct {
	V, Low, High time.Duration
	Ground       Ground
}

// FreezeHorizon is how far ahead freezing is looked for.
const FreezeHorizon = 24 * time.Hour

// Freeze is when the coldest body comes to 0 °C. Latent heat is left out: it is
// a reserve, not a permission. While water runs it is told as from the moment
// that the water stops.
type Freeze struct {
	Known  bool
	Left   time.Duration // the likely time; FreezeHorizon: not within it
	Early  time.Duration // the cautious one, never above Left
	Body   Body          // the one that comes first
	Ice    bool          // a body has likely begun to freeze and not thawed since
	Ground Ground
	Air    Tau // of the air in the box to the air outside
	Water  Tau // of standing water to the air in the box

	Outside  Value[units.Celsius] // measured
	Forecast Value[units.Celsius] // the night's low that stands
}

// Numbers of the cooling that have no source are common practice.
const (
	fitSpan       = 2 * time.Hour
	fitEvery      = 55 * time.Second // spacing of the values kept; slower sampling keeps them all
	fitGap        = 25 * time.Minute // a longer silence breaks a fit
	fitLeast      = 4                // values
	fitCovers     = 20 * time.Minute
	fitTrust      = 0.25               // largest standard error of a rate, as a part of it
	fitNoise      = 0.03               // °C, of a probe that shows tenths
	probeError    = units.Celsius(0.5) // DS18B20 data sheet, −10 to +85 °C
	forecastError = units.Celsius(2)   // of a night's low
	forecastHolds = 3 * time.Hour      // after its hour
	trendFor      = 6 * time.Hour      // the outside falls on as it does for this long at most
	remembered    = units.Ratio(0.3)   // what a remembered time constant may have changed
	lineBelow     = units.Celsius(12)  // a straight line is told below this only
	lineFall      = units.Celsius(0.5) // and from this fall an hour on
	coolEvery     = 5 * time.Second
	predictEvery  = time.Minute
	predictStep   = 2 * time.Minute
)

// assumedAir and assumedWater are the ranges of boxes not yet seen to cool: from
// a bare cabinet to a lagged one (10 kg of water behind 25 mm of foam have 7.5
// h) and from a thin pipe to a full filter. Common practice, no source.
func assumedAir() Tau   { return Tau{2 * time.Hour, 30 * time.Minute, 8 * time.Hour, Assumed} }
func assumedWater() Tau { return Tau{150 * time.Minute, time.Hour, 6 * time.Hour, Assumed} }

// forecast is a night's low that somebody posted.
type forecast struct {
	on  bool
	low units.Celsius
	at  time.Duration // core time
}

// cooling is the memory behind Freeze.
type cooling struct {
	air, water newton
	outWin     window
	forecast   forecast
	volumes    [NumBodies]Volume
	bodies     [NumBodies]warmth
	seen       time.Duration // when the bodies were last moved on
	known      bool          // the bodies' warmth is
	told       time.Duration // when Freeze was last worked out
}

// warmth is a body's likely temperature and the least it can have, °C. Ice is the
// heat of freezing it has likely lost, as degrees of its own warmth: it thaws
// only when that has come back.
type warmth struct{ mid, low, ice float64 }

// is takes a temperature that is known.
func (w *warmth) is(t float64) { w.mid, w.low, w.ice = t, t, 0 }

// latent is the heat of freezing, 333.6 kJ/kg, in degrees of water's own warmth.
const latent = 79.7

// SetForecast takes the night's low outside and when it is expected, in the
// core's time. It stands till some hours after that.
func (e *Estimator) SetForecast(low units.Celsius, at time.Duration) {
	e.cool.forecast = forecast{true, low, at}
	e.cool.told = 0
}

// seenClear takes a person's word, who had the filter open, that there is no ice.
// What is below 0 °C freezes on.
func (c *cooling) seenClear() {
	for b := range c.bodies {
		c.bodies[b].ice = 0
	}
	c.told = 0
}

// taken is when the value behind a reading was measured, in seconds.
func (e *Estimator) taken(age time.Duration) float64 {
	if age == 0 {
		return e.sec
	}
	return (e.now - age).Seconds()
}

// cooling follows the warmth of the box and tells when it comes to 0 °C. A box cools in
// minutes: it is looked at every few seconds, and when the water starts or stops.
func (e *Estimator) cooling(r *box.Readings) {
	o, c := &e.out, &e.cool
	if e.now-c.seen < coolEvery && o.Flowing == e.was.flowing && c.told != 0 {
		return
	}
	if t := e.taken(r.BoxAir.Age); r.BoxAir.Usable() && t-e.airWin.newest() >= 10 {
		e.airWin.add(t, float64(r.BoxAir.Value))
	}
	if t := e.taken(r.OutsideAir.Age); r.OutsideAir.Usable() && t-c.outWin.newest() >= fitEvery.Seconds() {
		c.outWin.add(t, float64(r.OutsideAir.Value))
	}
	if r.BoxAir.Usable() && r.OutsideAir.Usable() {
		c.air.add(e.taken(r.BoxAir.Age), float64(r.BoxAir.Value), float64(r.OutsideAir.Value))
	}
	switch {
	case o.Flowing != No:
		c.water.reset()
	case r.Water.Usable() && r.BoxAir.Usable():
		c.water.add(e.taken(r.Water.Age), float64(r.Water.Value), float64(r.BoxAir.Value))
	}
	if c.forecast.on && e.now > c.forecast.at+forecastHolds {
		c.forecast = forecast{}
		c.told = 0
	}
	e.follow(r)
	if c.told == 0 || e.now-c.told >= predictEvery {
		c.told = e.now
		fall(&o.BoxAirFall, &e.airWin, e.sec, 30*time.Minute)
		o.Freeze = e.freeze(r)
	}
}

// fall takes a window's trend, °C an hour, into v.
func fall(v *Value[units.Celsius], w *window, now float64, over time.Duration) {
	_, _, slope, ok := w.line(now, over.Seconds())
	if !ok {
		*v = Value[units.Celsius]{}
		return
	}
	v.set(units.Celsius(slope*3600), Basis{Age: time.Duration((now - w.newest()) * float64(time.Second)), Quality: box.Good})
}

// around is the air in the box; where that isn't known, the air outside, which
// is as cold as it can get.
func around(r *box.Readings) (units.Celsius, bool) {
	if r.BoxAir.Usable() {
		return r.BoxAir.Value, true
	}
	return r.OutsideAir.Value, r.OutsideAir.Usable()
}

// follow moves the warmth of the bodies that bear no probe on to now. Running
// water washes them; after a gap they are taken as cold as the coldest seen.
func (e *Estimator) follow(r *box.Readings) {
	c := &e.cool
	gap := e.now - c.seen
	c.seen = e.now
	air, ok := around(r)
	if !ok {
		c.known = false
		return
	}
	start := float64(air)
	if r.Water.Usable() && (e.out.Flowing == Yes || r.Water.Value < air) {
		start = float64(r.Water.Value)
	}
	fresh := !c.known || gap > fitGap || e.out.Flowing == Yes && r.Water.Usable()
	c.known = true
	var tau Tau
	if !fresh {
		tau = c.water.tau(e.sec, assumedWater())
	}
	for b := MeasuredWater; b < NumBodies; b++ {
		w, v := &c.bodies[b], &c.volumes[b]
		to := start
		switch {
		case b == MeasuredWater && r.Water.Usable():
			w.is(float64(r.Water.Value))
			continue
		case fresh || v.Ratio <= 0:
			w.is(start)
			continue
		case !v.Exposed:
			to = float64(air)
		case r.OutsideAir.Usable():
			to = float64(r.OutsideAir.Value)
		}
		s := tau.scale(v.Ratio)
		w.mid = toward(w.mid, to, gap, s.V)
		if w.mid <= 0 || w.ice > 0 {
			w.ice = min(max(w.ice-toward(0, to, gap, s.V), 0), latent)
		}
		if to < w.low {
			w.low = toward(w.low, to, gap, s.Low)
		} else {
			w.low = toward(w.low, to, gap, s.High)
		}
	}
}

// scale is the time constant of a body that is to the measured water as ratio.
// What passes for slow water in a warm ground pipe says nothing of a small body.
func (t Tau) scale(ratio units.Ratio) Tau {
	most := assumedWater().High
	part := func(d time.Duration) time.Duration { return span(min(d, most).Seconds() * float64(ratio)) }
	return Tau{part(t.V), part(t.Low), part(t.High), t.Ground}
}

// toward is Newton's cooling over dt.
func toward(y, to float64, dt, tau time.Duration) float64 {
	return y + float64(-math.Expm1(-dt.Seconds()/tau.Seconds())*(to-y))
}
