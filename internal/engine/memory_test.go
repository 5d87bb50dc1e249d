package engine_test

// What the box remembers is held against the plant, which keeps its own account
// of the stock in its lines from run to run; and no memory, however wrong, may
// bring a flush to an end sooner or keep an alarm away.

import (
	"encoding/json"
	"math"
	"slices"
	"testing"
	"time"

	"boxd/internal/box"
	"boxd/internal/engine"
	"boxd/internal/engine/enginetest"
	"boxd/internal/estimate"
	"boxd/internal/hydraulics"
	"boxd/internal/units"

	"pgregory.net/rapid"
)

// run lets Kim obey until f, at most for d.
func obeyUntil(t testing.TB, r *enginetest.Rig, d time.Duration, f func() bool) {
	t.Helper()
	for ; d > 0; d -= time.Second {
		if r.Turn(r.Obey("Kim")...); f() {
			return
		}
	}
	t.Fatalf("it did not come; step %s", r.Core.View().Step)
}

// closeUp closes the shutoff valve and ends the run.
func closeUp(r *enginetest.Rig) *engine.Summary {
	r.Plant.Do(box.MainClosed)
	r.Turn(box.Action{Kind: box.Report, Deed: box.MainClosed, By: "Kim"})
	r.Advance(time.Minute)
	r.Plant.Do(box.InjectorOff)
	r.Plant.Do(box.LoopOpened)
	r.Turn(box.Action{Kind: box.Report, Deed: box.RunEnd, By: "Kim"})
	for i := len(r.Said) - 1; i >= 0; i-- {
		if s := r.Said[i].Sum; s != nil {
			return s
		}
	}
	return nil
}

func off(got *float64, want, by float64) bool { return got == nil || math.Abs(*got-want) > by }

// TestContentsAgainstThePlant stops runs at four places of the flush, with and
// without a probe and a restart, and compares per cent of the dose left in the
// lines, and what moves out of them in the next run, with the plant's account.
// 3 % of the dose is what meter and probe may be off.
func TestContentsAgainstThePlant(t *testing.T) {
	zone := enginetest.Zone()
	for i, after := range []time.Duration{10 * time.Second, 100 * time.Second, 250 * time.Second, 420 * time.Second} {
		cfg := enginetest.Config(zone)
		cfg.Probe.Present = i%2 == 0
		r := enginetest.New(cfg, uint64(i), false)
		if !cfg.Probe.Present {
			r.Plant.Drop(box.EndEC)
		}
		w := enginetest.NewWatch(r)
		obeyUntil(t, r, 2000*time.Second, func() bool { return at(r.Said, "clean_at_box") > 0 })
		r.Advance(after)
		sum := closeUp(r)
		drawn, in := float64(r.Plant.Truth().Drawn), float64(r.Plant.InLines())
		left := sum.Left
		if left == nil || off(left.PctOfDose, 100*in/drawn, 3) {
			t.Fatalf("stopped %v after clean: %+v, the plant holds %.2f %% of its stock", after, left, 100*in/drawn)
		}
		if i >= 2 {
			r.Restart()
		}
		r.Advance(20 * time.Minute)
		obeyUntil(t, r, 600*time.Second, func() bool { return r.Core.View().Step == "inject" })
		for r.Core.View().Contents.Flushed == false {
			c := r.Core.View().Contents
			if done := 100 * (1 - float64(r.Plant.InLines())/in); off(c.DeliveredPct, done, 8) {
				t.Fatalf("stopped %v after clean: %v %% delivered since, by the plant %.1f %%", after, *c.DeliveredPct, done)
			}
			if r.Now > 40*time.Hour {
				t.Fatal("never flushed")
			}
			r.Advance(20 * time.Second)
		}
		if !r.Plant.ClearAt(100) {
			t.Errorf("stopped %v after clean: flushed, but the last emitter has %v", after, r.Plant.Truth().EndEC)
		}
		sum = closeUp(r)
		if sum.Flush != "done" || sum.Carried == nil || off(sum.Carried.DeliveredPct, 100, 0.5) || off(sum.Carried.LastPct, 100, 0.5) || sum.Left != nil {
			t.Errorf("stopped %v after clean: flush %s, found %+v, left %+v", after, sum.Flush, sum.Carried, sum.Left)
		}
		for _, f := range w.Found {
			t.Error(f)
		}
	}
}

