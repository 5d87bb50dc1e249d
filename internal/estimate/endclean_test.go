package estimate

// What an earlier run left at the line end, on made-up readings: it leaves the last
// stretch of tape as e^(−t/T) or faster (see level).

import (
	"math"
	"testing"

	"boxd/internal/units"
)

// leaves lets a rest leave the line end: over µS/cm of it above 420 now, less by e
// every 120 s, read ±6 from one second to the next. It is how much is left.
func (b *bench) leaves(over float64, seconds int) float64 {
	for range seconds {
		over *= math.Exp(-1.0 / 120)
		noise := 6.0
		if int(b.now.Seconds())%2 == 0 {
			noise = -6
		}
		b.r.EndEC = good(units.USPerCm(420 + over + noise))
		b.turn(1)
	}
	return over
}

// TestRestAtEnd: a rest is no baseline, no noise and not this run's fertilizer; the
// water it leaves behind is the baseline, however much of a rest was learned for one.
func TestRestAtEnd(t *testing.T) {
	for _, over := range []float64{2000, 400, 100, 40, 24, 0} {
		b := newBench(t)
		b.r.EndEC = good(units.USPerCm(420 + over))
		design := b.full()
		over = b.leaves(over, 60)
		if v := b.o.EndBase; v.Known && (v.V > 420+probesDiffer || v.Sigma > 15) {
			t.Errorf("%.0f over clean before injecting: baseline %+v", over, v)
		}
		b.r.Branch, b.r.Stock, b.r.BoxEC = good(design.Scale(0.4)), good(design.Scale(0.008)), good[units.USPerCm](1420)
		for range 60 {
			if over = b.leaves(over, 10); b.o.Flush.Probe != Waiting && b.o.Flush.Probe != Absent || b.e.flush.arrived {
				t.Fatalf("%.0f over clean, no fertilizer there: the probe is %v", over, b.o.Flush.Probe)
			}
		}
		b.r.Branch, b.r.Stock, b.r.BoxEC = good[units.LPerH](0), good[units.LPerH](0), good[units.USPerCm](420)
		if v := b.o.EndBase; !v.Known || v.V < 410 || v.V > 425 || v.Sigma > 15 {
			t.Errorf("%.0f over clean after ten minutes: baseline %+v", over, v)
		}
		for _, c := range []struct {
			ec   units.USPerCm
			want Witness
		}{{1420, Passing}, {490, Passing}, {455, Clean}} {
			b.r.EndEC = good(c.ec)
			if b.turn(60); b.o.Flush.Probe != c.want {
				t.Errorf("%.0f over clean at first; then EC %v for a minute: %v, want %v", over, c.ec, b.o.Flush.Probe, c.want)
			}
		}
	}
}

// TestEndFailsLow: what a probe reads far below the box's clean water is no clean
// water either: it lowers the baseline by what two probes differ, no more.
func TestEndFailsLow(t *testing.T) {
	b := newBench(t)
	design := b.full()
	b.turn(60)
	b.inject(120, design)
	b.r.EndEC = good[units.USPerCm](200)
	if b.turn(200); b.o.EndBase.V != 420-probesDiffer {
		t.Errorf("baseline %+v", b.o.EndBase)
	}
}
