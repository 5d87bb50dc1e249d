package estimate

import (
	"time"

	"boxd/internal/box"
	"boxd/internal/units"
)

// cycling counts the injector's strokes where the stock meter shows them: a
// stroke is the draw rising over its mean by a tenth and falling under it by as
// much. Sampled too slowly for the strokes, they can't be told.
type cycling struct {
	mean  lowpass
	up    bool
	begun [8]time.Duration // of the newest strokes
	n     int
	last  time.Duration
	gap   time.Duration // between the newest two samples
}

// Common practice, no source.
const (
	strokeMemory  = time.Minute // an older stroke tells nothing of now
	samplesStroke = 4           // samples a stroke at least: fewer, and it may be another rhythm
)

func (e *Estimator) strokes(r *box.Readings) {
	o, c := &e.out, &e.cycles
	o.Cycling = Value[units.PerMin]{}
	if o.Drawing != Yes || !r.Stock.Usable() {
		*c = cycling{mean: lowpass{tau: 20 * time.Second}}
		return
	}
	if r.Stock.Age == 0 {
		c.take(e.now, float64(r.Stock.Value))
	}
	if rate, ok := c.rate(e.now); ok {
		o.Cycling.set(rate, basisOf(&r.Stock))
		o.Cycling.Sigma = rate / units.PerMin(c.counted())
	}
}

func (c *cycling) take(now time.Duration, x float64) {
	c.gap, c.last = now-c.last, now
	m := c.mean.add(x, c.gap)
	switch {
	case !c.up && x > 1.1*m:
		c.up = true
		copy(c.begun[1:], c.begun[:])
		c.begun[0], c.n = now, c.n+1
	case c.up && x < 0.9*m:
		c.up = false
	}
}

// counted is how many whole strokes lie in the memory.
func (c *cycling) counted() int { return min(c.n, len(c.begun)) - 1 }

// rate needs three whole strokes. Its error is one sample at either end, a
// stroke in so many at most.
func (c *cycling) rate(now time.Duration) (units.PerMin, bool) {
	n := c.counted()
	if n < 3 || now-c.begun[0] > strokeMemory {
		return 0, false
	}
	one := (c.begun[0] - c.begun[n]) / time.Duration(n)
	if one < samplesStroke*c.gap || one <= 0 {
		return 0, false
	}
	return units.PerMin(time.Minute.Seconds() / one.Seconds()), true
}
