package sequencer

// What is said of the loop valve, from estimates set by hand.

import (
	"math"
	"slices"
	"strings"
	"testing"

	"boxd/internal/box"
	"boxd/internal/estimate"
	"boxd/internal/units"
)

func throttled(diff units.KPa) estimate.Loop {
	return estimate.Loop{Known: true, By: estimate.LoopByFlows, Diff: known(diff), Branch: known(units.LPerH(60)), Low: 34, High: 51, LowBy: estimate.ByStart, HighBy: estimate.ByUsual,
		HeaderLow: 55, Limits: estimate.LoopLimits{StartsAt: 34, Rated: 90, Needed: 70}}
}

func TestLoopValve(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*estimate.Loop)
		want   []string
	}{
		"unknown":    {func(l *estimate.Loop) { *l = estimate.Loop{} }, []string{"can't be read: go by its sound"}},
		"first":      {func(l *estimate.Loop) { l.Way = estimate.ShutMore }, []string{"further shut, a little at a time", "34.0 kPa and 51.0 kPa"}},
		"half":       {func(l *estimate.Loop) { l.Way, l.Further, l.Last.Shut = estimate.ShutMore, math.Exp(0.1), 0.2 }, []string{"further shut: about half of your last turn"}},
		"back":       {func(l *estimate.Loop) { l.Way, l.Further, l.Last.Shut = estimate.OpenMore, math.Exp(-0.07), 0.2 }, []string{"a third of your last turn back"}},
		"on opening": {func(l *estimate.Loop) { l.Way, l.Further, l.Last.Shut = estimate.OpenMore, math.Exp(-0.2), -0.2 }, []string{"open it further: about as much as"}},
		"enough":     {func(l *estimate.Loop) { l.Way, l.Enough = estimate.Leave, true }, []string{"enough: leave"}},
		"nearly":     {func(l *estimate.Loop) { l.Way = estimate.Leave }, []string{"nearly there"}},
		"rated":      {func(l *estimate.Loop) { l.Way, l.HighBy = estimate.ShutMore, estimate.ByRated }, []string{"beyond its rated 1.50 L/min"}},
		"dose":       {func(l *estimate.Loop) { l.Way, l.LowBy = estimate.ShutMore, estimate.ByDose }, []string{"planned with 1.17 L/min"}},
		"no meter": {func(l *estimate.Loop) {
			l.Way, l.By, l.Branch.Known = estimate.ShutMore, estimate.LoopByMain, false
		}, []string{"the branch flow can't be read"}},
	} {
		b := newBench(t, Config{InjectorStart: 34})
		b.to(Inject)
		b.turn(1, b.say(box.InjectorOn))
		l := throttled(30)
		c.change(&l)
		b.e.Loop = l
		b.turn(1)
		why := strings.Join(texts(b.s.Advice().Why), "; ")
		for _, part := range c.want {
			if !strings.Contains(why, part) {
				t.Errorf("%s: %q is not in %q", name, part, why)
			}
		}
		if b.s.Advice().Deed != box.LoopThrottled || !b.s.Throttling() {
			t.Errorf("%s: %+v", name, b.s.Advice())
		}
	}
}

// The advice stays one and the same while numbers and way change; that it can't
// be done is another, with numbers and a way out, and nothing to confirm.
func TestLoopAdviceIsCalm(t *testing.T) {
	b := newBench(t, Config{InjectorStart: 34})
	b.to(Inject)
	b.turn(1, b.say(box.InjectorOn))
	b.e.Loop = throttled(20)
	b.e.Loop.Way = estimate.ShutMore
	b.turn(1)
	n := b.s.Advice().Number
	b.e.Loop.Diff.V, b.e.Loop.Way, b.e.Loop.Further, b.e.Loop.Last.Shut = 60, estimate.OpenMore, math.Exp(-0.01), 0.2
	b.turn(1)
	if a := b.s.Advice(); a.Number != n || !strings.Contains(strings.Join(texts(a.Why), ";"), "60.0 kPa") {
		t.Errorf("#%d, was #%d: %v", a.Number, n, texts(a.Why))
	}
	for c, want := range map[estimate.Cannot]string{
		estimate.SupplyTooLow:  "would fall below 55.0 kPa at a difference of 29.0 kPa, and 34.0 kPa are needed",
		estimate.InjectorSmall: "carries 1.00 L/min, of a rated 1.50 L/min, at a difference of only 60.0 kPa",
		estimate.LoopShut:      "all water goes through the branch",
		estimate.InjectorDead:  "no water goes through the injector's branch",
	} {
		b.e.Loop.Cannot, b.e.Loop.Most = c, known(units.KPa(29))
		b.turn(1)
		a := b.s.Advice()
		if a.Number == n || a.Deed != box.UnknownDeed || !slices.ContainsFunc(texts(a.Why), func(w string) bool { return strings.Contains(w, want) }) {
			t.Errorf("%v: %+v", c, texts(a.Why))
		}
		n = a.Number
		if reason, way := LoopCannot(&b.e.Loop); reason.Empty() || way.Empty() || !strings.Contains(a.Text.String(), way.String()[1:]) {
			t.Errorf("%v: no way out in %q", c, a.Text)
		}
	}
	b.e.Loop.Limits.Needed = 120
	b.e.Loop.Cannot = estimate.InjectorSmall
	if reason, _ := LoopCannot(&b.e.Loop); !strings.Contains(reason.String(), "planned with 2.00 L/min through the branch, and it bears 1.50 L/min") {
		t.Error(reason)
	}
}
