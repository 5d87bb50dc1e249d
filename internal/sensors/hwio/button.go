package hwio

import (
	"context"
	"sync"
	"time"

	"boxd/internal/box"
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
	w := buttonWatch{Button: b}
	defer w.shut()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
			for range w.look() {
				pressed()
			}
		}
	}
}

// buttonWatch is a button's line, opened and opened anew.
type buttonWatch struct {
	*Button
	line  line
	press press
	edges []edge
	again time.Duration // when to ask for the line again
}

func (w *buttonWatch) shut() {
	if w.line != nil {
		w.line.close()
		w.line = nil
	}
}

// look counts the presses since the last time.
func (w *buttonWatch) look() (presses int) {
	var err error
	if w.line == nil {
		if w.clock() < w.again {
			return 0
		}
		w.line, err = w.open(w.watch)
		w.press = press{}
	}
	if err == nil {
		w.edges, err = w.line.take(w.edges[:0])
	}
	now := w.clock()
	if err != nil {
		w.shut()
		w.again = now + retryLine
		w.note(err, false)
		return 0
	}
	for _, e := range w.edges {
		if w.press.take(e, now) {
			presses++
		}
	}
	w.note(nil, w.press.held && now-w.press.down > pressStuck)
	return presses
}

func (b *Button) note(err error, stuck bool) {
	why := ""
	switch {
	case err != nil:
		why = lineFault(0, err).Fault
	case stuck:
		why = box.Failed(0, 0, "the button is pressed all the time: is it stuck, or do its wires touch?").Fault
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
