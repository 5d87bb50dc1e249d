package main

import (
	"context"
	"maps"
	"reflect"
	"slices"
	"sync"
	"time"

	"boxd/internal/box"
	"boxd/internal/sensors"
	"boxd/internal/sensors/hwio"
	"boxd/internal/setup"
)

// bench reads the instruments that are being described, while somebody looks.
type bench struct {
	rows *pipe // a logger's; nil: there is none

	mu      sync.Mutex // of what follows
	wirings map[int]sensors.Wiring
	source  *hwio.Source
	watch   uint64 // how often instruments were opened
	trouble string // why there is no source
	seen    map[box.Channel]box.Sample
	ends    *time.Timer
}

// benchIdle is how long buses are read after the last look: longer than it takes to
// fill a bucket with a phone asleep in the pocket.
const benchIdle = 5 * time.Minute

// look is the newest of each instrument that is described well enough to be read.
func (b *bench) look(d *setup.Draft) []setup.Seen {
	b.mu.Lock()
	defer b.mu.Unlock()
	if d.Board == setup.ByLogger {
		return b.logger()
	}
	b.open(d.Wirings())
	if b.source != nil {
		b.ends.Reset(benchIdle)
		b.take(b.source.Samples(context.Background(), 0, nil))
	}
	out := make([]setup.Seen, 0, len(b.wirings))
	for _, at := range slices.Sorted(maps.Keys(b.wirings)) {
		w := b.wirings[at]
		x := setup.Seen{At: at, Wiring: w, Sample: box.Sample{Channel: w.Channel}}
		if s, ok := b.seen[w.Channel]; ok {
			x.Sample, x.Heard = s, true
		}
		if p, ok := w.Driver.(sensors.Pulses); ok && b.source != nil {
			x.Counts, x.Watch, x.Counted = true, b.watch, float64(b.source.Totals()[w.Channel].Pulses)/p.Meter.PerLitre
		}
		if b.trouble != "" {
			x.Sample.Fault, x.Heard = b.trouble, true
		}
		out = append(out, x)
	}
	return out
}

// open reads these instruments from now on.
func (b *bench) open(wirings map[int]sensors.Wiring) {
	if b.source != nil && reflect.DeepEqual(wirings, b.wirings) {
		return
	}
	b.shut()
	b.wirings, b.seen, b.trouble = wirings, map[box.Channel]box.Sample{}, ""
	if len(wirings) == 0 {
		return
	}
	src, err := openInstruments(slices.Collect(maps.Values(wirings)))
	if err != nil {
		b.trouble = err.Error()
		return
	}
	b.source = src
	b.watch++
	b.ends = time.AfterFunc(benchIdle, b.close)
}

// logger is what rows brought.
func (b *bench) logger() (out []setup.Seen) {
	if b.rows == nil {
		return nil
	}
	if b.seen == nil {
		b.seen = map[box.Channel]box.Sample{}
	}
	b.take(b.rows.Samples(context.Background(), 0, nil))
	for _, c := range slices.Sorted(maps.Keys(b.seen)) {
		out = append(out, setup.Seen{At: -1, Sample: b.seen[c], Heard: true})
	}
	return out
}

// take keeps the newest. A logger that has ended says so when the box goes into
// operation.
func (b *bench) take(samples []box.Sample, _ error) {
	for _, s := range samples {
		b.seen[s.Channel] = s
	}
}

// close lets go of the buses.
func (b *bench) close() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.shut()
}

func (b *bench) shut() {
	if b.source != nil {
		b.ends.Stop()
		b.source.Close()
		b.source = nil
	}
}
