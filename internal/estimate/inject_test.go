package estimate

import (
	"math"
	"testing"
	"time"

	"boxd/internal/box"
	"boxd/internal/units"
)

// TestStrokesAcrossADropOut: the stock meter falls silent for ten seconds, its last
// value a stroke's rest or its middle: the injection goes on, and the ratio is what it
// was. Silent for longer, nothing is known of the stock until its time is up; then the
// branch tells of it.
func TestStrokesAcrossADropOut(t *testing.T) {
	for phase := range 3 {
		b := newBench(t)
		design := b.full()
		branch := design.Scale(0.4)
		stroke := func() { // draws in one second of three
			b.r.Stock = good(units.LPerH(0))
			if int(b.now.Seconds())%3 == 0 {
				b.r.Stock = good(branch.Scale(0.06))
			}
			b.turn(1)
		}
		b.r.Branch, b.r.BoxEC = good(branch), good[units.USPerCm](1420)
		for range 90 + phase {
			stroke()
		}
		begun := b.o.DrawStart
		check := func(when string) {
			t.Helper()
			if b.o.Drawing != Yes || b.o.DrawStart != begun || !b.o.BranchRatio.Known || math.Abs(b.o.BranchRatio.V.Percent()-2) > 0.7 {
				t.Errorf("phase %d, %s: drawing %v, ratio %+v", phase, when, b.o.Drawing, b.o.BranchRatio)
			}
		}
		late := func(seconds int) {
			for range seconds {
				b.r.Stock.Age += time.Second
				if b.r.Stock.Age > 2*time.Second {
					b.r.Stock.Quality, b.r.Stock.Cause = box.Uncertain, box.CheckFunction
				}
				b.turn(1)
			}
		}
		check("before")
		late(10)
		check("silent for 10 s")
		for range 60 {
			stroke()
			check("back")
		}
		late(25)
		if b.o.Drawing != Unknown || b.o.BranchRatio.Known {
			t.Errorf("phase %d, silent for 25 s: drawing %v, ratio %+v", phase, b.o.Drawing, b.o.BranchRatio)
		}
		b.r.Stock = bad[units.LPerH]()
		if b.turn(5); b.o.Drawing != Yes {
			t.Errorf("phase %d, given up: drawing %v", phase, b.o.Drawing)
		}
	}
}
