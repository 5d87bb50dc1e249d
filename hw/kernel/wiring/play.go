//go:build linux

package wiring

import (
	"context"
	"errors"
	"sync"
	"time"

	"boxd/internal/box"
	"boxd/internal/simbox"
)

// Moment is what the plant was at a time of the machine's clock.
type Moment struct {
	At    time.Time
	Truth simbox.Truth
}

// Play lets a simulated plant run in real time and shows it to a field's
// instruments, without noise and lag: what is read back can be held against it.
type Play struct {
	field *Field

	mu    sync.Mutex
	plant *simbox.Plant
	past  []Moment
}

// NewPlay plays plant on f.
func NewPlay(f *Field, plant *simbox.Plant) *Play { return &Play{field: f, plant: plant} }

// Hand does something at the plant, as a person at the box does.
func (p *Play) Hand(do func(*simbox.Plant)) {
	p.mu.Lock()
	defer p.mu.Unlock()
	do(p.plant)
}

// Past is what has been, a moment for each tick of the plant.
func (p *Play) Past() []Moment {
	p.mu.Lock()
	defer p.mu.Unlock()
	return append([]Moment(nil), p.past...)
}

// Run lets time pass until ctx ends.
func (p *Play) Run(ctx context.Context) error {
	begun := time.Now()
	ticks := time.NewTicker(simbox.Tick)
	defer ticks.Stop()
	done := time.Duration(0)
	for {
		select {
		case <-ctx.Done():
			return nil
		case now := <-ticks.C:
			passed := now.Sub(begun)
			if err := p.step(now, passed-done); err != nil {
				return err
			}
			done = passed
		}
	}
}

func (p *Play) step(now time.Time, passed time.Duration) error {
	p.mu.Lock()
	p.plant.Step(passed)
	t := p.plant.Truth()
	p.past = append(p.past, Moment{now, t})
	p.mu.Unlock()
	var err error
	for c := box.UnknownChannel + 1; c < box.NumChannels; c++ {
		if v, ok := Feels(&t, c); ok {
			err = errors.Join(err, p.field.Show(c, v))
		}
	}
	return err
}

// Feels is what a channel's instrument would measure, in the unit of its trace
// column; false for channels without one.
func Feels(t *simbox.Truth, c box.Channel) (float64, bool) {
	switch c {
	case box.SupplyPressure:
		return float64(t.Supply), true
	case box.FilterOutPressure:
		return float64(t.FilterOut), true
	case box.InjectorInPressure:
		return float64(t.InjectorIn), true
	case box.InjectorOutPressure:
		return float64(t.InjectorOut), true
	case box.HeaderPressure:
		return float64(t.Header), true
	case box.MainFlow:
		return t.Main.LPerMin(), true
	case box.InjectorFlow:
		return t.Branch.LPerMin(), true
	case box.StockDraw:
		return t.Stock.LPerMin(), true
	case box.BoxEC:
		return float64(t.BoxEC), true
	case box.EndEC:
		return float64(t.EndEC), true
	case box.WaterTemp:
		return float64(t.Water), true
	case box.BoxAirTemp:
		return float64(t.BoxAir), true
	case box.OutsideAirTemp, box.UnknownChannel, box.NumChannels:
	}
	return 0, false
}
