package safety

// Signs of backflow, against doubts of the gauges too: the sign must win.

import (
	"slices"
	"strings"
	"testing"

	"boxd/internal/alarm"
	"boxd/internal/box"
	"boxd/internal/estimate"
	"boxd/internal/say"
	"boxd/internal/units"
)

// TestDoubtedGaugesSign: two gauges that contradict each other, the line above
// the supply while water flows, are doubted, named, and still a sign.
func TestDoubtedGaugesSign(t *testing.T) {
	b := newBench()
	b.e.Supply.V = 200 // filter out stands at 270
	doubt := box.Reading[units.KPa]{Value: 200, Quality: box.Uncertain, Cause: box.OutOfSpecification, Why: say.T("one of the two is off")}
	b.r.Supply, b.r.FilterOut = doubt, doubt
	b.r.Contradicting = box.Channels(0).With(box.SupplyPressure).With(box.FilterOutPressure)
	rose := b.wait(10)
	if !slices.Contains(rose, "backflow-sign") || !slices.Contains(rose, "sensor-fault") {
		t.Errorf("raised %v", rose)
	}
	if want := "PT-101 supply pressure (one of the two is off); PT-102 pressure after the filter (one of the two is off)"; b.g.FaultText().String() != want {
		t.Errorf("%q", b.g.FaultText())
	}
	// A late gauge shows what was: no sign from it.
	b = newBench()
	b.e.Supply.V = 200
	b.r.Supply = box.Reading[units.KPa]{Value: 200, Quality: box.Uncertain, Cause: box.CheckFunction, Why: say.T("late")}
	if rose := b.wait(10); slices.Contains(rose, "backflow-sign") {
		t.Errorf("raised %v from a late gauge", rose)
	}
}

// idle is a bench whose water has stopped by itself, long enough for EC to have
// settled.
func idle() *bench {
	b := newBench()
	b.wait(5)
	b.e.Flowing, b.e.Baseline, b.e.Supply.V = estimate.No, known[units.USPerCm](420), 60
	b.e.Header.V, b.e.FilterOut.V = 60, 60
	b.wait(20)
	return b
}

// TestSigns: each sign just inside and just outside its limit, latched, with
// what was seen.
func TestSigns(t *testing.T) {
	for _, c := range []struct {
		name    string
		inside  func(b *bench)
		outside func(b *bench)
		part    string
	}{
		{"line above supply", func(b *bench) { b.e.FilterOut.V = 297 }, func(b *bench) { b.e.FilterOut.V = 297.1 }, "Line pressure 297"},
		{"header above supply", func(b *bench) { b.e.Header.V = 297; b.e.FilterOut.Known = false }, func(b *bench) { b.e.Header.V = 298 }, "Line pressure 298"},
		{"supply collapses with its line", func(b *bench) { b.e.Supply.V, b.e.FilterOut.V, b.e.Header.V = 15, 10, 10 }, func(b *bench) { b.e.Supply.V = 14.9 }, "lines full"},
	} {
		b := newBench()
		c.inside(b)
		if rose := b.wait(60); slices.Contains(rose, "backflow-sign") {
			t.Errorf("%s: raised inside its limit", c.name)
		}
		c.outside(b)
		if rose := b.wait(5); slices.Contains(rose, "backflow-sign") {
			t.Errorf("%s: raised before 5 s", c.name)
		}
		if rose := b.wait(1); !slices.Contains(rose, "backflow-sign") {
			t.Errorf("%s: not raised", c.name)
		}
		if text := b.g.Find("backflow-sign").Text.String(); !strings.Contains(text, c.part) {
			t.Errorf("%s: %q", c.name, text)
		}
		c.inside(b)
		b.wait(30)
		if s := b.g.Find("backflow-sign").State; s != alarm.LatchedUnacknowledged {
			t.Errorf("%s: over, it is %v", c.name, s)
		}
	}
}

// TestCollapseNeedsFullLines: a supply that is gone before the lines are full, or
// with the shutoff valve closed, sends nothing back.
func TestCollapseNeedsFullLines(t *testing.T) {
	for name, change := range map[string]func(b *bench){
		"lines not full": func(b *bench) { b.e.Filled = estimate.No },
		"valve closed":   func(b *bench) { b.s = Scene{MainClosed: true, Running: true} },
	} {
		b := newBench()
		b.e.Supply.V, b.e.FilterOut.V, b.e.Header.V = 0, 0, 0
		change(b)
		if rose := b.wait(30); slices.Contains(rose, "backflow-sign") {
			t.Errorf("%s: raised %v", name, rose)
		}
	}
}

