package estimate

import (
	"boxd/internal/hydraulics"
	"boxd/internal/units"
)

// Delivery is how much of what went past the box has left the emitters.
type Delivery struct {
	Known       bool
	LastEmitter units.Ratio // of its share, out of the last emitter
}

// deliver works out what the last emitter has had.
func (e *Estimator) deliver() {
	o, f := &e.out, &e.flush
	o.Delivery = Delivery{}
	if f.slug.Begun() {
		o.Delivery = Delivery{true, f.slug.Delivered(f.lastPath)}
	}
}

// Whole is the share of all injected that has left the emitters, summed over
// every emitter, with what the errors of flow meter and geometry make of it. It
// says nothing of a leak: see Flush.Degraded.
func (e *Estimator) Whole() Value[units.Ratio] {
	s := e.flush.slug
	if !s.Begun() {
		return Value[units.Ratio]{}
	}
	off := float64(standard(hypot(e.cfg.FlowError, e.cfg.GeometryError)))
	apart := s.StopIf(1+off).Undelivered - s.StopIf(1-off).Undelivered
	return known(1-s.Stop().Undelivered, apart/2)
}

// Slug is the fertilizer on its way through the zone, to look at.
func (e *Estimator) Slug() *hydraulics.Slug { return e.flush.slug }

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
