package engine_test

import (
	"strings"
	"testing"
	"time"

	"boxd/internal/box"
	"boxd/internal/engine"
	"boxd/internal/engine/enginetest"
)

// TestCautionsFollow: through a run each caution comes where the person meets
// its hazard, and goes again.
func TestCautionsFollow(t *testing.T) {
	r := enginetest.New(enginetest.Config(enginetest.Zone()), 1, true)
	shows := func(when, has string) {
		t.Helper()
		if text := strings.Join(r.Core.View().Cautions, " "); !strings.Contains(text, has) || has == "" && text != "" {
			t.Errorf("%s: %q, want %q", when, text, has)
		}
	}
	until := func(milestone string) {
		t.Helper()
		for range 3000 {
			for _, e := range r.Turn(r.Obey("Kim")...) {
				if e.Kind == engine.MilestoneEvent && e.Name == milestone {
					return
				}
			}
		}
		t.Fatalf("no %s", milestone)
	}
	r.Advance(2 * time.Second)
	shows("ready", "Mixing stock")
	r.Turn(r.Obey("Kim")...)
	shows("pressurising", "")
	until("pressurised")
	shows("the hose goes in", "Goggles and gloves at the stock tank")
	until("injection_started")
	shows("injecting", "able to stop at once")
	r.Plant.Drop(box.FilterOutPressure)
	r.Advance(time.Minute)
	shows("a sensor is to be looked at", "Switch the box off")
	r.Plant.Heal(box.FilterOutPressure)
	until("injection_ended")
	r.Advance(10 * time.Second)
	shows("flushing", "still in the lines")
	until("secured")
	shows("leaving", "re-entry")
}
