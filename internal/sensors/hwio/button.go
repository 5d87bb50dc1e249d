package hwio

import (
	"context"
	"sync"
	"time"

	"boxd/internal/sensors"
)

// Button is a push button at the box. What a press means is for whoever is told
// of it.
type Button struct {
	watch watch
	open  func(w watch) (line, error)
	clock func() time.Duration

	mu      sync.Mutex // Run writes, anybody reads
	trouble string
}

// NewButton makes a button that closes its line to ground (or, with activeHigh,
// to the supply) while it is pressed.
func NewButton(l sensors.Line, activeHigh bool) *Button {
	return &Button{watch: watch{Line: l, activeLow: !activeHigh, both: true}, open: openLine, clock: monotonic}
}

// A press is as long as this; what is shorter is a disturbance, what is longer a
// hand or a tool that leans on it. One that is told late is not told: the
// person may have read something else by then. Common practice, no source.
const (
	pressLeast = 40 * time.Millisecond
	pressMost  = 1500 * time.Millisecond
	pressStale = 2 * time.Second
	pressStuck = 15 * time.Second
	buttonBeat = 50 * time.Millisecond
)

// press is how the button stands.
type press struct {
	down time.Duration
	held bool
	seq  uint32
}

// take reports whether an edge ends a press.
func (p *press) take(e edge, now time.Duration) bool {
	whole := p.held && !e.rising && e.seq == p.seq+1
	d := e.at - p.down
	p.seq, p.held = e.seq, e.rising
	if e.rising {
		p.down = e.at
	}
	return whole && d >= pressLeast && d <= pressMost && now-e.at <= pressStale
}

// Run calls pressed after each press, until ctx ends.
func (b *Button) Run(ctx context.Context, pressed func()) {
	tick := time.NewTicker(buttonBeat)
	defer tick.Stop()
	var l line
	var p press
	var edges []edge
	var again time.Duration
	defer func() {
		if l != nil {
			l.close()
		}
	}()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		var err error
		if l == nil {
			if b.clock() < again {
				continue
			}
			if l, err = b.open(b.watch); err == nil {
				p = press{}
			}
		}
		if err == nil {
			edges, err = l.take(edges[:0])
		}
		now := b.clock()
		b.note(err, p.held && now-p.down > pressStuck)
		if err != nil {
			if l != nil {
				l.close()
				l = nil
			}
			again = now + retryLine
			continue
		}
		for _, e := range edges {
			if p.take(e, now) {
				pressed()
			}
		}
	}
}

func (b *Button) note(err error, stuck bool) {
	why := ""
	switch {
	case err != nil:
		why = lineFault(0, err).Fault
	case stuck:
		why = failed(0, 0, "the button is pressed all the time: is it stuck, or do its wires touch?").Fault
	}
	b.mu.Lock()
	b.trouble = why
	b.mu.Unlock()
}

// Trouble is why the button can't be relied on; empty: it can.
func (b *Button) Trouble() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.trouble
}
