// Package simbox is the simulated plant: the supply, the box and the planting
// behind it, with the instruments that look at them and the person who turns
// the valves. The demo and the tests run on it.
//
// Transport to the line ends follows from the volumes and shares the caller
// gives; the block's flow follows the caller's curve. The rest is a recipe that
// looks like a drip block and must not be taken for physics: filling is a ramp,
// every loss in the box goes with the flow squared, pressures settle with one
// time constant, line contents stand still while no water flows.
//
// The package is pure: time advances in Step alone, chance comes from the seed
// alone. Inside it works in kPa, L/h, L, seconds and litres of stock per litre
// of water.
package simbox

import (
	"time"

	"boxd/internal/units"
)

// Path is one emitter, or a group of emitters that see the same water at the
// same time.
type Path struct {
	Row    int
	Share  float64     // of the block's flow; shares are scaled to add up to 1
	Volume units.Litre // through the box before its water gets here
}

// Injector is the water-driven pump and the branch it sits in.
type Injector struct {
	Ratio    units.Ratio // stock per branch flow
	Branch   units.LPerH // branch flow at Throttle
	Throttle units.KPa   // differential across the running injector at normal flow when LoopThrottled is done
	StartsAt units.KPa   // differential that starts it; it stops at stopsAt of it
}

// Spec is a plant. Zero fields take the recipe's numbers, those of a small
// block on a mains supply; Paths and Flow have no default.
type Spec struct {
	Paths      []Path
	LineVolume units.Litre
	Flow       func(units.KPa) units.LPerH // the block's flow at a header pressure
	Inlet      units.KPa                   // what the regulator holds at the box outlet
	Supply     units.KPa                   // with no water flowing
	PumpBand   units.KPa                   // saw-tooth of a pressure-switched pump; 0 is a mains supply
	Injector   Injector
	Stock      units.Litre // in the tank
	Baseline   units.USPerCm
	StockRise  units.USPerCm // EC of the stock, as rise per unit of field ratio
	Water      units.Celsius // of the source
	BoxAir     units.Celsius // at the start
	Outside    units.Celsius
	BoxTau     time.Duration // Newton's cooling: of the air in the box to that outside,
	StillTau   time.Duration // of standing water to the air in the box,
	SmallTau   time.Duration // and of the smallest volume to the air in the box
	// OutsideProbe adds the outside air to the samples.
	OutsideProbe bool
	// EndDry: the line-end probe hangs in air until the lines are full.
	EndDry bool
	// Quiet leaves out offsets, gains, noise, ripple, spikes, drop-outs and
	// wander; lags and steps of the instruments stay.
	Quiet bool
	// LinesFull starts with lines full of source water at no pressure.
	LinesFull  bool
	BoxLag     time.Duration // of the EC probe at the box
	EndLag     time.Duration // of the EC probe at the line end
	Dispersion units.Ratio   // half-width of a front as a part of the volume it came
}

// or is v, or def where v was not given.
func or[T comparable](v, def T) T {
	var zero T
	if v == zero {
		return def
	}
	return v
}

func (s Spec) withDefaults() Spec {
	s.Inlet = or(s.Inlet, 68.95)
	s.Supply = or(s.Supply, 290)
	s.LineVolume = or(s.LineVolume, 45)
	s.Stock = or(s.Stock, 20)
	s.Baseline = or(s.Baseline, 420)
	s.StockRise = or(s.StockRise, 175000)
	s.Water = or(s.Water, 17)
	s.BoxAir = or(s.BoxAir, 21)
	s.Outside = or(s.Outside, 21)
	s.BoxTau, s.StillTau, s.SmallTau = or(s.BoxTau, boxTau), or(s.StillTau, stillTau), or(s.SmallTau, smallTau)
	s.BoxLag = or(s.BoxLag, 6*time.Second)
	s.EndLag = or(s.EndLag, 25*time.Second)
	s.Dispersion = or(s.Dispersion, 0.015)
	j := &s.Injector
	j.Ratio = or(j.Ratio, 0.02)
	j.Throttle = or(j.Throttle, 38)
	j.StartsAt = or(j.StartsAt, 12)
	j.Branch = or(j.Branch, s.Flow(s.Inlet).Scale(0.4))
	return s
}
