package daemon

import (
	"context"
	"crypto/rand"
	"slices"
	"time"

	"boxd/internal/box"
	"boxd/internal/engine"
	"boxd/internal/say"
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

// toldFor is how long the pages tell that a press was not taken.
const toldFor = 20 * time.Second

// inVain is the newest press that was not taken.
type inVain struct {
	why say.Text
	at  time.Time
}

// tell adds it to what the pages say: the box itself has nothing to say it with.
func (p *inVain) tell(v *engine.View, now time.Time) {
	if p.why.Empty() || now.Sub(p.at) > toldFor {
		return
	}
	t := say.T("the button at the box was pressed, but it was not taken: %v", p.why)
	v.Said.Cautions = append(slices.Clone(v.Said.Cautions), t)
	v.Cautions = append(slices.Clone(v.Cautions), t.String())
}

// Press is "done", said by the button at the box. It has no number to send
// along, so it is taken for the advice that could be read when it was pressed:
// where another one stands since, the core refuses it as any stale word.
func (d *Daemon) Press(ctx context.Context) web.Answer {
	d.mu.Lock()
	n := d.onShow.read(time.Now())
	d.mu.Unlock()
	a := d.Submit(ctx, box.Action{ID: rand.Text(), Kind: box.Confirm, Advice: n, By: box.ByButton})
	d.mu.Lock()
	d.inVain = inVain{a.Said, time.Now()}
	d.mu.Unlock()
	return a
}
