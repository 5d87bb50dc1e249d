package engine_test

import (
	"encoding/json"
	"testing"
	"time"

	"boxd/internal/box"
	"boxd/internal/engine"
	"boxd/internal/engine/enginetest"
)

// TestEstimatesShown: every estimate has its name once, a number with an error or
// null, an age and a quality; what stands on a silent sensor grows old, turns
// uncertain and then unknown.
func TestEstimatesShown(t *testing.T) {
	rig := enginetest.New(enginetest.Config(enginetest.Zone()), 1, false)
	for at(rig.Said, "injection_started") < 0 {
		rig.Turn(rig.Obey("Kim")...)
	}
	rig.Advance(2 * time.Minute)
	before := estimates(t, rig)
	for name, e := range before {
		if e.Word == "" && (e.Value == nil) != (e.Quality == "bad") || (e.Value == nil) != (e.Sigma == nil) || e.Value != nil && *e.Sigma < 0 {
			t.Errorf("%s: %+v", name, e)
		}
	}
	for name, word := range map[string]string{"water": "running", "supply_state": "steady", "at_pressure": "yes", "drawing": "yes", "clean_at_line_end": "no"} {
		if before[name].Word != word {
			t.Errorf("%s: %+v, want %s", name, before[name], word)
		}
	}
	rig.Plant.Drop(box.HeaderPressure)
	rig.Advance(6 * time.Second)
	if e := estimates(t, rig)["expected_flow_lpm"]; e.Value == nil || e.Quality != "uncertain" || e.AgeS < 5 {
		t.Errorf("six seconds after the header fell silent: %+v", e)
	}
	rig.Advance(time.Minute)
	after := estimates(t, rig)
	for _, name := range []string{"header_kpa", "expected_flow_lpm", "flow_ratio_pct"} {
		if e := after[name]; e.Value != nil || e.Quality != "bad" {
			t.Errorf("a minute after: %s %+v", name, e)
		}
	}
	if e := after["at_pressure"]; e.Word != "yes" || e.AgeS < 60 || e.Quality != "uncertain" || e.SinceT == nil || *e.SinceT != *before["at_pressure"].SinceT {
		t.Errorf("at pressure stays said and grows old: %+v", e)
	}
}

// estimates are those of the view as they come over the wire.
func estimates(t *testing.T, rig *enginetest.Rig) map[string]engine.EstimateView {
	t.Helper()
	b, err := json.Marshal(rig.Core.View())
	check(t, err)
	var v engine.View
	check(t, json.Unmarshal(b, &v))
	out := map[string]engine.EstimateView{}
	for _, e := range v.Estimates {
		if _, twice := out[e.Name]; twice {
			t.Errorf("%s is there twice", e.Name)
		}
		out[e.Name] = e
	}
	if len(out) < 25 {
		t.Errorf("only %d estimates", len(out))
	}
	return out
}