// TestECRises: EC that rises while nothing flows forward and the supply is weak
// is a sign; a probe that settles, a rise with water running or a supply that is
// strong are none.
func TestECRises(t *testing.T) {
	raised := func(b *bench, ec units.USPerCm) bool {
		b.e.BoxEC.V = ec
		return slices.Contains(b.wait(10), "backflow-sign")
	}
	if b := idle(); raised(b, 570) || !raised(b, 571) {
		t.Error("150 µS/cm over what it stood at is the limit")
	} else if text := b.g.Find("backflow-sign").Text.String(); !strings.Contains(text, "EC at the box has risen to 0.57") {
		t.Errorf("%q", text)
	}
	b := idle()
	if b.e.Baseline.Sigma = 40; raised(b, 610) || !raised(b, 621) {
		t.Error("five standard deviations of clean water are the limit where that is more")
	}
	for name, change := range map[string]func(b *bench){
		"water runs":       func(b *bench) { b.e.Flowing = estimate.Yes },
		"strong supply":    func(b *bench) { b.e.Supply.V = 290 },
		"valve closed":     func(b *bench) { b.s = Scene{MainClosed: true, Running: true} },
		"baseline unknown": func(b *bench) { b.e.Baseline.Known = false },
	} {
		b := idle()
		if change(b); raised(b, 2000) {
			t.Errorf("%s: raised", name)
		}
	}
	// Stopped in mid-injection: the probe lags behind the water and comes up.
	b = newBench()
	b.wait(5)
	b.e.Flowing, b.e.Baseline, b.e.Supply.V, b.e.Header.V, b.e.FilterOut.V = estimate.No, known[units.USPerCm](420), 60, 60, 60
	for ec := units.USPerCm(420); ec < 1400; ec += 100 {
		b.e.BoxEC.V = ec
		if rose := b.wait(1); slices.Contains(rose, "backflow-sign") {
			t.Fatalf("raised at %v", ec)
		}
	}
	// The supply can't be read: what is left of the signs is judged.
	b = idle()
	if b.e.Supply.Known = false; !raised(b, 2000) {
		t.Error("not raised without a supply gauge")
	}
}

// TestLimitsRule: what signs are judged by comes from the limits.
func TestLimitsRule(t *testing.T) {
	l := DefaultLimits()
	l.BackflowMargin, l.SupplyCollapse, l.BackflowEC = 20, 40, 500
	b := newBench()
	b.g = New(l, papers())
	if b.e.FilterOut.V = 305; slices.Contains(b.wait(10), "backflow-sign") {
		t.Error("backflow_margin counts for nothing")
	}
	if b.e.Supply.V, b.e.FilterOut.V, b.e.Header.V = 39, 39, 39; !slices.Contains(b.wait(10), "backflow-sign") {
		t.Error("supply_collapse counts for nothing")
	}
	b = idle()
	b.g = New(l, papers())
	b.wait(20)
	if b.e.BoxEC.V = 900; slices.Contains(b.wait(10), "backflow-sign") {
		t.Error("backflow_ec counts for nothing")
	}
}

// TestDeviceClass: a public supply demands the class that the configuration
// names; which that is local code decides, and the hold says so.
func TestDeviceClass(t *testing.T) {
	for _, c := range []struct {
		supply           SupplyKind
		device, required string
		part             string // of the hold's reason; empty: none
	}{
		{UnknownSupply, "check-valve", "", ""},
		{PrivateSupply, "check-valve", "reduced-pressure-zone", ""},
		{PublicSupply, "reduced-pressure-zone", "reduced-pressure-zone", ""},
		{PublicSupply, "Reduced-Pressure-Zone ", "reduced-pressure-zone", ""},
		{PublicSupply, "double-check", "reduced-pressure-zone", "of the class reduced-pressure-zone, and double-check is declared"},
		{PublicSupply, "reduced-pressure-zone", "", "ask the water supplier"},
	} {
		p := papers()
		p.Supply, p.Device, p.Required = c.supply, c.device, c.required
		b := newBench()
		b.g = New(DefaultLimits(), p)
		rose := b.wait(1)
		held := slices.IndexFunc(b.a.Holds, func(h Hold) bool { return h.ID == "backflow-protection-missing" })
		if (held >= 0) != (c.part != "") || slices.Contains(rose, "backflow-protection-missing") != (c.part != "") {
			t.Errorf("%+v: held %v, raised %v", c, b.a.Holds, rose)
		} else if held >= 0 {
			if r := b.a.Holds[held].Reason.String(); !strings.Contains(r, c.part) || !strings.Contains(r, "local code decides") {
				t.Errorf("%+v: %s", c, r)
			}
		}
	}
}

// TestGaugeComesBack: smoothed, a gauge that was not heard tells of what was until some
// seconds after it is heard again. A pump that came on meanwhile is no sign of backflow; a
// real one is told all the same, so much later.
func TestGaugeComesBack(t *testing.T) {
	for _, real := range []bool{false, true} {
		b := newBench()
		b.wait(10)
		b.r.Supply.Quality, b.r.Supply.Cause = box.Uncertain, box.CheckFunction
		b.e.FilterOut.V = 2 * b.e.Supply.V
		rose := b.wait(20)
		b.r.Supply.Quality, b.r.Supply.Cause = box.Good, box.NoCause
		rose = append(rose, b.wait(7)...)
		if slices.Contains(rose, "backflow-sign") {
			t.Errorf("raised by what the supply was: %v", rose)
		}
		if !real {
			b.e.Supply.V = b.e.FilterOut.V + 5
		}
		if rose := b.wait(6); slices.Contains(rose, "backflow-sign") != real {
			t.Errorf("a real sign %v: raised %v", real, rose)
		}
	}
}

// TestFlowJudgedOfNow: with the header's gauge not heard while the pressure rises, what the
// emitters explain is of before: no flow is too high by that.
func TestFlowJudgedOfNow(t *testing.T) {
	b := newBench()
	b.wait(60)
	b.r.Header.Quality, b.r.Header.Cause = box.Uncertain, box.CheckFunction
	b.e.FlowRatio.V = 1.3
	rose := b.wait(120)
	b.r.Header.Quality, b.r.Header.Cause, b.e.FlowRatio.V = box.Good, box.NoCause, 1
	if rose = append(rose, b.wait(60)...); len(rose) > 0 {
		t.Errorf("raised %v", rose)
	}
	b.e.FlowRatio.V = 1.3
	if rose := b.wait(60); !slices.Contains(rose, "flow-above-expected") {
		t.Errorf("a flow that is too high: raised %v", rose)
	}
}
