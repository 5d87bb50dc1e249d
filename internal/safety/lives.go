package safety

import (
	"time"

	"boxd/internal/alarm"
)

// life is how an alarm lives with others: what it follows from, whether it may
// be set aside, whether it is said anew.
type life struct {
	id          string
	silenceable bool
	realarm     time.Duration
	causes      []string
}

// lives of the box's alarms. A consequence never outranks its cause, and what
// tells of backflow or frost is never a consequence. Why a cause is one stands
// beside it; that one alarm leads to another is common practice, no source.
//
// sensor-fault is no cause of anything: it stands for all sensors, and a broken
// probe must not quiet what a sound one sees. An alarm whose own sensor is
// broken can't be judged and so stays as it is.
func lives() []life {
	const m = time.Minute
	return []life{
		{id: "backflow-protection-missing"}, // acknowledged once it stays a hold, not a nuisance
		{id: "backflow-sign", realarm: 10 * m},
		// A supply that is gone with the line full is a backflow sign: one deed, closing
		// the shutoff valve, answers both.
		{id: "supply-pressure-low", realarm: 10 * m, causes: []string{"backflow-sign"}},
		// Less supply, a loaded filter or a burst row each pull the header down.
		{id: "header-pressure-low", silenceable: true, causes: []string{"supply-pressure-low", "filter-clogging", "flow-above-expected"}},
		{id: "header-pressure-high", silenceable: true},
		{id: "filter-clogging", silenceable: true},
		{id: "filter-torn", silenceable: true},
		// An empty tank draws nothing; neither does an injector without flow.
		{id: "injector-not-cycling", silenceable: true, causes: []string{"supply-pressure-low", "stock-empty", "filter-clogging"}},
		{id: "ratio-off", silenceable: true, causes: []string{"supply-pressure-low", "stock-empty", "injector-not-cycling"}},
		{id: "flow-above-expected", silenceable: true},
		// Below the pressure its emitters are made for, a zone no longer follows their law.
		{id: "flow-below-expected", silenceable: true, causes: []string{"supply-pressure-low", "header-pressure-low"}},
		{id: "ec-above-limit", silenceable: true},
		{id: "stock-empty", silenceable: true, causes: []string{"supply-pressure-low"}},
		// Water that stops because the supply is gone leaves the flush undone.
		{id: "flush-incomplete", silenceable: true, realarm: 60 * m, causes: []string{"supply-pressure-low"}},
		{id: "freeze-risk", silenceable: true, realarm: 120 * m},
		{id: "sensor-fault"},
		{id: "archive-failing"},
		{id: "link-down", silenceable: true},
		{id: "clock-jump", silenceable: true},
	}
}

// withLives joins the lives to the definitions.
func withLives(defs []alarm.Definition) []alarm.Definition {
	all := append(defs, aroundDefinitions()...)
	for i := range all {
		d := &all[i]
		for _, l := range lives() {
			if l.id == d.ID {
				d.Silenceable, d.Realarm, d.CausedBy = l.silenceable, l.realarm, l.causes
			}
		}
	}
	return all
}

// above and below judge by a limit with a deadband, which is at most half of the
// limit, so that what is measured from zero can return.
func above[T ~float64](v, limit, band T, stood bool) bool {
	return alarm.Limit[T]{At: limit, Deadband: min(band, limit/2)}.Above(v, stood)
}

func below[T ~float64](v, limit, band T, stood bool) bool {
	return alarm.Limit[T]{At: limit, Deadband: min(band, limit/2)}.Below(v, stood)
}
