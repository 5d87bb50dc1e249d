package safety

// Holds are lifted by nobody, or by a named person for a reason and a run.

import (
	"slices"
	"strings"
	"testing"

	"boxd/internal/box"
	"boxd/internal/estimate"
	"boxd/internal/units"
)

func (b *bench) held(id string) bool {
	return slices.ContainsFunc(b.a.Holds, func(h Hold) bool { return h.ID == id })
}

// blind is a box with its flow meter silent in a run.
func blind(overridable ...string) *bench {
	b := newBench()
	b.g.limits.Overridable = overridable
	b.s.Running = true
	b.r.Main = box.Reading[units.LPerH]{Quality: box.Bad}
	b.wait(1)
	return b
}

func TestOverride(t *testing.T) {
	for name, c := range map[string]struct {
		id, by, why string
		config      []string
		running     bool
		refused     string // in the refusal; empty: taken
	}{
		"taken":         {"flow-unknown", "Kim", "bucket and watch", []string{"flow-unknown"}, true, ""},
		"not named":     {"flow-unknown", "Kim", "bucket", nil, true, "holds: overridable"},
		"nobody":        {"flow-unknown", "", "bucket", []string{"flow-unknown"}, true, "your name"},
		"no reason":     {"flow-unknown", "Kim", "", []string{"flow-unknown"}, true, "write down why"},
		"not standing":  {"header-pressure-low", "Kim", "x", []string{"header-pressure-low"}, true, "no hold"},
		"no such":       {"moon", "Kim", "x", nil, true, "no hold"},
		"no run":        {"flow-unknown", "Kim", "bucket", []string{"flow-unknown"}, false, "start the run first"},
		"backflow sign": {"backflow-sign", "Kim", "x", []string{"backflow-sign"}, true, "never overridden"},
		"papers":        {"backflow-protection-missing", "Kim", "x", []string{"backflow-protection-missing"}, true, "never overridden"},
		"blind gauge":   {"supply-unknown", "Kim", "x", []string{"supply-unknown"}, true, "never overridden"},
	} {
		b := blind(c.config...)
		b.g.papers = papersOf(Backflow{})
		b.wait(1)
		o, err := b.g.Override(b.t, c.id, c.by, c.why, c.running)
		if (err == nil) != (c.refused == "") || err != nil && !strings.Contains(err.Error(), c.refused) {
			t.Errorf("%s: %v, want %q", name, err, c.refused)
		}
		b.wait(1)
		if taken := err == nil; b.held("flow-unknown") == taken {
			t.Errorf("%s: held %v", name, b.a.Holds)
		} else if taken && (o.By != c.by || o.Why != c.why || o.Hold.ID != c.id || len(b.g.Overrides()) != 1) {
			t.Errorf("%s: %+v", name, o)
		}
		if !b.held("backflow-protection-missing") {
			t.Errorf("%s: the papers no longer hold", name)
		}
	}
}

// TestOverrideEndsWithTheRun: the next run is held as if nobody had spoken.
func TestOverrideEndsWithTheRun(t *testing.T) {
	b := blind("flow-unknown")
	if _, err := b.g.Override(b.t, "flow-unknown", "Kim", "bucket", true); err != nil {
		t.Fatal(err)
	}
	b.wait(3)
	if b.held("flow-unknown") {
		t.Fatal("still held")
	}
	b.s.Running = false
	b.wait(1)
	b.s.Running = true
	b.wait(1)
	if !b.held("flow-unknown") || len(b.g.Overrides()) != 0 {
		t.Errorf("held %v, overrides %v", b.a.Holds, b.g.Overrides())
	}
}

// TestNoBackflowHoldIsOverridable, whatever a rule is called: every hold whose
// name speaks of backflow, and the gauge that would show its sign.
func TestNoBackflowHoldIsOverridable(t *testing.T) {
	for _, id := range OverridableHolds() {
		if strings.Contains(id, "backflow") || id == "supply-unknown" {
			t.Errorf("%s could be overridden", id)
		}
	}
	if f := FixedHolds(); len(f) != 3 {
		t.Errorf("fixed holds %v", f)
	}
}

// TestHoldOnOpening: a sign of backflow and ice hold the shutoff valve shut too.
func TestHoldOnOpening(t *testing.T) {
	b := newBench()
	b.e.Freeze.Ice = true
	b.e.Flowing = estimate.No
	b.wait(1)
	if i := slices.IndexFunc(b.a.Holds, func(h Hold) bool { return h.ID == "ice" }); i < 0 || b.a.Holds[i].On != "pressurise" {
		t.Errorf("holds %v", b.a.Holds)
	}
	b = newBench()
	b.e.Supply.V = 0
	b.wait(10)
	on := []string{}
	for _, h := range b.a.Holds {
		if h.ID == "backflow-sign" {
			on = append(on, h.On)
		}
	}
	if !slices.Equal(on, []string{"inject", "pressurise"}) {
		t.Errorf("a sign of backflow holds %v", on)
	}
}
