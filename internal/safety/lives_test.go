package safety

// How the box's alarms live together. The rules they are held against are those
// of the trade's rationalisation of alarms (ISA-18.2 and EEMUA 191, from memory)
// and the safety promises; the chains of cause are ours.

import (
	"slices"
	"strings"
	"testing"
	"time"

	"boxd/internal/alarm"
	"boxd/internal/box"
	"boxd/internal/estimate"
	"boxd/internal/units"
)

// TestCauses: every cause is an alarm of the box, at least as urgent as what
// follows from it; no chain bites its tail; backflow and frost follow from
// nothing.
func TestCauses(t *testing.T) {
	defs := map[string]alarm.Definition{}
	for _, d := range Definitions() {
		defs[d.ID] = d
	}
	for _, l := range lives() {
		if _, ok := defs[l.id]; !ok {
			t.Errorf("%s is no alarm of the box", l.id)
		}
	}
	if len(lives()) != len(defs) {
		t.Errorf("%d lives of %d alarms", len(lives()), len(defs))
	}
	var climb func(id string, path []string)
	climb = func(id string, path []string) {
		if slices.Contains(path, id) {
			t.Fatalf("%v leads back to %s", path, id)
		}
		for _, c := range defs[id].CausedBy {
			if p := defs[c].Priority; p == alarm.UnknownPriority || p > defs[id].Priority {
				t.Errorf("%s (%v) hides under %s (%v)", id, defs[id].Priority, c, p)
			}
			climb(c, append(path, id))
		}
	}
	for id, d := range defs {
		climb(id, nil)
		safe := strings.HasPrefix(id, "backflow") || id == "freeze-risk"
		if safe && len(d.CausedBy) > 0 {
			t.Errorf("%s can be hidden under %v", id, d.CausedBy)
		}
		if d.Silenceable && (d.Priority == alarm.Critical || d.Latches || strings.HasPrefix(id, "backflow") || id == "sensor-fault") {
			t.Errorf("%s can be silenced", id)
		}
	}
}

// TestNothingProtectiveIsSuppressed: by design only what may be silenced is.
func TestNothingProtectiveIsSuppressed(t *testing.T) {
	b := newBench()
	b.s.MainClosed = true
	b.wait(1)
	n := 0
	told := make([]alarm.Told, len(b.g.panel.Alarms()))
	judge{b.g}.Tell(told)
	for i, a := range b.g.panel.Alarms() {
		if told[i].Suppressed {
			n++
			if !a.Def.Silenceable {
				t.Errorf("%s is suppressed", a.Def.ID)
			}
		}
	}
	if n == 0 {
		t.Error("nothing is suppressed with the valve closed")
	}
}

// TestClosedValve: with the shutoff valve said closed, a seen alarm about the
// draining lines is silent, still followed, and comes back with the water.
func TestClosedValve(t *testing.T) {
	b := newBench()
	b.e.Header.V = 40
	b.wait(30)
	low := b.g.Find("header-pressure-low")
	if _, err := b.g.Panel().Acknowledge(b.t, low.Def.ID); err != nil {
		t.Fatal(err)
	}
	b.s.MainOpen, b.s.MainClosed = false, true
	b.wait(5)
	if low.State != alarm.Suppressed || !low.Standing() {
		t.Fatalf("%v, standing %v", low.State, low.Standing())
	}
	b.s.MainOpen, b.s.MainClosed = true, false
	if rose := b.wait(2); !slices.Equal(rose, []string{"header-pressure-low"}) {
		t.Errorf("opened again, raised %v", rose)
	}
}

// TestHoldBehindTheShelf: a shelf silences an alarm, never the hold.
func TestHoldBehindTheShelf(t *testing.T) {
	b := newBench()
	b.e.Header.V = 40
	b.wait(30)
	if _, err := b.g.Panel().Shelve(b.t, "header-pressure-low", alarm.Aside{By: "Kim", Reason: "r", Until: b.t + time.Hour}); err != nil {
		t.Fatal(err)
	}
	b.wait(5)
	if !slices.ContainsFunc(b.a.Holds, func(h Hold) bool { return h.ID == "header-pressure-low" }) {
		t.Errorf("advice to inject is free again: %v", b.a.Holds)
	}
}