// TestTwoEarlyStops: two doses one behind the other in the lines, and the next
// run's own behind them.
func TestTwoEarlyStops(t *testing.T) {
	r := enginetest.New(enginetest.Config(enginetest.Zone()), 3, false)
	w := enginetest.NewWatch(r)
	obeyUntil(t, r, 2000*time.Second, func() bool { return at(r.Said, "injection_started") > 0 })
	r.Advance(150 * time.Second)
	closeUp(r)
	first := float64(r.Plant.InLines() + r.Plant.Truth().Mixing)
	drawn := float64(r.Plant.Truth().Drawn)
	r.Restart()
	n := len(r.Said)
	obeyUntil(t, r, 2000*time.Second, func() bool { return at(r.Said[n:], "clean_at_box") > 0 })
	r.Advance(30 * time.Second)
	sum := closeUp(r)
	due := first + float64(r.Plant.Truth().Drawn) - drawn
	if want := 100 * float64(r.Plant.InLines()) / due; sum.Left == nil || off(sum.Left.PctOfDose, want, 4) {
		t.Errorf("left %+v, by the plant %.1f %%", sum.Left, want)
	}
	r.Restart()
	n = len(r.Said)
	obeyUntil(t, r, 4000*time.Second, func() bool { return at(r.Said[n:], "flush_done") > 0 })
	if sum = closeUp(r); sum.Carried == nil || !sum.Carried.Flushed || sum.Left != nil || sum.Flush != "done" {
		t.Errorf("flush %s, found %+v, left %+v", sum.Flush, sum.Carried, sum.Left)
	}
	for _, f := range w.Found {
		t.Error(f)
	}
}

// TestAnotherLayout: what stands in lines that have been laid anew is unknown,
// and nothing learned from the old ones counts.
func TestAnotherLayout(t *testing.T) {
	past := engine.Memory{Zone: "two-rows", Layout: [3]float64{1, 2, 3}, Contents: &estimate.Contents{Since: "old", Sure: true, Profile: []hydraulics.Knot{{At: 5}, {At: 1, Mass: 9}}}}
	for range 9 {
		past.Lessons = past.Lessons.With(estimate.SteadyFlow, 142)
	}
	cfg := enginetest.Config(enginetest.Zone())
	cfg.Past = past
	r := enginetest.New(cfg, 1, true)
	r.Turn()
	v := r.Core.View()
	if v.Contents == nil || v.Contents.Litres != nil || v.Contents.SinceRun != "old" || v.Learned[1].Value != nil {
		t.Errorf("%+v, %+v", v.Contents, v.Learned)
	}
	cfg.Past = engine.Memory{}.Lost("two-rows", "cut-off")
	r = enginetest.New(cfg, 1, true)
	r.Turn()
	if c := r.Core.View().Contents; c == nil || c.Litres != nil || c.SinceRun != "cut-off" {
		t.Errorf("after a run whose end nobody saw: %+v", c)
	}
	cfg.Past.Zone = "elsewhere"
	if r = enginetest.New(cfg, 1, true); r.Core.View().Contents != nil {
		t.Error("another zone's memory counts")
	}
}

// TestLearning lets eight sound runs teach; then a row leaks, less than the
// alarm's limit, and the filter begins loaded.
func TestLearning(t *testing.T) {
	if raced {
		t.Skip("too long under the race detector; one goroutine owns the core")
	}
	r := enginetest.New(enginetest.Config(enginetest.Zone()), 5, false)
	whole := func() *engine.Summary {
		n := len(r.Said)
		r.Plant.Drain()
		obeyUntil(t, r, 600*time.Second, func() bool { return at(r.Said[n:], "pressurised") > 0 })
		r.Advance(time.Minute)
		obeyUntil(t, r, 4000*time.Second, func() bool { return at(r.Said[n:], "flush_done") > 0 })
		s := closeUp(r)
		r.Restart()
		r.Advance(10 * time.Minute)
		return s
	}
	for range 8 {
		if s := whole(); slices.ContainsFunc(s.Learned, func(l engine.LearnedView) bool { return l.Departs }) {
			t.Errorf("a sound run departs: %+v", s.Learned)
		}
	}
	s := whole()
	truth := map[string]float64{ // by the plant's recipe
		"steady_flow_l_h":  float64(enginetest.Zone().ExpectedFlow(68.95)),
		"clean_filter_kpa": 12,
		"flush_volume_l":   float64(enginetest.Zone().FlushVolume()),
	}
	for _, l := range s.Learned {
		want, ok := truth[l.Name]
		if l.Value == nil || l.Runs < 8 || ok && math.Abs(*l.Value/want-1) > map[bool]float64{false: 0.05, true: 0.25}[l.Name == "clean_filter_kpa"] {
			t.Errorf("%s: %+v, want %.1f", l.Name, l, want)
		}
	}
	r.Plant.Burst(units.LPerH(0.08 * truth["steady_flow_l_h"]))
	r.Plant.SetFilter(1.8)
	s = whole()
	for _, l := range s.Learned {
		if want := l.Name == "steady_flow_l_h" || l.Name == "clean_filter_kpa"; want != l.Departs {
			t.Errorf("with a leak and a loaded filter: %+v", l)
		}
	}
	told := 0
	for _, e := range r.Said {
		if e.Kind == engine.NoteEvent && e.T > s.Milestones[0].T {
			told++
		}
	}
	if told < 2 || len(s.Notes) < 2 {
		t.Errorf("%d told as seen, summary: %v", told, s.Notes)
	}
}

