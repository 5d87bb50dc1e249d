package safety

import (
	"time"

	"boxd/internal/estimate"
	"boxd/internal/say"
)

// nearFreezing is water that running no longer keeps from freezing for long.
// Common practice, no source.
const nearFreezing = 1 // °C

// freeze: cold already, or the cautious forecast leaves no more than the time
// that it takes to act.
func (g *Guard) freeze() (active, judged bool) {
	r, l, f := g.in.r, &g.limits, &g.in.e.Freeze
	cold := r.Water.Usable() && r.Water.Value <= l.FreezeWater || r.BoxAir.Usable() && r.BoxAir.Value <= l.FreezeAir
	soon := f.Known && f.Early <= l.FreezeLead
	return cold || soon, f.Known || r.Water.Usable() || r.BoxAir.Usable()
}

// ice: still water that has likely begun to freeze. Pressure bursts what is
// frozen.
func (g *Guard) ice() bool { return g.in.e.Freeze.Ice && g.in.e.Flowing != estimate.Yes }

// Frost is what is to be done against freezing, nothing while nothing is, and
// what that rests on.
func (g *Guard) Frost() (advice, why say.Text) {
	if g.in.e == nil {
		return say.Text{}, say.Text{}
	}
	e, f, lead := g.in.e, &g.in.e.Freeze, g.limits.FreezeLead
	cold, _ := g.freeze()
	why = g.frostWhy()
	switch {
	case g.ice():
		return say.T("There may be ice in the box: keep the shutoff valve closed. Warm the box, then look at filter bowl, injector and backflow device for cracks before you open it."), why
	case !cold && !(f.Known && f.Early <= 3*lead):
		return say.Text{}, why
	case e.EverDrawn && !e.Flush.Done && g.in.s.Running:
		return say.T("Flush to the end first, then close the shutoff valve and drain filter bowl, injector and backflow device."), why
	case e.Flowing == estimate.Yes && g.in.r.Water.Usable() && g.in.r.Water.Value <= nearFreezing:
		return say.T("The water itself is near freezing: running does not keep the box safe for long. Drain filter bowl, injector and backflow device, or heat the box."), why
	case e.Flowing == estimate.Yes:
		return say.T("Keep the water running, or drain filter bowl, injector and backflow device as soon as it stops."), why
	case !cold:
		return say.T("Plan to drain or heat the box before the night is over: there are %v left.", soon(f.Early)), why
	}
	return say.T("Drain filter bowl, injector and backflow device now, or heat the box, or keep a trickle of water running."), why
}

// frostWhy says what the forecast rests on.
func (g *Guard) frostWhy() say.Text {
	f := &g.in.e.Freeze
	of := []say.Text{}
	switch {
	case !f.Known:
		return say.T("When the box freezes can't be told: it takes the air in the box, falling, or the air outside, measured or forecast.")
	case f.Early < estimate.FreezeHorizon:
		of = append(of, g.frostSoon())
	default:
		of = append(of, say.T("Nothing in the box comes to 0 °C within a day, as it looks now."))
	}
	if f.Outside.Known {
		of = append(of, say.T("The air outside is %v.", f.Outside.V))
	}
	if f.Forecast.Known {
		of = append(of, say.T("A low of %v is forecast.", f.Forecast.V))
	}
	switch f.Ground {
	case estimate.Fitted:
		of = append(of, say.T("Time constants are fitted: box %v, water %v.", f.Air.V, f.Water.V))
	case estimate.Remembered:
		of = append(of, say.T("Time constants are those of the last cooling seen: box %v, water %v.", f.Air.V, f.Water.V))
	case estimate.Assumed:
		of = append(of, say.T("The box has not been seen to cool yet: common time constants are assumed, %v to %v for the box.", f.Air.Low, f.Air.High))
	case estimate.StraightLine:
		of = append(of, say.T("The air outside isn't known: the fall of the air in the box is taken on as it is, which comes early."))
	case estimate.NoGround:
	}
	return say.T("%v", say.List{Of: of, Sep: " "})
}

// frostSoon says which body comes to 0 °C, and when.
func (g *Guard) frostSoon() say.Text {
	f := &g.in.e.Freeze
	name := BodyName(f.Body)
	switch {
	case f.Left <= 0:
		return say.T("The %v is likely at 0 °C.", name)
	case f.Left >= estimate.FreezeHorizon:
		return say.T("The %v could come to 0 °C in %v, though that isn't likely.", name, soon(f.Early))
	case f.Ground == estimate.StraightLine:
		return say.T("The %v could come to 0 °C in %v.", name, soon(f.Early))
	}
	return say.T("The %v is likely to come to 0 °C in %v, and could in %v.", name, soon(f.Left), soon(f.Early))
}

// soon is a time ahead as it can be said: no sharper than it is known.
func soon(d time.Duration) time.Duration { return d.Truncate(5 * time.Minute) }

// BodyName is what a person calls a body.
func BodyName(b estimate.Body) say.Text {
	switch b {
	case estimate.MeasuredWater:
		return say.T("water in the box")
	case estimate.FilterBowl:
		return say.T("filter bowl")
	case estimate.InjectorBody:
		return say.T("injector")
	case estimate.BackflowDevice:
		return say.T("backflow device")
	case estimate.NoBody, estimate.NumBodies:
	}
	return say.T("box")
}
