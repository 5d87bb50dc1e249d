package estimate

import (
	"time"

	"boxd/internal/units"
)

// Delivery is how much of what went past the box has left the emitters.
type Delivery struct {
	Known       bool
	LastEmitter units.Ratio // of its share, out of the last emitter
}

// deliver adds up what passes the box, over µS/cm above clean water, and works
// out what the last emitter has had.
func (e *Estimator) deliver(dt time.Duration, over float64) {
	o, f := &e.out, &e.flush
	o.ECVolume += float64(over * float64(o.Flush.Rate.Over(dt)))
	o.Delivery = Delivery{}
	if f.slug.Begun() {
		o.Delivery = Delivery{true, f.slug.Delivered(f.lastPath)}
	}
}

// Whole is the share of all injected that has left the emitters, summed over
// every emitter.
func (e *Estimator) Whole() Value[units.Ratio] {
	if !e.flush.slug.Begun() {
		return Value[units.Ratio]{}
	}
	return known(1-e.flush.slug.Stop().Undelivered, 0)
}

// Front is how far along each lateral the first fertilized and the first clean
// water have come, as fractions of its length; fill is called once a lateral.
func (e *Estimator) Front(fill func(row int, fertilized, clean float64)) {
	f := &e.flush
	start, clean := -1.0, -1.0
	if v, ok := f.slug.Front(); ok {
		start = float64(v)
	}
	if e.out.CleanAtBox {
		clean = f.advance - f.cleanAt
	}
	paths := e.cfg.Zone.Emitters()
	for i := 0; i < len(paths); {
		j := i
		a, b := 0, 0
		for ; j < len(paths) && paths[j].Lateral == paths[i].Lateral; j++ {
			if float64(paths[j].Volume) <= start {
				a = j - i + 1
			}
			if float64(paths[j].Volume) <= clean {
				b = j - i + 1
			}
		}
		n := float64(j - i)
		fill(paths[i].Lateral, float64(a)/n, float64(b)/n)
		i = j
	}
}