// script is what a core without memory was told in a run in which something went
// wrong, and what it said.
type script struct {
	name   string
	inputs []engine.Input
	said   []engine.Event
}

func scripts(t *testing.T) []script {
	var out []script
	for _, c := range []struct {
		name  string
		probe bool
		upset func(r *enginetest.Rig)
	}{
		{"sound, with probe", true, func(*enginetest.Rig) {}},
		{"sound, no probe", false, func(*enginetest.Rig) {}},
		{"burst", true, func(r *enginetest.Rig) { r.Plant.Burst(40) }},
		{"loading filter", false, func(r *enginetest.Rig) { r.Plant.SetFilter(4) }},
		{"torn filter", false, func(r *enginetest.Rig) { r.Plant.SetFilter(0.2) }},
		{"weak supply", false, func(r *enginetest.Rig) { r.Plant.Sag(120) }},
	} {
		cfg := enginetest.Config(enginetest.Zone())
		cfg.Probe.Present = c.probe
		r := enginetest.New(cfg, 11, false)
		if !c.probe {
			r.Plant.Drop(box.EndEC)
		}
		s := script{name: c.name}
		r.Tap = func(in engine.Input, _ engine.Output) {
			for i := range in.Actions { // what was said without the number of an advice
				in.Actions[i].Kind, in.Actions[i].Advice = box.Report, 0
			}
			s.inputs = append(s.inputs, in)
		}
		for range 1700 {
			if at(r.Said, "injection_ended") > 0 {
				c.upset(r)
			}
			words := r.Obey("Kim")
			for i := range words {
				words[i].Deed, _ = box.DeedByWord(r.Core.View().Advice.Deed)
			}
			r.Turn(words...)
		}
		s.said = play(s.inputs, engine.Memory{})
		out = append(out, s)
	}
	return out
}

// play is what a core says to a script.
func play(inputs []engine.Input, past engine.Memory) []engine.Event {
	cfg := enginetest.Config(enginetest.Zone())
	cfg.Past = past
	g := engine.New(cfg)
	var said []engine.Event
	for _, in := range inputs {
		said = append(said, g.Step(in).Events...)
	}
	return said
}

// doneAt is when the flush of what this run injected was done, -1 when never.
func doneAt(said []engine.Event) float64 {
	ended := false
	for i := range said {
		ended = ended || said[i].Name == "injection_ended"
		if ended && said[i].Name == "flush_done" {
			return said[i].T
		}
	}
	return -1
}

func raised(said []engine.Event) map[string]float64 {
	out := map[string]float64{}
	for i := len(said) - 1; i >= 0; i-- {
		if e := &said[i]; e.Kind == engine.AlarmEvent && (e.State == "raised" || e.State == "latched") {
			out[e.ID] = e.T
		}
	}
	return out
}

