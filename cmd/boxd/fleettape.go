package main

import (
	"context"
	"math/rand/v2"
	"time"

	"boxd/config"
	"boxd/internal/box"
	"boxd/internal/engine"
	"boxd/internal/simbox"
)

// Of a tape.
const (
	tapeEvery   = 4                // box seconds from one frame to the next: a run of an hour plays in a quarter
	tapeLongest = 2 * time.Hour    // no run is longer
	troubleAt   = 20 * time.Minute // in box time: stock is on its way by then
	troubleFor  = 6 * time.Minute  // where it goes again
	seenAfter   = 45 * time.Second // a new alarm is acknowledged
)

// frame is what a core showed at a moment, and what happened since the one before.
type frame struct {
	view   *engine.View
	events []engine.Event
}

// tape is a simulated run, a frame every few seconds.
type tape []frame

// trouble makes something go wrong in a run, and some of it go again.
type trouble func(p *simbox.Plant, mono time.Duration)

func burst(p *simbox.Plant, mono time.Duration) {
	if mono == troubleAt {
		p.Burst(250)
	}
}

func dirtThenCreep(p *simbox.Plant, mono time.Duration) {
	switch mono {
	case troubleAt:
		p.SetFilter(12)
	case troubleAt + troubleFor:
		p.SetFilter(1)
	case troubleAt + 2*troubleFor:
		p.Creep(20)
	case troubleAt + 3*troubleFor:
		p.Creep(0)
	}
}

// recordTapes plays runs of one zone, the same for the same seed: the first is a
// whole one; in the others something goes wrong.
func recordTapes(seed uint64) ([]tape, error) {
	cfg, err := config.Parse("the simulated fleet's configuration", config.Default())
	if err != nil {
		return nil, err
	}
	troubles := []trouble{func(*simbox.Plant, time.Duration) {}, burst, dirtThenCreep}
	chance := rand.New(rand.NewPCG(seed, 0))
	out := make([]tape, len(troubles))
	for i, t := range troubles {
		core, err := cfg.Engine("")
		if err != nil {
			return nil, err
		}
		day := time.Unix(0, chance.Int64N(1<<60)) // the plant's noise comes of it
		core.Backflow.LastTest, core.Backflow.NextDue = day.AddDate(0, -2, 0), day.AddDate(0, 10, 0)
		out[i] = playRun(core, t, day)
	}
	return out, nil
}

func playRun(core engine.Config, t trouble, day time.Time) (out tape) {
	sim, eng := newSimulation(core, day), engine.New(core)
	var who autoPerson
	var turns loopHand
	var happened []engine.Event
	var v engine.View
	seen := 0.0
	for mono := time.Duration(0); mono < tapeLongest; mono += time.Second {
		t(sim.plant, mono)
		samples, _ := sim.Samples(context.Background(), mono, nil) // a simulated plant has no errors
		in := engine.Input{Mono: mono, Wall: day, Samples: samples, Actions: append(who.act(mono), acknowledge(&v, &seen)...)}
		for _, e := range eng.Step(in).Events {
			if e.Kind == engine.ActionEvent {
				deed, _ := box.DeedByWord(e.Deed) // one it does not know moves nothing
				sim.do(deed)
			}
			happened = append(happened, e)
		}
		v = eng.View()
		if by, over := turns.look(&v.Loop, mono); by != 0 {
			sim.turn(by, over, false)
		}
		if !throttling(&v) {
			who.see(v, mono)
		}
		over := len(v.Past) > 0 && v.Run == ""
		if over || int(mono/time.Second)%tapeEvery == 0 {
			shown := v
			out, happened = append(out, frame{&shown, happened}), nil
		}
		if over {
			break
		}
	}
	return out
}

// acknowledge is a person who sees each alarm a while after it is raised; until is
// when he looked last, in box seconds.
func acknowledge(v *engine.View, until *float64) (out []box.Action) {
	for _, a := range v.Alarms {
		if !a.Acked && v.T-a.SinceT >= seenAfter.Seconds() && v.T-*until >= 1 {
			out = append(out, box.Action{Kind: box.Acknowledge, Alarm: a.ID, By: "auto"})
		}
	}
	if len(out) > 0 {
		*until = v.T
	}
	return out
}
