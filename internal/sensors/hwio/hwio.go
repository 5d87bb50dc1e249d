// Package hwio reads the instruments of a real box: converters and probes on
// I2C, and what else is wired. It is the only package that sees pins and buses,
// and it only ever reads: nothing is opened as an output, and a bus is written
// to only where a reading needs it.
//
// Each bus has a goroutine of its own, so that a slow or hung one delays no
// other. What an instrument can't tell is a sample with its fault and the
// NE 107 class of it, never an error and never a made-up number; what failed is
// tried again for ever. Samples come in the unit of their channel's trace
// column.
package hwio

import (
	"context"
	"fmt"
	"slices"
	"sync"
	"time"

	"boxd/internal/box"
	"boxd/internal/sensors"
)

// instrument is one device on a bus. Its method is called by the bus' goroutine
// alone.
type instrument interface {
	// step does the next part of a reading and appends what was measured or why
	// not. It waits for nothing longer than a transfer on its bus: where the
	// instrument needs time, step says how long until it is to be called again. 0:
	// the reading is whole, and the next one begins at the next beat.
	step(ctx context.Context, dst []box.Sample) ([]box.Sample, time.Duration)
}

// bus is one wire with the instruments on it.
type bus struct {
	name  string
	close func() // when the goroutine ends; nil: nothing to close
	tasks []*task
	stats Stats
}

// Source gives what the instruments measured. Its Samples never waits for one.
type Source struct {
	mu          sync.Mutex // between the buses' goroutines and whoever asks
	corrections sensors.Corrections
	thermal     thermal
	buses       []*bus
	meters      []*pulseMeter
	power       box.Sample // of the board's supply
	powered     bool       // there is one
	stop        context.CancelFunc
	ended       chan struct{}
}

// Open begins to read the instruments; Close ends it. A bus that isn't there is
// no error: its channels are faulty until it is. An error means that the wiring
// itself can't work.
func Open(wirings []sensors.Wiring, c sensors.Corrections) (*Source, error) {
	return open(wirings, c, system())
}

func open(wirings []sensors.Wiring, c sensors.Corrections, o openers) (*Source, error) {
	b := &builder{openers: o, i2c: map[string]*i2cBus{}, serial: map[string]*modbusLine{}}
	for _, w := range wirings {
		if err := b.add(w); err != nil {
			return nil, err
		}
	}
	ctx, cancel := context.WithCancel(context.Background())
	s := &Source{corrections: c, thermal: thermalOf(wirings), buses: b.buses, meters: b.meters, stop: cancel, ended: make(chan struct{})}
	now := time.Now()
	var wg sync.WaitGroup
	for _, b := range s.buses {
		for _, t := range b.tasks {
			t.beat, t.next = now, now
		}
		wg.Go(func() { s.turn(ctx, b) })
	}
	go func() { wg.Wait(); close(s.ended) }()
	return s, nil
}

// closeWithin is how long Close waits for transfers under way. One that hangs is
// left behind: the kernel ends it.
const closeWithin = 3 * time.Second

// Close ends the reading.
func (s *Source) Close() {
	s.stop()
	select {
	case <-s.ended:
	case <-time.After(closeWithin):
	}
}

// Correct takes the corrections that hold from now on.
func (s *Source) Correct(c sensors.Corrections) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.corrections = c
}

// Samples appends what was measured since the last call, of each channel the
// newest two at most, oldest first. A channel whose instrument gives nothing back at all is faulty too.
func (s *Source) Samples(_ context.Context, _ time.Duration, dst []box.Sample) ([]box.Sample, error) {
	now, from := time.Now(), len(dst)
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, b := range s.buses {
		for _, t := range b.tasks {
			dst = t.take(dst, now)
		}
	}
	taken := s.own(dst[from:])
	s.finish(taken, now)
	return dst[:from+len(taken)], nil
}

// own takes out what is of the board itself, no channel of the box.
func (s *Source) own(taken []box.Sample) []box.Sample {
	return slices.DeleteFunc(taken, func(x box.Sample) bool {
		if x.Channel != box.UnknownChannel {
			return false
		}
		s.power, s.powered = x, true
		return true
	})
}

// supply is the newest sample of the board's supply, V; false: none is measured.
func (s *Source) supply() (box.Sample, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.power, s.powered
}

// finish corrects samples, the water's temperature before the EC that it is
// needed for.
func (s *Source) finish(taken []box.Sample, now time.Time) {
	for i, x := range taken {
		if !s.thermal.raw[x.Channel] {
			taken[i] = s.corrections.Apply(x)
			s.thermal.hear(taken[i], now)
		}
	}
	for i, x := range taken {
		if s.thermal.raw[x.Channel] {
			taken[i] = s.corrections.Apply(s.thermal.compensate(x, now))
		}
	}
}

// builder makes buses and instruments of wirings.
type builder struct {
	openers
	buses  []*bus
	i2c    map[string]*i2cBus
	serial map[string]*modbusLine
	meters []*pulseMeter
}

// add puts an instrument on its bus. A driver is a case here.
func (b *builder) add(w sensors.Wiring) error {
	switch d := w.Driver.(type) {
	case sensors.ADS1115:
		return b.ads1115(w, d)
	case sensors.ECText:
		return b.ecText(w, d)
	case sensors.Pulses:
		return b.pulses(w, d)
	case sensors.DS18B20:
		return b.ds18b20(w, d)
	case sensors.Modbus:
		return b.modbus(w, d)
	}
	return fmt.Errorf("cannot read %s: no driver for it is built in; take another driver", w)
}

// on is the bus of that name, made at its first instrument.
func (b *builder) on(name string) *bus {
	i := slices.IndexFunc(b.buses, func(x *bus) bool { return x.name == name })
	if i < 0 {
		i = len(b.buses)
		b.buses = append(b.buses, &bus{name: name, stats: Stats{Bus: name}})
	}
	return b.buses[i]
}

// put schedules an instrument that measures these channels.
func (x *bus) put(i instrument, every time.Duration, channels ...box.Channel) {
	x.tasks = append(x.tasks, &task{instrument: i, every: every, channels: channels})
}

// closing adds what is to be closed when the bus' goroutine ends.
func (x *bus) closing(shut func()) {
	if before := x.close; before != nil {
		x.close = func() { before(); shut() }
		return
	}
	x.close = shut
}
