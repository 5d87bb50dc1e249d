package daemon

import (
	"context"
	"crypto/rand"
	"time"

	"boxd/internal/box"
	"boxd/internal/engine"
	"boxd/internal/web"
)

// readingTime is how long a person takes to read an advice before acting on it.
// Common practice, no source.
const readingTime = 3 * time.Second

// onShow is which advice stands, and which stood before.
type onShow struct {
	number, before uint64
	since          time.Time
}

func (s *onShow) see(v *engine.View, now time.Time) {
	var n uint64
	if v.Advice != nil {
		n = v.Advice.Number
	}
	if n != s.number {
		*s = onShow{n, s.number, now}
	}
}

// read is the advice that somebody at the box can have read: one that came up
// just now is not.
func (s *onShow) read(now time.Time) uint64 {
	if now.Sub(s.since) < readingTime {
		return s.before
	}
	return s.number
}

// Press is "done", said by the button at the box. It has no number to send
// along, so it is taken for the advice that could be read when it was pressed:
// where another one stands since, the core refuses it as any stale word.
func (d *Daemon) Press(ctx context.Context) web.Answer {
	d.mu.Lock()
	n := d.onShow.read(time.Now())
	d.mu.Unlock()
	return d.Submit(ctx, box.Action{ID: rand.Text(), Kind: box.Confirm, Advice: n, By: box.ByButton})
}
