package safety

import (
	"math"
)

func (g *Guard) freeze() (active, judged bool) {
	r, l := g.in.r, &g.limits
	cold := r.Water.Usable() && r.Water.Value <= l.FreezeWater || r.BoxAir.Usable() && r.BoxAir.Value <= l.FreezeAir
	if h, ok := g.HoursToFreeze(); ok && h <= l.FreezeLead.Hours() {
		cold = true
	}
	return cold, r.Water.Usable() || r.BoxAir.Usable()
}

// HoursToFreeze is when the air in the box, the smallest heat there is, comes to
// 0 °C; false when it isn't falling by at least half a degree an hour or can't
// be told. Latent heat is left out: it is a reserve, not a permission.
//
// With the outside known and below 0 °C it is Newton's cooling toward it,
// τ·ln[(T−Ta)/(0−Ta)], τ from the fall of the last half hour, which stands for
// its middle. Without, the fall is taken on in a straight line, which comes
// early, for cooling slows down; so it is told only below 12 °C (common
// practice, no source).
func (g *Guard) HoursToFreeze() (float64, bool) {
	r, e := g.in.r, g.in.e
	if r == nil || !r.BoxAir.Usable() || !e.BoxAirFall.Known || e.BoxAirFall.V > -0.5 {
		return 0, false
	}
	air, fall := float64(r.BoxAir.Value), -float64(e.BoxAirFall.V)
	if out := float64(r.OutsideAir.Value); r.OutsideAir.Usable() && out < 0 && out < air {
		tau := (air + fall/4 - out) / fall
		return max(tau*math.Log((air-out)/-out), 0), true
	}
	return max(air/fall, 0), air <= 12
}
