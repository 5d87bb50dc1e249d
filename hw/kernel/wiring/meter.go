//go:build linux

package wiring

import (
	"math"
	"os"
	"sync"
	"time"
)

// Meter is a flow meter that gives pulses on a line: as long high as low.
type Meter struct {
	mu    sync.Mutex
	pull  *os.File
	rate  float64 // pulses a second
	phase float64 // half pulses since it was made
	since time.Time
	sent  uint64 // edges
	quit  chan struct{}
	turn  chan struct{}
}

// slowest is how long a meter that stands still waits before it looks again.
const slowest = time.Hour

// NewMeter puts a meter that stands still on a line.
func NewMeter(l *Lines, line string) (*Meter, error) {
	f, err := l.pull(line)
	if err != nil {
		return nil, err
	}
	m := &Meter{pull: f, since: time.Now(), quit: make(chan struct{}), turn: make(chan struct{}, 1)}
	go m.run()
	return m, nil
}

// Close stops it.
func (m *Meter) Close() { close(m.quit) }

// Rate is at how many pulses a second it turns from now on.
func (m *Meter) Rate(perSecond float64) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if perSecond == m.rate {
		return
	}
	m.advance()
	m.rate = perSecond
	select {
	case m.turn <- struct{}{}:
	default:
	}
}

// Pulses is how many it has given.
func (m *Meter) Pulses() uint64 {
	m.mu.Lock()
	defer m.mu.Unlock()
	return (m.sent + 1) / 2
}

func (m *Meter) run() {
	t := time.NewTimer(0)
	for {
		select {
		case <-m.quit:
			return
		case <-m.turn:
		case <-t.C:
		}
		t.Reset(m.edges())
	}
}

// advance counts on at the present rate.
func (m *Meter) advance() {
	now := time.Now()
	m.phase += 2 * m.rate * now.Sub(m.since).Seconds()
	m.since = now
}

// edges gives the edges that are due and says when the next one is.
func (m *Meter) edges() time.Duration {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.advance()
	for ; m.sent < uint64(m.phase); m.sent++ {
		_ = set(m.pull, m.sent%2 == 0) // a missing pulse is what the tests look for
	}
	if m.rate <= 0 {
		return slowest
	}
	next := (math.Floor(m.phase) + 1 - m.phase) / (2 * m.rate)
	return min(time.Duration(next*float64(time.Second)), slowest)
}
