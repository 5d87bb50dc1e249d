package estimate

import (
	"time"

	"boxd/internal/units"
)

// SupplyState is how the supply behaves.
type SupplyState uint8

// What the supply can do.
const (
	SupplyUnknown SupplyState = iota
	SupplySteady
	SupplySagging // well below what it was in the last minutes
	SupplyPulsing // up and down, as behind a pressure switch
	SupplyLost    // no pressure to speak of, or less than the line holds
)

func (s SupplyState) String() string {
	switch s {
	case SupplySteady:
		return "steady"
	case SupplySagging:
		return "sagging"
	case SupplyPulsing:
		return "pulsing"
	case SupplyLost:
		return "lost"
	case SupplyUnknown:
	}
	return "unknown"
}

// Water is whether water runs, and if not, why.
type Water uint8

// What the water does.
const (
	WaterUnknown Water = iota
	WaterRunning
	WaterClosed   // the supply has pressure and nothing flows: a valve is closed, or the way is blocked
	WaterNoSupply // nothing flows for want of supply
	WaterStopped  // nothing flows; the supply can't be read, so why can't be told
)

func (w Water) String() string {
	switch w {
	case WaterRunning:
		return "running"
	case WaterClosed:
		return "closed"
	case WaterNoSupply:
		return "no supply"
	case WaterStopped:
		return "stopped"
	case WaterUnknown:
	}
	return "unknown"
}

// Limits of the supply's behaviour: common practice, no source, but for the
// first, below which siphoning back is near (2 psi, cross-connection practice,
// from memory).
const (
	supplyGone   = 2 * units.KPaPerPsi
	supplySagged = 0.85             // of the upper pressures of the last minutes
	swingLeast   = 3.0              // kPa, half of the least swing that counts
	swingPart    = 0.03             // of the pressure, the same
	swingSpan    = 4 * time.Minute  // a pressure switch goes round in one or two
	supplyEvery  = 2 * time.Second  // a value into the window, which so spans six minutes
	settling     = 20 * time.Second // after the valve moved, the supply finds its place
)

// supplying judges the supply. Opening and closing the valve moves its pressure
// too, so the memory starts anew with each.
func (e *Estimator) supplying() {
	o := &e.out
	if !o.Supply.Known {
		o.SupplyState = SupplyUnknown
		e.supplyWin.reset()
		e.ups = ups{}
		return
	}
	if o.Flowing != e.supplyFlow {
		e.supplyFlow, e.supplySince = o.Flowing, e.now
		e.supplyWin.reset()
		e.ups = ups{}
	}
	if e.now-e.supplySince >= settling && e.sec-e.supplyWin.newest() >= supplyEvery.Seconds()-0.01 {
		e.supplyWin.add(e.sec, float64(o.Supply.V))
		u := &e.ups
		u.high, u.n = e.supplyWin.high()
		u.turns = e.supplyWin.turns(e.sec, swingSpan.Seconds(), max(swingLeast, swingPart*u.high))
	}
	gone := o.Supply.V < supplyGone || o.Flowing == No && o.Header.Known && o.Supply.V < o.Header.V
	low := float64(o.Supply.V) < supplySagged*e.ups.high
	switch {
	case e.goneH.stood(e.now, gone, 3*time.Second):
		o.SupplyState = SupplyLost
	case gone:
		// Not for long enough yet: what was said stands.
	case e.ups.n < 10:
		o.SupplyState = SupplyUnknown
	case e.ups.turns >= 3:
		o.SupplyState = SupplyPulsing
	case e.sagH.stood(e.now, low, 10*time.Second):
		o.SupplyState = SupplySagging
	case !low:
		o.SupplyState = SupplySteady
	}
}

// ups are the supply's ups and downs in the last minutes.
type ups struct {
	high  float64 // kPa
	n     int     // values
	turns int     // of direction
}

// water tells a closed valve from a lost supply.
func (e *Estimator) water() {
	o := &e.out
	switch {
	case o.Flowing == Unknown:
		o.Water = WaterUnknown
	case o.Flowing == Yes:
		o.Water = WaterRunning
	case !o.Supply.Known:
		o.Water = WaterStopped
	case o.SupplyState == SupplyLost:
		o.Water = WaterNoSupply
	default:
		o.Water = WaterClosed
	}
}

// high is the ninetieth percentile of all values.
func (w *ranked) high() (float64, int) {
	if w.n == 0 {
		return 0, 0
	}
	return w.sorted[w.n-1-w.n/10], w.n
}

// turns counts the turns of direction, each by at least twice half, in the last
// span seconds. Mostly no two values are so far apart.
func (w *ranked) turns(now, span, half float64) (turns int) {
	if w.n == 0 || w.sorted[w.n-1]-w.sorted[0] <= 2*half {
		return 0
	}
	t, ys := w.values()
	ys = ys[below(t, now-span):]
	if len(ys) == 0 {
		return 0
	}
	top, bottom, dir := ys[len(ys)-1], ys[len(ys)-1], 0
	for i := len(ys) - 1; i >= 0; i-- {
		y := ys[i]
		top, bottom = max(top, y), min(bottom, y)
		switch {
		case dir != 1 && y-bottom > 2*half:
			turns, dir, top = turns+1, 1, y
		case dir != -1 && top-y > 2*half:
			turns, dir, bottom = turns+1, -1, y
		}
	}
	return turns
}
