package simbox

import (
	"math"
	"time"
)

// Recipe of the loop valve and of the hand on it.
const (
	rangeability  = 30.0 // of its equal-percentage trim
	stopsAt       = 0.4  // of the difference that starts the injector
	handThrottles = 20 * time.Second
	handOpens     = 8 * time.Second
)

// loopValve is where the loop valve stands: 1 is open, 0 as far shut as it goes,
// which its trim leaves short of tight.
type loopValve struct {
	place, to float64
	rate      float64 // of the travel a tick
}

func (v *loopValve) tick() {
	if math.Abs(v.to-v.place) <= v.rate {
		v.place = v.to
		return
	}
	v.place += math.Copysign(v.rate, v.to-v.place)
}

// Turn lets a hand turn the loop valve evenly to a place within a time; with no
// time it is there at once.
func (p *Plant) Turn(to float64, over time.Duration) {
	v := &p.loop
	v.to = min(max(to, 0), 1)
	if over < Tick {
		v.place = v.to
	}
	v.rate = math.Abs(v.to-v.place) / max(1, float64(over/Tick))
}

// LoopPlace is where the loop valve stands, 0 shut to 1 open.
func (p *Plant) LoopPlace() float64 { return p.loop.place }

// valveLoss is what the valve takes of the block's normal flow if all of it goes
// through, kPa. The flow coefficient of an equal-percentage trim falls by equal
// parts with an even turn (inherent characteristic of IEC 60534-2-4).
func (v *loopValve) valveLoss() float64 {
	return loopLoss * math.Pow(rangeability, 2*(1-v.place))
}

// loopLoss is the difference the valve and the branch beside it make at the
// block's normal flow, kPa: both flows go with its square root.
func (p *Plant) loopLoss() float64 {
	valve := p.normal / math.Sqrt(p.loop.valveLoss())
	if p.drawing {
		valve += float64(p.spec.Injector.Branch) / math.Sqrt(float64(p.spec.Injector.Throttle))
	}
	return p.normal / valve * p.normal / valve
}

// throttled is the place at which the running injector has its differential at
// the block's normal flow. Where its branch takes nearly all of that flow, the
// valve is as good as shut.
func (p *Plant) throttled() float64 {
	j := &p.spec.Injector
	past := max(p.normal-float64(j.Branch), p.normal/rangeability)
	loss := float64(j.Throttle) * p.normal / past * p.normal / past
	return min(max(1-math.Log(loss/loopLoss)/(2*math.Log(rangeability)), 0), 1)
}