// anyPast is any memory of this layout, sane or not.
func anyPast(draw *rapid.T, layout [3]float64) engine.Memory {
	m := engine.Memory{Zone: "two-rows", Layout: layout}
	for which := estimate.FillVolume; which < estimate.NumLessons; which++ {
		usual := rapid.SampledFrom([]float64{0.1, 5, 12, 20, 45, 142}).Draw(draw, "about")
		for _, x := range rapid.SliceOfN(rapid.Float64Range(-0.2, 2.5), 0, 12).Draw(draw, which.String()) {
			m.Lessons = m.Lessons.With(which, usual*x)
		}
	}
	if rapid.IntRange(0, 3).Draw(draw, "contents") == 0 {
		return m
	}
	c := &estimate.Contents{Since: "before", Sure: rapid.IntRange(0, 4).Draw(draw, "sure") > 0, Arrived: rapid.Bool().Draw(draw, "arrived"),
		BoxClean: rapid.Bool().Draw(draw, "box clean"), Tail: units.Litre(rapid.Float64Range(-10, 60).Draw(draw, "tail")), Dose: rapid.Float64Range(-10, 1e5).Draw(draw, "dose")}
	if rapid.Bool().Draw(draw, "water") {
		c.Water = &estimate.CleanWater{Box: units.USPerCm(rapid.Float64Range(0, 3000).Draw(draw, "box")), End: units.USPerCm(rapid.Float64Range(0, 3000).Draw(draw, "end")),
			EndSigma: units.USPerCm(rapid.Float64Range(-5, 1e4).Draw(draw, "sigma")), HasEnd: rapid.Bool().Draw(draw, "has end")}
	}
	where, mass := 44.0, 0.0
	for range rapid.IntRange(0, 6).Draw(draw, "knots") {
		c.Profile = append(c.Profile, hydraulics.Knot{At: units.Litre(where), Mass: mass})
		where -= rapid.Float64Range(-1, 15).Draw(draw, "step")
		mass += rapid.Float64Range(-5, 5000).Draw(draw, "mass")
	}
	m.Contents = c
	return m
}

// TestNoMemoryWeakens plays the same run to a core without memory and to one
// with any memory at all: the flush of what was injected is never done sooner,
// and no alarm comes later or stays away.
func TestNoMemoryWeakens(t *testing.T) {
	if raced {
		t.Skip("too long under the race detector; one goroutine owns the core")
	}
	all := scripts(t)
	var layout [3]float64
	{
		r := enginetest.New(enginetest.Config(enginetest.Zone()), 1, true)
		obeyUntil(t, r, time.Minute, func() bool { return r.Left != nil })
		layout = r.Left.Layout
	}
	if doneAt(all[0].said) < 0 || doneAt(all[1].said) < 0 || len(raised(all[2].said)) == 0 || len(raised(all[3].said)) == 0 {
		t.Fatal("the scripts try nothing")
	}
	rapid.Check(t, func(draw *rapid.T) {
		s := all[rapid.IntRange(0, len(all)-1).Draw(draw, "script")]
		past := anyPast(draw, layout)
		said := play(s.inputs, past)
		with, without := doneAt(said), doneAt(s.said)
		if with >= 0 && (without < 0 || with < without) {
			draw.Errorf("%s: the flush is done at %v, without memory at %v", s.name, with, without)
		}
		now := raised(said)
		for id, t0 := range raised(s.said) {
			if t1, ok := now[id]; !ok || t1 > t0 {
				draw.Errorf("%s: %s was raised at %v (%v), without memory at %v", s.name, id, t1, ok, t0)
			}
		}
		if rapid.IntRange(0, 9).Draw(draw, "again") > 0 {
			return
		}
		again, _ := json.Marshal(play(s.inputs, past))
		if first, _ := json.Marshal(said); string(first) != string(again) {
			draw.Error("the same inputs and memory gave other events")
		}
	})
}

// TestLatchedIsSaidAsItWas: what was seen before a power cut is shown to the letter, and
// what this box has no latching alarm for is left out.
func TestLatchedIsSaidAsItWas(t *testing.T) {
	const seen = "Supply pressure has fallen by 40 % with the lines full."
	cfg := enginetest.Config(enginetest.Zone())
	cfg.Past.Latched = []engine.Latched{{ID: "backflow-sign", Text: seen}, {ID: "ratio-off", Text: "x"}, {ID: "unheard-of", Text: "x"}}
	r := enginetest.New(cfg, 1, false)
	r.Advance(5 * time.Second)
	v := r.Core.View()
	if len(v.Alarms) != 1 || v.Alarms[0].ID != "backflow-sign" || v.Alarms[0].Text != seen {
		t.Errorf("%+v", v.Alarms)
	}
	if len(v.Holds) == 0 || v.Holds[0].Reason != seen {
		t.Errorf("holds %+v", v.Holds)
	}
}
