package engine

import (
	"maps"
	"math"

	"boxd/internal/alarm"
	"boxd/internal/estimate"
	"boxd/internal/units"
)

// Figures are the numbers of a run that only a season's runs together make speak,
// beside those of Learned. Null is unknown.
type Figures struct {
	ExpectedFlowLH float64  `json:"expected_flow_l_h"` // that the zone's emitters take at the target pressure
	TargetKPa      float64  `json:"target_kpa"`
	FlushDoneL     *float64 `json:"flush_done_l"`   // that passed from clean at the box until the flush was called done
	FlushNeededL   *float64 `json:"flush_needed_l"` // that had to, margin included
	RunsPerWeek    *float64 `json:"runs_per_week"`  // that the planned feed asks for
	Plants         *float64 `json:"plants"`         // in the zone
	Watch          Watch    `json:"watch"`
}

// Watch is what the core saw since the run before ended, up to the end of this
// one, in as far as that was kept: after a restart between runs it begins anew
// from what was last kept, alarms and time alike.
type Watch struct {
	ObservedH    float64        `json:"observed_h"` // gaps of more than ten minutes left out
	FloodH       float64        `json:"flood_h"`    // of it in a flood of alarms
	Alarms       map[string]int `json:"alarms"`     // announced, by id
	FreezeKnown  bool           `json:"freeze_known"`
	LeastFreezeH *float64       `json:"least_freeze_h"` // to 0 °C, by the cautious course; null: never within its horizon
}

// watching is a Watch under way.
type watching struct {
	Watch
	from alarm.Total // when it began
}

// watch takes this turn in.
func (g *Engine) watch() {
	w := &g.watched
	for i := range g.a.Changes {
		if c := &g.a.Changes[i]; c.Announced() {
			if w.Alarms == nil {
				w.Alarms = map[string]int{}
			}
			w.Alarms[c.Alarm.Def.ID]++
		}
	}
	f := &g.e.Freeze
	if !f.Known {
		return
	}
	w.FreezeKnown = true
	if f.Early < estimate.FreezeHorizon && (w.LeastFreezeH == nil || f.Early.Hours() < *w.LeastFreezeH) {
		w.LeastFreezeH = ptr(f.Early.Hours())
	}
}

// soFar is the watch up to now.
func (g *Engine) soFar() Watch {
	w, t := g.watched.Watch, g.guard.Panel().Total()
	w.ObservedH += (t.Observed - g.watched.from.Observed).Hours()
	w.FloodH += (t.Flooded - g.watched.from.Flooded).Hours()
	w.Alarms = maps.Clone(w.Alarms)
	return w
}

// keepWatch puts it into the memory.
func (g *Engine) keepWatch() {
	w := g.soFar()
	g.memory.Watch = &w
}

// shown is the watch with numbers as a person reads them.
func (w Watch) shown() Watch {
	w.ObservedH, w.FloodH = round(w.ObservedH, 3), round(w.FloodH, 3)
	if w.LeastFreezeH != nil {
		w.LeastFreezeH = ptr(round(*w.LeastFreezeH, 2))
	}
	if w.Alarms == nil {
		w.Alarms = map[string]int{}
	}
	return w
}

// believable is a watch as it was kept, the zero one where its numbers can't be.
func (w *Watch) believable() Watch {
	if w == nil || !(w.ObservedH >= 0 && w.FloodH >= 0) || math.IsInf(w.ObservedH+w.FloodH, 0) {
		return Watch{}
	}
	out := *w
	out.Alarms = maps.Clone(w.Alarms)
	return out
}

// rewatch begins anew.
func (g *Engine) rewatch() {
	g.watched = watching{from: g.guard.Panel().Total()}
}

// flushCounts are the volumes when the flush was called done.
type flushCounts struct {
	known        bool
	done, needed units.Litre
}

func (g *Engine) countFlush() {
	if f := &g.e.Flush; g.e.EverDrawn && g.e.CleanAtBox {
		g.flushed = flushCounts{true, f.Passed, f.Needed}
	}
}

// figures are the run's.
func (g *Engine) figures() *Figures {
	target := g.cfg.Limits.HeaderTarget
	f := &Figures{ExpectedFlowLH: round(float64(g.cfg.Zone.ExpectedFlow(target)), 2), TargetKPa: round(float64(target), 2), Watch: g.soFar().shown()}
	if c := &g.flushed; c.known {
		f.FlushDoneL, f.FlushNeededL = ptr(round(float64(c.done), 2)), ptr(round(float64(c.needed), 2))
	}
	if d := g.cfg.Dose; d.PerWeek > 0 {
		f.RunsPerWeek = ptr(round(d.PerWeek, 3))
	}
	if n := g.cfg.Dose.Plants; n > 0 {
		f.Plants = ptr(round(n, 1))
	}
	return f
}