// TestDeadbands: what has crossed its limit counts until it is back behind the
// deadband: pressure 2 % and flow 5 % of the operating range (ISA-18.2 and EEMUA
// 191, from memory), of 100 kPa and of the expected flow.
func TestDeadbands(t *testing.T) {
	for _, c := range []struct {
		id                   string
		cross, within, clear func(b *bench)
	}{
		{"supply-pressure-low", func(b *bench) { b.e.Supply.V = 69; b.e.FilterOut.V, b.e.Header.V = 69, 69 }, func(b *bench) { b.e.Supply.V = 71.9 }, func(b *bench) { b.e.Supply.V = 72 }},
		{"header-pressure-low", func(b *bench) { b.e.Header.V = 54 }, func(b *bench) { b.e.Header.V = 56.9 }, func(b *bench) { b.e.Header.V = 57 }},
		{"header-pressure-high", func(b *bench) { b.e.Header.V = 84 }, func(b *bench) { b.e.Header.V = 81.1 }, func(b *bench) { b.e.Header.V = 81 }},
		{"filter-clogging", func(b *bench) { b.e.FilterExcess.V = 21 }, func(b *bench) { b.e.FilterExcess.V = 18.7 }, func(b *bench) { b.e.FilterExcess.V = 18.6 }}, // 20.68 − 2
		{"flow-above-expected", func(b *bench) { b.e.FlowRatio.V = 1.13 }, func(b *bench) { b.e.FlowRatio.V = 1.071 }, func(b *bench) { b.e.FlowRatio.V = 1.069 }},
		{"flow-below-expected", func(b *bench) { b.e.FlowRatio.V = 0.87 }, func(b *bench) { b.e.FlowRatio.V = 0.929 }, func(b *bench) { b.e.FlowRatio.V = 0.931 }},
		{"ratio-off", func(b *bench) { b.e.BranchRatio = known[units.Ratio](0.0225) }, func(b *bench) { b.e.BranchRatio.V = 0.0217 }, func(b *bench) { b.e.BranchRatio.V = 0.0215 }},
		{"ec-above-limit", func(b *bench) { b.e.BoxEC.V = 2600 }, func(b *bench) { b.e.BoxEC.V = 2376 }, func(b *bench) { b.e.BoxEC.V = 2374 }},
	} {
		b := newBench()
		a := b.g.Find(c.id)
		c.cross(b)
		b.wait(200)
		c.within(b)
		if b.wait(200); a.State != alarm.Unacknowledged {
			t.Errorf("%s within its deadband is %v", c.id, a.State)
		}
		c.clear(b)
		if b.wait(200); a.State != alarm.ReturnedUnack {
			t.Errorf("%s behind its deadband is %v", c.id, a.State)
		}
	}
}

// TestBurstOfAlarms: a closed supply brings five conditions about; one is told.
func TestBurstOfAlarms(t *testing.T) {
	b := newBench()
	b.s.InjectorOn, b.e.Drawing = true, estimate.Yes
	b.wait(10)
	b.e.Supply.V, b.e.FilterOut.V, b.e.Header.V, b.e.FlowRatio.V, b.e.Branch.V = 40, 40, 20, 0.5, 20
	b.e.Drawing = estimate.No
	announced := 0
	for range 200 {
		b.wait(1)
		for i := range b.a.Changes {
			if c := &b.a.Changes[i]; c.Raises() && c.Cause == "" {
				announced++
			}
		}
	}
	standing := 0
	for _, a := range b.g.Panel().Alarms() {
		if a.State.Stands() {
			standing++
		}
	}
	if announced != 1 || standing < 5 {
		t.Errorf("%d announced of %d standing", announced, standing)
	}
}

// TestAround: archive, link and clock are judged only where somebody looked.
func TestAround(t *testing.T) {
	b := newBench()
	b.wait(200)
	for _, id := range []string{"archive-failing", "link-down", "clock-jump"} {
		if b.g.Find(id).State != alarm.Normal {
			t.Errorf("%s is raised by nobody's word", id)
		}
	}
	*b.g.Around() = Around{Archive: box.Surrounding{Health: box.Failing, Why: "no space"}, Link: box.Surrounding{Health: box.Failing, Why: "refused"},
		ClockKnown: true, ClockStep: -ClockJump - time.Second}
	if rose := b.wait(1); !slices.Equal(rose, []string{"archive-failing", "clock-jump"}) {
		t.Errorf("raised %v", rose)
	}
	if rose := b.wait(121); !slices.Equal(rose, []string{"link-down"}) {
		t.Errorf("raised %v", rose)
	}
	if text := b.g.Find("clock-jump").Text.String(); text != "The clock was set back by 2 min 01 s." {
		t.Errorf("%q", text)
	}
	const m = time.Minute
	for want, x := range map[string][2]time.Duration{
		"The clock was set ahead by 3 min 00 s.":                                                            {3 * m, 0},
		"The box was off, or its clock was set: by the clock 2 min 00 s passed, 10 min 00 s are counted.":   {-8 * m, 10 * m}, // off for two minutes
		"The box was off, or its clock was set: by the clock 720 h 00 min passed, 10 min 00 s are counted.": {30*24*time.Hour - 10*m, 10 * m},
		"While nobody looked, the clock was set back by at least 3 h 00 min.":                               {-3*time.Hour - 10*m, 10 * m},
	} {
		if got := clockText(x[0], x[1]).String(); got != want {
			t.Errorf("%v: %q, want %q", x, got, want)
		}
	}
}
