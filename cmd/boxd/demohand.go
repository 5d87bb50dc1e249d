package main

import (
	"context"
	"time"

	"boxd/internal/box"
	"boxd/internal/daemon"
	"boxd/internal/engine"
)

// loopHand turns the simulated loop valve as the advice says, a movement at a
// time, and looks between them as a person does.
type loopHand struct {
	last  float64       // of the travel; above 0 it shuts
	free  time.Duration // when it looks up again
	way   string        // last read, and since when it stands
	since time.Duration
	set   bool // it was told that it is enough
}

// How the hand moves. Nobody can turn less than its finest.
const (
	handFirst  = 0.15 // of the travel, told nothing of how far
	handFinest = 0.02
	handPace   = 0.04 // of the travel in a second
	handRests  = 6 * time.Second
	handReads  = 3 * time.Second  // before it turns
	handLeaves = 30 * time.Second // likewise, once it was enough
)

// look is how far to turn now, as a part of the travel.
func (h *loopHand) look(v *engine.LoopView, now time.Duration) (by float64, over time.Duration) {
	if v.Direction != h.way {
		h.way, h.since = v.Direction, now
	}
	h.set = h.set || v.Enough
	reads := handReads
	if h.set {
		reads = handLeaves
	}
	if !v.Known || v.Moving || v.Enough || v.Cannot != "" || now < h.free || now-h.since < reads {
		return 0, 0
	}
	by = handFirst
	if v.Part > 0 && h.last != 0 {
		by = max(h.last, -h.last) * v.Part
	}
	by = max(by, handFinest)
	over = time.Duration(by / handPace * float64(time.Second))
	switch v.Direction {
	case "shut more":
	case "open a little":
		by = -by
	default:
		return 0, 0
	}
	h.last, h.free = by, now+over+handRests
	return by, over
}

// throttling: the loop valve is asked for and not there yet, so that nobody would
// say it is.
func throttling(v *engine.View) bool {
	return v.Advice != nil && v.Advice.Deed == box.LoopThrottled.String() && v.Loop.Known && !v.Loop.Enough
}

// followLoop is the hand at the demo's loop valve. It turns as soon as the
// advice stands, so that the valve's page has something to show, waits short of
// where the injector starts, and goes on at the person's word.
func followLoop(ctx context.Context, d *daemon.Daemon, sim *simulation) {
	var h loopHand
	views, end := d.Subscribe()
	defer end()
	for {
		select {
		case <-ctx.Done():
			return
		case v, ok := <-views:
			if !ok {
				return
			}
			was := h
			if by, over := h.look(&v.Loop, time.Duration(v.T*float64(time.Second))); by != 0 && !sim.turn(by, over, true) {
				h = was // nothing was turned
			}
		}
	}
}
