package safety

// A flow that is off is told by how it came to be so: at once, little by little,
// or since the start. The bounds are common practice, no source.

import (
	"strings"
	"testing"

	"boxd/internal/units"
)

func TestFlowKinds(t *testing.T) {
	for _, c := range []struct {
		name  string
		ratio func(s int) float64
		kind  FlowKind
		part  string
	}{
		{"burst", func(s int) float64 { return 1.02 + 0.3*float64(min(s/600, 1)) }, FlowSudden, "has burst or come open"},
		{"burst within half a minute", func(s int) float64 { return 1 + 0.01*float64(min(max(s-600, 0), 30)) }, FlowSudden, "within a minute"},
		{"leak that grows", func(s int) float64 { return 1 + 0.0002*float64(s) }, FlowCreeping, "a leak that grows"},
		{"open end from the start", func(int) float64 { return 1.25 }, FlowFromStart, "open row end"},
		{"kinked row", func(s int) float64 { return 1 - 0.2*float64(min(s/600, 1)) }, FlowSudden, "shut or kinked"},
		{"clogging", func(s int) float64 { return 1.01 - 0.0002*float64(s) }, FlowCreeping, "emitters are clogging"},
		{"shut from the start", func(int) float64 { return 0.8 }, FlowFromStart, "still shut"},
		{"low, and then a burst", func(s int) float64 { return 0.95 + 0.4*float64(min(s/600, 1)) }, FlowSudden, "has burst"},
	} {
		b := newBench()
		id := ""
		for s := 0; s < 1200 && id == ""; s++ {
			b.e.FlowRatio.V = units.Ratio(c.ratio(s))
			b.e.Main.V = b.e.Expected.V.Scale(b.e.FlowRatio.V)
			if rose := b.wait(1); len(rose) > 0 {
				id = rose[0]
			}
		}
		if id == "" {
			t.Errorf("%s: nothing raised", c.name)
			continue
		}
		a := b.g.Find(id)
		if k := b.g.kind; k != c.kind || !strings.Contains(a.Text.String(), c.part) {
			t.Errorf("%s: %v, %s", c.name, k, a.Text)
		}
	}
}
