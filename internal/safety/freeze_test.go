package safety

// What is advised against freezing follows the water, the run and the time left.

import (
	"strings"
	"testing"
	"time"

	"boxd/internal/estimate"
	"boxd/internal/units"
)

// freezing is a forecast whose cautious time is early.
func freezing(early time.Duration) estimate.Freeze {
	return estimate.Freeze{Known: true, Early: early, Left: early + early/2, Body: estimate.FilterBowl, Ground: estimate.Fitted}
}

func TestFrost(t *testing.T) {
	running := func(b *bench) { b.e.Flowing = estimate.Yes }
	for name, c := range map[string]struct {
		set  func(b *bench)
		want string // in the advice; empty: none
	}{
		"far":       {func(b *bench) { b.e.Freeze = freezing(7 * time.Hour) }, ""},
		"unknown":   {func(b *bench) { b.e.Freeze = estimate.Freeze{} }, ""},
		"ahead":     {func(b *bench) { b.e.Freeze = freezing(5 * time.Hour) }, "Plan to drain"},
		"soon":      {func(b *bench) { b.e.Freeze = freezing(time.Hour) }, "now, or heat the box"},
		"cold":      {func(b *bench) { b.r.Water.Value = 2 }, "now, or heat the box"},
		"running":   {func(b *bench) { running(b); b.e.Freeze = freezing(time.Hour) }, "Keep the water running"},
		"icy water": {func(b *bench) { running(b); b.r.Water.Value = 0.5 }, "does not keep the box safe"},
		"flushing":  {func(b *bench) { running(b); b.e.EverDrawn, b.s.Running = true, true; b.e.Freeze = freezing(time.Hour) }, "Flush to the end first"},
		"ice":       {func(b *bench) { b.e.Freeze.Ice = true }, "keep the shutoff valve closed"},
	} {
		b := newBench()
		b.e.Flowing = estimate.No
		c.set(b)
		b.wait(1)
		advice, why := b.g.Frost()
		if got := advice.String(); (c.want == "") != (got == "") || !strings.Contains(got, c.want) {
			t.Errorf("%s: advice %q, want %q", name, got, c.want)
		}
		if why.Empty() {
			t.Errorf("%s: no reason", name)
		}
	}
}

// TestFrostWhy: the forecast and what it rests on are said.
func TestFrostWhy(t *testing.T) {
	b := newBench()
	f := freezing(90 * time.Minute)
	f.Forecast, f.Outside = known[units.Celsius](-4), known[units.Celsius](3)
	f.Air.V, f.Water.V = 2*time.Hour, 3*time.Hour
	b.e.Freeze = f
	b.wait(1)
	_, why := b.g.Frost()
	want := "The filter bowl is likely to come to 0 °C in 2 h 15 min, and could in 1 h 30 min. The air outside is 3.0 °C. " +
		"A low of -4.0 °C is forecast. Time constants are fitted: box 2 h 00 min, water 3 h 00 min."
	if why.String() != want {
		t.Errorf("got  %s\nwant %s", why, want)
	}
}
