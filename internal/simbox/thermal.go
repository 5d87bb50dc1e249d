package simbox

import "time"

// latentKelvin is the heat of freezing of water as degrees of its own warmth:
// 333.5 kJ/kg over 4.19 kJ/(kg·K). Source: handbook values, from memory.
const latentKelvin = 79.6

// Time constants, s. Recipe.
const (
	boxTau     = time.Hour        // box air to outside
	stillTau   = 3 * time.Hour    // standing water to box air
	smallTau   = 54 * time.Minute // a small volume to box air
	flowingTau = 120.0            // water in the box to the source's, at normal flow
)

// thermal is the warmth of the box: °C.
type thermal struct {
	source, water, air, outside float64
	small                       float64 // the smallest volume of water, which no instrument sees; supercooled, not ice, below 0
	latent                      float64 // K left before the standing water is ice
	boxTau, stillTau, smallTau  float64 // s
}

func newThermal(s Spec) thermal {
	return thermal{source: float64(s.Water), water: float64(s.Water), small: float64(s.Water), air: float64(s.BoxAir), outside: float64(s.Outside),
		latent: latentKelvin, boxTau: s.BoxTau.Seconds(), stillTau: s.StillTau.Seconds(), smallTau: s.SmallTau.Seconds()}
}

func (t *thermal) tick(flow float64) {
	t.air = lag(t.air, t.outside, t.boxTau)
	if flow > 0 {
		t.water = lag(t.water, t.source, flowingTau/flow)
		t.small = lag(t.small, t.source, flowingTau/flow)
		t.latent = latentKelvin
		return
	}
	t.small = lag(t.small, t.air, t.smallTau)
	next := lag(t.water, t.air, t.stillTau)
	switch {
	case t.water >= 0 && next < 0 && t.latent > 0:
		// Newton's cooling goes on, paid by freezing instead of cooling.
		t.latent = max(0, t.latent+next)
		next = 0
	case t.water <= 0 && next > 0 && t.latent < latentKelvin:
		// Ice melts before the water warms.
		t.latent = min(latentKelvin, t.latent+next)
		next = 0
	}
	t.water = next
}
