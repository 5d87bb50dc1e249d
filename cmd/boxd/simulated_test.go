package main

import (
	"fmt"
	"testing"
	"time"

	"boxd/config"
	"boxd/internal/box"
	"boxd/internal/engine"
	"boxd/internal/simbox"
)

// Whole runs on the simulated plant, whose truth is not the estimator's: flush
// done is never said before the water at the last emitter is within 5 % of the
// rise, nor later than 8 % of the flush's length (12 % by volume alone), and a
// run without a fault raises no alarm, while a hand turns the loop valve as it is
// told until that is enough. Chance comes from the seed alone.
func TestSimulatedRuns(t *testing.T) {
	const seeds = 8
	for _, zone := range []string{"a-clean-1", "e-drift-1"} {
		cfg, err := config.Load("testdata/traces/" + zone + ".yaml")
		if err != nil {
			t.Fatal(err)
		}
		core, err := cfg.Engine("")
		if err != nil {
			t.Fatal(err)
		}
		for seed := range uint64(seeds) {
			for probe, most := range map[bool]float64{true: 0.08, false: 0.12} {
				t.Run(fmt.Sprintf("%s/seed %d/probe %v", zone, seed, probe), func(t *testing.T) {
					r := simulate(t, core, seed, probe)
					late := r.done - r.clear
					if !r.enough {
						t.Error("the loop valve was never throttled enough")
					}
					if r.done == 0 || late < 0 || late > most*(r.clear-r.ended) {
						t.Errorf("flush done at %g s, clean at the last emitter at %g s, injection ended at %g s", r.done, r.clear, r.ended)
					}
				})
			}
		}
	}
}

type simulated struct {
	ended, done, clear float64 // s; clear is the truth's
	enough             bool    // it was said of the loop valve
}

func simulate(t *testing.T, core engine.Config, seed uint64, probe bool) simulated {
	m := core.Zone
	p := simbox.New(simbox.Spec{Paths: paths(m), LineVolume: m.LineVolume(), Flow: m.ExpectedFlow, Inlet: m.Zone().Inlet,
		Water: m.Zone().Water, Injector: simulatedInjector(core)}, seed)
	if !probe {
		p.Drop(box.EndEC)
	}
	g := engine.New(core)
	var who autoPerson
	var turns loopHand
	var samples []box.Sample
	var out simulated
	base := float64(p.Truth().EndEC)
	rise := 0.0
	for s := 0; s < 7200 && (out.done == 0 || out.clear == 0); s++ {
		p.Step(time.Second)
		samples = p.Samples(samples[:0])
		now := time.Duration(s) * time.Second
		for _, e := range g.Step(engine.Input{Mono: now, Samples: samples, Actions: who.act(now)}).Events {
			switch {
			case e.Kind == engine.MilestoneEvent && e.Name == "injection_ended":
				out.ended = e.T
			case e.Kind == engine.MilestoneEvent && e.Name == "flush_done":
				out.done = e.T
			case e.Kind == engine.AlarmEvent:
				t.Errorf("alarm at %g s: %s %s", e.T, e.ID, e.Text)
			case e.Kind == engine.ActionEvent:
				if d, _ := box.DeedByWord(e.Deed); d != box.LoopThrottled { // the advice is followed
					p.Do(d)
				}
			}
		}
		v := g.View()
		out.enough = out.enough || v.Loop.Enough
		if by, over := turns.look(&v.Loop, now); by != 0 {
			p.Turn(p.LoopPlace()-by, over)
		}
		if !throttling(&v) {
			who.see(v, now)
		}
		over := float64(p.Truth().EndEC) - base
		rise = max(rise, over)
		switch {
		case out.ended == 0 || over > 0.05*rise || rise < 50:
			out.clear = 0
		case out.clear == 0:
			out.clear = float64(s)
		}
	}
	return out
}
