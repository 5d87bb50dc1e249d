package simbox

import (
	"time"

	"boxd/internal/units"
)

// Truth is what no instrument knows. Tests and the picture of a demo may look;
// the core must not.
type Truth struct {
	Elapsed     time.Duration
	Supply      units.KPa
	FilterOut   units.KPa
	InjectorIn  units.KPa
	InjectorOut units.KPa
	Header      units.KPa
	Main        units.LPerH
	Branch      units.LPerH
	Stock       units.LPerH
	Burst       units.LPerH
	FieldRatio  units.Ratio // stock in the water at the box outlet
	BoxEC       units.USPerCm
	EndEC       units.USPerCm // at the last emitter of the farthest lateral
	Filled      units.Ratio
	Water       units.Celsius
	Small       units.Celsius // of the smallest volume
	BoxAir      units.Celsius
	Outside     units.Celsius
	Frozen      units.Ratio // of the standing water in the box
	Passed      units.Litre // water the emitters' lines have taken
	Tank        units.Litre // stock left
	Drawn       units.Litre // stock drawn
	Lost        units.Litre // stock gone by a burst
	Mixing      units.Litre // stock at the injection point
}

// Truth is the plant's state now.
func (p *Plant) Truth() Truth {
	t := Truth{
		Elapsed: time.Duration(p.ticks) * Tick,
		Header:  units.KPa(p.header), Main: units.LPerH(p.flow), Branch: units.LPerH(p.branch), Stock: units.LPerH(p.stock),
		FieldRatio: units.Ratio(p.line.conc),
		BoxEC:      units.USPerCm(p.ec(p.line.conc)), EndEC: units.USPerCm(p.ec(p.line.concAt(p.line.farthest))),
		Filled: units.Ratio(p.filled),
		Water:  units.Celsius(p.thermal.water), Small: units.Celsius(p.thermal.small), BoxAir: units.Celsius(p.thermal.air), Outside: units.Celsius(p.thermal.outside),
		Frozen: units.Ratio(1 - p.thermal.latent/latentKelvin),
		Passed: units.Litre(p.line.volume), Tank: units.Litre(p.tank), Drawn: units.Litre(p.drawn), Lost: units.Litre(p.lost),
		Mixing: units.Litre(p.line.conc * p.line.mixing),
	}
	if p.flow > 0 {
		t.Burst = units.LPerH(min(p.flow, p.burstFlow(p.header)))
	}
	p.pressures(&t)
	return t
}

// pressures walks down the box from the supply. With no water flowing all of
// the box is at the header's pressure, held by the shutoff or the check valve.
func (p *Plant) pressures(t *Truth) {
	t.Supply = units.KPa(p.static - p.squared(supplyLoss))
	if p.flow <= 0 {
		t.FilterOut, t.InjectorIn, t.InjectorOut = t.Header, t.Header, t.Header
		return
	}
	t.FilterOut = t.Supply - units.KPa(p.squared(filterLoss*p.filter))
	t.InjectorIn = t.FilterOut
	t.InjectorOut = t.InjectorIn - units.KPa(p.squared(p.loopLoss()))
}

func (p *Plant) ec(c float64) float64 {
	return float64(p.spec.Baseline) + float64(c*float64(p.spec.StockRise))
}

// Delivered is the stock each path of the Spec has had from its emitters, in
// the Spec's order, by plug flow.
func (p *Plant) Delivered() []units.Litre {
	out := make([]units.Litre, len(p.spec.Paths))
	for i, e := range p.spec.Paths {
		out[i] = units.Litre(e.Share * p.line.massAt(p.line.volume-float64(e.Volume)))
	}
	return out
}

// InLines is the stock between the box outlet and the emitters.
func (p *Plant) InLines() units.Litre {
	sum := units.Litre(p.line.mass)
	for _, d := range p.Delivered() {
		sum -= d
	}
	return sum
}

// ClearAt reports whether the water at the far end is within tolerance of the
// source's: the truth behind "flush done".
func (p *Plant) ClearAt(tolerance units.USPerCm) bool {
	rise := p.line.concAt(p.line.farthest) * float64(p.spec.StockRise)
	return rise <= float64(tolerance)
}
