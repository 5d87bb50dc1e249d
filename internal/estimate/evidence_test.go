package estimate

// What the meters count is worked out by hand from readings that stand still;
// what they miss is doubt, never a number.

import (
	"math"
	"testing"
	"time"

	"boxd/internal/units"
)

func roughly(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if math.Abs(got-want) > within {
		t.Errorf("%s: %.5f, want %.5f ± %.5f", what, got, want, within)
	}
}

// injecting is a bench five minutes into an injection that goes on.
func injecting(t *testing.T) (*bench, units.LPerH) {
	b := newBench(t)
	design := b.full()
	b.r.Branch, b.r.Stock, b.r.BoxEC = good(design.Scale(0.4)), good(design.Scale(0.008)), good[units.USPerCm](1420)
	b.turn(300)
	return b, design
}

func TestEvidence(t *testing.T) {
	b, design := injecting(t)
	ev := b.e.Evidence()
	// 1000 µS/cm over the clean water while all of design passes; less the
	// three seconds it takes to be sure that stock goes in.
	passed := float64(design) * 297 / 3600
	roughly(t, "passed, L", float64(ev.Passed.Value), passed, 0.01*passed)
	roughly(t, "mean rise, µS/cm", float64(ev.Rise.Value), 1000, 10)
	roughly(t, "branch, L", float64(ev.Branch.Value), 0.4*passed, 0.01*passed)
	roughly(t, "drawn, L", float64(ev.Drawn.Value), 0.008*passed, 0.0001*passed)
	// A bound either way is √3 standard deviations (JCGM 100:2008, 4.3.7).
	roughly(t, "doubt of what was drawn", float64(ev.Drawn.Std/ev.Drawn.Value), 0.03/math.Sqrt(3), 1e-6)
	for _, q := range []string{ev.Drawn.Absent.String(), ev.Branch.Absent.String(), ev.Rise.Absent.String(), ev.Passed.Absent.String()} {
		if q != "" {
			t.Error(q)
		}
	}
}

// TestEvidenceMissed: a meter silent for a moment is doubted more, one silent
// for longer is not believed, and the others are not touched.
func TestEvidenceMissed(t *testing.T) {
	b, _ := injecting(t)
	sure := b.e.Evidence().Branch
	b.r.Branch = bad[units.LPerH]()
	b.turn(10)
	if q := b.e.Evidence().Branch; !q.Absent.Empty() || q.Value != sure.Value || q.Std <= sure.Std {
		t.Errorf("after ten seconds %+v, before %+v", q, sure)
	}
	b.turn(20)
	ev := b.e.Evidence()
	if ev.Branch.Absent.Empty() || !ev.Drawn.Absent.Empty() || !ev.Passed.Absent.Empty() {
		t.Errorf("after thirty seconds %+v", ev)
	}
	b.r.BoxEC = bad[units.USPerCm]()
	b.turn(60)
	if ev := b.e.Evidence(); ev.Passed.Absent.Empty() || !ev.Drawn.Absent.Empty() {
		t.Errorf("without EC %+v", ev)
	}
}

// TestEvidenceUnwatched: what nobody saw touches every weighing alike, so that
// their agreement can't hide it.
func TestEvidenceUnwatched(t *testing.T) {
	b, _ := injecting(t)
	b.now += 5 * time.Minute
	b.turn(1)
	ev := b.e.Evidence()
	if ev.Drawn.Absent.Empty() || ev.Branch.Absent.Empty() || ev.Passed.Absent.Empty() {
		t.Errorf("five minutes were not seen: %+v", ev)
	}
}

// TestEvidenceInLeak: in a burst the careful pace of the flush is slower than the
// water; the dose counts the water.
func TestEvidenceInLeak(t *testing.T) {
	b, design := injecting(t)
	before := b.e.Evidence().Passed.Value
	b.r.Main = good(design.Scale(1.4))
	b.turn(100)
	got := float64(b.e.Evidence().Passed.Value - before)
	roughly(t, "passed in the burst, L", got, 1.4*float64(design)*100/3600, 0.01)
	if b.o.Flush.Rate >= design.Scale(1.4) {
		t.Errorf("no burst: the flush counts %v of %v", b.o.Flush.Rate, design)
	}
}
