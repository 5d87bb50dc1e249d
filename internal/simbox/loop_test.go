package simbox

import (
	"math"
	"testing"
	"time"

	"boxd/internal/box"
	"boxd/internal/units"
)

// valved is a quiet plant at pressure with the loop valve open and the
// injector's own valves open.
func valved(t *testing.T, change func(*Spec)) *Plant {
	t.Helper()
	s := loadReference(t).spec()
	s.LinesFull, s.Quiet = true, true
	s.Injector.StartsAt = 34
	if change != nil {
		change(&s)
	}
	p := New(s, 1)
	p.Do(box.MainOpen)
	p.Do(box.InjectorOn)
	p.Step(2 * time.Minute)
	return p
}

func (p *Plant) diff() float64 {
	t := p.Truth()
	return float64(t.InjectorIn - t.InjectorOut)
}

// A hand throttles the loop valve in twenty seconds and opens it in eight. The
// injector starts at 34 kPa and takes water off the valve, so the difference
// falls and rises again to a tenth over what starts it.
func TestTheLoopValveIsTurned(t *testing.T) {
	p := valved(t, nil)
	p.Do(box.LoopThrottled)
	last, slope, started := p.diff(), 0.0, false
	for range 200 {
		p.Step(Tick)
		d := p.diff()
		switch drawn := p.Truth().Branch > 0; {
		case drawn && !started:
			started = true
			if last < 0.95*34 || d >= last {
				t.Errorf("started at %.1f kPa, then %.1f", last, d)
			}
		case !drawn && started:
			t.Fatalf("stopped at %.1f kPa", d)
		case !drawn && d-last < 0.9*slope: // an even turn does ever more
			t.Fatalf("the difference rises by %.3f kPa after %.3f", d-last, slope)
		case !drawn:
			slope = d - last
		}
		last = d
	}
	near(t, "throttled, kPa", p.diff(), 38, 0.5)
	near(t, "branch, L/h", float64(p.Truth().Branch), float64(p.spec.Injector.Branch), 1)
	p.Do(box.LoopOpened)
	p.Step(7 * time.Second)
	if p.LoopPlace() == 1 {
		t.Error("open before its time")
	}
	p.Step(1100 * time.Millisecond)
	if p.LoopPlace() != 1 || p.Truth().Branch != 0 {
		t.Errorf("opened: %v, branch %v", p.LoopPlace(), p.Truth().Branch)
	}
}

// An even turn of an equal-percentage trim of rangeability 30 multiplies the
// flow coefficient by 30^Δ (IEC 60534-2-4), so a fifth of the travel makes
// 30^0.4 times the difference while the flow stays.
func TestAnEvenTurnGoesByEqualParts(t *testing.T) {
	p := valved(t, func(s *Spec) { s.Supply = 900 })
	p.Do(box.InjectorOff)
	last := p.diff()
	for place := 0.8; place > 0.3; place -= 0.2 {
		p.Turn(place, 5*time.Second)
		p.Step(30 * time.Second)
		near(t, "times the difference", p.diff()/last, math.Pow(30, 0.4), 0.02)
		last = p.diff()
	}
}

// The injector goes on below its starting difference and its branch follows the
// root of the difference, as an orifice's does.
func TestTheBranchFollowsTheDifference(t *testing.T) {
	p := valved(t, nil)
	p.Turn(p.throttled(), 0)
	p.Step(time.Minute)
	d, q := p.diff(), float64(p.Truth().Branch)
	p.Turn(p.throttled()+0.1, 3*time.Second)
	p.Step(time.Minute)
	if p.diff() > 0.9*d || p.diff() > 34 {
		t.Fatalf("a little open: %.1f kPa", p.diff())
	}
	near(t, "branch, L/h", float64(p.Truth().Branch), q*math.Sqrt(p.diff()/d), 0.5)
	p.Turn(1, 5*time.Second)
	p.Step(time.Minute)
	if b := p.Truth().Branch; b != 0 {
		t.Errorf("open, and %v through the branch", b)
	}
}

// The header stays where the regulator holds it while the inlet lasts, and
// falls with what the valve takes when it does not.
func TestTheHeaderHoldsUntilItsInletIsTooLow(t *testing.T) {
	for _, x := range []struct {
		supply units.KPa
		holds  bool
	}{{290, true}, {150, false}} {
		p := valved(t, func(s *Spec) { s.Supply = x.supply })
		before := float64(p.Truth().Header)
		near(t, "header with the valve open, kPa", before, 68.95, 0.1)
		p.Turn(p.throttled()-0.05, 10*time.Second)
		p.Step(2 * time.Minute)
		if h := float64(p.Truth().Header); (h > before-0.1) != x.holds {
			t.Errorf("supply %v: header %.1f kPa at %.1f kPa across the injector", x.supply, h, p.diff())
		}
	}
}
