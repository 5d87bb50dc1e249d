package season

import (
	"math"
	"math/rand/v2"
)

// supply is where the water comes from: a municipal main that sags with the
// hour and with the neighbours, or a pump with a pressure tank that cycles.
type supply struct {
	base   float64 // kPa with no flow
	pump   bool
	band   float64 // kPa between the pump's cut-in and cut-out
	most   float64 // L/h the pump can give
	tank   float64 // kPa a litre
	on     bool
	level  float64 // kPa, of the pressure tank
	swing  float64 // kPa, of the day
	wander float64
	pulse  float64 // kPa a neighbour takes now
	left   float64 // s of the pulse
	// Hazards.
	sagged bool
	sag    float64
	reach  float64 // kPa it has come to while sagging
}

func newSupply(r *rand.Rand, normal float64) supply {
	s := supply{base: 290 + 110*r.Float64(), swing: 10 + 15*r.Float64(), pump: r.IntN(3) == 0}
	if s.pump {
		s.band = 40 + 60*r.Float64()
		s.most = normal * (1.5 + 1.5*r.Float64())
		s.tank = s.band / (normal / 3600 * (60 + 120*r.Float64()))
		s.level = s.base
	}
	return s
}

// step lets dt seconds pass at flow q L/h, hour being the time of day, and
// gives the pressure with no loss in the pipe to the box.
func (s *supply) step(dt, q, hour float64, r *rand.Rand) float64 {
	keep := math.Exp(-dt / 60)
	s.wander = s.wander*keep + 1.5*math.Sqrt(1-keep*keep)*r.NormFloat64()
	p := s.base + s.wander
	if s.pump {
		p = s.cycle(dt, q)
	} else {
		p -= s.swing * (1 + math.Cos((hour-7)/12*2*math.Pi)) / 2 // least in the morning and the evening
		p -= s.neighbour(dt, r)
	}
	if s.sagged {
		s.reach += (min(s.sag, p) - s.reach) * (1 - math.Exp(-dt/3))
		return s.reach
	}
	s.reach = p
	return p
}

// cycle is a pump between two pressures.
func (s *supply) cycle(dt, q float64) float64 {
	if s.level < s.base-s.band {
		s.on = true
	} else if s.level > s.base {
		s.on = false
	}
	gain := -q
	if s.on {
		gain += s.most
	}
	s.level = min(max(s.level+gain/3600*min(dt, 60)*s.tank, 0), s.base+1)
	return s.level
}

// neighbour opens valves now and then, for seconds to a minute.
func (s *supply) neighbour(dt float64, r *rand.Rand) float64 {
	if s.left > 0 {
		s.left -= dt
		return s.pulse
	}
	if r.Float64() < dt/400 {
		s.pulse, s.left = 10+30*r.Float64(), 3+60*r.Float64()
	}
	return 0
}

// weather is air and water at the box, °C: Newton's cooling of the box toward
// the air outside, of the standing water toward the air in the box.
type weather struct {
	mean, swing float64 // of the day outside
	night       float64 // taken off in a frost night
	outside     float64
	air, water  float64
	source      float64
	tau, slow   float64 // s
}

func newWeather(r *rand.Rand) weather {
	w := weather{mean: 15 + 5*r.Float64(), swing: 3 + 3*r.Float64(), source: 12 + 6*r.Float64(), tau: 3600 * (1 + 2*r.Float64())}
	w.slow = 3 * w.tau
	w.air, w.water, w.outside = w.mean, w.source, w.mean
	return w
}

// step lets dt seconds pass; fresh is the flow as a part of the normal one.
func (w *weather) step(dt, hour, fresh float64) {
	w.outside = w.mean + w.swing*math.Cos((hour-15)/24*2*math.Pi)
	if hour >= 18 || hour < 8 {
		w.outside -= w.night
	}
	to := func(x *float64, target, tau float64) { *x += (target - *x) * (1 - math.Exp(-dt/tau)) }
	to(&w.air, w.outside, w.tau)
	if fresh > 0.02 {
		to(&w.water, w.source, 120/fresh)
		return
	}
	to(&w.water, w.air, w.slow)
	w.water = max(w.water, -0.2) // ice keeps it there for the length of a night
}
