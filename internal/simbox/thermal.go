package simbox

// latentKelvin is the heat of freezing of water as degrees of its own warmth:
// 333.5 kJ/kg over 4.19 kJ/(kg·K). Source: handbook values, from memory.
const latentKelvin = 79.6

// Time constants, s. Recipe.
const (
	boxTau     = 3600.0  // box air to outside
	stillTau   = 10800.0 // standing water to box air
	flowingTau = 120.0   // water in the box to the source's, at normal flow
)

// thermal is the warmth of the box: °C.
type thermal struct {
	source, water, air, outside float64
	latent                      float64 // K left before the standing water is ice
}

func (t *thermal) tick(flow float64) {
	t.air = lag(t.air, t.outside, boxTau)
	if flow > 0 {
		t.water = lag(t.water, t.source, flowingTau/flow)
		t.latent = latentKelvin
		return
	}
	next := lag(t.water, t.air, stillTau)
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
