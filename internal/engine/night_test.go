package engine_test

// Frost nights with nobody there and slow sampling, against the truth of a
// plant that cools by Newton's law with time constants of its own. The outside
// falls from dusk as the square root of time (Brunt 1932, from memory).

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"boxd/internal/box"
	"boxd/internal/engine"
	"boxd/internal/engine/enginetest"
	"boxd/internal/simbox"
	"boxd/internal/units"
)

// frostNight is one night's weather and box.
type frostNight struct {
	seed            uint64
	dusk, low       float64 // outside, °C
	hours           float64 // from dusk to the low
	boxTau          time.Duration
	stillTau        time.Duration
	beat            time.Duration
	probe, forecast bool
	miss            float64 // of the forecast, °C
}

func night(seed uint64, low float64) frostNight {
	r := rand.New(rand.NewPCG(seed, 5))
	between := func(a, b float64) float64 { return a + (b-a)*r.Float64() }
	hours := func(a, b float64) time.Duration { return time.Duration(between(a, b) * float64(time.Hour)) }
	n := frostNight{seed: seed, dusk: between(8, 14), low: low, hours: between(9, 13), boxTau: hours(0.75, 4), stillTau: hours(1.5, 5),
		beat: time.Duration(1+r.IntN(10)) * time.Minute, miss: between(-1.5, 1.5)}
	n.probe, n.forecast = seed%3 != 0, seed%3 != 1
	return n
}

// play lives through the night until the smallest volume is at 0 °C, or until
// the morning. It tells when the alarm came; zero is never.
func (n frostNight) play(t *testing.T) (froze, alarmed time.Duration) {
	cfg := enginetest.Config(enginetest.Zone())
	cfg.Limits.FreezeWater, cfg.Limits.FreezeAir = 0, -20 // the forecast alone is on trial
	spec := enginetest.Spec(cfg, false)
	spec.OutsideProbe, spec.Outside, spec.BoxAir = n.probe, units.Celsius(n.dusk), units.Celsius(n.dusk+2)
	spec.Water, spec.BoxTau, spec.StillTau, spec.SmallTau = units.Celsius(n.dusk+2), n.boxTau, n.stillTau, n.stillTau*3/10
	r := enginetest.New(cfg, n.seed, false)
	r.Plant, r.Beat = simbox.New(spec, n.seed), n.beat
	if n.forecast {
		at := r.Wall.Add(time.Duration(n.hours * float64(time.Hour)))
		r.Turn(box.Action{Kind: box.Post, By: "station", Forecast: box.Forecast{Low: units.Celsius(n.low + n.miss), At: at}})
	}
	for r.Now < time.Duration((n.hours+3)*float64(time.Hour)) {
		part := min(r.Now.Hours()/n.hours, 1)
		r.Plant.SetOutside(units.Celsius(n.dusk + (n.low-n.dusk)*math.Sqrt(part)))
		for _, e := range r.Turn() {
			if e.Kind == engine.AlarmEvent && e.ID == "freeze-risk" && e.State == "raised" && alarmed == 0 {
				alarmed = r.Now
			}
		}
		if r.Plant.Truth().Small <= 0 {
			return r.Now, alarmed
		}
	}
	return 0, alarmed
}

// TestFrostNights: the alarm leaves the time to act that the configuration asks
// for, less a quarter of an hour and the sampling, and comes no earlier than three times that.
func TestFrostNights(t *testing.T) {
	const lead = 2 * time.Hour
	for seed := range uint64(24) {
		n := night(seed, -3-float64(seed%4))
		froze, alarmed := n.play(t)
		left := froze - alarmed

		switch {
		case froze == 0:
		case alarmed == 0:
			t.Errorf("%+v: froze after %v, no alarm", n, froze)
		case left < lead-15*time.Minute-n.beat:
			t.Errorf("%+v: %v of warning", n, left)
		case left > 3*lead:
			t.Errorf("%+v: alarm %v before", n, left)
		}
	}
}

// TestMildNights: a night that stays well above 0 °C raises nothing.
func TestMildNights(t *testing.T) {
	for seed := range uint64(9) {
		n := night(seed, 5)
		if froze, alarmed := n.play(t); froze != 0 || alarmed != 0 {
			t.Errorf("%+v: froze %v, alarm %v", n, froze, alarmed)
		}
	}
}
