package engine_test

// Runs in which a person does what is asked and things come between: what was
// injected while nobody looked, or stands still meanwhile, is never called
// flushed too early. Every run has its seed.

import (
	"flag"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"boxd/internal/box"
	"boxd/internal/engine"
	"boxd/internal/engine/enginetest"
)

var interrupted = flag.Int("interrupted", 16, "runs with interruptions")

// between is one run with what comes between.
type between struct {
	rig   *enginetest.Rig
	watch *enginetest.Watch
	rnd   *rand.Rand
}

func (b between) some(least, most int) time.Duration {
	return time.Duration(least+b.rnd.IntN(most-least)) * time.Second
}

func (b between) say(deeds ...box.Deed) {
	for _, d := range deeds {
		b.rig.Plant.Do(d)
		b.rig.Turn(box.Action{Kind: box.Report, Deed: d, By: "Lee"})
	}
}

func (b between) hand(deeds ...box.Deed) {
	for _, d := range deeds {
		b.rig.Plant.Do(d)
	}
}

// comes is one interruption.
func (b between) comes() string {
	r := b.rig
	switch b.rnd.IntN(7) {
	case 0:
		gap := b.some(5, 900)
		r.Away(gap)
		b.watch.Restarted()
		return "boxd away for " + gap.String()
	case 1:
		in, out := b.some(30, 400), b.some(40, 400)
		r.Away(in, box.MainOpen, box.InjectorOn, box.LoopThrottled)
		r.Away(out, box.LoopOpened, box.InjectorOff)
		b.watch.Restarted()
		return "boxd away while somebody injects for " + in.String()
	case 2:
		still := b.some(5, 300)
		b.hand(box.MainClosed)
		r.Advance(still)
		b.hand(box.MainOpen)
		return "valve closed unsaid for " + still.String()
	case 3:
		gone := b.some(5, 120)
		r.Plant.Sag(3)
		r.Advance(gone)
		r.Plant.Recover()
		return "supply gone for " + gone.String()
	case 4:
		b.say(box.StockOut)
		r.Advance(b.some(5, 120))
		b.say(box.StockIn)
		return "stock tank changed"
	case 5:
		b.say(box.MainClosed)
		r.Advance(15 * time.Second)
		b.say(box.FilterCleaned)
		r.Advance(b.some(5, 300))
		b.say(box.MainOpen)
		return "filter cleaned"
	}
	r.Mute = true
	blind := b.some(5, 300)
	r.Advance(blind)
	r.Mute = false
	return "no samples for " + blind.String()
}

// goOn lets the person obey, and open again what was closed before its time.
func (b between) goOn(seconds int) {
	for range seconds {
		v := b.rig.Core.View()
		b.reset(v)
		if v.Step == "secure" && at(b.rig.Said, "flush_done") < 0 {
			b.say(box.MainOpen)
			continue
		}
		if v.Step == "secure" {
			return
		}
		b.rig.Turn(b.rig.Obey("Kim")...)
	}
}

// reset has the sign of backflow looked into once its cause is gone.
func (b between) reset(v engine.View) {
	for _, a := range v.Alarms {
		if a.Latched && strings.HasPrefix(a.State, "latched") {
			b.rig.Turn(box.Action{Kind: box.Acknowledge, Alarm: a.ID, By: "Lee"}, box.Action{Kind: box.Reset, Alarm: a.ID, By: "Lee", Note: "device tested"})
		}
	}
}

func TestInterrupted(t *testing.T) {
	zone, done := enginetest.Zone(), 0
	if raced {
		*interrupted = min(*interrupted, 2)
	}
	for seed := range uint64(*interrupted) {
		rnd := rand.New(rand.NewPCG(seed, 2))
		cfg := enginetest.Config(zone)
		cfg.Probe.Present = rnd.IntN(2) == 0
		rig := enginetest.New(cfg, seed, false)
		b := between{rig, enginetest.NewWatch(rig), rnd}
		if !cfg.Probe.Present {
			rig.Plant.Drop(box.EndEC)
		}
		var what []string
		for range 1 + rnd.IntN(3) {
			b.goOn(rnd.IntN(900))
			what = append(what, b.comes())
		}
		b.goOn(8000)
		for _, f := range b.watch.Found {
			t.Errorf("seed %d (probe %v; %v): %s", seed, cfg.Probe.Present, what, f)
		}
		if at(rig.Said, "flush_done") > 0 {
			done++
		} else {
			t.Logf("seed %d (probe %v; %v): step %s, %+v", seed, cfg.Probe.Present, what, rig.Core.View().Step, rig.Core.View().Advice)
		}
	}
	if done < *interrupted/2 {
		t.Errorf("only %d of %d runs came to a flush", done, *interrupted)
	}
}
