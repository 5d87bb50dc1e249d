package daemon

import (
	"context"
	"math/rand/v2"
	"slices"
	"sync"
	"time"

	"boxd/internal/box"
)

// pace is a box with water running that notes when it was asked for samples and
// how long the core's goroutine was busy with them.
type pace struct {
	period time.Duration // real time between beats
	rng    *rand.Rand

	mu    sync.Mutex // the test reads what the core's goroutine writes
	asked time.Time
	mono  time.Duration
	after []time.Duration // by how much more than a period a beat came after the one before
	took  []time.Duration
	turns int
}

// maxPaces is how many of the newest beats are kept.
const maxPaces = 1 << 14

func newPace(period time.Duration) *pace {
	return &pace{period: period, rng: rand.New(rand.NewPCG(1, 2)), after: make([]time.Duration, 0, maxPaces), took: make([]time.Duration, 0, maxPaces)}
}

func (p *pace) Samples(_ context.Context, mono time.Duration, dst []box.Sample) ([]box.Sample, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	now := time.Now()
	if p.turns > 0 {
		p.after = note(p.after, p.turns, max(0, now.Sub(p.asked)-p.period))
	}
	p.asked, p.mono = now, mono
	for _, x := range []box.Sample{{Channel: box.SupplyPressure, Value: 290}, {Channel: box.FilterOutPressure, Value: 250}, {Channel: box.InjectorInPressure, Value: 250},
		{Channel: box.InjectorOutPressure, Value: 215}, {Channel: box.HeaderPressure, Value: 69}, {Channel: box.MainFlow, Value: 9.8}, {Channel: box.InjectorFlow, Value: 5},
		{Channel: box.BoxEC, Value: 450}, {Channel: box.EndEC, Value: 450}, {Channel: box.WaterTemp, Value: 17}, {Channel: box.BoxAirTemp, Value: 21}} {
		x.Value *= 1 + 0.002*p.rng.NormFloat64()
		dst = append(dst, x)
	}
	return dst, nil
}

// turned is called by the daemon at the end of each turn.
func (p *pace) turned() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.took = note(p.took, p.turns, time.Since(p.asked))
	p.turns++
}

func note(list []time.Duration, n int, d time.Duration) []time.Duration {
	if len(list) < maxPaces {
		return append(list, d)
	}
	list[n%maxPaces] = d
	return list
}

// late are the latenesses of the beats, rising.
func (p *pace) late() []time.Duration {
	p.mu.Lock()
	defer p.mu.Unlock()
	return slices.Sorted(slices.Values(p.after))
}

// busy are the turns' lengths, rising.
func (p *pace) busy() []time.Duration {
	p.mu.Lock()
	defer p.mu.Unlock()
	return slices.Sorted(slices.Values(p.took))
}

// at is the core's time and how many turns there were.
func (p *pace) at() (time.Duration, int) {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.mono, p.turns
}
