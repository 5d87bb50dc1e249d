package simbox

import (
	"testing"
	"time"

	"boxd/internal/box"
)

// A hand throttles the loop valve in the time it is given: the difference across
// the injector rises all the way and by ever more, as an equal-percentage trim
// makes it, and the injector starts once its difference is there.
func TestTheLoopValveIsTurned(t *testing.T) {
	s := loadReference(t).spec()
	s.LinesFull, s.LoopTurn = true, 20*time.Second
	p := New(s, 1)
	p.Do(box.MainOpen)
	p.Do(box.InjectorOn)
	p.Step(2 * time.Minute)
	at := func() float64 { return p.squared(p.loop) }
	start := at()
	p.Do(box.LoopThrottled)
	last, slope := start, 0.0
	for range 19 {
		p.Step(time.Second)
		if d := at() - last; d <= slope*0.9 {
			t.Fatalf("the difference rises by %v kPa after %v a second", d, slope)
		} else {
			last, slope = at(), d
		}
		if drawn := p.branch > 0; drawn != (last >= float64(p.spec.Injector.StartsAt)) {
			t.Fatalf("at %v kPa the injector draws: %v", last, drawn)
		}
	}
	p.Step(3 * time.Second)
	if p.loop != float64(p.spec.Injector.Throttle) || p.branch == 0 {
		t.Errorf("throttled: %v kPa, branch %v", p.loop, p.branch)
	}
	p.Do(box.LoopOpened)
	if p.Step(9 * time.Second); p.loop == loopLoss {
		t.Error("open before its time")
	}
	if p.Step(2 * time.Second); p.loop != loopLoss || p.branch != 0 {
		t.Errorf("opened: %v kPa, branch %v", p.loop, p.branch)
	}
}
