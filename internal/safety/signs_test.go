package safety

// Signs of backflow against doubts of the gauges: the sign must win.

import (
	"slices"
	"testing"

	"boxd/internal/box"
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
